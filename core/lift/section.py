"""One section with its boundary layers: lift, moment and profile drag, up to and beyond the greatest lift.

The layers push the outer flow off the contour: sources on the panels, as strong as the growth of speed times
displacement thickness (M. J. Lighthill, "On displacement thickness", J. Fluid Mech. 4, 1958), layer and flow solved in
turn with under-relaxation. Before it acts, that product is smoothed along the contour by straight lines fitted over
``SMOOTHING`` chords, so that no shorter wave can grow from turn to turn. From ``LAST``, where a weak interaction does
not hold, or from the separation point on, it goes on as it grew before and fades to a constant. The wake's own
thickness and bend are left out, so that lift stays a little high.

Separated flow: from the separation point to the trailing edge the pressure is as even as three source distributions
on that part can make it (K. Jacob, Zeitschrift fuer Flugwissenschaften 17, 1969), while the circulation is that of the
free-streamline flow of Kirchhoff and Helmholtz past a plate separated at the share f of its chord, ((1 + sqrt f) / 2)^2
of the attached one (B. Thwaites, "Incompressible Aerodynamics", 1960), its drag ((1 - sqrt f) / 2)^2 of attached lift
times incidence; the shear along the dead air comes on top. The separation point is the one farthest aft that the layer
reaches in the flow which that very point makes, so that the relief by the dead air is in it. All from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sections.shape import SectionShape
from .boundary_layer import Layer, march, profile_drag
from .panel2d import PlaneSystem

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

LEAST_REYNOLDS, MOST_REYNOLDS = 2e4, 5e7
"""Outside these the methods of the layers say nothing; they are meant for 1e5 to 5e6."""
STEEPEST = math.radians(40.0)
SMOOTHING = 0.03
"""Chords along the contour over which the displacement is smoothed (standard deviation of the weights)."""
LAST = 0.99
"""Share of a side, nose to trailing edge, up to which separation is looked for; aft of it counts as attached. As far
aft as the turns still settle; it is not free of effect: 0.98 gives 2 % more lift slope."""
FADING = 0.1
"""Length over the chord in which the displacement's growth fades, aft of ``LAST`` or of separation."""
MIXING_SHEAR = 0.012
"""Shear over density and speed squared at the edge of still air beside a turbulent stream (W. Tollmien, Zeitschrift
fuer angewandte Mathematik und Mechanik 6, 1926: 0.011 to 0.0125, from memory)."""
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
_COARSE = np.array([1.0, 0.93, 0.87, 0.8, 0.72, 0.64, 0.55, 0.46, 0.37, 0.28, 0.2, 0.13, 0.08, 0.04])
_WINDOWS = (0.045, 0.02, 0.01, 0.004)
"""Shares of a side to try at first, and then so far to both sides of the best yet."""
_FOREMOST = 0.02
_CHOICES = 9
_SLOPE_OVER = 0.03
"""Length over the chord from which the growth of the displacement is taken."""


@dataclass(frozen=True)
class SectionState:
    """A section at one incidence.

    Attributes:
        alpha_rad: the wind's climb over the contour's x axis.
        reynolds: on the chord.
        cl, cl_potential: lift coefficient with and without layers.
        cd: profile drag coefficient, friction and separated flow.
        cm: about the quarter-chord point, positive nose up.
        transition: (2,) x/chord on the upper and the lower side; 1.0 = laminar to the end.
        separation: (2,) x/chord; 1.0 = attached.
        stalled: whether the separated flow has taken more than a quarter of the attached circulation.
        pressure: (n,) pressure coefficients at the contour's points.
        speed: (n,) along the outside, over the free stream.
        converged: False where layer and flow did not come to rest; the numbers are then the last turn's.
        upper, lower: the layers, lengths over the chord.
    """

    alpha_rad: float
    reynolds: float
    cl: float
    cl_potential: float
    cd: float
    cm: float
    transition: Floats
    separation: Floats
    stalled: bool
    pressure: Floats
    speed: Floats
    converged: bool
    upper: Layer
    lower: Layer


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
    flow = _flow_of(contour)
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
    flow = _flow_of(shape.contour(CONTOUR_COUNT))
    if alphas_rad is None:
        steps = POLAR_STEP * np.arange(-POLAR_REACH, POLAR_REACH + 1)
        alphas = np.clip(flow.zero_lift, -0.3, 0.3) + steps
    else:
        alphas = np.asarray(alphas_rad, float)
        if alphas.ndim != 1 or len(alphas) < 3 or np.any(np.diff(alphas) <= 0.0):
            raise InputError("A polar needs at least 3 incidences, each above the one before.")
    answers = _answers(flow, alphas, reynolds, turbulent_from, separation_factor)
    return _polar(alphas, answers, reynolds)


