"""Sections and bodies in plane potential flow: vorticity, linear along each panel, on every contour.

The stream function has one value at all points of a contour, so that the air inside is at rest and
the vorticity is the speed along the outside. The air leaves each trailing edge smoothly: the two
ends carry opposite vorticity. A blunt edge is drawn to its middle first, evenly along the chord: the
dead air behind it is thin and fills the same room a little farther aft. The road is the mirror
image of everything over it.

A body has no sharp edge. Given the two points where the flow leaves it, its base between them is left out and has the
mean pressure of the wake's first stretch, as long as it is high. The wake goes straight aft as a solid slab of the
base's height for ``WAKE_HEIGHTS`` times that height, then tapers. Still air carries no load, so that there is no
circulation about the slab: the speeds over and under it are alike in the mean. A real wake closes within a few heights
and its base sucks, so that the slab understates how the flow turns down behind the rear; wakes free to move need a
search that may not settle. Without such points a body has no circulation.

Source of the method: the stream-function equation of C. Oellers, "Die inkompressible
Potentialstroemung in der ebenen Gitterstufe" (1962), from memory; the integrals over a panel are
worked out in ``_panels``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..sections.cut import cut_mesh
from ..sections.shape import SectionShape

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

WAKE_HEIGHTS = 6.0
"""Length of the slab behind a blunt rear over the base's height; twice as long moves the attached load of an element
over the rear by two percent."""
TAPER_HEIGHTS = 3.0
"""Length of the slab's tail over the base's height."""
STEEPEST_REAR = math.radians(30.0)
"""Steepest fall of a rear slope that the air follows (Ahmed et al., SAE 840300: the flow leaves above 30 degrees)."""
BODY_PANELS = 110
_STRIP = 8000
FLOOR_M = 0.15
"""Height of the floor of a body whose scan has none (common practice, no source)."""
FRONT_HEIGHTS = 2.0
"""How far a body whose scan lacks the front goes straight on, over its height, before it is rounded off."""


@dataclass(frozen=True)
class Body:
    """A closed contour without a sharp edge.

    Attributes:
        points: (n, 2) m (x aft, z up) once round, either sense, the first not told again.
        leaves: numbers of the points where the flow leaves above and below the base; None for a body without
            circulation that the flow follows all round.
    """

    points: Floats
    leaves: tuple[int, int] | None = None


@dataclass(frozen=True)
class SectionFlow:
    """Flow about one contour among those solved together.

    Attributes:
        pressure: (n,) pressure coefficients at the contour's points; on a body's base that of the wake behind it.
        lift, drag: force across and along the wind over dynamic pressure, m (per metre of span);
            drag is zero for one contour in free air and holds the mutual push of several.
        chord_m: from the middle of the trailing edge to the farthest point; of a body its length.
    """

    pressure: Floats
    lift: float
    drag: float
    chord_m: float

    @property
    def cl(self) -> float:
        """Lift coefficient on the contour's own chord."""
        return self.lift / self.chord_m


def solve(
    contours: Sequence[Floats], alpha_rad: float, road_height: float | None = None, bodies: Sequence[Body] = ()
) -> list[SectionFlow]:
    """Flow about ``contours`` and ``bodies`` together: the contours' first, then the bodies'.

    Args:
        contours: each (n, 2) points (x aft, z up), m, from the trailing edge once round and back to
            it; the two ends may differ (blunt edge). Either sense of travel.
        alpha_rad: the wind's climb over the x axis.
        road_height: z of the road, None for free air; the wind then has to run along it.

    Raises:
        InputError: too few points, points that coincide, a contour that reaches down to the
            road, a contour within another, or a wind that runs into the road.
    """
    if road_height is not None and abs(alpha_rad) > 1e-12:
        raise InputError("Over a road the wind runs along the road; turn the sections instead of the wind.")
    system = PlaneSystem(contours, road_height, bodies)
    return system.flows(system.winds @ np.array([math.cos(alpha_rad), math.sin(alpha_rad)]), alpha_rad)


def zero_lift_angle(shape: SectionShape) -> float:
    """Incidence (rad) at which the section carries no lift, from the panel method."""
    return _lift_line(shape)[0]


def lift_slope(shape: SectionShape) -> float:
    """Change of lift coefficient with incidence (1/rad) at zero lift, without friction."""
    return _lift_line(shape)[1]


