"""Whether parts stay within the car's outline seen from above and below its roof line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh
from ..scan.topology import Ints, pieces
from ..units import to_mm

Floats = NDArray[np.float64]
_Number = TypeVar("_Number", np.float64, np.int32)

STEP_M = 0.001
"""Distance of the cuts square to the car that make the outline; corners between two cuts are met to half of it."""
ROAD_M = 0.050
"""Faces that lie lower are the road about the car, which scans often hold (common practice, no source)."""
NEEDLE_M = 0.010
"""What sticks out and is narrower than this is a fault of the scan, not the body."""
SPECK_M = 0.050
"""A loose piece of the scan smaller than this is no part of the body."""
SLIT_M = 0.150
"""A place where one side is missing over less than this and deeper than ``DEEP_M`` is a hole in the scan."""
DEEP_M = 0.030
_CUT = 0.45  # share of the box across the car that must face nothing for the scan to end in a cut
_RIM_M = 1e-6  # rounding of what lies on a part's own outline
_HALF = 0.2  # a side that reaches this share of the other side was not scanned
_SPECKS = 0.05  # more than this share of the faces in specks is a mesh whose faces do not share points


@dataclass(frozen=True)
class CarOutline:
    """The body's outline.

    Attributes:
        plan: (k, 2) m, x and y of the outline seen from above, closed, counter-clockwise, without gaps of the scan:
            from the rear along the right side, back along the left one; the last point joins the first.
        roof_m: m, height of the highest point of the body.
        note: what it rests on, such as a scan that ends before the roof's highest place; empty when nothing is amiss.
        cut: whether the front end is where the scan ends, not the car.
    """

    plan: Floats
    roof_m: float
    note: str
    cut: bool = False


@dataclass(frozen=True)
class OutlineCheck:
    """One part against the outline.

    Attributes:
        part: its name.
        beyond_rear_m, beyond_left_m, beyond_right_m, above_roof_m: m, how far it stands out; below or at zero by
            how much it stays within. Left and right are told at each point's own fore-aft place; behind the car,
            where it has no sides, against the widest place.
        outside: (n,) bool, which of the part's points lie outside the plan outline.
        farthest: (3,) m, the point that stands out most of the plan outline (or comes nearest to its edge).
        sentence: in words.
        out_m: m, how far ``farthest`` is from the plan outline's edge; below zero within.
    """

    part: str
    beyond_rear_m: float
    beyond_left_m: float
    beyond_right_m: float
    above_roof_m: float
    outside: NDArray[np.bool_]
    farthest: Floats
    sentence: str
    out_m: float = 0.0


def car_outline(body: TriMesh) -> CarOutline:
    """The outline of the body in vehicle axes, from all its triangles.

    The body is cut square to its length every ``STEP_M``; each cut counts from its rightmost to its leftmost point, so
    holes of the surface do not matter. The road is left out. Places without any surface are bridged. Needles, loose
    specks and slits are left out by opening and closing the sides along the car (J. Serra, "Image Analysis and
    Mathematical Morphology", 1982; from memory). The scan ends in a cut when its faces' areas, seen along the car, do
    not cancel, as they do on a body with both ends (divergence theorem).

    1.0 M triangles take about 0.4 s on one core.

    Raises:
        InputError: no faces above the road, or coordinates that are not numbers.
    """
    if not np.isfinite(body.points).all():
        raise InputError("The body has points whose coordinates are not numbers; export it again.")
    above = body.points[:, 2] > ROAD_M
    if not above[body.triangles].any():
        raise InputError(f"The body holds no faces above {to_mm(ROAD_M):.0f} mm over the road, so it has no outline.")
    points = body.points
    a, b, c = body.triangles.T
    triangles = _without_specks(TriMesh(points, body.triangles[above[a] | above[b] | above[c]]))
    # Along x for the sides and the roof, along y for the ends.
    lengthwise = _Cuts.of(points, triangles, 0)
    left, right, top = map(_bridged, lengthwise.farthest(1, 1.0, -1.0) + lengthwise.farthest(2, 1.0))
    crosswise = _Cuts.of(points, triangles, 1)
    x, rear, front = lengthwise.places, 0.0, 0.0
    if min(lengthwise.count, crosswise.count) > 2:
        behind, ahead = map(_bridged, crosswise.farthest(0, -1.0, 1.0))
        rear, front = -float(_opened(behind).max()), float(_opened(ahead).max())
    within = (x > rear) & (x < front)
    if within.sum() < 2:
        raise InputError("The body is only a few millimetres long or wide; its coordinates must be metres.")
    x, top = x[within], _opened(top[within])
    left, right = (_mended(_opened(side[within])) for side in (left, right))
    notes = []
    if min(left.max(), right.max()) < _HALF * max(left.max(), right.max()):
        left = right = np.maximum(left, right)
        notes.append("Only one half of the car was scanned; the other is taken as its mirror image.")
    roof = float(top.max())
    cut = _open_end(points, triangles, float(left.max() + right.max()), roof)
    if cut:
        notes.append("The scan ends before the car does: the front end of the outline is the cut.")
        if top[x > front - SLIT_M].max() > roof - NEEDLE_M:
            notes.append("The highest place lies at the cut, so the roof line may be higher.")
        # The border of a scan is ragged.
        whole = max(int(np.searchsorted(x, front - SLIT_M)), 1)
        left, right = (np.append(side[:whole], np.maximum(side[whole:], side[whole - 1])) for side in (left, right))
    x = np.concatenate([[rear], x, [front]])
    left, right = (np.concatenate([side[:1], side, side[-1:]]) for side in (left, right))
    plan = np.concatenate([np.column_stack([x, -right]), np.column_stack([x, left])[::-1]])
    return CarOutline(plan, roof, " ".join(notes), cut)


def check_outline(outline: CarOutline, parts: Sequence[tuple[str, TriMesh]]) -> tuple[OutlineCheck, ...]:
    """Each part against the outline, its faces as well as its points.

    What lies ahead of a cut is held against the width at the cut; the cut itself is no limit.

    Raises:
        InputError: a part without faces, or coordinates that are not numbers.
    """
    sides = _Sides.of(outline)
    return tuple(_checked(outline, sides, name, mesh) for name, mesh in parts)


@dataclass(frozen=True)
class _Sides:
    """The plan outline as two sides, ready to be asked.

    Attributes:
        x: (k,) m, rising; the first is the rear, the last the front.
        left, right: (k,) m, y of either side.
        border: over the outline's pieces at z = 0, without the cut.
    """

    x: Floats
    left: Floats
    right: Floats
    border: TriangleIndex

    @staticmethod
    def of(outline: CarOutline) -> _Sides:
        half = len(outline.plan) // 2
        x, right = outline.plan[:half].T
        left = outline.plan[: half - 1 : -1, 1]
        flat = np.column_stack([outline.plan, np.zeros(2 * half)])
        start = np.delete(np.arange(2 * half, dtype=np.int32), [half - 1] if outline.cut else [])
        end = (start + 1) % (2 * half)
        return _Sides(x, left, right, TriangleIndex.build(TriMesh(flat, np.column_stack([start, end, end]))))

    def beyond(self, points: Floats) -> tuple[Floats, Floats]:
        """(n,) m, how far ``points`` (n, 2) stand out to the left and to the right."""
        x, y = points.T
        behind = x < self.x[0]
        left = np.where(behind, self.left.max(), np.interp(x, self.x, self.left))
        right = np.where(behind, self.right.min(), np.interp(x, self.x, self.right))
        return y - left, right - y

    def outside(self, points: Floats, cut: bool) -> NDArray[np.bool_]:
        """(n,) which of ``points`` (n, 2) lie outside."""
        left, right = self.beyond(points)
        ahead = (points[:, 0] > self.x[-1]) & (not cut)
        return np.asarray((left > 0.0) | (right > 0.0) | (points[:, 0] < self.x[0]) | ahead)

    def out(self, points: Floats, outside: NDArray[np.bool_]) -> Floats:
        """(n,) m, distance of ``points`` (n, 2) from the outline's edge, negative within."""
        flat = np.column_stack([points, np.zeros(len(points))])
        return np.asarray(np.where(outside, 1.0, -1.0) * self.border.nearest(flat)[0])


def _checked(outline: CarOutline, sides: _Sides, name: str, mesh: TriMesh) -> OutlineCheck:
    if len(mesh.triangles) == 0:
        raise InputError(f"“{name}” holds no faces, so it cannot be held against the outline.")
    if not np.isfinite(mesh.points).all():
        raise InputError(f"“{name}” has points whose coordinates are not numbers.")
    # Between its points a long face may leave a waist of the outline: the part's own outline is held against the car's.
    used = np.unique(mesh.triangles)
    cuts = _Cuts.of(mesh.points, mesh.triangles, 0)
    most, least = cuts.farthest(1, 1.0, -1.0)
    met = np.flatnonzero(np.isfinite(most))
    rim = mesh.points[used]
    if len(met):
        x, y = rim[:, 0], rim[:, 1]
        start, end = cuts.places[met[[0, -1]]]
        over = (y > np.interp(x, cuts.places, _bridged(most)) - _RIM_M) | (x < start) | (x > end)
        used = used[over | (-y > np.interp(x, cuts.places, _bridged(least)) - _RIM_M)]
        at = np.concatenate([cuts.places[met]] * 2)
        rim = np.concatenate([mesh.points[used, :2], np.column_stack([at, np.append(most[met], -least[met])])])
    places = _flat(rim, sides, outline.cut)
    left, right = sides.beyond(places)
    out = sides.out(places, sides.outside(places, outline.cut))
    far = int(out.argmax())
    if far < len(used):
        farthest = mesh.points[used[far]]
    else:
        crossing = cuts.crossing(int(met[(far - len(used)) % len(met)]))
        farthest = crossing[np.abs(crossing[:, 1] - rim[far, 1]).argmin()]
    rear = float(sides.x[0] - rim[:, 0].min())
    above = float(mesh.points[mesh.triangles, 2].max() - outline.roof_m)
    beyond = {"behind the rearmost point of the body": rear, "beyond the left side": float(left.max()),
              "beyond the right side": float(right.max())}  # fmt: skip
    if out[far] > 0.0:
        ways = [f"{to_mm(by):.0f} mm {where}" for where, by in beyond.items() if by > 0.0]
        says = f"“{name}” stands up to {to_mm(out[far]):.0f} mm out of the outline seen from above"
        says += f" ({', '.join(ways)})" if ways else " (ahead of the body)"
    else:
        says = f"“{name}” lies within the outline seen from above, {to_mm(-out[far]):.0f} mm from its edge"
    says += f"; {to_mm(abs(above)):.0f} mm {'above' if above > 0.0 else 'below'} the roof."
    if outline.cut and rim[:, 0].max() > sides.x[-1]:
        says += " Some of it lies ahead of where the scan ends and is held against the width there."
    says = " ".join([says, outline.note, "A caution: local code decides."]).replace("  ", " ")
    return OutlineCheck(
        name, rear, beyond["beyond the left side"], beyond["beyond the right side"], above,
        sides.outside(_flat(mesh.points, sides, outline.cut), outline.cut), farthest, says, float(out[far])
    )  # fmt: skip


def _flat(points: Floats, sides: _Sides, cut: bool) -> Floats:
    """(n, 2) m, ``points`` seen from above; those ahead of a cut are moved back to it."""
    x = np.minimum(points[:, 0], sides.x[-1]) if cut else points[:, 0]
    return np.column_stack([x, points[:, 1]])


@dataclass(frozen=True)
class _Cuts:
    """A mesh cut across one axis at multiples of ``STEP_M``.

    Attributes:
        points: (n, 3) m; triangles: (m, 3).
        axis: 0 or 1, which the cuts stand square to.
        first: number of the first cut; ``count`` how many.
        low, high: (m,) numbers of the first and last cut through each triangle, of ``first`` on; low > high: none.
        runs: (2, m) places in a (levels, count) table of two runs of cuts that make up a triangle's: level k has runs
            of 2 to the k cuts, by their first one; -1 where no cut meets it.
    """

    points: Floats
    triangles: Ints
    axis: int
    first: int
    count: int
    low: Ints
    high: Ints
    runs: Ints

    @staticmethod
    def of(points: Floats, triangles: Ints, axis: int) -> _Cuts:
        place = points[:, axis] * (1.0 / STEP_M)
        low, _ = _ends(np.ceil(place).astype(np.int32), triangles)
        _, high = _ends(np.floor(place).astype(np.int32), triangles)
        first = int(low.min())
        count = max(int(high.max()) - first + 1, 0)
        low, high = low - np.int32(first), high - np.int32(first)
        level = np.frexp(np.maximum(high - low + 1, 1).astype(np.float32))[1] - np.int32(1)
        runs = np.stack([low, high + np.int32(1) - (np.int32(1) << level)]) + level * np.int32(count)
        return _Cuts(points, triangles, axis, first, count, low, high, np.where(low <= high, runs, np.int32(-1)))

    @property
    def places(self) -> Floats:
        """(count,) m, where the cuts are."""
        return np.asarray(STEP_M * (self.first + np.arange(self.count)), np.float64)

    def farthest(self, axis: int, *signs: float) -> list[Floats]:
        """For each sign (count,) m, the largest of it times coordinate ``axis`` in each cut; -inf where it is empty."""
        low, high = _ends(self.points[:, axis], self.triangles)
        profiles = []
        for sign in signs:
            bottom, top = (low, high) if sign > 0.0 else (-high, -low)
            found = np.full(self.count, -np.inf)
            a, b, share, cut = self._edges(self._in_question(bottom, top))
            value = self.points[:, axis]
            np.maximum.at(found, cut, sign * (value[a] + share * (value[b] - value[a])))
            profiles.append(found)
        return profiles

    def crossing(self, cut: int) -> Floats:
        """(k, 3) m, where edges of triangles meet cut number ``cut``."""
        a, b, share, number = self._edges((self.low <= cut) & (cut <= self.high))
        here = number == cut
        a, b, share = a[here], b[here], share[here]
        return np.asarray(self.points[a] + share[:, None] * (self.points[b] - self.points[a]))

    def _in_question(self, bottom: Floats, top: Floats) -> NDArray[np.bool_]:
        """(m,) which triangles may be the farthest of a cut, by the least and largest value of each.

        All of a triangle lies above its bottom, so that its cuts reach at least that high; one whose top is lower in
        all its cuts is out. (A sparse table, filled and read; from memory.)
        """
        met = self.runs[0] >= 0
        if self.count == 0:
            return met
        rows = int(self.runs.max(initial=0)) // max(self.count, 1) + 1
        reach = np.full((rows, self.count), -np.inf)
        for run in self.runs:
            np.maximum.at(reach.ravel(), run[met], bottom[met])
        for k in range(rows - 1, 0, -1):
            half = 1 << (k - 1)
            np.maximum(reach[k - 1], reach[k], out=reach[k - 1])
            np.maximum(reach[k - 1, half:], reach[k, :-half], out=reach[k - 1, half:])
        for k in range(1, rows):
            half = 1 << (k - 1)
            reach[k] = reach[k - 1]
            np.minimum(reach[k, :-half], reach[k - 1, half:], out=reach[k, :-half])
        least = np.minimum(reach.ravel()[self.runs[0]], reach.ravel()[self.runs[1]])
        return np.asarray(met & (top >= least))

    def _edges(self, which: NDArray[np.bool_]) -> tuple[Ints, Ints, Floats, Ints]:
        """Each edge of triangles ``which`` and each cut it meets: its two points, how far along, and the cut."""
        tri = self.triangles[which & (self.low <= self.high)]
        a, b = tri.ravel(), tri[:, [1, 2, 0]].ravel()
        pa, pb = self.points[a, self.axis] / STEP_M - self.first, self.points[b, self.axis] / STEP_M - self.first
        low, high = np.ceil(np.minimum(pa, pb)), np.floor(np.maximum(pa, pb))
        times = np.maximum(high - low + 1, 0).astype(np.intp)
        edge = np.repeat(np.arange(len(a)), times)
        cut = low[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(times) - times, times)
        run = (pb - pa)[edge]
        share = np.clip((cut - pa[edge]) / np.where(run == 0.0, 1.0, run), 0.0, 1.0)
        # An edge that lies in a cut gives both its ends, as one end of its neighbours.
        return a[edge], b[edge], share, np.clip(cut, 0, self.count - 1).astype(np.int32)


def _ends(value: NDArray[_Number], triangles: Ints) -> tuple[NDArray[_Number], NDArray[_Number]]:
    """(m,) least and largest of ``value`` (n,) at the corners of each triangle."""
    a, b, c = (value[corner] for corner in triangles.T)
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _without_specks(body: TriMesh) -> Ints:
    """The triangles of all pieces larger than a speck; all where faces share no points."""
    number = pieces(body.triangles, len(body.points))
    loose = np.flatnonzero(number != np.bincount(number).argmax())
    if len(loose) == 0:
        return body.triangles
    number, triangles = number[loose], body.triangles[loose]
    small = np.ones(int(number.max()) + 1, bool)
    for value in body.points.T:
        low, high = np.full(len(small), np.inf), np.full(len(small), -np.inf)
        least, most = _ends(value, triangles)
        np.minimum.at(low, number, least)
        np.maximum.at(high, number, most)
        small &= high - low < SPECK_M
    specks = loose[small[number]]
    if len(specks) > _SPECKS * len(body.triangles):
        return body.triangles
    return np.delete(body.triangles, specks, axis=0)


def _bridged(profile: Floats) -> Floats:
    """``profile`` with straight lines over what is empty."""
    met = np.isfinite(profile)
    return np.interp(np.arange(len(profile)), np.flatnonzero(met), profile[met]) if met.any() else profile


def _opened(profile: Floats) -> Floats:
    """``profile`` without what stands out and is narrower than ``NEEDLE_M``; slopes towards the ends stay."""
    wide = min(round(NEEDLE_M / STEP_M), len(profile))
    return _slid(np.max, np.pad(_slid(np.min, profile, wide), wide - 1, constant_values=-np.inf), wide)


def _mended(profile: Floats) -> Floats:
    """``profile`` with slits filled up to their lower bank."""
    wide = round(SLIT_M / STEP_M)
    closed = _slid(np.min, _slid(np.max, np.pad(profile, wide - 1, constant_values=-np.inf), wide), wide)
    depth = closed - profile
    # A slit whole, with its ragged banks, or not at all.
    start = np.flatnonzero(np.diff(depth > STEP_M, prepend=False) | (np.arange(len(depth)) == 0))
    deepest = np.repeat(np.maximum.reduceat(depth, start), np.diff(start, append=len(depth)))
    return np.where(deepest > DEEP_M, closed, profile)


def _slid(choose: Callable[..., Floats], profile: Floats, wide: int) -> Floats:
    return choose(sliding_window_view(profile, wide), axis=1)


def _open_end(points: Floats, triangles: Ints, width: float, roof: float) -> bool:
    """Whether one end of the body is missing."""
    _, y, z = points.T
    a, b, c = triangles.T
    facing = 0.5 * float(((y[b] - y[a]) * (z[c] - z[a]) - (z[b] - z[a]) * (y[c] - y[a])).sum())
    return abs(facing) > _CUT * width * (roof - float(z[triangles].min()))