def _polar(alphas: Floats, answers: _Answers, reynolds: float) -> Polar:
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


# -- the outer flow of one section, lengths over the chord ---------------------------------------------------


class _Flow:
    """Speeds along a contour for a wind along x and one along z, and for sources on its panels.

    ``along`` is the length from the trailing edge over the upper side, the nose and the lower side back to it.
    """

    def __init__(self, contour: Floats) -> None:
        if contour.ndim != 2 or contour.shape[1] != 2 or len(contour) < 30 or not np.isfinite(contour).all():
            raise InputError("A section with layers needs at least 30 points (x, z) that are numbers.")
        system = PlaneSystem([contour], with_sources=True)
        z, self.flipped = system.loops[0], system.flipped[0]
        self.wind, self.sources = system.winds, system.sources
        reach = np.abs(z - z[0])
        self.nose = int(np.argmax(reach))
        self.z = z = (z - z[self.nose]) / reach[self.nose]
        self.step = np.diff(z)
        self.length = np.abs(self.step)
        self.along = np.concatenate([[0.0], np.cumsum(self.length)])
        self.middle = 0.5 * (self.along[1:] + self.along[:-1])
        self.cell = np.zeros(len(z))
        self.cell[:-1] += 0.5 * self.length
        self.cell[1:] += 0.5 * self.length
        self.chordwise = np.clip((z * np.conj(z[0])).real, 0.0, 1.0)
        self.displaced = self.sources @ (np.diff(self._smoother(), axis=0) / self.length[:, None])
        level, square = (float(self.circulation(np.asarray(self.wind[:, k], float))) for k in (0, 1))
        self.zero_lift = -math.atan2(level, square)

    def _smoother(self) -> Floats:
        """(n, n) straight lines fitted with weights round each point."""
        apart = self.along[None, :] - self.along[:, None]
        weight = np.exp(-0.5 * (apart / SMOOTHING) ** 2) * self.cell
        first, second = np.sum(weight * apart, axis=1), np.sum(weight * apart**2, axis=1)
        whole = weight.sum(axis=1)
        return weight * (second[:, None] - apart * first[:, None]) / (whole * second - first**2)[:, None]

    def circulation(self, gamma: Floats) -> Floats:
        """(...) counter-clockwise circulation of speeds (..., n)."""
        return np.asarray(-0.5 * (gamma[..., 1:] + gamma[..., :-1]) @ self.length)

    def stagnation(self, gamma: Floats) -> Floats:
        """(k,) ``along`` of the stagnation point: where the potential along the contour is lowest."""
        potential = np.cumsum(0.5 * (gamma[:, 1:] + gamma[:, :-1]) * self.length, axis=1)
        i = np.argmin(potential[:, :-1], axis=1) + 1
        rows = np.arange(len(gamma))
        i = np.where(gamma[rows, i] > 0.0, i - 1, i)
        low, high = gamma[rows, i], gamma[rows, i + 1]
        share = np.clip(-low / np.where(high != low, high - low, 1.0), 0.0, 1.0)
        return np.asarray(self.along[i] + share * self.length[i])

    def place(self, side: Ints, share: Floats) -> Floats:
        """(k,) ``along`` at the ``share`` of a side (0 upper, 1 lower) from nose to trailing edge."""
        nose, whole = self.along[self.nose], self.along[-1]
        return np.where(side == 0, nose * (1.0 - share), nose + (whole - nose) * share)

    def share(self, side: Ints, along: Floats) -> Floats:
        """(k,) the inverse of ``place``."""
        nose, whole = self.along[self.nose], self.along[-1]
        return np.where(side == 0, 1.0 - along / nose, (along - nose) / (whole - nose))

    def chord_share(self, side: Ints, share: Floats) -> Floats:
        """(k,) x/chord at the share of a side."""
        return np.interp(self.place(side, share), self.along, self.chordwise)


@lru_cache(maxsize=32)
def _cached_flow(data: bytes, count: int) -> _Flow:
    return _Flow(np.frombuffer(data).reshape(count, -1))


def _flow_of(contour: Floats) -> _Flow:
    contour = np.ascontiguousarray(contour, float)
    if contour.ndim != 2 or len(contour) == 0:
        raise InputError("A section with layers needs at least 30 points (x, z) that are numbers.")
    return _cached_flow(contour.tobytes(), len(contour))