def _lift_line(shape: SectionShape, count: int = 81) -> tuple[float, float]:
    # Circulation is linear in the wind's two components, so two winds tell the whole line.
    contour = shape.contour(count)
    system = PlaneSystem([contour])
    z, gamma = system.loops[0], system.winds[system.places[0]]
    level, square = (-0.5 * np.abs(np.diff(z))[:, None] * (gamma[1:] + gamma[:-1])).sum(axis=0)
    return -math.atan2(level, square), 2.0 * math.hypot(level, square)


class PlaneSystem:
    """The equations of all contours and bodies, solved for two winds and, on demand, for sources on each panel.

    Attributes:
        loops: complex points x + iz of each contour in turn, counter-clockwise, a contour's trailing edge drawn to
            its middle and told at both ends; then of each body, base and slab in place, the first point not told again.
        places: where each loop's points lie among all n points.
        flipped: whether a contour or body came clockwise.
        winds: (n, 2) counter-clockwise vorticity, that is speed along the way, for a unit wind along x and along z.
        sources: (n, p) the same for an even unit source (outflow a metre of surface) on each panel of the
            contours in turn, or (n, 0) unless asked for. Bodies give off nothing.
    """

    def __init__(
        self,
        contours: Sequence[Floats],
        road_height: float | None = None,
        bodies: Sequence[Body] = (),
        with_sources: bool = False,
    ) -> None:
        if not len(contours) and not len(bodies):
            raise InputError("There is no section to solve for.")
        self.flipped: list[bool] = []
        self.loops: list[Complexes] = []
        self._edges: list[tuple[int, int] | None] = []
        self._given = list(bodies)
        for i, contour in enumerate(contours):
            z = _checked(contour, f"Section {i + 1}", road_height)
            self._add(_edge_closed(z))
        for i, body in enumerate(bodies):
            z = _checked(body.points, f"Body {i + 1}", road_height)
            self._add(z, body.leaves, f"Body {i + 1}")
        self._lifting = len(contours)
        starts = np.cumsum([0] + [len(z) for z in self.loops])
        self.places = [slice(int(a), int(b)) for a, b in pairwise(starts)]
        _check_apart(self.loops)
        self._solve(road_height, with_sources)

    def flows(self, gamma: Floats, alpha_rad: float = 0.0) -> list[SectionFlow]:
        """Pressure and forces of speeds ``gamma`` (n,) along all loops in a wind that climbs by ``alpha_rad``."""
        wind = complex(math.cos(alpha_rad), math.sin(alpha_rad))
        flows = []
        for i, (z, place, flipped) in enumerate(zip(self.loops, self.places, self.flipped, strict=True)):
            g = gamma[place]
            if i >= self._lifting:
                flows.append(self._body_flow(i, g, wind))
                continue
            # Mean of a linear speed squared along each panel.
            pressure = 1.0 - (g[1:] ** 2 + g[1:] * g[:-1] + g[:-1] ** 2) / 3.0
            # Outward normal times length is -i dz for a contour travelled counter-clockwise.
            force = 1j * np.sum(pressure * np.diff(z)) / wind
            chord = float(np.max(np.abs(z - z[0])))
            cp = 1.0 - g**2
            flows.append(SectionFlow(cp[::-1] if flipped else cp, float(force.imag), float(force.real), chord))
        return flows

    def _body_flow(self, number: int, g: Floats, wind: complex) -> SectionFlow:
        given = self._given[number - self._lifting].points
        z = given[:, 0] + 1j * given[:, 1]
        if self.flipped[number]:
            z = z[::-1]
        cp = np.empty(len(z))
        edges = self._edges[number]
        if edges is None:
            cp[:] = 1.0 - g**2
        else:
            # The loop starts at the upper edge and has the lower one after ``kept`` points.
            first, kept = edges
            cp[:] = self._base_pressure(self.loops[number], g, kept)
            cp[(first + np.arange(kept)) % len(z)] = 1.0 - g[:kept] ** 2
        force = 1j * np.sum(0.5 * (cp + np.roll(cp, -1)) * (np.roll(z, -1) - z)) / wind
        out = cp[::-1] if self.flipped[number] else cp
        return SectionFlow(out, float(force.imag), float(force.real), float(np.ptp(z.real)))

    @staticmethod
    def _base_pressure(z: Complexes, g: Floats, kept: int) -> float:
        """Mean along both sides of the wake over one base height behind the edges."""
        length = np.abs(np.roll(z, -1) - z)
        behind = 0.5 * (z + np.roll(z, -1)).real
        height = z[0].imag - z[kept - 1].imag
        rear = np.where(np.roll(z, -1).imag > 0.5 * (z[0] + z[kept - 1]).imag, z[0].real, z[kept - 1].real)
        near = (np.arange(len(z)) >= kept - 1) & (behind < rear + height)
        weight = length * near
        ahead = np.roll(g, -1)
        return float(1.0 - np.sum(weight * (g**2 + g * ahead + ahead**2) / 3.0) / weight.sum())

    def _add(self, z: Complexes, leaves: tuple[int, int] | None = None, name: str = "") -> None:
        clockwise = float(np.sum((z * np.roll(z, -1).conj()).imag)) > 0.0
        self.flipped.append(clockwise)
        z = z[::-1] if clockwise else z
        edges = None
        if leaves is not None:
            upper, lower = sorted((len(z) - 1 - k if clockwise else k) for k in leaves)
            if z[upper].imag < z[lower].imag:
                upper, lower = lower, upper
            # Counter-clockwise from the upper edge over the top, the nose and the floor to the lower one.
            kept = (lower - upper) % len(z) + 1
            edges = (upper, kept)
            z = _with_wake(np.roll(z, -upper)[:kept], name)
        self._edges.append(edges)
        self.loops.append(z)

    def _solve(self, road_height: float | None, with_sources: bool) -> None:
        at = np.concatenate(self.loops)
        size, count = len(at), len(self.loops)
        matrix = np.zeros((size + count, size + count))
        panels = sum(len(z) - 1 for z in self.loops[: self._lifting]) if with_sources else 0
        right = np.zeros((size + count, 2 + panels))
        right[:size, 0], right[:size, 1] = -at.imag, at.real
        column = 2
        for i, (z, place) in enumerate(zip(self.loops, self.places, strict=True)):
            lifting = i < self._lifting
            round_ = z if lifting else np.append(z, z[0])
            give = with_sources and lifting
            for j, there in enumerate(self.places):
                flow, source = _panels(round_, at[there], give, i == j)
                if road_height is not None:
                    image, mirrored = _panels(round_, at[there].conj() + 2j * road_height, give, False)
                    flow -= image
                    source -= mirrored
                if not lifting:
                    flow[:, 0] += flow[:, -1]
                    flow = flow[:, :-1]
                matrix[there, place] = flow
                if give:
                    right[there, column : column + len(z) - 1] = -source
            column += len(z) - 1 if give else 0
        for i, (z, place) in enumerate(zip(self.loops, self.places, strict=True)):
            self._close(i, z, place, size, matrix, right)
        strength = np.linalg.solve(matrix, right)[:size]
        self.winds, self.sources = strength[:, :2], strength[:, 2:]

    def _close(self, i: int, z: Complexes, place: slice, size: int, matrix: Floats, right: Floats) -> None:
        """The rows besides the stream function's: where the flow leaves."""
        first, last = place.start, place.stop - 1
        matrix[place, size + i] = -1.0
        if i >= self._lifting:
            # No circulation about the wake, or, without one, about the body.
            edges = self._edges[i]
            length = np.abs(np.roll(z, -1) - z)
            if edges is not None:
                length[: edges[1] - 1] = 0.0
            matrix[size + i, place] = (length + np.roll(length, 1)) / length.sum()
            return
        matrix[size + i, [first, last]] = 1.0
        # The edge is one point, told once: in place of the second telling, the mean speed of both
        # sides runs into the edge in a straight line.
        ahead, behind = (abs(z[2] - z[1]) / abs(z[1] - z[0]), abs(z[-3] - z[-2]) / abs(z[-1] - z[-2]))
        matrix[last], right[last] = 0.0, 0.0
        matrix[last, [first, first + 1, first + 2]] = ahead, -1.0 - ahead, 1.0
        matrix[last, [last, last - 1, last - 2]] = -behind, 1.0 + behind, -1.0


