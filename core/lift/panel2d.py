"""Sections and bodies in plane potential flow: vorticity, linear along each panel, on every contour.

The stream function has one value at all points of a contour, so that the air inside is at rest and
the vorticity is the speed along the outside. The air leaves each trailing edge smoothly: the two
ends carry opposite vorticity. A blunt edge is drawn to its middle first, evenly along the chord: the
dead air behind it is thin and fills the same room a little farther aft. The road is the mirror
image of everything over it.

A body has no sharp edge. Given the two points where the flow leaves it, its base between them is left out: the dead
air behind has one pressure, so that both points have the same speed, and the wake goes straight aft as a solid slab
of the base's height for ``WAKE_HEIGHTS`` times that height, then tapers. A real wake closes within a few heights and
its base sucks, so that the slab overstates the speed over the rear edge a little; free wakes need a search that may
not settle. Without such points a body has no circulation.

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
from ..sections.cut import Slicer
from ..sections.shape import SectionShape

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

WAKE_HEIGHTS = 6.0
"""Length of the slab behind a blunt rear over the base's height; twice as long moves the load of an element over the
rear by less than a percent."""
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
        pressure: (n,) pressure coefficients at the contour's points; on a body's base that of its edges.
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
            cp[:] = 1.0 - 0.5 * (g[0] ** 2 + g[kept - 1] ** 2)
            cp[(first + np.arange(kept)) % len(z)] = 1.0 - g[:kept] ** 2
        force = 1j * np.sum(0.5 * (cp + np.roll(cp, -1)) * (np.roll(z, -1) - z)) / wind
        out = cp[::-1] if self.flipped[number] else cp
        return SectionFlow(out, float(force.imag), float(force.real), float(np.ptp(z.real)))

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
            edges = self._edges[i]
            if edges is None:
                length = np.abs(np.roll(z, -1) - z)
                matrix[size + i, place] = (length + np.roll(length, 1)) / length.sum()
            else:
                matrix[size + i, [first, first + edges[1] - 1]] = 1.0
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
    the lowest cut counts, so that what hangs inside is left out; gaps are bridged straight. Where the lowest cut is
    above half of the body's height there is no floor: it is closed at ``FLOOR_M``. A body that ends in front
    higher than half its height is taken to be the rear of a car: it goes straight on and is rounded off.

    Raises:
        InputError: the plane does not cut the body, or what it cuts is no body (flat or on the road).
    """
    cuts = Slicer(body).cut(np.array([0.0, y, 0.0]), np.array([0.0, 1.0, 0.0]))
    pieces = [np.column_stack([-c.points[:, 0], c.points[:, 2]]) for c in cuts if len(c.points) > 1]
    if not pieces:
        raise InputError(f"The plane at y = {y:g} m does not cut the body; give a scan that has its middle.")
    x, top, bottom = _envelope(pieces, [c.closed for c in cuts if len(c.points) > 1])
    height = float(top.max() - min(bottom.min(), FLOOR_M))
    if height < 0.05 or x[-1] - x[0] < 0.2:
        raise InputError("The cut through the body is a sliver; give a scan of the body's middle.")
    floor = np.where(bottom > 0.5 * (top + min(FLOOR_M, float(bottom.min()))), np.nan, bottom)
    known = np.isfinite(floor)
    floor = np.interp(x, x[known], floor[known]) if known.sum() > 0.5 * len(x) else np.full(len(x), FLOOR_M)
    floor = np.clip(floor, min(FLOOR_M, 0.5 * float(top.min())), None)
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
    if len(every) < 10:
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
    angle = np.zeros((len(at), 0))
    if sources and not own:
        angle = np.angle(at[:, None] - z)
        angle[0] = np.unwrap(angle[0])
        angle = np.unwrap(angle, axis=0)
    lean = np.arctan2(sin, cos)
    # In strips that stay in the cache.
    rows = max(_STRIP // len(z), 1)
    for start in range(0, len(at), rows):
        strip = slice(start, start + rows)
        dx, dy = at.real[strip, None] - z.real, at.imag[strip, None] - z.imag
        square = dx * dx + dy * dy
        on = square == 0.0
        square[on] = 1.0
        a, b = dx[:, :-1], dy[:, :-1]
        x, y = a * cos + b * sin, b * cos - a * sin
        far_log = 0.5 * np.log(square[:, 1:])
        # Logarithm of near over far distance, exact also where the panel is small and far away.
        longer = length * (length - 2.0 * x)
        ratio = longer / square[:, :-1]
        last = on[:, 1:]
        ratio[last] = 0.0
        fall = -0.5 * np.log1p(ratio)
        fall[last] = np.broadcast_to(np.log(length), last.shape)[last]
        turn = np.arctan2(-length * y, x * (x - length) + y * y)
        whole = x * fall + length * (far_log - 1.0) - y * turn
        # The sum of the same times the place along the panel, from x log|t| by parts.
        moment = (0.5 * (x * x - y * y) * fall - x * y * turn) / length
        moment += 0.5 * (length * far_log - x) - 0.25 * length
        moment *= 0.5 / np.pi
        whole *= 0.5 / np.pi
        out[strip, :-1] = moment - whole
        out[strip, 1:] -= moment
        if sources:
            far = x - length
            if own:
                first, second = (np.arctan2(-part, y) + 0.5 * np.pi for part in (x, far))
            else:
                first, second = angle[strip, :-1] - lean, angle[strip, 1:] - lean
            give[strip] = (y * fall + x * first - far * second) / (2.0 * np.pi)
    return out, give