# -- layers and flow in turn -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Answers:
    """All incidences at rest; layers hold the upper sides first, then the lower ones."""

    flow: _Flow
    alpha: Floats
    reynolds: float
    gamma: Floats
    cl: Floats
    cl_potential: Floats
    cd: Floats
    cm: Floats
    transition: Floats
    separation: Floats
    lost: Floats
    converged: NDArray[np.bool_]
    layers: Layer

    def state(self, i: int) -> SectionState:
        gamma = self.gamma[i][::-1] if self.flow.flipped else self.gamma[i]
        return SectionState(
            alpha_rad=float(self.alpha[i]),
            reynolds=self.reynolds,
            cl=float(self.cl[i]),
            cl_potential=float(self.cl_potential[i]),
            cd=float(self.cd[i]),
            cm=float(self.cm[i]),
            transition=self.transition[i],
            separation=self.separation[i],
            stalled=bool(self.lost[i] > 0.25),
            pressure=1.0 - gamma**2,
            speed=np.abs(gamma),
            converged=bool(self.converged[i]),
            upper=_side(self.layers, i),
            lower=_side(self.layers, len(self.alpha) + i),
        )


def _side(layers: Layer, i: int) -> Layer:
    start, end = layers.bubble_m
    live = slice(max(int(np.sum(layers.along_m[i] <= 0.0)) - 1, 0), None)
    return Layer(
        layers.along_m[i, live],
        layers.speed[i, live],
        layers.momentum_m[i, live],
        layers.displacement_m[i, live],
        layers.shape_factor[i, live],
        layers.friction[i, live],
        layers.transition[i],
        layers.separation_m[i],
        (start[i], end[i]),
    )


@dataclass(frozen=True)
class _Lanes:
    """Sides marched at once: row of the incidence, side (0 upper, 1 lower), and attached share of both sides."""

    row: Ints
    side: Ints
    share: Floats


def _answers(flow: _Flow, alpha: Floats, reynolds: float, trip: float | None, factor: float) -> _Answers:
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
        fresh = _mass(_rows_of(layers, chosen), count)
        change = _held(flow, fresh, share) - mass
        mass = mass + RELAXATION * change
        if not suspect.any() and np.abs(change @ flow.displaced.T).max() < SETTLED_SPEED:
            break
    lanes = _Lanes(rows, sides, share[rows])
    layers, reached, gamma = _marched(flow, rest, mass, lanes, reynolds, trip, factor)
    moved = np.abs(2.0 * flow.circulation(change @ flow.displaced.T))
    carried = np.all((reached >= share[rows, sides] - SETTLED_SHARE).reshape(2, count), axis=0)
    settled = carried & (moved < SETTLED_CL)
    return _summed(flow, alpha, rest, gamma[:count], share, layers, settled, reynolds)


def _summed(
    flow: _Flow,
    alpha: Floats,
    rest: Floats,
    gamma: Floats,
    share: Floats,
    layers: Layer,
    settled: NDArray[np.bool_],
    reynolds: float,
) -> _Answers:
    count = len(alpha)
    rows, sides = np.tile(np.arange(count), 2), np.repeat([0, 1], count)
    cl, cm = _loads(flow, alpha, gamma)
    potential = _loads(flow, alpha, rest)[0]
    kept = np.prod(_kept(flow, share), axis=1)
    circulation = 2.0 * flow.circulation(gamma)
    attached = circulation / kept
    root = np.sqrt(_attached_chord(flow, share))
    form = np.abs(attached * np.sin(alpha - flow.zero_lift)) * np.sum((0.5 - 0.5 * root) ** 2, axis=1)
    last = _at_last(flow, layers, flow.stagnation(gamma), share)
    friction = profile_drag(_rows_of(last, slice(0, count)), _rows_of(last, slice(count, None)), 1.0)
    # What the outer stream loses to the dead air pulls on the section as pressure.
    open_chord = np.where(
        share > LAST, 0.0, 1.0 - np.stack([flow.chord_share(np.full(count, k), share[:, k]) for k in (0, 1)], 1)
    )
    shear = 2.0 * MIXING_SHEAR * np.sum(open_chord * last.speed.reshape(2, count).T ** 2, axis=1)
    turbulent = np.where(np.isnan(layers.transition), np.inf, layers.transition)
    stagnation = flow.stagnation(gamma)[rows]
    along = np.clip(stagnation + np.where(sides == 0, -1.0, 1.0) * turbulent, 0.0, flow.along[-1])
    transition = np.interp(along, flow.along, flow.chordwise).reshape(2, count).T
    separation = flow.chord_share(sides, share[rows, sides]).reshape(2, count).T
    return _Answers(
        flow=flow,
        alpha=alpha,
        reynolds=float(reynolds),
        gamma=gamma,
        cl=cl,
        cl_potential=potential,
        cd=friction + shear + form,
        cm=cm,
        transition=transition,
        separation=separation,
        lost=1.0 - kept,
        converged=settled,
        layers=layers,
    )