def body_contour(body: TriMesh, y: float = 0.0) -> Floats:
    """(n, 2) points (x aft, z up) m of the body's outline in the plane at ``y``, closed, from the rear over the top.

    ``body`` is in vehicle axes (x forward), open or closed, with holes. In each slice of the length the highest and
    the lowest cut counts, so that what hangs inside is left out; gaps are bridged straight. Where over
    more than half of the length the lowest cut is above half of the height, there is no floor: it is closed at
    ``FLOOR_M``. A body that ends in front
    higher than half its height is taken to be the rear of a car: it goes straight on and is rounded off.

    Raises:
        InputError: the plane does not cut the body, or what it cuts is no body (flat or on the road).
    """
    cuts = cut_mesh(body, np.array([0.0, y, 0.0]), np.array([0.0, 1.0, 0.0]))
    pieces = [np.column_stack([-c.points[:, 0], c.points[:, 2]]) for c in cuts if len(c.points) > 1]
    if not pieces:
        raise InputError(f"The plane at y = {y:g} m does not cut the body; give a scan that has its middle.")
    x, top, bottom = _envelope(pieces, [c.closed for c in cuts if len(c.points) > 1])
    height = float(top.max() - min(bottom.min(), FLOOR_M))
    if height < 0.05 or x[-1] - x[0] < 0.2:
        raise InputError("The cut through the body is a sliver; give a scan of the body's middle.")
    low = np.flatnonzero(bottom < 0.5 * (top + min(FLOOR_M, float(bottom.min()))))
    floor = np.full(len(x), min(FLOOR_M, 0.5 * float(top.min())))
    if len(low) > 0.5 * len(x):
        # The ends of a floor that is there may rise; what is missing between them is bridged.
        floor = np.where((x < x[low[0]]) | (x > x[low[-1]]), bottom, np.interp(x, x[low], bottom[low]))
    return _outline(x, top, np.minimum(floor, top - 1e-3), height)


