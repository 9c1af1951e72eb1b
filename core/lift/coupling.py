"""Boundary layers on the wing in three dimensions, strip by strip.

The lattice knows no friction. Each strip therefore takes an offset of its incidence, so large that it carries what its
real section carries at the incidence that the strip feels (Mukherjee & Gopalarathnam, "Poststall Prediction of
Multiple-Lifting-Surface Configurations Using a Decambering Approach", Journal of Aircraft 43(3), 2006):

    offset = own(effective incidence) + company.

``own`` is the section by itself: its polar's lift over 2 pi, less the thin section's incidence over its zero lift. It
comes from polars at the element's stations, at their Reynolds numbers. The effective incidence is the mean along the
span with weights as wide as ``SPREAD`` of the chord: a section cannot follow changes along the span that are shorter,
and without it neighbouring strips behind the summit of the polar jump in turns. All strips are solved for at once by
Newton's method with steps that must lower the error.

``company`` is what others within reach, or the road, do to the layers and by thickness. At a few stations the sections
are put together in one plane as they stand (``group_state``) and again without thickness and friction, as lattices of
very long span. The offsets with which those plane lattices carry the loads of the real sections hold all that the
lattice lacks; less ``own`` at the incidences that the plane lattices feel, the rest is ``company``. So a wing of long
span carries exactly what the sections do, a pair far apart what each does by itself, and no factor is left to choose.
The plane group stands as mounted, turned as a whole by what the body does to the wind there.

Where a channel separates, an offset is a poor measure: it is the difference of two large numbers, because the lattice
by itself would gain several times the load alone. There the strip is asked to keep the same share of the lattice's
circulation without offset as its section keeps in the plane group. That condition weighs as much as the section has
lost in the plane (nothing where it carries all, ``hold``), the offset's the rest; in plane flow both say the same.

Near choking a plane group has two answers, attached and separated, and small things decide between them. The shape
factor at which layers leave is known to a tenth only; ``company`` is the mean over ``CRITERIA``, so that a channel that
chokes by one and not by another carries a load between, and loads run on over the gap.

Over the body's upper side the plane group stands once more over a level wall as high as the body there, as over a road:
the body's own sources already give the wind there, and the wall gives what it does to the layers and by thickness. It
counts as far as the body reaches under the chord. Between ``REACH`` chords, where it is whole, and ``FAR`` chords,
where it is nothing, ``company`` fades, so that loads run on without a step.

What falls short: near a road the load of an inverted wing peaks at about a third of a chord, where tunnels find a tenth
(Zerihan and Zhang 2000), because layers by Head's method leave early. The body's own boundary layer and the slow air
behind its roof are not there.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..elements.element import Element
from ..errors import InputError
from ..sections.shape import SectionShape
from .body import BodyPanels
from .group import Channel, GroupState, group_state
from .section import LEAST_REYNOLDS, MOST_REYNOLDS, Polar, section_polar
from .wind import Loads, Strips, Wind, WindFlow

Floats = NDArray[np.float64]

SPREAD = 0.5
"""Standard deviation of the weights along the span over the chord."""
INCIDENCES = np.radians(np.arange(-27.0, 27.1, 1.5))
"""Of the polars; beyond, coefficients are held."""
STATIONS = (0.0, 0.7)
"""Shares of the half span, of that part where elements stand over each other, at which the group is looked at."""
CRITERIA = (0.9, 1.0, 1.1)
"""Factors on the shape factor at turbulent separation (common practice: 1.8 to 2.4, or 2.8, by Head's method)."""
GROUP_COUNT = 41
"""Points a side of the sections in a group."""
LEAST_GAP = 0.03
"""Least height of an element over the wall that stands for the body, over its chord."""
STEEPEST_DECK = 0.5
"""Least upward part of the normal of faces that count as a wall under an element."""
REACH, FAR = 2.0, 3.0
"""Least distance over the smaller chord up to which company counts wholly, and from which it does not."""
TOLD_CL = 0.1
"""Lift coefficient below which the share kept of it fades out of the conditions."""
PLANE_SPAN = 1000.0
"""Span over chord of a lattice that stands for plane flow."""
TURNS = 60
SETTLED = 2e-5
"""rad, error of an offset below which the strips count as settled."""
_KEPT = 256


# -- sections by themselves ------------------------------------------------------------------------------------


class Curves:
    """Polars of all strips.

    Attributes:
        factor: on the shape factor at turbulent separation.
        cl, cd: (k, a) over ``INCIDENCES``.
        attached: (k, a, 2) share of the chord with attached flow, upper and lower side.
    """

    def __init__(
        self,
        elements: Sequence[Element],
        strips: Strips,
        reynolds_per_m: float,
        *,
        separation_factor: float = 1.0,
        turbulent_from: float | None = None,
    ) -> None:
        """
        Args:
            elements: that ``strips.owner`` counts.
            reynolds_per_m: speed over kinematic viscosity.

        Other arguments and errors as ``section_polar``; Reynolds numbers out of its range are held at the ends.
        """
        self._options = (reynolds_per_m, separation_factor, turbulent_from)
        self.factor = separation_factor
        self._stations: dict[int, tuple[Floats, list[Polar]]] = {}
        count = len(strips.owner)
        self.cl = np.empty((count, len(INCIDENCES)))
        self.cd = np.empty_like(self.cl)
        self.attached = np.empty((count, len(INCIDENCES), 2))
        for one in dict.fromkeys(strips.owner.tolist()):
            e, rows = elements[one], strips.owner == one
            share = np.abs(strips.middle[rows, 1] - e.leading_edge[1]) / (0.5 * e.span_m)
            self.cl[rows], self.cd[rows], self.attached[rows] = self.at(e, one, share)
        self._rows = np.arange(count)

    def at(self, element: Element, number: int, share: Floats) -> tuple[Floats, Floats, Floats]:
        """Curves (n, a), (n, a) and (n, a, 2) at shares (n,) of the half span."""
        if number not in self._stations:
            reynolds, factor, trip = self._options
            chords = element.planform(element.shares)[1]
            polars = [
                _polar(element.station(float(s)).shape, reynolds * float(c), factor, trip)
                for s, c in zip(element.shares, chords, strict=True)
            ]
            self._stations[number] = element.shares, polars
        places, polars = self._stations[number]
        i = np.clip(np.searchsorted(places, share, side="right") - 1, 0, len(places) - 2)
        part = ((share - places[i]) / (places[i + 1] - places[i]))[:, None]
        tables = [np.array([getattr(p, name) for p in polars]) for name in ("cl", "cd", "separation")]
        out = []
        for table in tables:
            weight = part if table.ndim == 2 else part[..., None]
            out.append((1.0 - weight) * table[i] + weight * table[i + 1])
        return out[0], out[1], out[2]

    def lift(self, alpha: Floats) -> tuple[Floats, Floats]:
        """Lift coefficients (k,) and their slopes (1/rad) at incidences (k,)."""
        i, part = _cell(alpha)
        low, high = self.cl[self._rows, i], self.cl[self._rows, i + 1]
        step = INCIDENCES[i + 1] - INCIDENCES[i]
        inside = (alpha >= INCIDENCES[0]) & (alpha <= INCIDENCES[-1])
        return low + part * (high - low), np.where(inside, (high - low) / step, 0.0)

    def incidence(self, cl: Floats) -> Floats:
        """Incidences (k,) between the polars' ends of attached flow at which they carry ``cl`` (k,), held beyond."""
        out = np.empty(len(cl))
        for k, wanted in enumerate(cl):
            curve = self.cl[k]
            zero = int(np.argmin(np.abs(curve)))
            low, high = int(np.argmin(curve[: zero + 1])), zero + int(np.argmax(curve[zero:]))
            rising = np.maximum.accumulate(curve[low : high + 1])
            out[k] = np.interp(wanted, rising, INCIDENCES[low : high + 1])
        return out

    def rest(self, alpha: Floats) -> tuple[Floats, Floats]:
        """Profile drag coefficients (k,) and attached shares (k, 2)."""
        i, part = _cell(alpha)
        cd = (1.0 - part) * self.cd[self._rows, i] + part * self.cd[self._rows, i + 1]
        weight = part[:, None]
        return cd, (1.0 - weight) * self.attached[self._rows, i] + weight * self.attached[self._rows, i + 1]


def _cell(alpha: Floats) -> tuple[NDArray[np.intp], Floats]:
    i = np.clip(np.searchsorted(INCIDENCES, alpha) - 1, 0, len(INCIDENCES) - 2)
    part = np.clip((alpha - INCIDENCES[i]) / (INCIDENCES[i + 1] - INCIDENCES[i]), 0.0, 1.0)
    return i, part


# -- all strips at rest with their sections --------------------------------------------------------------------


@dataclass(frozen=True)
class Coupled:
    """Strips at rest with their sections.

    Attributes:
        offsets: (k,) rad, given to the lattice.
        incidence_rad: (k,) effective, of the chord line to the wind that the strip feels.
        loads: over the free wind's dynamic pressure, see ``wind.Loads``; without friction's drag.
        cl, cd: (k,) on the strip's own chord and speed.
        attached: (k, 2) share of the chord with attached flow on the upper and the lower side.
        profile_drag: (k,) m2, over the free wind's dynamic pressure.
        error_rad: what is left of the largest error of an offset.
    """

    offsets: Floats
    incidence_rad: Floats
    loads: Loads
    cl: Floats
    cd: Floats
    attached: Floats
    profile_drag: Floats
    error_rad: float

    @property
    def converged(self) -> bool:
        """Whether the strips came to rest."""
        return self.error_rad < 50.0 * SETTLED


class StripSystem:
    """How the strips of a flow act on each other.

    Attributes:
        flow, strips: as given.
    """

    def __init__(self, flow: WindFlow, mirrored: bool = False, like: StripSystem | None = None) -> None:
        """
        Args:
            mirrored: whether strips left and right are twins (``Wind.half``), which halves the work.
            like: of the same strips in a wind little different; how they act on each other is taken from there.
        """
        self.flow, self.strips = flow, flow.strips
        self._mirrored, self._like = mirrored, like

    @cached_property
    def _lift(self) -> tuple[Floats, Floats]:
        """Lift coefficients without offset, and their change (k, k) with each strip's."""
        count = len(self.strips.owner)
        base = self.flow.loads().lift_coefficient
        if self._like is not None:
            return base, self._like._lift[1]
        change = np.zeros((count, count))
        twin = np.arange(count)
        if self._mirrored:
            for one in dict.fromkeys(self.strips.owner.tolist()):
                rows = np.flatnonzero(self.strips.owner == one)
                twin[rows] = rows[::-1]
        for i in range(count):
            if twin[i] < i:
                continue
            unit = np.zeros(count)
            unit[[i, twin[i]]] = 1.0
            step = self.flow.loads(unit).lift_coefficient - base
            change[:, i] = change[:, twin[i]] = step if twin[i] == i else 0.5 * step
        return base, change

    @cached_property
    def _mean(self) -> Floats:
        """(k, k) means along the span of each element."""
        s = self.strips
        out = np.zeros((len(s.owner), len(s.owner)))
        for one in dict.fromkeys(s.owner.tolist()):
            rows = np.flatnonzero(s.owner == one)
            along = np.cumsum(s.width_m[rows]) - 0.5 * s.width_m[rows]
            apart = (along[:, None] - along) / (SPREAD * s.chord_m[rows, None])
            weight = np.exp(-0.5 * apart**2) * s.width_m[rows]
            out[np.ix_(rows, rows)] = weight / weight.sum(axis=1, keepdims=True)
        return out

    def couple(
        self,
        curves: Curves,
        company: Company | None = None,
        *,
        tilt: Floats | None = None,
        start: Floats | None = None,
    ) -> Coupled:
        """The strips at rest with their sections.

        Args:
            company: what others do to the sections; None for nothing.
            tilt: (k,) rad, further incidence of the strips, nose up.
            start: (k,) offsets to begin with.

        Raises:
            InputError: tilts that are not one finite number a strip.
        """
        s, (base, change) = self.strips, self._lift
        count = len(base)
        turn = np.zeros(count) if tilt is None else np.asarray(tilt, np.float64)
        if turn.shape != (count,) or not np.isfinite(turn).all():
            raise InputError(f"There are {count} strips; give one finite tilt for each.")
        more, hold, keep = np.zeros((3, count))
        if company is not None:
            more, hold, keep = company.offsets, company.hold, company.keep
        # Never quite nothing: twins left and right share one offset, and only this tells them apart.
        free = np.maximum(1.0 - hold, 0.02)
        felt = change / (2.0 * np.pi) - np.eye(count)
        still = base / (2.0 * np.pi) + s.zero_lift_rad + felt @ turn + turn
        lost = change / (2.0 * np.pi)
        whole = base / (2.0 * np.pi) + lost @ turn

        def error(offset: Floats) -> tuple[Floats, Floats, Floats]:
            alpha = self._mean @ (still + felt @ offset)
            cl, slope = curves.lift(alpha)
            own = cl / (2.0 * np.pi) - (alpha - s.zero_lift_rad)
            left = free * (own + more - offset) + (keep - hold) * whole - hold * (lost @ offset)
            return left, free * (slope / (2.0 * np.pi) - 1.0), alpha

        offset = np.zeros(count) if start is None else start.copy()
        left, slope, alpha = error(offset)
        for _ in range(TURNS):
            if np.abs(left).max() < SETTLED:
                break
            matrix = np.diag(free) - slope[:, None] * (self._mean @ felt) + hold[:, None] * lost
            step = np.linalg.solve(matrix, left)
            size = min(1.0, 0.1 / float(np.abs(step).max()))
            best = None
            for share in (1.0, 0.5, 0.25, 0.1):
                tried = error(offset + share * size * step)
                if best is None or np.linalg.norm(tried[0]) < np.linalg.norm(best[1][0]):
                    best = share * size * step, tried
                if np.linalg.norm(tried[0]) < (1.0 - 0.2 * share * size) * np.linalg.norm(left):
                    break
            assert best is not None
            if np.linalg.norm(best[1][0]) >= np.linalg.norm(left):
                # Stuck on a corner of a polar: a plain step with half its weight.
                best = 0.5 * left, error(offset + 0.5 * left)
            offset = offset + best[0]
            left, slope, alpha = best[1]
        loads = self.flow.loads(offset + turn)
        cd, attached = curves.rest(alpha)
        if company is not None:
            cd = np.maximum(cd + company.drag, 0.0)
            attached = np.minimum(attached, company.attached)
        speed = self.flow.speed
        return Coupled(
            offsets=offset + turn,
            incidence_rad=loads.incidence_rad + turn,
            loads=loads,
            cl=loads.lift_coefficient,
            cd=cd,
            attached=attached,
            profile_drag=cd * s.chord_m * s.width_m * speed**2,
            error_rad=float(np.abs(left).max()),
        )


@dataclass(frozen=True)
class Settled:
    """One flow with its strips at rest.

    Attributes:
        system: the strips, and their flow.
        members: numbers of the elements that take part.
        curves, company: what the strips carry by themselves, and what others add.
        each: the same for each of ``CRITERIA``.
        turn_rad: (k,) by which the body turns the strips against the wind; None without a body.
        plain: at rest without the others' company.
        answer: at rest.
    """

    system: StripSystem
    members: list[int]
    curves: Curves
    company: Company
    each: tuple[tuple[Curves, Company], ...]
    turn_rad: Floats | None
    plain: Coupled
    answer: Coupled


def settled(
    wind: Wind,
    reynolds_per_m: float,
    active: Collection[int] | None = None,
    *,
    body: bool = True,
    free: Settled | None = None,
) -> Settled:
    """The flow about some of the elements (and brackets) with their boundary layers.

    Args:
        reynolds_per_m: speed over kinematic viscosity.
        active: as in ``Wind.solve``.
        body: whether the body stands in the wind, if there is one.
        free: the same elements without the body, if that was worked out.
    """
    with_body = body and wind.body is not None
    flow = wind.solve(active, body=with_body)
    system = StripSystem(flow, wind.half)
    every = [Curves(wind.elements, flow.strips, reynolds_per_m, separation_factor=f) for f in CRITERIA]
    curves = every[len(every) // 2]
    plain = system.couple(curves)
    turn = None
    if with_body:
        still = free.plain if free else StripSystem(wind.solve(active, body=False), wind.half).couple(curves)
        turn = plain.incidence_rad - still.incidence_rad
    panels = wind.body if with_body else None
    each = [company(wind.elements, flow.strips, c, reynolds_per_m, turn_rad=turn, body=panels) for c in every]
    together = _mean_of(each)
    answer = system.couple(curves, together, start=plain.offsets)
    members = list(dict.fromkeys(flow.strips.owner.tolist()))
    pairs = tuple(zip(every, each, strict=True))
    return Settled(system, members, curves, together, pairs, turn, plain, answer)


# -- sections in company ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Company:
    """What others within reach, or the road, add to each strip's section.

    Attributes:
        offsets: (k,) rad.
        hold: (k,) 0..1, share of its load that the section has lost in the plane group.
        keep: (k,) ``hold`` times the share that it keeps.
        drag: (k,) profile drag coefficient.
        attached: (k, 2) share of the chord, 1 where nothing is near.
        channels: between suction sides that face each other at the innermost station, narrowest first; ``between``
            counts the elements given, see ``Channel``. In a slot between elements that push one way the index says
            nothing: the suction peak there is the rear one's own.
        choke: (e,) largest choke index of an element's channels of that kind; 0 without one.
        choke_below: (e,) the same of channels to the road or the body.
        converged: whether all plane groups came to rest, by the middle one of ``CRITERIA``.
        problem: why a plane group could not be worked out; empty if all were.
    """

    offsets: Floats
    hold: Floats
    keep: Floats
    drag: Floats
    attached: Floats
    channels: tuple[Channel, ...]
    choke: Floats
    choke_below: Floats
    converged: bool
    problem: str


def _mean_of(each: Sequence[Company]) -> Company:
    names = ("offsets", "hold", "keep", "drag", "attached", "choke", "choke_below")
    means = {name: np.mean([getattr(c, name) for c in each], axis=0) for name in names}
    middle = each[len(each) // 2]
    problem = next((c.problem for c in each if c.problem), "")
    return replace(middle, **means, problem=problem)


def company(
    elements: Sequence[Element],
    strips: Strips,
    curves: Curves,
    reynolds_per_m: float,
    *,
    road: bool = True,
    turn_rad: Floats | None = None,
    body: BodyPanels | None = None,
) -> Company:
    """What the elements of ``strips``, the road and the body do to each other's sections.

    Args:
        elements: that ``strips.owner`` counts.
        curves: of the same strips; their separation criterion is the group's too.
        turn_rad: (k,) nose up, by which the body turns the strips against the wind; None for none.
        body: whose upper side may be near under an element.
    """
    active = list(dict.fromkeys(strips.owner.tolist()))
    alike = all(abs(float(elements[i].leading_edge[1])) < 1e-9 for i in active)
    count = len(strips.owner)
    columns, attached = np.zeros((count, 4)), np.ones((count, 2))
    found: dict[int, list[tuple[float, Floats]]] = {i: [] for i in active}
    partners: dict[int, set[int]] = {i: set() for i in active}
    choke, below = np.zeros(len(elements)), np.zeros(len(elements))
    channels: list[Channel] = []
    converged, problem = True, ""
    for number, y in enumerate(_stations_of([elements[i] for i in active], alike)):
        for members, weights in _clusters(elements, active, y, road, body):
            turn = 0.0
            if turn_rad is not None:
                turn = float(np.mean([_at_y(strips, turn_rad, i, y) for i in members]))
            frame = _Frame.of(elements, members, y, turn)
            wall, cover = (None, 0.0) if body is None else frame.deck(body)
            ways = [(1.0 - cover, 0.0 if road else None, weights), (cover, wall, np.ones(len(members)))]
            total = np.zeros((len(members), 6))
            for share, ground, weight in ways:
                if not (share > 0.0 and weight.any()):
                    continue
                try:
                    state, extra = _compared(frame, elements, members, curves, reynolds_per_m, ground)
                except InputError as error:
                    problem = str(error)
                    continue
                converged = converged and state.converged
                total += share * weight[:, None] * extra
                for c in state.channels:
                    a, b = c.between
                    if b >= 0 and not frame.suction_faces(a, b, state):
                        continue
                    into, sides = (choke, (a, b)) if b >= 0 else (below, (a,))
                    for k in sides:
                        into[members[k]] = max(into[members[k]], c.choke_index * float(weight[k]))
                    if number == 0 and b >= 0 and share >= 0.5:
                        channels.append(replace(c, between=(members[a], members[b])))
            for k, i in enumerate(members):
                found[i].append((y, total[k]))
                partners[i].update(j for j in members if j != i)
    for i in active:
        if not found[i]:
            continue
        rows = strips.owner == i
        at = strips.middle[rows, 1]
        at = np.abs(at) if alike else at
        points = sorted(found[i], key=lambda one: one[0])
        y_known, known = np.array([p[0] for p in points]), np.array([p[1] for p in points])
        seen = np.stack([np.interp(at, y_known, column) for column in known.T], axis=1)
        # Beyond the others' tips company ends within a chord.
        off = _outside([elements[j] for j in sorted(partners[i])], strips.middle[rows, 1]) / strips.chord_m[rows]
        seen *= np.clip(1.0 - off, 0.0, 1.0)[:, None]
        columns[rows], attached[rows] = seen[:, :4], 1.0 - seen[:, 4:]
    ordered = tuple(sorted(channels, key=lambda c: c.gap_m))
    offsets, hold, keep, drag = columns.T
    return Company(offsets, hold, keep, drag, attached, ordered, choke, below, converged, problem)


def _stations_of(elements: list[Element], alike: bool) -> list[float]:
    """Places y to look at: of each pair's common span, or of one element's own."""
    spans = [(float(e.leading_edge[1]) - 0.5 * e.span_m, float(e.leading_edge[1]) + 0.5 * e.span_m) for e in elements]
    pairs = [(max(a[0], b[0]), min(a[1], b[1])) for i, a in enumerate(spans) for b in spans[i + 1 :]]
    out: list[float] = []
    for low, high in dict.fromkeys([p for p in pairs if p[1] > p[0]] or spans):
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        signs = (1.0,) if alike else (1.0, -1.0)
        for y in (middle + sign * share * half for share in STATIONS for sign in signs):
            if all(abs(y - other) > 0.02 * half for other in out):
                out.append(y)
    return out


def _clusters(
    elements: Sequence[Element], active: list[int], y: float, road: bool, body: BodyPanels | None
) -> list[tuple[list[int], Floats]]:
    """Elements within reach of each other at ``y``, and how much the company of others and road counts for each."""
    here = [i for i in active if abs(y - float(elements[i].leading_edge[1])) < 0.5 * elements[i].span_m]
    lines = {i: _placed(elements[i], y) for i in here}
    chord = {i: float(np.ptp(lines[i][:, 0])) for i in here}
    apart = {(i, j): _least(lines[i], lines[j]) / min(chord[i], chord[j]) for i in here for j in here if i < j}
    height = {i: float(lines[i][:, 1].min()) / chord[i] if road else math.inf for i in here}
    out, left = [], list(here)
    while left:
        members, queue = [], [left.pop(0)]
        while queue:
            one = queue.pop()
            members.append(one)
            joined = [j for j in left if apart[min(one, j), max(one, j)] < FAR]
            left = [j for j in left if j not in joined]
            queue += joined
        members.sort()
        near = [min([height[i], *(apart[min(i, j), max(i, j)] for j in members if j != i)]) for i in members]
        weights = np.array([_fade(n) for n in near])
        if weights.any() or body is not None:
            out.append((members, weights))
    return out


def _fade(apart: float) -> float:
    share = min(max((FAR - apart) / (FAR - REACH), 0.0), 1.0)
    return share * share * (3.0 - 2.0 * share)


def _least(one: Floats, other: Floats) -> float:
    return float(np.sqrt(((one[::2, None] - other[None, ::2]) ** 2).sum(axis=2).min()))


def _outside(others: list[Element], y: Floats) -> Floats:
    """How far places ``y`` (n,) lie off the span of the nearest of ``others``, m; 0 without any."""
    if not others:
        return np.zeros(len(y))
    off = [np.maximum(np.abs(y - float(e.leading_edge[1])) - 0.5 * e.span_m, 0.0) for e in others]
    return np.asarray(np.min(off, axis=0))


def _at_y(strips: Strips, values: Floats, i: int, y: float) -> float:
    rows = strips.owner == i
    return float(np.interp(y, strips.middle[rows, 1], values[rows]))


def _placed(element: Element, y: float) -> Floats:
    """The section's contour (n, 2) at ``y`` (x aft, z up), m."""
    eta = (y - float(element.leading_edge[1])) / (0.5 * element.span_m)
    station = element.station(min(max(eta, -1.0), 1.0))
    points = station.place(station.shape.contour(GROUP_COUNT))
    return np.column_stack([-points[:, 0], points[:, 2]])


@dataclass(frozen=True)
class _Frame:
    """Sections at one place along the span (x aft, z up, m), turned as a whole.

    Attributes:
        y: m.
        contours: each (n, 2).
        noses: each (2,).
        chords, angles: (n,) m, rad nose up.
        centre, spin: about which, and (2, 2) how all were turned.
    """

    y: float
    contours: list[Floats]
    noses: list[Floats]
    chords: Floats
    angles: Floats
    centre: Floats
    spin: Floats

    @classmethod
    def of(cls, elements: Sequence[Element], members: list[int], y: float, turn: float) -> _Frame:
        """``turn`` in rad, nose up."""
        contours = [_placed(elements[i], y) for i in members]
        noses, angles = [], []
        for i in members:
            e = elements[i]
            nose, _, angle = e.planform(np.array([(y - float(e.leading_edge[1])) / (0.5 * e.span_m)]))
            noses.append(np.array([-nose[0, 0], nose[0, 2]]))
            angles.append(float(angle[0]) + turn)
        chords = np.array([float(np.max(np.linalg.norm(c - 0.5 * (c[0] + c[-1]), axis=1))) for c in contours])
        centre = np.concatenate(contours).mean(axis=0)
        spin = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
        contours, noses = ([(c - centre) @ spin.T + centre for c in lines] for lines in (contours, noses))
        return cls(y, contours, noses, chords, np.array(angles), centre, spin)

    def suction_faces(self, a: int, b: int, state: GroupState) -> bool:
        """Whether sections ``a`` and ``b`` turn their suction sides to each other, by the frictionless lift."""
        low, high = sorted((a, b), key=lambda k: float(self.contours[k][:, 1].mean()))
        return bool(state.states[low].cl_potential > 0.0 > state.states[high].cl_potential)

    def deck(self, body: BodyPanels) -> tuple[float | None, float]:
        """Height z of the wall that stands for the body under the lowest section, and how much it counts, 0..1."""
        lowest = min(range(len(self.contours)), key=lambda k: float(self.contours[k][:, 1].min()))
        line, chord = self.contours[lowest], float(self.chords[lowest])
        level = (line - self.centre) @ self.spin + self.centre
        x = np.linspace(level[:, 0].min(), level[:, 0].max(), 9)
        pick = (body.normals[:, 2] > STEEPEST_DECK) & ~body.base
        corners, normals = body.corners[pick], body.normals[pick]
        sides = []
        for i in range(3):
            start, edge = corners[:, i], corners[:, (i + 1) % 3] - corners[:, i]
            sides.append(edge[:, 0] * (self.y - start[:, 1]) - edge[:, 1] * (-x[:, None] - start[:, 0]) >= 0.0)
        inside = (sides[0] == sides[1]) & (sides[1] == sides[2])
        fall = normals[:, 0] * (-x[:, None] - corners[:, 0, 0]) + normals[:, 1] * (self.y - corners[:, 0, 1])
        z = corners[:, 0, 2] - fall / normals[:, 2]
        top = np.where(inside & (z < level[:, 1].max()), z, -np.inf).max(axis=1, initial=-np.inf)
        under = np.isfinite(top)
        if not under.any():
            return None, 0.0
        turned = (np.column_stack([x, top])[under] - self.centre) @ self.spin.T + self.centre
        low = float(line[:, 1].min())
        wall = min(float(turned[:, 1].mean()), low - LEAST_GAP * chord)
        return wall, float(under.mean()) * _fade((low - wall) / chord)


def _compared(
    frame: _Frame,
    elements: Sequence[Element],
    members: list[int],
    curves: Curves,
    reynolds_per_m: float,
    ground: float | None,
) -> tuple[GroupState, Floats]:
    """The plane group over ``ground`` (z, None without), and what it adds to each section's own.

    (n, 6): offset, ``Company.hold`` and ``keep``, profile drag coefficient, separated share of the chord on the upper
    and the lower side.
    """
    chords = frame.chords
    low = min(float(c[:, 1].min()) for c in frame.contours)
    near = ground is not None and low - ground < FAR * float(chords.max())
    drop = np.array([0.0, ground if near and ground is not None else 0.0])
    contours, noses = ([c - drop for c in lines] for lines in (frame.contours, frame.noses))
    per_m = float(np.clip(reynolds_per_m, LEAST_REYNOLDS / chords.min(), MOST_REYNOLDS / chords.max()))
    state = _group(contours, per_m, 0.0 if near else None, curves.factor)
    lift = np.array([s.cl for s in state.states]) * chords
    plane = _plane(elements, members, frame.y, noses, chords, frame.angles, near, lift)
    extra = np.empty((len(members), 6))
    for k, i in enumerate(members):
        e = elements[i]
        share = np.array([abs(frame.y - float(e.leading_edge[1])) / (0.5 * e.span_m)])
        cl, cd, _ = curves.at(e, i, share)
        felt = float(plane.incidence[k])
        own = float(np.interp(felt, INCIDENCES, cl[0])) / (2.0 * np.pi) - (felt - float(plane.zero_lift[k]))
        whole = float(plane.attached[k])
        # Of hardly any load no share can be told.
        told = whole**2 / (whole**2 + TOLD_CL**2)
        kept = float(plane.carried[k]) * whole / (whole**2 + 1e-9)
        hold = told * (1.0 - min(max(kept, 0.0), 1.0))
        extra[k, :3] = plane.offsets[k] - own, hold, hold * kept
        extra[k, 3] = state.states[k].cd - np.interp(felt, INCIDENCES, cd[0])
        extra[k, 4:] = 1.0 - np.asarray(state.states[k].separation)
    return state, extra


@dataclass(frozen=True)
class _Plane:
    """Offsets and felt incidences (n,) rad, zero lift's, circulation as cl without offsets and with them."""

    offsets: Floats
    incidence: Floats
    zero_lift: Floats
    attached: Floats
    carried: Floats


def _plane(
    elements: Sequence[Element],
    members: list[int],
    y: float,
    noses: list[Floats],
    chords: Floats,
    angles: Floats,
    road: bool,
    lift: Floats,
) -> _Plane:
    """The sections as lattices of very long span that carry ``lift`` (n,) m."""
    span = PLANE_SPAN * float(chords.max())
    longs = []
    for k, i in enumerate(members):
        e = elements[i]
        shape = e.station((y - float(e.leading_edge[1])) / (0.5 * e.span_m)).shape
        at = np.array([-noses[k][0], 0.0, noses[k][1]])
        longs.append(Element(e.name, at, span, float(chords[k]), 1.0, 0.0, 0.0, float(angles[k]), 0.0, shape, shape))
    flow = Wind(longs, columns=2, road=road).solve()
    s = flow.strips
    first = np.array([int(np.flatnonzero(s.owner == k)[0]) for k in range(len(members))])
    spread = np.array([np.where(s.owner == k, 1.0, 0.0) for k in range(len(members))]).T

    def carried(offset: Floats) -> tuple[Floats, Loads]:
        loads = flow.loads(spread @ offset)
        return (loads.strip_lift / s.width_m)[first], loads

    offset = np.zeros(len(members))
    attached = carried(offset)[1].lift_coefficient[first]
    step = 1e-3
    slope = np.eye(len(members))
    before = math.inf
    for _ in range(24):
        now, loads = carried(offset)
        left = lift - now
        size = float(np.abs(left / chords).max())
        if size < 1e-6:
            break
        if size > 0.1 * before or before == math.inf:
            slope = np.column_stack([(carried(offset + step * u)[0] - now) / step for u in np.eye(len(members))])
        before = size
        change = np.linalg.solve(slope, left)
        offset = offset + change * min(1.0, 0.2 / max(float(np.abs(change).max()), 1e-12))
    _, loads = carried(offset)
    return _Plane(offset, loads.incidence_rad[first], s.zero_lift_rad[first], attached, loads.lift_coefficient[first])


# -- what is kept between calls --------------------------------------------------------------------------------

_polars: OrderedDict[tuple[object, ...], Polar] = OrderedDict()
_groups: OrderedDict[tuple[object, ...], GroupState] = OrderedDict()


def _polar(shape: SectionShape, reynolds: float, factor: float, trip: float | None) -> Polar:
    held = float(f"{min(max(reynolds, LEAST_REYNOLDS), MOST_REYNOLDS):.3g}")
    key = (shape.half_thickness.tobytes(), shape.mean_line.tobytes(), shape.trailing_edge, held, factor, trip)
    if key not in _polars:
        _polars[key] = section_polar(shape, held, INCIDENCES, separation_factor=factor, turbulent_from=trip)
        if len(_polars) > _KEPT:
            _polars.popitem(last=False)
    return _polars[key]


def _group(contours: list[Floats], reynolds_per_m: float, road: float | None, factor: float) -> GroupState:
    key = (*(np.round(c, 9).tobytes() for c in contours), round(reynolds_per_m, 3), road, factor)
    if key not in _groups:
        _groups[key] = group_state(contours, reynolds_per_m, road, separation_factor=factor)
        if len(_groups) > _KEPT:
            _groups.popitem(last=False)
    return _groups[key]
