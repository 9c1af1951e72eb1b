"""Boundary layers from the stagnation point to the trailing edge: laminar, transition, turbulent, separation.

Laminar: B. Thwaites, "Approximate calculation of the laminar boundary layer", Aeronautical Quarterly 1, 1949; his
functions H and l in the closed form of T. Cebeci and P. Bradshaw, "Momentum Transfer in Boundary Layers", 1977.
Transition: R. Michel, ONERA Report 1/1578A, 1951, in the form of Cebeci and Smith (with 22 400). A layer that
separates while laminar makes a bubble after H. P. Horton, ARC CP 1073, 1969: a free shear layer of Reynolds number
40 000 until it is turbulent, then a fall of speed until the momentum thickness and the gradient meet his reattachment
condition. Where that does not happen before the trailing edge, because the speed falls too fast or the Reynolds
number is too low, the separation stays: a burst bubble or laminar stall.
Turbulent: M. R. Head, ARC R&M 3152, 1958, with the fits of Cebeci and Bradshaw, and the friction of H. Ludwieg and
W. Tillmann, 1949; separated where the shape factor reaches ``SEPARATION_SHAPE``.
Profile drag: H. B. Squire and A. D. Young, ARC R&M 1838, 1938.
All of these from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

LAMINAR_SEPARATION = -0.09
"""Thwaites' parameter momentum thickness squared times speed gradient over viscosity where a laminar layer leaves."""
SEPARATION_SHAPE = 2.2
"""Shape factor at turbulent separation: very likely above 2.2 to 2.4 by Head's method. Within that range it was chosen
with the greatest lift of four measured sections in view (2.4 gives about a tenth more), one value for all."""
TURBULENT_START = 1.4
"""Shape factor of a layer that has just become turbulent (flat plate; common practice)."""
BUBBLE_REYNOLDS = 4.0e4
"""Speed times length of the laminar part of a bubble over viscosity (Horton)."""
REATTACHMENT = 0.0082
"""Momentum thickness times fall of speed over speed where a bubble closes (Horton)."""
BUBBLE_SHAPE = 3.5
"""Shape factor at reattachment (Horton)."""
TRIPPED = 163.0
"""Least Reynolds number on momentum thickness of a layer that a trip, however coarse, makes turbulent
(B. J. Abu-Ghannam and R. Shaw, Journal of Mechanical Engineering Science 22, 1980)."""


@dataclass(frozen=True)
class Layer:
    """One side, or several at once (leading axes ``...``).

    Attributes:
        along_m: (..., n) m from the stagnation point.
        speed: (..., n) at the layer's edge over the free stream.
        momentum_m, displacement_m: (..., n) thicknesses, m; held where the flow has separated.
        shape_factor: (..., n) displacement over momentum thickness.
        friction: (..., n) shear stress over the dynamic pressure of the free stream.
        transition: (...) m from the stagnation point, nan when laminar to the end.
        separation_m: (...) of turbulent, or final laminar, separation; nan when attached to the end.
        bubble_m: start and end (...) of a laminar separation that was taken as transition; nan, nan.
    """

    along_m: Floats
    speed: Floats
    momentum_m: Floats
    displacement_m: Floats
    shape_factor: Floats
    friction: Floats
    transition: Floats
    separation_m: Floats
    bubble_m: tuple[Floats, Floats]

    def part(self, rows: int | Ints | slice, stations: slice = slice(None), length: float = 1.0) -> Layer:
        """Some rows of several sides, some of their stations, lengths over ``length``."""
        start, end = self.bubble_m
        return Layer(
            self.along_m[rows, stations] / length,
            self.speed[rows, stations],
            self.momentum_m[rows, stations] / length,
            self.displacement_m[rows, stations] / length,
            self.shape_factor[rows, stations],
            self.friction[rows, stations],
            self.transition[rows] / length,
            self.separation_m[rows] / length,
            (start[rows] / length, end[rows] / length),
        )