def body_of(contour: Floats) -> Body:
    """``contour`` (n, 2) (x aft, z up) as a body with the points where the flow leaves its rear.

    From the rearmost point forward over the top, and over the floor, the base reaches as far as the outline, over
    its next twentieth of a length, runs more steeply than ``STEEPEST_REAR``.

    Raises:
        InputError: fewer than 10 points.
    """
    z = _checked(contour, "The body", None)
    clockwise = float(np.sum((z * np.roll(z, -1).conj()).imag)) > 0.0
    order = np.arange(len(z))[::-1] if clockwise else np.arange(len(z))
    order = np.roll(order, -int(np.argmax(z[order].real)))
    return Body(np.asarray(contour, float), (_leaves(z, order), _leaves(z, np.roll(order[::-1], 1))))


def _leaves(z: Complexes, order: NDArray[np.intp]) -> int:
    """The point of ``order`` (from the rearmost on) where the base ends."""
    run = z[order]
    reach = 0.05 * float(np.ptp(z.real))
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(run)))])
    for i in range(len(run) // 2):
        ahead = np.interp(along[i] + reach, along, run.real) + 1j * np.interp(along[i] + reach, along, run.imag)
        step = ahead - run[i]
        if -step.real > abs(step) * math.cos(STEEPEST_REAR):
            return int(order[i])
    return int(order[0])


def _envelope(pieces: list[Floats], closed: list[bool]) -> tuple[Floats, Floats, Floats]:
    """Stations along the length with the highest and the lowest cut at each."""
    parts = []
    for piece, loop in zip(pieces, closed, strict=True):
        run = np.concatenate([piece, piece[:1]]) if loop else piece
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(run, axis=0), axis=1))])
        fine = np.linspace(0.0, along[-1], max(int(along[-1] / 0.002), 2))
        parts.append(np.column_stack([np.interp(fine, along, run[:, k]) for k in (0, 1)]))
    every = np.concatenate(parts)
    every = every[every[:, 1] > 0.02]
    if not len(every):
        raise InputError("The cut through the body lies on the road; give a scan in vehicle axes.")
    low, high = every[:, 0].min(), every[:, 0].max()
    count = 240
    slot = np.minimum((count * (every[:, 0] - low) / max(high - low, 1e-9)).astype(int), count - 1)
    top, bottom = np.full(count, -np.inf), np.full(count, np.inf)
    np.maximum.at(top, slot, every[:, 1])
    np.minimum.at(bottom, slot, every[:, 1])
    x = low + (np.arange(count) + 0.5) * (high - low) / count
    x[0], x[-1] = low, high
    filled = np.isfinite(bottom)
    return x, np.interp(x, x[filled], top[filled]), np.interp(x, x[filled], bottom[filled])