def _at_last(flow: _Flow, layers: Layer, stagnation: Floats, share: Floats) -> Layer:
    """The layers' values where they end, at separation (the dead air keeps its speed) or ``LAST`` at the latest.

    Aft of that, speed and shape factor are those of no real flow.
    """
    count = len(share)
    sides = np.repeat([0, 1], count)
    ends = np.abs(flow.place(sides, np.minimum(share.T.ravel(), LAST)) - np.tile(stagnation, 2))
    index = np.clip(np.sum(layers.along_m < ends[:, None], axis=1), 1, layers.along_m.shape[1] - 1)
    rows = np.arange(2 * count)
    a, b = layers.along_m[rows, index - 1], layers.along_m[rows, index]
    part = (ends - a) / (b - a)

    def there(values: Floats) -> Floats:
        return (values[rows, index - 1] + part * (values[rows, index] - values[rows, index - 1]))[:, None]

    return Layer(
        ends[:, None],
        there(layers.speed),
        there(layers.momentum_m),
        there(layers.displacement_m),
        there(layers.shape_factor),
        there(layers.friction),
        layers.transition,
        layers.separation_m,
        layers.bubble_m,
    )


def _loads(flow: _Flow, alpha: Floats, gamma: Floats) -> tuple[Floats, Floats]:
    """(k,) lift coefficients and moments about the quarter chord from the pressure on the panels."""
    pressure = 1.0 - (gamma[:, 1:] ** 2 + gamma[:, 1:] * gamma[:, :-1] + gamma[:, :-1] ** 2) / 3.0
    # Outward normal times length is -i dz for a contour travelled counter-clockwise; force is its opposite.
    force = 1j * pressure * flow.step
    arm = 0.5 * (flow.z[1:] + flow.z[:-1]) - 0.25 * flow.z[0]
    lift = (force.sum(axis=1) * np.exp(-1j * alpha)).imag
    return lift, -(arm.conj() * force).imag.sum(axis=1)


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
            tries = _COARSE
        else:
            tries = np.clip(share[r, s] + window * np.linspace(1.0, -1.0, _CHOICES), _FOREMOST, 1.0)
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


def _rows_of(layers: Layer, index: Ints | slice) -> Layer:
    start, end = layers.bubble_m
    return Layer(
        layers.along_m[index],
        layers.speed[index],
        layers.momentum_m[index],
        layers.displacement_m[index],
        layers.shape_factor[index],
        layers.friction[index],
        layers.transition[index],
        layers.separation_m[index],
        (start[index], end[index]),
    )


def _marched(
    flow: _Flow, rest: Floats, mass: Floats, lanes: _Lanes, reynolds: float, trip: float | None, factor: float
) -> tuple[Layer, Floats, Floats]:
    """Layers, attached share of the side that each lane marches, and speeds along the contour."""
    gamma = rest[lanes.row] + _held(flow, mass[lanes.row], lanes.share) @ flow.displaced.T
    gamma = _dead_air(flow, gamma, lanes.share)
    stagnation = flow.stagnation(gamma)
    upper = (lanes.side == 0)[:, None]
    along = np.where(upper, stagnation[:, None] - flow.along[::-1], flow.along - stagnation[:, None])
    along = np.maximum(along, 0.0)
    speed = np.maximum(np.where(upper, -gamma[:, ::-1], gamma), 0.0)
    speed[along <= 0.0] = 0.0
    tripped = None
    if trip is not None:
        nose = flow.nose
        places = np.array(
            [
                np.interp(trip, flow.chordwise[nose::-1], flow.along[nose::-1]),
                np.interp(trip, flow.chordwise[nose:], flow.along[nose:]),
            ]
        )
        tripped = np.maximum((places[lanes.side] - stagnation) * np.where(lanes.side == 0, -1.0, 1.0), 0.0)
    layers = march(along, speed, reynolds, turbulent_from_m=tripped, separation_factor=factor)
    ends = stagnation + np.where(lanes.side == 0, -1.0, 1.0) * layers.separation_m
    reached = flow.share(lanes.side, ends)
    return layers, np.where(np.isnan(reached) | (reached > LAST), 1.0, reached), gamma


