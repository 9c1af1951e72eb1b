"""Several sections, the road and the body together, with their boundary layers, in one plane.

All layers displace the flow of all contours at once, as in ``section_flow``: in a channel between two contours the
height that the layers of both walls block speeds the air up. Where a layer separates, dead air takes its place. Behind
a section alone its pressure is the one ``section_flow`` gives it (circulation of Kirchhoff and Helmholtz). The dead air
of a section in company keeps that pressure: it is open aft to the same wake, and a factor on the circulation of the
attached flow, which is several times that alone when suction sides face each other closely, would keep a gain that
no layer carries. Two things are models of our own:

- What lies behind the trailing edge does not reach far into a channel: in a strip of height h between walls a
  disturbance dies as exp(-pi x / h) (Laplace's equation). So does the difference between the dead air's speed alone and
  that of the free stream, which is the pressure at the open end of the channel (Kirchhoff and Helmholtz).
- A narrow channel has one pressure across, so both walls separate at one station, the farthest aft that both layers
  reach; in a wide one each wall separates for itself. Between them the same decay weighs.

A channel chokes where the attached flow asks for a larger rise of pressure from the throat to the trailing edge than
the steepest that a turbulent layer follows over that length (B. S. Stratford, J. Fluid Mech. 5, 1959, his flow of no
friction, from memory), at most ``GREATEST_RISE``. That index only tells; the load follows from the marched layers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .boundary_layer import Layer, march
from .panel2d import PlaneSystem, body_of
from .section import FIRST_TRIES, FOREMOST, LEAST_REYNOLDS, MOST_REYNOLDS, RELAXATION, SETTLED_CL
from .section_flow import LAST, section_flow
from .section_loads import SectionState, section_states

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Complexes = NDArray[np.complex128]

GREATEST_RISE = 0.88
"""Greatest rise of pressure over the throat's dynamic pressure (A. M. O. Smith, J. Aircraft 12(6), 1975; memory)."""
CHANNEL_REACH = 2.0
"""Contours farther apart than this many of the shorter one's chords make no channel."""
FOLLOWED = 0.9
"""Share of a side up to which a layer has to stay attached to follow its channel; most leave just before the edge."""
ROAD, BODY = -1, -2
"""In place of a contour's number in ``Channel.between``."""
_WINDOWS = (None, None, 0.08, 0.05, 0.05, 0.05, 0.03, 0.03, 0.02, 0.01)
SOFTNESS = 0.03
"""Share of a side over which carrying turns into not carrying, when separation is looked for."""
ONSET = 0.05
"""Share of a side over which dead air that has just appeared takes on the pressure it has in company."""
_RIDGE = 1e-6


@dataclass(frozen=True)
class Channel:
    """The room between a contour and another, the road or the body.

    Attributes:
        gap_m, throat: least distance, and the place (2,) half way across it, m.
        throat_speed: mean of both walls (of the contours' walls alone at the road) over the free stream, with layers.
        pressure_rise: pressure coefficient at the trailing edge less that at the throat over (1 - that at the throat),
            in the attached flow without layers, of the wall where it is larger.
        can_follow: whether the marched layers of its walls, with their displacement but no dead air, stay attached to
            ``FOLLOWED``, and ``choke_index`` is at most 1.
        choke_index: ``pressure_rise`` over the largest that a turbulent layer follows over the same length.
        note: a sentence for people.
        between: numbers of the contours; ``ROAD`` or ``BODY`` as the second.
        mouth_speed: at the trailing edges, mean of both, with layers.
    """

    gap_m: float
    throat: Floats
    throat_speed: float
    pressure_rise: float
    can_follow: bool
    choke_index: float
    note: str
    between: tuple[int, int]
    mouth_speed: float


@dataclass(frozen=True)
class GroupState:
    """Sections together.

    Attributes:
        states: one a contour, coefficients on its own chord; lift is square to the wind, whatever pushes it.
        channels: narrowest first.
        body_pressure: (n,) pressure coefficients at the body's points, None without a body.
        converged: False where layers and flow did not come to rest.
        sentence: for people: which channels choke, what is separated.
    """

    states: tuple[SectionState, ...]
    channels: tuple[Channel, ...]
    body_pressure: Floats | None
    converged: bool
    sentence: str