def _outline(x: Floats, top: Floats, floor: Floats, height: float) -> Floats:
    """The closed outline, the front carried on where it is missing, resampled evenly and smoothed."""
    upper, lower = np.column_stack([x, top])[::-1], np.column_stack([x, floor])
    middle = 0.5 * (top[0] + floor[0])
    front = np.zeros((0, 2))
    if top[0] - floor[0] > 0.5 * height:
        half = 0.5 * (top[0] - floor[0])
        turn = np.linspace(0.5 * np.pi, 1.5 * np.pi, 41)
        start = x[0] - FRONT_HEIGHTS * height
        front = np.column_stack([start + 2.0 * half * np.cos(turn), middle + half * np.sin(turn)])
    run = np.concatenate([upper, front, lower, upper[:1]])
    run = run[np.concatenate([[True], np.linalg.norm(np.diff(run, axis=0), axis=1) > 1e-9])]
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(run, axis=0), axis=1))])
    fine = np.linspace(0.0, along[-1], 16 * BODY_PANELS, endpoint=False)
    even = np.interp(fine, along, run[:, 0]) + 1j * np.interp(fine, along, run[:, 1])
    # A weight of half a panel rounds corners that the panels could not follow.
    wave = np.fft.fftfreq(len(even)) * 16.0
    smooth = np.fft.ifft(np.fft.fft(even) * np.exp(-0.5 * (2.0 * np.pi * wave * 0.5) ** 2))[::16]
    return np.column_stack([smooth.real, smooth.imag])


def _with_wake(kept: Complexes, name: str) -> Complexes:
    """Points from the upper edge of the base forward to the lower one, and the slab's back to the upper one."""
    upper, lower = kept[0], kept[-1]
    height = upper.imag - lower.imag
    if len(kept) < 10 or height <= 0.0:
        raise InputError(f"{name}: the flow has to leave at one point above and one below the base.")
    rear = max(upper.real, lower.real)
    end = rear + WAKE_HEIGHTS * height
    turn = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 15)[1:-1]
    middle = 0.5 * (upper.imag + lower.imag)
    tail = end + TAPER_HEIGHTS * height * np.cos(turn) + 1j * (middle + 0.5 * height * np.sin(turn))
    under = _stretched(lower.real, end, abs(kept[-1] - kept[-2])) + 1j * lower.imag
    over = _stretched(upper.real, end, abs(kept[1] - kept[0])) + 1j * upper.imag
    return np.concatenate([kept, under[1:], tail, over[:0:-1]])


def _stretched(start: float, end: float, first: float) -> Floats:
    """Stations whose steps grow by an eighth from ``first`` on."""
    count = max(int(math.log1p(0.125 * (end - start) / first) / math.log(1.125)), 2)
    steps = 1.125 ** np.arange(count)
    return start + (end - start) * np.concatenate([[0.0], np.cumsum(steps) / steps.sum()])