def _mass(layers: Layer, count: int) -> Floats:
    """(count, n) speed times displacement thickness along the contour, negative on the upper side."""
    product = layers.speed * layers.displacement_m
    return product[count:] - product[:count, ::-1]


def _held(flow: _Flow, mass: Floats, share: Floats) -> Floats:
    """``mass`` kept from the separation points on; on attached sides in a straight line over their last part."""
    out = mass
    rows = np.arange(len(mass))
    for side in (0, 1):
        sides = np.full(len(mass), side)
        edge = flow.place(sides, np.minimum(share[:, side], LAST))
        before = flow.place(sides, np.minimum(share[:, side], LAST) - _SLOPE_OVER)
        ends = []
        for where in (edge, before):
            i = np.clip(np.searchsorted(flow.along, where, "right") - 1, 0, len(flow.length) - 1)
            part = (where - flow.along[i]) / flow.length[i]
            ends.append(mass[rows, i] + part * (mass[rows, i + 1] - mass[rows, i]))
        slope = (ends[0] - ends[1]) / np.abs(edge - before)
        off = np.maximum((flow.along - edge[:, None]) * (1.0 if side else -1.0), 0.0)
        more = slope[:, None] * FADING * -np.expm1(-off / FADING)
        out = np.where(off > 0.0, ends[0][:, None] + more, out)
    return out


def _attached_chord(flow: _Flow, share: Floats) -> Floats:
    """(k, 2) x/chord of separation over that up to which it is looked for."""
    both = []
    for side in (0, 1):
        sides = np.full(len(share), side)
        reach = flow.chord_share(sides, np.full(len(share), LAST))
        both.append(np.minimum(flow.chord_share(sides, share[:, side]) / reach, 1.0))
    return np.stack(both, axis=1)


def _kept(flow: _Flow, share: Floats) -> Floats:
    """(k, 2) what is left of the circulation (Kirchhoff and Helmholtz)."""
    return np.asarray((0.5 + 0.5 * np.sqrt(_attached_chord(flow, share))) ** 2)


def _dead_air(flow: _Flow, gamma: Floats, share: Floats) -> Floats:
    """Speeds with sources on the separated parts: circulation as ``_kept`` says, pressure as even as it can be."""
    out = gamma.copy()
    kept = _kept(flow, share)
    both = np.prod(kept, axis=1)
    for side in (0, 1):
        rows = np.flatnonzero(share[:, side] <= LAST)
        if not len(rows):
            continue
        sides = np.full(len(rows), side)
        edge = flow.place(sides, share[rows, side])[:, None]
        end = 0.0 if side == 0 else flow.along[-1]
        run = np.clip((flow.middle - edge) / (end - edge), 0.0, 1.0)
        modes = np.stack([np.sqrt(run), run, run**2], axis=1)
        answer = modes @ flow.sources.T
        off = (flow.along - edge) * (-1.0 if side == 0 else 1.0)
        weight = np.clip(off / flow.cell + 0.5, 0.0, 1.0) * flow.cell
        weight /= weight.sum(axis=1, keepdims=True)
        rough = answer - np.einsum("kmn,kn->km", answer, weight)[:, :, None]
        base = gamma[rows] - np.sum(gamma[rows] * weight, axis=1, keepdims=True)
        matrix, right = np.zeros((len(rows), 4, 4)), np.zeros((len(rows), 4))
        weighted = rough * weight[:, None]
        matrix[:, :3, :3] = weighted @ rough.transpose(0, 2, 1) + 1e-5 * np.eye(3)
        right[:, :3] = -np.einsum("kmn,kn->km", weighted, base)
        matrix[:, 3, :3] = matrix[:, :3, 3] = flow.circulation(answer)
        # With both sides separated each takes its share of the whole loss.
        loss = 1.0 - kept[rows]
        part = loss[:, side] / np.maximum(loss.sum(axis=1), 1e-12)
        right[:, 3] = -part * (1.0 - both[rows]) * flow.circulation(gamma[rows])
        strength = np.linalg.solve(matrix, right[:, :, None])[:, :3, 0]
        out[rows] += np.einsum("km,kmn->kn", strength, answer)
    return out