def group_state(
    contours: Sequence[Floats],
    reynolds_per_m: float,
    road_height_m: float | None = None,
    body: Floats | None = None,
    *,
    separation_factor: float = 1.0,
    turbulent_from: float | None = None,
) -> GroupState:
    """Sections with their layers, at rest with each other, the road and a body, in a wind along x.

    Args:
        contours: each (n, 2) points (x aft, z up), m, as placed, trailing edge once round and back, either sense.
        reynolds_per_m: free-stream speed over kinematic viscosity, 1/m.
        road_height_m: z of the road; None for free air.
        body: (n, 2) the body's outline (x aft, z up), m, closed, see ``panel2d.body_contour``; None without.
        separation_factor: scales the shape factor at which a turbulent layer separates.
        turbulent_from: x/chord from which all layers are turbulent at the latest; None for smooth surfaces.

    Raises:
        InputError: contours too coarse, within each other or within the body's wake, or on the road; a Reynolds
            number on a chord outside 2e4 to 5e7; a trip out of 0..1.
    """
    if not len(contours):
        raise InputError("There is no section in the group; give at least one.")
    if turbulent_from is not None and not 0.0 <= turbulent_from <= 1.0:
        raise InputError(f"The layers are to be turbulent from {turbulent_from:g} of the chord; give 0 to 1.")
    placed = [np.asarray(c, float) for c in contours]
    group = _Group(placed, float(reynolds_per_m), road_height_m, body, turbulent_from, separation_factor)
    return group.answer()


def stratford_rise(length: float, start: float, reynolds: float) -> float:
    """Largest canonical rise of pressure over ``length`` behind a turbulent run of ``start``, both m.

    Stratford's flow of no friction with his exponent n = 6 (from memory): 0.645 (0.435 R^0.2 ((x/x0)^0.2 - 1))^(1/3) up
    to 4/7, then 1 - a / sqrt(x/x0 + b) with a and b so that value and slope run on.

    Args:
        reynolds: on the throat's speed and ``start``.
    """
    if length <= 0.0 or start <= 0.0:
        return 0.0
    strength = 0.435 * max(reynolds, 1.0) ** 0.2
    knee = 4.0 / 7.0
    cube = (knee / 0.645) ** 3
    x_knee = (1.0 + cube / strength) ** 5
    x = 1.0 + length / start
    if x <= x_knee:
        return float(0.645 * (strength * (x**0.2 - 1.0)) ** (1.0 / 3.0))
    slope = 0.645 / 3.0 * cube ** (-2.0 / 3.0) * strength * 0.2 * x_knee**-0.8
    # 1 - a (x + b)^-1/2 has the slope (1 - value) / 2 / (x + b).
    shift = 0.5 * (1.0 - knee) / slope - x_knee
    return float(1.0 - (1.0 - knee) * math.sqrt((x_knee + shift) / (x + shift)))


@dataclass(frozen=True)
class _Walls:
    """The facing sides of two contours; of the second None at the road or the body."""

    one: tuple[int, int]
    other: tuple[int, int] | None
    number: int
    gap: float
    throat: complex
    points: tuple[int, int | None]


@dataclass(frozen=True)
class _Lanes:
    """Sides marched at once: element, side (0 upper, 1 lower), and attached shares of all sides (k, e, 2)."""

    element: Ints
    side: Ints
    share: Floats


@dataclass(frozen=True)
class _March:
    """Layers of lanes (lengths in m, right-aligned), speeds of all points, attached share that each lane reaches."""

    layers: Layer
    gamma: Floats
    reached: Floats
    stagnation: Floats