def march(
    along_m: Floats,
    speed: Floats,
    reynolds_per_m: float,
    *,
    turbulent_from_m: float | Floats | None = None,
    criterion: str = "michel",
    separation_factor: float = 1.0,
) -> Layer:
    """The layer along one side or, in one pass over the stations, along many.

    Args:
        along_m: (..., n) m from the stagnation point, never falling. Sides of fewer stations start with doubles
            of their first.
        speed: (..., n) over the free stream, not negative. Zero at a stagnation point, above it at a sharp edge.
        reynolds_per_m: speed of the free stream over kinematic viscosity, 1/m.
        turbulent_from_m: one or (...), where a trip makes the layer turbulent at the latest; None for none.
        criterion: "michel", or "laminar" for no transition but a trip, so that laminar separation is final.
        separation_factor: scales the shape factor at turbulent separation.

    Raises:
        InputError: shapes that do not match, numbers out of their range, an unknown criterion.
    """
    s, u = np.asarray(along_m, float), np.asarray(speed, float)
    _check(s, u, reynolds_per_m, criterion, separation_factor)
    shape = s.shape
    s, u = s.reshape(-1, shape[-1]), u.reshape(-1, shape[-1])
    trip = np.full(len(s), np.inf)
    if turbulent_from_m is not None:
        trip[:] = np.broadcast_to(np.asarray(turbulent_from_m, float), shape[:-1]).ravel()
    momentum, form, friction, margin = _laminar(s, u, reynolds_per_m)
    start = np.full(len(s), np.inf)
    if criterion == "michel":
        start = _michel(s, u, momentum, reynolds_per_m)
    leaves = _crossing(LAMINAR_SEPARATION - margin, s)
    tripped = trip < leaves
    thick = _crossing(reynolds_per_m * u * momentum - TRIPPED, s)
    start = np.where(tripped, np.minimum(np.maximum(trip, thick), start), start)
    loose = leaves < start
    closes = np.full(len(s), np.inf)
    held = _at(leaves, s, momentum)
    may = loose & (tripped | (criterion == "michel"))
    if may.any():
        closes[may] = _bubble_end(s[may], u[may], leaves[may], held[may], reynolds_per_m, tripped[may])
    first = np.where(loose, held, _at(start, s, momentum))
    bubble = loose & np.isfinite(closes)
    with np.errstate(invalid="ignore"):
        shrink = _at(leaves, s, u) / np.maximum(_at(closes, s, u), 1e-6)
    first = np.where(bubble, first * np.maximum(shrink, 1.0) ** (BUBBLE_SHAPE + 2.0), first)
    start = np.where(loose, closes, start)
    still = s > np.where(loose, leaves, np.inf)[:, None]
    momentum = np.where(still, held[:, None], momentum)
    form = np.where(still, _at(leaves, s, form)[:, None], form)
    friction[still] = 0.0
    limit = SEPARATION_SHAPE * separation_factor
    parted = _turbulent(s, u, reynolds_per_m, start, first, limit, (momentum, form, friction))
    parted = np.where(loose & ~bubble, leaves, parted)
    start = np.where(start >= s[:, -1], np.nan, start)
    edge = np.where(bubble, leaves, np.nan), np.where(bubble, closes, np.nan)
    rows = [a.reshape(shape) for a in (s, u, momentum, momentum * form, form, friction)]
    spots = [a.reshape(shape[:-1]) for a in (start, parted, *edge)]
    return Layer(rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], spots[0], spots[1], (spots[2], spots[3]))


def profile_drag(upper: Layer, lower: Layer, chord_m: float) -> Floats:
    """(...) Drag coefficient of both layers, far behind the trailing edge (Squire and Young 1938)."""
    total = np.zeros(())
    for layer in (upper, lower):
        total = total + 2.0 * layer.momentum_m[..., -1] * layer.speed[..., -1] ** (
            0.5 * (layer.shape_factor[..., -1] + 5.0)
        )
    return np.asarray(total / chord_m)


def michel_limit(reynolds_along: Floats) -> Floats:
    """Reynolds number on momentum thickness at transition for one on the length from the stagnation point."""
    r = np.maximum(reynolds_along, 1.0)
    return 1.174 * (1.0 + 22400.0 / r) * r**0.46


