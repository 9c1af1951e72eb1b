"""One section with its boundary layers: lift, moment and profile drag, up to and beyond the greatest lift.

Layer and flow (see ``section_flow``) are solved in turn with under-relaxation. The separation point is the one farthest
aft that the layer reaches in the flow which that very point makes, so that the relief by the dead air is in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sections.shape import SectionShape
from .boundary_layer import Layer, march
from .section_flow import LAST, SectionFlow, section_flow
from .section_loads import SectionState, SectionStates, section_states

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

LEAST_REYNOLDS, MOST_REYNOLDS = 2e4, 5e7
"""Outside these the methods of the layers say nothing; they are meant for 1e5 to 5e6."""
STEEPEST = math.radians(40.0)
RELAXATION = 0.5
"""Share of the change of displacement that is taken over at each turn."""
POLAR_STEP, POLAR_REACH = math.radians(1.0), 22
"""Incidences of a polar unless given: so many steps to both sides of that without lift."""
CONTOUR_COUNT = 61
"""Points a side that ``section_polar`` takes of a shape."""
SETTLED_CL = 0.02
"""Change of lift coefficient that one turn more would make, above which an answer counts as not converged."""
SETTLED_SHARE = 0.02
"""Share of a side by which the layer may end ahead of the separation point taken, and still count as converged."""
SETTLED_SPEED = 1e-3
"""Change of speed over the free stream below which attached flow needs no further turn."""
FIRST_TRIES = np.array([1.0, 0.93, 0.87, 0.8, 0.72, 0.64, 0.55, 0.46, 0.37, 0.28, 0.2, 0.13, 0.08, 0.04])
"""Shares of a side at which separation is looked for at first, farthest aft first."""
FOREMOST = 0.02
"""Share of a side ahead of which separation is not looked for."""
_WINDOWS, _CHOICES = (0.045, 0.02, 0.01, 0.004), 9
"""So far to both sides of the best share yet is looked then, and at so many places."""


@dataclass(frozen=True)
class Polar:
    """A section's curves at one Reynolds number.

    Attributes:
        alpha_rad: (k,) rising.
        cl, cd, cm: (k,) coefficients, see ``SectionState``.
        separation: (k, 2) x/chord on the upper and the lower side; 1.0 = attached.
        converged: (k,)
        zero_lift_rad, slope: incidence without lift, and change of cl with incidence (1/rad) near it.
        cl_max, alpha_max_rad, cl_min, alpha_min_rad: first summits of the curve on both sides of zero lift.
        reynolds: on the chord.
    """

    alpha_rad: Floats
    cl: Floats
    cd: Floats
    cm: Floats
    separation: Floats
    converged: NDArray[np.bool_]
    zero_lift_rad: float
    slope: float
    cl_max: float
    alpha_max_rad: float
    cl_min: float
    alpha_min_rad: float
    reynolds: float

    def at(self, alpha_rad: Floats | float) -> tuple[Floats, Floats, Floats]:
        """Lift and drag coefficient and attached share of the chord at incidences (...), held beyond the ends."""
        attached = self.separation.min(axis=1)
        cl, cd, f = (np.asarray(np.interp(alpha_rad, self.alpha_rad, c)) for c in (self.cl, self.cd, attached))
        return cl, cd, f


def section_state(
    contour: Floats,
    alpha_rad: float,
    reynolds: float,
    *,
    turbulent_from: float | None = None,
    separation_factor: float = 1.0,
) -> SectionState:
    """The section at one incidence with its layers.

    Args:
        contour: (n, 2) points (x aft, z up) over any length, trailing edge once round and back, either sense.
        alpha_rad: the wind's climb over the x axis.
        reynolds: on the chord.
        turbulent_from: x/chord from which both layers are turbulent at the latest (rough, dirty); None for smooth.
        separation_factor: scales the shape factor at which a turbulent layer separates.

    Raises:
        InputError: a contour of too few points or with doubles, an incidence beyond 40 degrees, a Reynolds number or
            trip out of range.
    """
    flow = section_flow(contour)
    return _answers(flow, np.array([float(alpha_rad)]), reynolds, turbulent_from, separation_factor).state(0)


def section_polar(
    shape: SectionShape,
    reynolds: float,
    alphas_rad: Floats | None = None,
    *,
    turbulent_from: float | None = None,
    separation_factor: float = 1.0,
) -> Polar:
    """The section's curves, all incidences in one pass.

    Args:
        shape: the section.
        alphas_rad: (k,) rising, at least 3; None for steps of a degree to 22 degrees both sides of zero lift.

    Other arguments and errors as ``section_state``.
    """
    flow = section_flow(shape.contour(CONTOUR_COUNT))
    if alphas_rad is None:
        steps = POLAR_STEP * np.arange(-POLAR_REACH, POLAR_REACH + 1)
        alphas = np.clip(flow.zero_lift, -0.3, 0.3) + steps
    else:
        alphas = np.asarray(alphas_rad, float)
        if alphas.ndim != 1 or len(alphas) < 3 or np.any(np.diff(alphas) <= 0.0):
            raise InputError("A polar needs at least 3 incidences, each above the one before.")
    answers = _answers(flow, alphas, reynolds, turbulent_from, separation_factor)
    return _polar(alphas, answers, reynolds)


def _polar(alphas: Floats, answers: SectionStates, reynolds: float) -> Polar:
    cl = answers.cl
    rising = np.flatnonzero((cl[:-1] <= 0.0) & (cl[1:] > 0.0))
    if len(rising):
        # Of several, the one nearest to where there is none without layers.
        i = int(rising[np.argmin(np.abs(alphas[rising] - answers.flow.zero_lift))])
        zero = float(alphas[i] - cl[i] * (alphas[i + 1] - alphas[i]) / (cl[i + 1] - cl[i]))
    else:
        i = int(np.argmin(np.abs(cl)))
        zero = float(answers.flow.zero_lift)
    near = np.flatnonzero(np.abs(alphas - zero) < math.radians(4.0))
    if len(near) < 3:
        near = np.argsort(np.abs(alphas - zero))[:3]
    slope = float(np.polyfit(alphas[near], cl[near], 1)[0])
    top, top_at = _summit(alphas[i:], cl[i:])
    low, low_at = _summit(-alphas[: i + 2][::-1], -cl[: i + 2][::-1])
    return Polar(
        alpha_rad=alphas,
        cl=cl,
        cd=answers.cd,
        cm=answers.cm,
        separation=answers.separation,
        converged=answers.converged,
        zero_lift_rad=zero,
        slope=slope,
        cl_max=top,
        alpha_max_rad=top_at,
        cl_min=-low,
        alpha_min_rad=-low_at,
        reynolds=reynolds,
    )


def _summit(alpha: Floats, cl: Floats) -> tuple[float, float]:
    """First summit that stands out (what follows falls by 0.03), refined by the parabola through three points."""
    best = 0
    for k in range(len(cl)):
        if cl[k] > cl[best]:
            best = k
        elif cl[k] < cl[best] - 0.03:
            break
    if 0 < best < len(cl) - 1:
        a = alpha[best - 1 : best + 2] - alpha[best]
        bend, lean, _ = np.polyfit(a, cl[best - 1 : best + 2], 2)
        if bend < 0.0:
            shift = float(np.clip(-0.5 * lean / bend, a[0], a[2]))
            return float(cl[best] + shift * (lean + bend * shift)), float(alpha[best] + shift)
    return float(cl[best]), float(alpha[best])


# -- layers and flow in turn -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Lanes:
    """Sides marched at once: row of the incidence, side (0 upper, 1 lower), and attached share of both sides."""

    row: Ints
    side: Ints
    share: Floats


def _answers(flow: SectionFlow, alpha: Floats, reynolds: float, trip: float | None, factor: float) -> SectionStates:
    if not (np.isfinite(alpha).all() and np.all(np.abs(alpha) <= STEEPEST)):
        raise InputError("The incidence has to be a number within 40 degrees of the chord.")
    if not LEAST_REYNOLDS <= reynolds <= MOST_REYNOLDS:
        raise InputError(f"The Reynolds number is {reynolds:g}; give one between 2e4 and 5e7.")
    if trip is not None and not 0.0 <= trip <= 1.0:
        raise InputError(f"The layers are to be turbulent from {trip:g} of the chord; give 0 to 1.")
    rest = np.stack([np.cos(alpha), np.sin(alpha)], axis=1) @ flow.wind.T
    count = len(alpha)
    rows, sides = np.tile(np.arange(count), 2), np.repeat([0, 1], count)
    share, mass = np.ones((count, 2)), np.zeros_like(rest)
    layers, reached, _ = _marched(flow, rest, mass, _Lanes(rows, sides, share[rows]), reynolds, trip, factor)
    # Where to look is found with a little displacement: without any, layers leave far too early near the tail.
    mass = RELAXATION * _mass(layers, count)
    suspect = reached < 1.0
    for window in (None, *_WINDOWS):
        lanes, picks = _candidates(rows, sides, share, suspect, window)
        layers, reached, _ = _marched(flow, rest, mass, lanes, reynolds, trip, factor)
        own = lanes.share[np.arange(len(lanes.row)), lanes.side]
        chosen = _farthest(picks, reached >= own - 1e-9)
        share = share.copy()
        share[rows, sides] = own[chosen]
        # One that was attached and is no longer starts to look where its layer ends.
        lost = ~suspect & (reached[chosen] < 1.0)
        share[rows[lost], sides[lost]] = np.maximum(reached[chosen][lost], 0.9)
        suspect = (share[rows, sides] < 1.0) | lost
        fresh = _mass(layers.part(chosen), count)
        change = flow.held(fresh, share) - mass
        mass = mass + RELAXATION * change
        if not suspect.any() and np.abs(change @ flow.displaced.T).max() < SETTLED_SPEED:
            break
    lanes = _Lanes(rows, sides, share[rows])
    layers, reached, gamma = _marched(flow, rest, mass, lanes, reynolds, trip, factor)
    moved = np.abs(2.0 * flow.circulation(change @ flow.displaced.T))
    carried = np.all((reached >= share[rows, sides] - SETTLED_SHARE).reshape(2, count), axis=0)
    settled = carried & (moved < SETTLED_CL)
    return section_states(flow, alpha, rest, gamma[:count], share, layers, settled, reynolds)


def _candidates(
    rows: Ints, sides: Ints, share: Floats, suspect: NDArray[np.bool_], window: float | None
) -> tuple[_Lanes, list[Ints]]:
    """Lanes to try, and for each side of each incidence which lanes are its own, farthest aft first."""
    picks: list[Ints] = []
    owns: list[Floats] = []
    start = 0
    for r, s, doubt in zip(rows, sides, suspect, strict=True):
        if not doubt:
            tries = np.ones(1)
        elif window is None:
            tries = FIRST_TRIES
        else:
            tries = np.clip(share[r, s] + window * np.linspace(1.0, -1.0, _CHOICES), FOREMOST, 1.0)
            tries = np.where(tries > LAST, 1.0, tries)
        owns.append(tries)
        picks.append(np.arange(start, start + len(tries)))
        start += len(tries)
    each = [len(p) for p in picks]
    row, side = np.repeat(rows, each), np.repeat(sides, each)
    both = share[row]
    both[np.arange(start), side] = np.concatenate(owns)
    return _Lanes(row, side, both), picks


def _farthest(picks: list[Ints], carries: NDArray[np.bool_]) -> Ints:
    """(2k,) of each side's lanes the first that carries, else its last."""
    return np.array([p[np.argmax(carries[p])] if carries[p].any() else p[-1] for p in picks])


def _marched(
    flow: SectionFlow, rest: Floats, mass: Floats, lanes: _Lanes, reynolds: float, trip: float | None, factor: float
) -> tuple[Layer, Floats, Floats]:
    """Layers, attached share of the side that each lane marches, and speeds along the contour."""
    gamma = rest[lanes.row] + flow.held(mass[lanes.row], lanes.share) @ flow.displaced.T
    gamma = flow.with_dead_air(gamma, lanes.share)
    stagnation, along, speed = flow.to_march(lanes.side, gamma)
    tripped = None if trip is None else flow.trip(lanes.side, stagnation, trip)
    layers = march(along, speed, reynolds, turbulent_from_m=tripped, separation_factor=factor)
    return layers, flow.reached(lanes.side, stagnation, layers.separation_m), gamma


def _mass(layers: Layer, count: int) -> Floats:
    """(count, n) speed times displacement thickness along the contour, negative on the upper side."""
    product = layers.speed * layers.displacement_m
    return product[count:] - product[:count, ::-1]