class _Group:
    def __init__(
        self,
        contours: list[Floats],
        reynolds: float,
        road: float | None,
        body: Floats | None,
        trip: float | None,
        factor: float,
    ) -> None:
        bodies = [] if body is None else [body_of(body)]
        self.system = PlaneSystem(contours, road, bodies, with_sources=True)
        self.count, self.reynolds, self.trip, self.factor = len(contours), reynolds, trip, factor
        self.flows = [section_flow(c) for c in contours]
        self.places = self.system.places[: self.count]
        self.loops = self.system.loops[: self.count]
        self.chord = np.array([np.max(np.abs(z - z[0])) for z in self.loops])
        for i, chord in enumerate(self.chord):
            if not LEAST_REYNOLDS <= reynolds * chord <= MOST_REYNOLDS:
                raise InputError(
                    f"The Reynolds number of section {i + 1} is {reynolds * chord:g}; give one between 2e4 and 5e7."
                )
        self.rest = self.system.winds[:, 0]
        ends = np.cumsum([0] + [len(f.length) for f in self.flows])
        self.sources = [self.system.sources[:, a:b] for a, b in zip(ends[:-1], ends[1:], strict=True)]
        self.displaced = [f.displacing(s) for f, s in zip(self.flows, self.sources, strict=True)]
        self.walls, heights = self._faced(road)
        self.decay = []
        for f, chord, h in zip(self.flows, self.chord, heights, strict=True):
            behind = np.minimum(f.along, f.along[-1] - f.along) * chord
            self.decay.append(np.exp(-np.pi * behind / h))

    # -- the channels' geometry --

    def _faced(self, road: float | None) -> tuple[list[_Walls], list[Floats]]:
        """Channels, and for each contour the distance of its points to the nearest thing that they face."""
        heights, walls = [], []
        for i, z in enumerate(self.loops):
            height = np.full(len(z), np.inf)
            ahead = np.gradient(z)
            lines = [(j, line) for j, line in enumerate(self.loops) if j != i]
            if len(self.system.loops) > self.count:
                outline = self.system.loops[-1]
                lines.append((BODY, np.append(outline, outline[0])))
            for j, line in lines:
                apart, foot = _distance(z, line)
                # Outwards is to the right of the way.
                faces = ((foot - z) * (1j * ahead.conj())).real > 0.0
                height = np.where(faces, np.minimum(height, apart), height)
                if j > i or j == BODY:
                    walls.append(self._between(i, j, line, apart, foot))
            if road is not None:
                height = np.where(ahead.real > 0.0, np.minimum(height, z.imag - road), height)
                k = int(np.argmin(z.imag))
                gap = float(z[k].imag - road)
                walls.append(_Walls(self._side(i, k), None, ROAD, gap, z[k] - 0.5j * gap, (k, None)))
            heights.append(height)
        near = [w for w in walls if w.gap < CHANNEL_REACH * self._shorter(w)]
        return sorted(near, key=lambda w: w.gap), heights

    def _between(self, i: int, j: int, other: Complexes, apart: Floats, foot: Complexes) -> _Walls:
        k = int(np.argmin(apart))
        facing = int(np.argmin(np.abs(other - foot[k])))
        throat = 0.5 * (self.loops[i][k] + foot[k])
        pair = None if j < 0 else self._side(j, facing)
        return _Walls(self._side(i, k), pair, j, float(apart[k]), throat, (k, facing))

    def _side(self, i: int, point: int) -> tuple[int, int]:
        return i, 0 if point < self.flows[i].nose else 1

    def _shorter(self, walls: _Walls) -> float:
        chord = float(self.chord[walls.one[0]])
        return chord if walls.other is None else min(chord, float(self.chord[walls.other[0]]))

    def _station(self, wall: tuple[int, int], share: float) -> float:
        """x of the point at a share of a side."""
        f, z = self.flows[wall[0]], self.loops[wall[0]]
        return float(np.interp(f.place(np.array([wall[1]]), np.array([share]))[0], f.along, z.real))

    def _share_at(self, wall: tuple[int, int], x: float) -> float:
        """Share of a side whose point lies at ``x``, from the nose on."""
        f, z = self.flows[wall[0]], self.loops[wall[0]]
        side = f.points(wall[1])
        along = np.interp(x, np.maximum.accumulate(z.real[side]), f.along[side])
        return float(f.share(np.array([wall[1]]), np.array([along]))[0])

    # -- flow and layers --

    def marched(self, mass: list[Floats], lanes: _Lanes) -> _March:
        count = len(lanes.element)
        gamma = np.repeat(self.rest[None], count, axis=0)
        attached = []
        for i, f in enumerate(self.flows):
            held = f.held(np.repeat(mass[i][None], count, axis=0), lanes.share[:, i])
            gamma += held @ self.displaced[i].T
            attached.append(f.wind[:, 0] + held @ f.displaced.T)
        gamma = self._with_dead_air(gamma, attached, lanes.share)
        size = max(len(f.along) for f in self.flows)
        along, speed = np.zeros((count, size)), np.zeros((count, size))
        stagnation, trips = np.zeros(count), np.full(count, np.inf)
        for i, f in enumerate(self.flows):
            rows = np.flatnonzero(lanes.element == i)
            side = lanes.side[rows]
            stagnation[rows], way, pace = f.to_march(side, gamma[rows, self.places[i]])
            along[rows, size - len(f.along) :] = way * self.chord[i]
            speed[rows, size - len(f.along) :] = pace
            if self.trip is not None:
                trips[rows] = f.trip(side, stagnation[rows], self.trip) * self.chord[i]
        tripped = None if self.trip is None else trips
        layers = march(along, speed, self.reynolds, turbulent_from_m=tripped, separation_factor=self.factor)
        reached = np.ones(count)
        for i, f in enumerate(self.flows):
            rows = np.flatnonzero(lanes.element == i)
            reached[rows] = f.reached(lanes.side[rows], stagnation[rows], layers.separation_m[rows] / self.chord[i])
        return _March(layers, gamma, reached, stagnation)

    def _with_dead_air(self, gamma: Floats, attached: list[Floats], share: Floats) -> Floats:
        """``gamma`` (k, n) with sources on all separated parts, so that their speeds are what the dead air has.

        ``attached`` are the speeds of each section alone without dead air. What the sources are alone they stay while
        the dead air is short: what company adds to them grows in over ``ONSET``.
        """
        parted = share <= LAST
        sides = [(i, k) for i in range(self.count) for k in (0, 1) if parted[:, i, k].any()]
        if not sides:
            return gamma
        count = len(share)
        shapes = {side: self._shapes(side, share) for side in sides}
        answer = np.concatenate([shapes[i, k] @ self.sources[i].T for i, k in sides], axis=1)
        wanted, first = {}, []
        for i in sorted({i for i, _ in sides}):
            f = self.flows[i]
            alone = f.with_dead_air(attached[i], share[:, i])
            own = [side for side in sides if side[0] == i]
            # What sources made it, told by their effect.
            effect = np.concatenate([shapes[side] @ f.sources.T for side in own], axis=1)
            matrix = effect @ effect.transpose(0, 2, 1) + 1e-10 * np.eye(effect.shape[1])
            first.append(np.linalg.solve(matrix, effect @ (alone - attached[i])[:, :, None])[:, :, 0])
            # The dead air of both sides is one behind the edge, so that the one in the narrower channel tells.
            open_air = np.ones(count)
            for side in own:
                mean = self._weights(side, share) @ self.decay[i]
                open_air = np.where(parted[:, i, side[1]], np.minimum(open_air, mean), open_air)
            for side in own:
                ahead = -1.0 if side[1] == 0 else 1.0
                wanted[side] = ahead + (alone - ahead) * open_air[:, None]
        strength = np.concatenate(first, axis=1)
        gamma = gamma + np.einsum("km,kmn->kn", strength, answer)
        matrix, right = np.zeros((count, *[strength.shape[1]] * 2)), np.zeros(strength.shape)
        holds = np.zeros(strength.shape)
        for j, (i, k) in enumerate(sides):
            grown = np.clip((LAST - share[:, i, k]) / ONSET, 0.0, 1.0)
            there = answer[:, :, self.places[i]]
            weighted = there * (self._weights((i, k), share) * grown[:, None])[:, None]
            part = weighted @ there.transpose(0, 2, 1)
            matrix += part
            right -= np.einsum("kmn,kn->km", weighted, gamma[:, self.places[i]] - wanted[i, k])
            block = slice(3 * j, 3 * j + 3)
            size = np.trace(part[:, block, block], axis1=1, axis2=2) / np.maximum(grown, 1e-6)
            holds[:, block] = (size * (1.0 - grown) / np.maximum(grown, 1e-6))[:, None]
        matrix += (holds + _RIDGE)[:, None] * np.eye(strength.shape[1])
        more = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
        return gamma + np.einsum("km,kmn->kn", more, answer)

    def _shapes(self, side: tuple[int, int], share: Floats) -> Floats:
        """(k, 3, p) sources on the panels behind the separation point, 0 on an attached side."""
        return self._behind(self.flows[side[0]].dead_air_sources, side, share)

    def _weights(self, side: tuple[int, int], share: Floats) -> Floats:
        """(k, n) parts of the points behind the separation point, 0 on an attached side."""
        return self._behind(self.flows[side[0]].dead_air_weights, side, share)

    def _behind(self, of: Callable[[int, Floats], Floats], side: tuple[int, int], share: Floats) -> Floats:
        i, k = side
        on = share[:, i, k] <= LAST
        some = of(k, share[on, i, k])
        out = np.zeros((len(share), *some.shape[1:]))
        out[on] = some
        return out

    def answer(self) -> GroupState:
        sides = [(i, k) for i in range(self.count) for k in (0, 1)]
        share = np.ones((self.count, 2))
        mass = [np.zeros(len(f.along)) for f in self.flows]
        plain = _lanes([(wall, share) for wall in sides])
        first = self.marched(mass, plain)
        # Without any displacement layers leave far too early near the tail.
        mass = [RELAXATION * m for m in self._mass(first, {wall: (j, j, 0.0) for j, wall in enumerate(sides)})]
        attached = dict(zip(sides, self.marched(mass, plain).reached > FOLLOWED, strict=True))
        joint = {w: 1.0 for w in self.walls if w.other is not None}
        own = dict.fromkeys(sides, 1.0)
        for window in _WINDOWS:
            share, mass, change, moved = self._turn(mass, share, own, joint, window)
        last = self.marched(mass, _lanes([(wall, share) for wall in sides]))
        return self._summed(first, last, share, attached, change, moved)

    def _turn(
        self,
        mass: list[Floats],
        share: Floats,
        own: dict[tuple[int, int], float],
        joint: dict[_Walls, float],
        window: float | None,
    ) -> tuple[Floats, list[Floats], list[Floats], float]:
        """One turn: separation points sought among lanes that try some, then the displacement of those chosen."""
        cases: list[tuple[tuple[int, int], Floats]] = []
        picks: dict[tuple[int, int], tuple[Floats, int]] = {}
        for wall, value in own.items():
            tries = _tries(value, window)
            picks[wall] = tries, len(cases)
            for t in tries:
                case = share.copy()
                case[wall] = t
                cases.append((wall, case))
        pairs: dict[_Walls, tuple[Floats, int]] = {}
        for walls, value in joint.items():
            assert walls.other is not None
            tries = _tries(value, window)
            pairs[walls] = tries, len(cases)
            for t in tries:
                case = share.copy()
                case[walls.one], case[walls.other] = t, self._across(walls, t)
                cases += [(walls.one, case), (walls.other, case)]
        tried = self.marched(mass, _lanes(cases))
        rows = {}
        for wall, (tries, start) in picks.items():
            own[wall], near = _settled(tries, tried.reached[start : start + len(tries)] - tries)
            rows[wall] = start + near[0], start + near[1], near[2]
        new = np.ones_like(share)
        for wall, value in own.items():
            new[wall] = value
        for walls, (tries, start) in pairs.items():
            assert walls.other is not None
            span = slice(start, start + 2 * len(tries))
            held = np.array([shares[w] for w, shares in cases[span]])
            excess = (tried.reached[span] - held).reshape(-1, 2).min(axis=1)
            joint[walls], near = _settled(tries, excess)
            # Less and less of a channel from one chord of distance to ``CHANNEL_REACH``.
            tied = float(np.clip((CHANNEL_REACH - walls.gap / self._shorter(walls)) / (CHANNEL_REACH - 1.0), 0.0, 1.0))
            for k, (w, value) in enumerate(
                ((walls.one, joint[walls]), (walls.other, self._across(walls, joint[walls])))
            ):
                f = self.flows[w[0]]
                at = f.place(np.array([w[1]]), np.array([min(value, LAST)]))
                weight = 1.0 - tied * (1.0 - float(np.interp(at[0], f.along, self.decay[w[0]])))
                new[w] = weight * new[w] + (1.0 - weight) * value
                if weight < 0.5:
                    rows[w] = start + 2 * near[0] + k, start + 2 * near[1] + k, near[2]
        new = np.where(new > LAST, 1.0, new)
        fresh = self._mass(tried, rows)
        change = [
            f.held(m[None], new[i][None])[0] - old
            for i, (f, m, old) in enumerate(zip(self.flows, fresh, mass, strict=True))
        ]
        mass = [m + RELAXATION * c for m, c in zip(mass, change, strict=True)]
        return new, mass, change, float(np.abs(new - share).max())

    def _across(self, walls: _Walls, share: float) -> float:
        """Share of the other wall at the station of a share of the first."""
        assert walls.other is not None
        if share > LAST:
            return 1.0
        return float(np.clip(self._share_at(walls.other, self._station(walls.one, share)), FOREMOST, LAST))

    def _mass(self, march: _March, rows: dict[tuple[int, int], tuple[int, int, float]]) -> list[Floats]:
        """Speed times displacement thickness along each contour, in chords, negative on the upper side.

        ``rows`` tells of each side two lanes and the part of the second.
        """
        product = march.layers.speed * march.layers.displacement_m
        out = []
        for i, f in enumerate(self.flows):
            both = []
            for k in (0, 1):
                one, other, part = rows[i, k]
                both.append((1.0 - part) * product[one, -len(f.along) :] + part * product[other, -len(f.along) :])
            out.append((both[1] - both[0][::-1]) / self.chord[i])
        return out

    # -- the answer --

    def _summed(
        self,
        first: _March,
        last: _March,
        share: Floats,
        attached: dict[tuple[int, int], bool],
        change: list[Floats],
        moved: float,
    ) -> GroupState:
        flows = self.system.flows(last.gamma[0])
        unrest = np.array(
            [np.abs(2.0 * f.circulation(f.displaced @ c)) for f, c in zip(self.flows, change, strict=True)]
        )
        rest = unrest < SETTLED_CL
        states = tuple(self._state(i, last, share[i], bool(rest[i])) for i in range(self.count))
        channels = tuple(self._channel(w, first, last, attached) for w in self.walls)
        body = flows[self.count] if len(flows) > self.count else None
        return GroupState(
            states=states,
            channels=channels,
            body_pressure=None if body is None else body.pressure,
            converged=bool(rest.all() and moved < 0.05),
            sentence=_sentence(states, channels),
        )

    def _state(self, i: int, march: _March, share: Floats, rest: bool) -> SectionState:
        f, chord, own = self.flows[i], float(self.chord[i]), self.places[i]
        answers = section_states(
            f,
            np.zeros(1),
            np.asarray(self.rest[None, own], float),
            np.asarray(march.gamma[:1, own], float),
            share[None],
            self._in_chords(march.layers, i),
            np.array([rest]),
            self.reynolds * chord,
        )
        run = self.loops[i][0] - self.loops[i][f.nose]
        return replace(answers.state(0), alpha_rad=-math.atan2(run.imag, run.real))

    def _in_chords(self, layers: Layer, i: int) -> Layer:
        """The two sides' layers of one section, lengths over the chord."""
        first = layers.along_m.shape[1] - len(self.flows[i].along)
        return layers.part(slice(2 * i, 2 * i + 2), slice(first, None), float(self.chord[i]))

    def _channel(
        self,
        walls: _Walls,
        first: _March,
        last: _March,
        attached: dict[tuple[int, int], bool],
    ) -> Channel:
        sides = [(walls.one, walls.points[0])]
        if walls.other is not None and walls.points[1] is not None:
            sides.append((walls.other, walls.points[1]))
        index, rise, follows = 0.0, 0.0, True
        for (i, k), point in sides:
            f = self.flows[i]
            # The fastest point near the throat is the wall's own throat; the edge is told at ``LAST``.
            side = f.points(k)
            pace = np.abs(self.rest[self.places[i]][side])
            top = int(np.argmax(np.where(np.abs(f.along[side] - f.along[point]) < 0.25, pace, 0.0)))
            edge = float(np.interp(LAST, f.share(np.full(len(side), k), f.along[side]), pace))
            asked = max(1.0 - (edge / float(pace[top])) ** 2, 0.0)
            chord = float(self.chord[i])
            run = abs(f.along[side[top]] - first.stagnation[2 * i + k]) * chord
            length = abs(f.along[side[top]] - f.place(np.array([k]), np.array([LAST]))[0]) * chord
            limit = min(stratford_rise(length, run, self.reynolds * float(pace[top]) * run), GREATEST_RISE)
            index = max(index, asked / max(limit, 1e-3))
            rise = max(rise, asked)
            follows = follows and attached[i, k]
        speeds = np.abs(last.gamma[0])
        throat = np.mean([speeds[self.places[i]][p] for (i, _), p in sides])
        mouth = np.mean([np.interp(LAST, *self._paced(wall, speeds)) for wall, _ in sides])
        follows = follows and index <= 1.0
        return Channel(
            gap_m=walls.gap,
            throat=np.array([walls.throat.real, walls.throat.imag]),
            throat_speed=float(throat),
            pressure_rise=rise,
            can_follow=follows,
            choke_index=index,
            note=_note(walls, rise, index, follows),
            between=(walls.one[0], walls.number),
            mouth_speed=float(mouth),
        )

    def _paced(self, wall: tuple[int, int], speeds: Floats) -> tuple[Floats, Floats]:
        i, k = wall
        f = self.flows[i]
        side = f.points(k)
        return f.share(np.full(len(side), k), f.along[side]), speeds[self.places[i]][side]