def thwaites_functions(parameter: Floats) -> tuple[Floats, Floats]:
    """Shape factor H and shear l of Thwaites' parameter, from separation (-0.09) to 0.1 (Cebeci and Bradshaw)."""
    x = np.clip(parameter, LAMINAR_SEPARATION, 0.1)
    ahead, behind = np.maximum(x, 0.0), np.minimum(x, 0.0)
    form = np.where(x > 0.0, 2.61 + ahead * (-3.75 + 5.24 * ahead), 2.088 + 0.0731 / (0.14 + behind))
    shear = np.where(
        x > 0.0, 0.22 + ahead * (1.57 - 1.8 * ahead), 0.22 + 1.402 * behind + 0.018 * behind / (0.107 + behind)
    )
    return form, shear


def _check(s: Floats, u: Floats, reynolds: float, criterion: str, factor: float) -> None:
    if s.shape != u.shape or s.ndim < 1 or s.shape[-1] < 4:
        raise InputError("A layer needs a length and a speed at each of at least 4 stations.")
    if not (np.isfinite(s).all() and np.isfinite(u).all()):
        raise InputError("Lengths and speeds along a layer have to be numbers.")
    if np.any(np.diff(s) < 0.0) or np.any(s[..., -1] <= s[..., 0]) or np.any(u < 0.0):
        raise InputError("Along a layer the length never falls and the speed is not negative.")
    if not (math.isfinite(reynolds) and reynolds > 0.0):
        raise InputError(f"The Reynolds number is {reynolds:g}; give one above 0.")
    if criterion not in ("michel", "laminar"):
        raise InputError(f'There is no transition criterion "{criterion}"; take "michel" or "laminar".')
    if not 0.6 <= factor <= 1.5:
        raise InputError(f"The separation factor is {factor:g}; give one between 0.6 and 1.5.")