def _checked(points: Floats, name: str, road_height: float | None) -> Complexes:
    points = np.asarray(points, float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 10 or not np.isfinite(points).all():
        raise InputError(f"{name} needs at least 10 points (x, z) that are numbers.")
    z = points[:, 0] + 1j * points[:, 1]
    if np.any(np.abs(np.diff(z)) <= 1e-12 * np.ptp(points[:, 0])):
        raise InputError(f"{name} has points that coincide; leave the doubles out.")
    if road_height is not None and np.min(z.imag) <= road_height:
        raise InputError(f"{name} reaches down to the road; raise it.")
    return z


def _check_apart(loops: list[Complexes]) -> None:
    for i, one in enumerate(loops):
        for j, other in enumerate(loops):
            if i != j and np.any(_within(one, other)):
                raise InputError(
                    f"Contour {j + 1} reaches into contour {i + 1} (a body's wake counts as its own); move them apart."
                )


def _within(loop: Complexes, at: Complexes) -> NDArray[np.bool_]:
    """Which points of ``at`` a closed loop winds round."""
    inner = (at.real > loop.real.min()) & (at.real < loop.real.max())
    inner &= (at.imag > loop.imag.min()) & (at.imag < loop.imag.max())
    out = np.zeros(len(at), bool)
    if inner.any():
        a, b = loop, np.roll(loop, -1)
        p = at[inner][:, None]
        spans = (a.imag > p.imag) != (b.imag > p.imag)
        with np.errstate(divide="ignore", invalid="ignore"):
            crossing = a.real + (p.imag - a.imag) * (b.real - a.real) / (b.imag - a.imag)
        out[inner] = np.sum(spans & (p.real < crossing), axis=1) % 2 == 1
    return out


def _edge_closed(z: Complexes) -> Complexes:
    """The contour with both ends drawn to the middle between them, less and less towards the nose."""
    middle = 0.5 * (z[0] + z[-1])
    nose = int(np.argmax(np.abs(z - middle)))
    chord = z[nose] - middle
    share = 1.0 - ((z - middle) / chord).real
    side = np.where(np.arange(len(z)) <= nose, z[0] - middle, z[-1] - middle)
    out = z - np.clip(share, 0.0, 1.0) * side
    out[0] = out[-1] = middle
    return out


def _panels(z: Complexes, at: Complexes, sources: bool, own: bool) -> tuple[Floats, Floats]:
    """Stream function at ``at`` for unit vorticity, counter-clockwise, at each point of ``z``, and for an even source.

    With t = x + iy the place seen from a panel's first end, x along it, the stream function of vorticity sums
    -log|t| / (2 pi) along the panel, that of a source arg t / (2 pi). Of the argument any branch serves that has no
    jump among ``at``: on the panel's ``own`` contour one that runs straight out of it, on any other the one that is
    followed from point to point. The constants between them are taken up by the contour's own.
    """
    step = np.diff(z)
    length = np.abs(step)
    cos, sin = step.real / length, step.imag / length
    out = np.zeros((len(at), len(z)))
    give = np.zeros((len(at), len(step) if sources else 0))
    # What is linear in the place comes from products, about the middle of the contour.
    middle = z.mean()
    start = z[:-1] - middle
    to_x = np.array([cos, sin, -(start.real * cos + start.imag * sin)])
    to_y = np.array([-sin, cos, start.real * sin - start.imag * cos])
    one = np.array([[0.0], [0.0], [1.0]])
    to_longer = length * (one * length - 2.0 * to_x)
    to_dip, to_half = -length * to_y, 0.5 * to_x + one * 0.25 * length
    places = np.stack([(at - middle).real, (at - middle).imag, np.ones(len(at))], axis=1)
    half, square, scale = 0.5 * length, 0.5 * length**2, 0.5 / np.pi
    seen = np.unwrap(np.angle(at - z[0]))[:, None]
    # In strips that stay in the cache.
    rows = max(_STRIP // len(z), 1)
    for first in range(0, len(at), rows):
        strip = slice(first, first + rows)
        place = places[strip]
        x, y, longer = place @ to_x, place @ to_y, place @ to_longer
        yy = y * y
        near = x * x
        near += yy
        far = near + longer
        if own:
            on = at[strip, None] == z
            near[on[:, :-1]], far[on[:, 1:]] = 1.0, 1.0
        # Logarithm of far over near distance squared, exact also where the panel is small and far away.
        grown = longer / near
        if own:
            grown[on[:, 1:]] = 0.0
        grown = np.log1p(grown, out=grown)
        if own:
            grown[on[:, 1:]] = np.broadcast_to(-2.0 * np.log(length), grown.shape)[on[:, 1:]]
            grown[on[:, :-1]] = 0.0
        longer *= 0.5
        longer += near
        longer -= square
        turn = np.arctan2(place @ to_dip, longer)
        dip = turn * y
        fallen = x * grown
        fallen *= -0.5
        spread = np.log(far, out=far)
        spread *= half
        # The sum of the logarithm along the panel, and that of the same times the place along it, by parts.
        moment = 0.5 * fallen
        moment -= dip
        moment *= x
        yy *= grown
        yy *= 0.25
        moment += yy
        moment /= length
        fallen -= dip
        fallen += spread
        fallen -= length
        spread *= 0.5
        moment += spread
        moment -= place @ to_half
        out[strip, 1:] = moment
        fallen -= moment
        out[strip, :-1] += fallen
        if sources:
            if own:
                ahead = np.arctan2(-x, y) + 0.5 * np.pi
                ahead[on[:, :-1]], turn[on[:, :-1]] = np.pi, 0.0
            else:
                # Seen from the first point, and then by what each panel turns the view.
                ahead = seen[strip] + turn - np.cumsum(turn, axis=1) - np.angle(step)
            ahead *= length
            ahead -= 0.5 * y * grown
            turn *= place @ to_x - length
            give[strip] = (ahead + turn) * scale
    out *= -scale
    return out, give