def _distance(at: Complexes, line: Complexes) -> tuple[Floats, Complexes]:
    """(n,) distance of points to a chain of straight pieces, and the nearest points on it."""
    step = np.diff(line)
    share = ((at[:, None] - line[:-1]) * (step.conj() / np.abs(step) ** 2)).real
    foot = line[:-1] + np.clip(share, 0.0, 1.0) * step
    apart = np.abs(at[:, None] - foot)
    nearest = np.argmin(apart, axis=1)
    rows = np.arange(len(at))
    return apart[rows, nearest], foot[rows, nearest]


def _lanes(cases: list[tuple[tuple[int, int], Floats]]) -> _Lanes:
    walls = np.array([wall for wall, _ in cases], dtype=np.intp)
    return _Lanes(walls[:, 0], walls[:, 1], np.stack([share for _, share in cases]))


def _tries(value: float, window: float | None) -> Floats:
    """Shares to try, farthest aft first."""
    if window is None:
        return FIRST_TRIES
    tries = np.clip(value + window * np.linspace(1.0, -1.0, 5), FOREMOST, 1.0)
    return np.where(tries > LAST, 1.0, tries)


def _settled(tries: Floats, excess: Floats) -> tuple[float, tuple[int, int, float]]:
    """The share up to which a side carries, and the rows of the tries around it with the second one's part.

    Where the layer reaches farther than the share tried (``excess`` above 0) it carries. The extent of all shares that
    carry is taken, with the step at 0 spread over ``SOFTNESS``, so that no answer hangs on one try.
    """
    share = np.minimum(tries[::-1], LAST)
    step = np.clip(0.5 + excess / SOFTNESS, 0.0, 1.0)[::-1]
    spot = float(share[0] + np.sum(0.5 * (step[1:] + step[:-1]) * np.diff(share)))
    # What the spread step takes off a side whose layer reaches the edge from everywhere.
    if spot > LAST - 0.05 * SOFTNESS:
        return 1.0, (0, 0, 0.0)
    after = int(np.clip(np.searchsorted(share, spot), 1, len(share) - 1))
    low, high = share[after - 1], share[after]
    part = float(np.clip((spot - low) / max(high - low, 1e-12), 0.0, 1.0))
    return spot, (len(tries) - after, len(tries) - 1 - after, part)


def _note(walls: _Walls, rise: float, index: float, follows: bool) -> str:
    what = {ROAD: "the road", BODY: "the body"}.get(walls.number, f"section {walls.number + 1}")
    name = f"Channel between section {walls.one[0] + 1} and {what}"
    if follows:
        return f"{name}: the layers follow the rise of pressure from the throat."
    if index > 1.0:
        asked = f"attached flow asks for {rise:.2f} of the throat's pressure back"
        return f"{name} chokes: {asked}, {index:.2g} times what a layer follows."
    return f"{name}: the layers separate before the trailing edge."


def _sentence(states: tuple[SectionState, ...], channels: tuple[Channel, ...]) -> str:
    choked = [c for c in channels if c.choke_index > 1.0]
    stalled = [i + 1 for i, s in enumerate(states) if s.stalled]
    if choked:
        return choked[0].note + " Only a run with friction throughout can settle the load."
    if stalled:
        return f"Section {', '.join(map(str, stalled))} is stalled."
    return "All layers follow the flow, or separate near the trailing edge only."