def _laminar(s: Floats, u: Floats, reynolds: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Momentum thickness, shape factor, friction and Thwaites' parameter, as if laminar to the end."""
    step = np.diff(s)
    a, b = u[:, :-1], u[:, 1:]
    aa, bb = a * a, b * b
    # The fifth power of a linear speed, exactly.
    whole = np.zeros_like(s)
    np.cumsum(step * (a + b) * (aa * aa + aa * bb + bb * bb) / 6.0, axis=1, out=whole[:, 1:])
    square = 0.45 / reynolds * whole / np.maximum(u, 1e-4) ** 6
    # At a stagnation point the limit is the next station's value.
    blunt = (u[:, :-1] <= 0.0) & (whole[:, :-1] <= 0.0)
    square[:, :-1] = np.where(blunt, square[:, 1:], square[:, :-1])
    parameter = square * reynolds * _gradient(step, u)
    form, shear = thwaites_functions(parameter)
    momentum = np.sqrt(square)
    friction = 2.0 * shear * u / (reynolds * np.maximum(momentum, 1e-12 / reynolds))
    return momentum, form, friction, parameter


def _gradient(step: Floats, u: Floats) -> Floats:
    """Speed gradient at the stations: that of the parabola through three."""
    safe = np.where(step > 0.0, step, 1.0)
    slope = np.diff(u) / safe
    out = np.empty_like(u)
    out[:, 0], out[:, -1] = slope[:, 0], slope[:, -1]
    left, right = step[:, :-1], step[:, 1:]
    both = np.where(left + right > 0.0, left + right, 1.0)
    out[:, 1:-1] = np.where(left > 0.0, (slope[:, :-1] * right + slope[:, 1:] * left) / both, slope[:, 1:])
    return out


def _michel(s: Floats, u: Floats, momentum: Floats, reynolds: float) -> Floats:
    return _crossing(reynolds * u * momentum - michel_limit(reynolds * u * s), s)


def _crossing(excess: Floats, s: Floats) -> Floats:
    """(k,) first place where ``excess`` rises above zero, between stations; inf where it never does."""
    above = excess > 0.0
    index = np.argmax(above, axis=1)
    rows = np.arange(len(s))
    before = np.maximum(index - 1, 0)
    low, high = excess[rows, before], excess[rows, index]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(high > low, np.clip(-low / (high - low), 0.0, 1.0), 1.0)
    place = s[rows, before] + share * (s[rows, index] - s[rows, before])
    return np.where(above[rows, index], place, np.inf)


def _at(place: Floats, s: Floats, values: Floats) -> Floats:
    """(k,) linear interpolation of ``values`` (k, n) at ``place`` (k,), held beyond the ends."""
    index = np.clip(np.sum(s < place[:, None], axis=1), 1, s.shape[1] - 1)
    rows = np.arange(len(s))
    a, b = s[rows, index - 1], s[rows, index]
    share = np.clip((np.minimum(place, 1e300) - a) / np.where(b > a, b - a, 1.0), 0.0, 1.0)
    return values[rows, index - 1] + share * (values[rows, index] - values[rows, index - 1])


def _bubble_end(
    s: Floats, u: Floats, leaves: Floats, momentum: Floats, reynolds: float, tripped: NDArray[np.bool_]
) -> Floats:
    """(k,) where the bubbles that start at ``leaves`` close; inf for those that do not.

    One behind a trip is turbulent at once.
    """
    speed = _at(leaves, s, u)
    fall = np.maximum(speed[:, None] / np.maximum(u, 1e-6), 1.0)
    free = (leaves + np.where(tripped, 0.0, BUBBLE_REYNOLDS / (reynolds * np.maximum(speed, 1e-6))))[:, None]
    needed = momentum[:, None] * np.minimum(fall, 1e3) ** (BUBBLE_SHAPE + 2.0) * (fall - 1.0) / REATTACHMENT
    end = _crossing(np.where(s > leaves[:, None], s - free - needed, -1.0), s)
    return np.where(end < s[:, -1], end, np.inf)


def _head_shape(entrained: Floats) -> Floats:
    """Shape factor H of Head's (thickness less displacement) over momentum thickness."""
    excess = np.maximum(entrained - _LEAST_ENTRAINED, 1e-3)
    high = 0.6778 + (excess / 1.5501) ** (-1.0 / 3.064)
    low = 1.1 + (excess / 0.8234) ** (-1.0 / 1.287)
    return np.where(excess < 0.8234 * 0.5**-1.287, high, low)


def _head_entrained(form: float) -> float:
    """The inverse of ``_head_shape``."""
    if form > 1.6:
        return _LEAST_ENTRAINED + 1.5501 * (form - 0.6778) ** -3.064
    return _LEAST_ENTRAINED + 0.8234 * (form - 1.1) ** -1.287


def _ludwieg_tillmann(form: Floats) -> Floats:
    """Friction coefficient on the edge speed times the 0.268th power of Reynolds number on momentum thickness."""
    return 0.246 * np.exp(-0.678 * math.log(10.0) * form)


# Shape factor and two, half the friction's first factor, and entrainment over the table's step, against Head's
# entrained shape, and their rises to the next line: a look into a table costs a third of the powers.
_LEAST_ENTRAINED, _MOST_ENTRAINED, _TABLE_STEP = 3.3, 20.0, 0.002
_knots = np.arange(_LEAST_ENTRAINED, _MOST_ENTRAINED + 3.0 * _TABLE_STEP, _TABLE_STEP)
_columns = np.column_stack(
    [
        _head_shape(_knots) + 2.0,
        0.5 * _ludwieg_tillmann(_head_shape(_knots)),
        0.0306 * (_knots - 3.0) ** -0.6169 / _TABLE_STEP,
    ]
)
_TABLE = np.hstack([_columns[:-1], np.diff(_columns, axis=0)])
_FIRST_LINE, _LAST_LINE = _LEAST_ENTRAINED / _TABLE_STEP, (_MOST_ENTRAINED - _LEAST_ENTRAINED) / _TABLE_STEP


def _rates(theta: Floats, mass: Floats, u: Floats, pull: Floats) -> tuple[Floats, Floats]:
    """Growth of momentum thickness and of what is entrained (over the table's step); lengths over viscous length."""
    flux = u * theta
    line = np.minimum(np.maximum(mass / flux - _FIRST_LINE, 0.5), _LAST_LINE)
    index = line.astype(np.intp)
    found = _TABLE[index]
    shape, skin, entrain = (found[:, :3] + found[:, 3:] * (line - index)[:, None]).T
    return skin * flux**-0.268 - shape * theta * pull, u * entrain


def _turbulent(
    s: Floats,
    u: Floats,
    reynolds: float,
    start: Floats,
    first: Floats,
    limit: float,
    into: tuple[Floats, Floats, Floats],
) -> Floats:
    """March all sides at once, writing momentum thickness, shape factor and friction; (k,) separation, nan if none."""
    parted = np.full(len(s), np.inf)
    flows = start < s[:, -1]
    if not flows.any():
        return np.full(len(s), np.nan)
    column = max(int(np.min(np.sum(s <= np.where(flows, start, np.inf)[:, None], axis=1))), 1)
    begin = np.maximum(s[:, column - 1 : -1], start[:, None])
    whole, step = np.diff(s[:, column - 1 :]), s[:, column:] - begin
    on = flows[:, None] & (step > 0.0)
    step = np.where(on, step, 0.0).T.copy()
    slope = (np.diff(u[:, column - 1 :]) / np.where(whole > 0.0, whole, 1.0)).T.copy()
    end = np.maximum(u[:, column:], 1e-3).T.copy()
    ahead = np.maximum(u[:, column:].T - slope * step, 1e-3)
    # From here on all lengths are over the viscous length, and the entrained shape is over the table's step.
    step, slope = step * reynolds, slope / reynolds
    pull_ahead, pull_end = slope / ahead, slope / end
    theta = np.maximum(first * reynolds, 1e-9)
    most, lowest, least = (e / _TABLE_STEP for e in (_MOST_ENTRAINED, 3.301, _head_entrained(limit)))
    entrained = np.full(len(s), _head_entrained(TURBULENT_START) / _TABLE_STEP)
    thetas, shapes = np.empty_like(step), np.empty_like(step)
    for i, (h, u_a, u_b, pull_a, pull_b) in enumerate(zip(step, ahead, end, pull_ahead, pull_end, strict=True)):
        mass = u_a * theta * entrained
        grow, take = _rates(theta, mass, u_a, pull_a)
        floor = 0.2 * theta
        more, draw = _rates(np.maximum(theta + h * grow, floor), mass + h * take, u_b, pull_b)
        half = 0.5 * h
        fresh = np.maximum(theta + half * (grow + more), floor)
        after = np.minimum(np.maximum((mass + half * (take + draw)) / (u_b * fresh), lowest), most)
        moving = (h > 0.0) & (entrained > least)
        before = entrained
        thetas[i] = theta = np.where(moving, fresh, theta)
        shapes[i] = entrained = np.where(moving, after, entrained)
        gone = moving & (entrained <= least)
        if gone.any():
            share = (before - least) / np.where(before > entrained, before - entrained, 1.0)
            parted = np.where(gone, begin[:, i] + share * h / reynolds, parted)
    form_now = np.minimum(_head_shape(shapes * _TABLE_STEP), limit).T
    theta_now = thetas.T / reynolds
    turned = start[:, None] < s[:, column:]
    attached = s[:, column:] < parted[:, None]
    momentum, form, friction = (a[:, column:] for a in into)
    flux = np.maximum(reynolds * u[:, column:] * theta_now, 1.0)
    skin = np.where(attached, _ludwieg_tillmann(form_now) * flux**-0.268 * u[:, column:] ** 2, 0.0)
    momentum[:] = np.where(turned, theta_now, momentum)
    form[:] = np.where(turned, form_now, form)
    friction[:] = np.where(turned, skin, friction)
    return np.where(np.isfinite(parted), parted, np.nan)
