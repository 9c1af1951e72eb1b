"""One search structure over a body's triangles, built once and asked by every step that needs the nearest surface.

A forest of boxes over the triangles, one tree a label, so that the nearest triangle of each zone comes from one pass.
Boxes are float32 rounded outward; distances are float64. Points go down the forest together as long as few triangles
are near to all of them, in chunks of whole-array operations; two indices are walked against each other by ``facing``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .facing import Approach, crossing_pairs, facing_pairs, nearer_labels, nearest_pairs
from .forest import Forest, along_curve, changes, outward, rank, upward
from .mesh import TriMesh, is_rigid
from .pairs import closest_on_triangles
from .slabs import point_squares, slabs_moved, slabs_over

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Slots = NDArray[np.intp]

CHUNK = 4096
"""Groups of boxes opened at once, so that a core's cache holds them."""
CROWD = 12
"""Neighbouring points that are searched for together where they are dense: more share more, but see more triangles."""
_DENSE = 1.0  # a crowd stays together where what may be near to it is no wider than so many triangles
_FEW = 40 * CROWD  # so few points are searched for singly


@dataclass(frozen=True)
class TriangleIndex:
    """A body's triangles ready to be searched; plain arrays, never changed once built.

    Attributes:
        forest: boxes over the triangles, one tree a label.
        corners: (9, slots) float64 m: x, y, z of the three corners of the triangle in each lowest slot.
        slabs: (8, slots above the lowest level) float32: a flat round can about all triangles below the slot, as
            centre, unit normal, half height and radius, m; without a normal it is a ball. Far from a slanting
            surface it holds much tighter than a box.
        samples: (3, slots above the lowest level) float32 m, a point of the surface below the slot.
    """

    forest: Forest
    corners: Floats
    slabs: NDArray[np.float32]
    samples: NDArray[np.float32]

    @staticmethod
    def build(mesh: TriMesh, labels: Ints | None = None) -> TriangleIndex:
        """Index ``mesh``; 1.0 M triangles take about 0.5 s on one core and 110 MB.

        Args:
            mesh: any triangles, open, crossing or without area.
            labels: (m,) integers from -1 up, such as the zone of each face; all 0 when None.

        Raises:
            InputError: no triangles, coordinates that are not numbers, or labels that do not fit the triangles.
        """
        if labels is not None and (len(labels) != len(mesh.triangles) or labels.min(initial=-1) < -1):
            raise InputError(f"{len(labels)} labels from -1 up must stand for {len(mesh.triangles)} faces, one each.")
        if len(mesh.triangles) == 0:
            raise InputError("The mesh to search holds no faces, so nothing can be near it.")
        if not np.isfinite(mesh.points).all():
            raise InputError("The mesh to search has points whose coordinates are not numbers; export it again.")
        points = np.ascontiguousarray(mesh.points.T)
        outward_low, outward_high = outward(points)
        by_corner = np.ascontiguousarray(mesh.triangles.T)
        low = _fold(np.minimum, [outward_low.take(k, axis=1) for k in by_corner])
        high = _fold(np.maximum, [outward_high.take(k, axis=1) for k in by_corner])
        forest = Forest.over(low, high, labels).raised(2)
        face = forest.below[: 8 * forest.leaves]
        # Empty slots hold what the first of their group holds, so that no bound need leave them out.
        face = np.where(face >= 0, face, np.repeat(face[::8], 8))
        corner_points = by_corner.take(face, axis=1)
        corners = np.empty((9, len(face)))
        for k in range(3):
            points.take(corner_points[k], axis=1, out=corners[3 * k : 3 * k + 3], mode="clip")
        return TriangleIndex(forest, corners, slabs_over(forest, corners), _samples(forest, corners))

    def moved(self, matrix: Floats) -> TriangleIndex:
        """The same triangles moved by a rigid (4, 4) ``matrix``, without sorting them anew: some 5 ms for 20 k.

        Raises:
            InputError: a matrix that stretches, shears or mirrors, or holds no numbers.
        """
        matrix = np.asarray(matrix, np.float64)
        if not is_rigid(matrix):
            raise InputError(
                "A part can only be moved and turned, not stretched or mirrored; apply its scale to its mesh first."
            )
        place = self.corners.reshape(3, 3, -1)
        corners = np.empty_like(place)
        for k in range(3):
            corners[k] = matrix[:3, :3] @ place[k] + matrix[:3, 3:]
        forest = self.forest.refitted(outward(corners.min(axis=0))[0], outward(corners.max(axis=0))[1])
        flat = corners.reshape(9, -1)
        return TriangleIndex(forest, flat, slabs_moved(self.slabs, matrix, forest), _samples(forest, flat))

    def nearest(
        self, points: Floats, reach_m: float = np.inf, labelled_only: bool = False
    ) -> tuple[Floats, Ints, Floats]:
        """The nearest triangle to each point, in any order.

        Points denser than the triangles cost a fraction of sparse ones. The search takes some 150 bytes a point beyond
        the answers and 20 MB.

        Args:
            points: (n, 3) m.
            reach_m: look no farther.
            labelled_only: leave out triangles with label -1.

        Returns:
            (n,) m distance, inf where nothing is within reach; (n,) int32 triangle, -1 there;
            (n, 3) m the nearest point of that triangle, NaN there.

        Raises:
            InputError: coordinates that are not numbers, or no triangle to be near to.
        """
        points = np.asarray(points, np.float64)
        if not np.isfinite(points).all():
            raise InputError("Points to find the nearest surface for must have numbers as coordinates.")
        distance, face = np.full(len(points), np.inf), np.full(len(points), -1, np.int32)
        foot = np.full(points.shape, np.nan)
        roots = self._roots(labelled_only)
        if len(points) == 0:
            return distance, face, foot
        order = along_curve(*outward(np.ascontiguousarray(points.T)), None)[0]
        place = np.ascontiguousarray(points.T).take(order, axis=1)
        size = max(float(np.abs(place).max()), float(np.abs(self.samples).max()))
        sought = _Sought.at(place, np.full(len(points), float(reach_m)), 2.0**-22 * size)
        self._search(sought, roots)
        best = sought.best[: len(points)]
        hit = np.flatnonzero(best >= 0)
        for part in _parts(len(hit), 4 * CHUNK):
            number, slot = order[hit[part]], best[hit[part]]
            face[number] = self.forest.below[slot]
            foot[number] = closest_on_triangles(points[number], self.triangles(slot))
            distance[number] = np.linalg.norm(points[number] - foot[number], axis=1)
        return distance, face, foot

    def crossings(self, other: TriangleIndex) -> tuple[Ints, Ints, Ints]:
        """All pairs of a triangle of ``other`` and a triangle of this body, not labelled -1, that cross or touch.

        Returns:
            (k,) int32 triangles of ``other``; (k,) int32 triangles of the body; (k,) int32 labels of the latter.

        Raises:
            InputError: no face of the body has a label.
        """
        return crossing_pairs(other, self, self._reaches(0.0))[:3]

    def approaches(
        self, other: TriangleIndex, reach_m: float | Floats = np.inf, known: Mapping[int, Approach] | None = None
    ) -> dict[int, Approach]:
        """The nearest approach of ``other``'s triangles to each label of this body but -1, exact over all pairs.

        Args:
            other: what comes near.
            reach_m: look no farther; a label beyond it gets a distance of inf. One for all labels or (labels,) one each
                from label 0 on, below zero where the label is not to be looked at.
            known: answers that are known, such as those of labels that are crossed; they are handed on as they are.

        Raises:
            InputError: no face of the body has a label.
        """
        found = nearest_pairs(other, self, self._reaches(reach_m), dict(known or {}))
        nothing = Approach(np.inf, np.full(3, np.nan), np.full(3, np.nan))
        return {int(k): found.get(int(k), nothing) for k in self.forest.root_labels if k >= 0}

    def meets(self, other: TriangleIndex) -> tuple[Ints, Ints, Ints, dict[int, Approach]]:
        """``crossings`` and ``approaches`` in one: labels that are crossed are not looked at twice."""
        theirs, ours, label, touched = crossing_pairs(other, self, self._reaches(0.0))
        return theirs, ours, label, self.approaches(other, known=touched)

    def nearer(self, other: TriangleIndex, limit_m: float | Floats) -> set[int]:
        """The labels that ``other`` crosses, touches or is nearer to than a limit, without finding how near.

        Args:
            other: what comes near.
            limit_m: as ``reach_m`` in ``approaches``.

        Raises:
            InputError: no face of the body has a label.
        """
        return nearer_labels(other, self, self._reaches(limit_m))

    def near_pairs(self, other: TriangleIndex, reach_m: float | Floats) -> Iterator[tuple[Ints, Slots, Ints, Floats]]:
        """All pairs of triangles that may be within a reach, as in ``approaches``, for what is to be done with each.

        Yields:
            (n,) int32 triangles of ``other``; (n,) the slots of this body's (columns of ``corners``);
            (n,) int32 labels of the latter; (n,) m, the least distance the two may have.
        """
        for theirs, ours, square in facing_pairs(other, self, self._reaches(reach_m)):
            yield other.forest.below[theirs], ours, self.forest.label[ours >> 3], np.sqrt(square.astype(np.float64))

    def _reaches(self, reach_m: float | Floats) -> Floats:
        """(labels,) m."""
        self._roots(True)
        return np.broadcast_to(np.asarray(reach_m, np.float64), (int(self.forest.root_labels.max()) + 1,)).copy()

    def _roots(self, labelled_only: bool) -> Ints:
        roots = self.forest.roots
        if labelled_only:
            roots = roots[self.forest.root_labels >= 0]
        if len(roots) == 0:
            raise InputError("No face of the body belongs to a zone, so there is nothing to keep clear of.")
        return roots

    def triangles(self, slot: Slots) -> Floats:
        """(n, 3, 3) corners."""
        return self.corners.take(slot, axis=1).T.reshape(-1, 3, 3)

    def _search(self, sought: _Sought, roots: Ints) -> None:
        """Find the nearest triangle of the trees ``roots`` to each point.

        What is nearest to a crowd's middle, found in the same way, is near to all of it. A crowd goes on together where
        only a few triangles can be nearest to any of it, as on a dense scan; a wide one parts into single points.
        """
        if len(sought.square) <= _FEW:
            self._singly(sought, np.arange(len(sought.square)), roots)
            return
        crowd = _Crowds.of(sought)
        rows = len(crowd.radius)
        reach = crowd.reach(np.arange(rows))
        # Far wider than the search: its middle tells nothing.
        wide = 2.0 * crowd.radius > reach
        lead = _Sought.at(crowd.middle, np.where(wide, 0.0, reach), sought.slack)
        self._search(lead, roots)
        found = np.flatnonzero((lead.best[:rows] >= 0) & ~wide)
        slot = lead.best[found]
        for part in _parts(len(found), CHUNK):
            self._improve(sought, CROWD, found[part], slot[part])
        # As on a plane: what may be nearest lies in a disc about the foot of the middle.
        disc = crowd.reach(found) ** 2 - lead.square[found]
        box = self.forest.boxes.reshape(6, -1).take(slot, axis=1)
        dense = disc < _DENSE * ((box[3:] - box[:3]) ** 2).sum(axis=0)
        self._together(sought, crowd, found[dense], roots)
        wide[found[~dense]] = True
        self._singly(sought, (CROWD * np.flatnonzero(wide)[:, None] + np.arange(CROWD)).ravel(), roots)

    def _improve(self, sought: _Sought, size: int, row: Slots, slot: Slots) -> None:
        """Compare each ``row`` of ``size`` points with a triangle each; equal rows stand together."""
        corners = self.corners.take(slot, axis=1)[:, None]
        place = sought.place.reshape(3, -1, size).take(row, axis=1)
        found = np.ascontiguousarray(_squares(np.ascontiguousarray(place.transpose(0, 2, 1)), corners).T)
        winner = _first_of_runs(found, np.flatnonzero(changes(row)))
        row, slot, found = row[winner[:, 0]], slot[winner], np.take_along_axis(found, winner, axis=0)
        square, best = sought.square.reshape(-1, size), sought.best.reshape(-1, size)
        better = found <= square[row]
        square[row] = np.where(better, found, square[row])
        best[row] = np.where(better, slot, best[row])

    def _together(self, sought: _Sought, crowd: _Crowds, row: Slots, roots: Ints) -> None:
        """Crowds ``row`` against all triangles that may be nearest to one of theirs, in chunks as ``_singly``."""
        body = self.forest
        waiting = [(body.height, np.repeat(row, len(roots)), np.tile(roots, len(row)))]
        while waiting:
            level, row, group = waiting.pop()
            if len(row) > 4 * CHUNK:
                waiting.append((level, row[4 * CHUNK :], group[4 * CHUNK :]))
                row, group = row[: 4 * CHUNK], group[: 4 * CHUNK]
            reach = crowd.reach(row)
            box_square = _box_squares(crowd.rounded.take(row, axis=1), _opened(body, group))
            keep = np.flatnonzero(box_square <= upward(reach**2)[:, None])
            row, reach = row[keep >> 3], reach[keep >> 3]
            slot = 8 * group[keep >> 3].astype(np.intp) + (keep & 7)
            if level > 1:
                slab = self.slabs.take(slot - 8 * body.leaves, axis=1)
                near = point_squares(crowd.rounded.take(row, axis=1), slab) <= upward(reach**2)
                waiting.append((level - 1, row[near], body.below[slot[near]]))
                continue
            near = _squares(crowd.middle.take(row, axis=1), self.corners.take(slot, axis=1)) <= reach**2
            row, slot = row[near], slot[near]
            for part in _parts(len(row), CHUNK // 4):
                self._improve(sought, CROWD, row[part], slot[part])

    def _singly(self, sought: _Sought, number: Slots, roots: Ints) -> None:
        """Points ``number`` against all triangles that may be nearest; at most ``height`` times 32 ``CHUNK`` wait."""
        body = self.forest
        for part in _parts(len(number), CHUNK):
            point = np.repeat(number[part], len(roots))
            group = np.tile(roots, len(number[part]))
            waiting = [(body.height, point, group, np.zeros(len(point), np.float32))]
            while waiting:
                level, point, group, near = waiting.pop()
                if len(point) > 4 * CHUNK:
                    waiting.append((level, point[4 * CHUNK :], group[4 * CHUNK :], near[4 * CHUNK :]))
                    point, group, near = point[: 4 * CHUNK], group[: 4 * CHUNK], near[: 4 * CHUNK]
                if level == 1:
                    self._among(sought, point, group, near)
                    continue
                box_square = _box_squares(sought.rounded.take(point, axis=1), _opened(body, group))
                keep = np.flatnonzero(box_square <= sought.limit(point)[:, None])
                if len(keep) == 0:
                    continue
                point, slot = point[keep >> 3], 8 * group[keep >> 3].astype(np.intp) + (keep & 7)
                high, here = slot - 8 * body.leaves, sought.rounded.take(point, axis=1)
                x, y, z = here - self.samples.take(high, axis=1)
                start = np.flatnonzero(changes(point))
                least = np.minimum.reduceat(x * x + y * y + z * z, start).astype(np.float64)
                once = point[start]
                bound = (np.sqrt(least) * (1.0 + 1e-6) + sought.slack) ** 2
                sought.square[once] = np.minimum(sought.square[once], bound)
                near = np.maximum(box_square.ravel()[keep], point_squares(here, self.slabs.take(high, axis=1)))
                tight = near <= sought.limit(point)
                waiting.append((level - 1, point[tight], body.below[slot[tight]], near[tight]))

    def _among(self, sought: _Sought, point: Slots, group: Ints, near: NDArray[np.float32]) -> None:
        """Points against the triangles of lowest groups that are ``near`` (squared) at least.

        The nearest groups come one by one while that pays, then all that are still in question.
        """
        order = np.argsort((point.astype(np.uint64) << np.uint64(32)) | near.view(np.uint32))
        point, group, near = point[order], group[order], near[order]
        share = 1
        while len(point):
            now = rank(point) < share
            for part in _parts(int(now.sum()), CHUNK):
                row, eight = point[now][part], group[now][part]
                box_square = _box_squares(sought.rounded.take(row, axis=1), _opened(self.forest, eight))
                keep = np.flatnonzero(box_square <= sought.limit(row)[:, None])
                if len(keep):
                    self._improve(sought, 1, row[keep >> 3], 8 * eight[keep >> 3].astype(np.intp) + (keep & 7))
            later = np.flatnonzero(~now & (near <= sought.limit(point)))
            point, group, near = point[later], group[later], near[later]
            share *= 4


@dataclass(frozen=True)
class _Sought:
    """Points along a curve, a full number of crowds, and what is nearest to them so far; the search writes the latter.

    Attributes:
        place: (3, n) m.
        rounded: (3, n) float32, compared with the boxes.
        square: (n,) m2, squared distance that the nearest triangle has at most.
        best: (n,) the lowest slot of that triangle, -1 when none is known.
        slack: m, what rounding may take from a distance.
    """

    place: Floats
    rounded: NDArray[np.float32]
    square: Floats
    best: Slots
    slack: float

    @staticmethod
    def at(place: Floats, reach: Floats, slack: float) -> _Sought:
        """Nothing known yet about points ``place`` (3, n) but how far (n,) to look; the last one fills the crowds."""
        count = len(reach)
        filled = np.minimum(np.arange(-(-count // CROWD) * CROWD), count - 1)
        place = place.take(filled, axis=1)
        return _Sought(place, place.astype(np.float32), reach[filled] ** 2, np.full(len(filled), -1, np.intp), slack)

    def limit(self, point: Slots) -> NDArray[np.float32]:
        """Squared distance of boxes to rounded points beyond which nothing is nearer."""
        return upward((np.sqrt(self.square[point]) + self.slack) ** 2)


@dataclass(frozen=True)
class _Crowds:
    """Crowds of points.

    Attributes:
        sought: the points.
        middle: (3, rows) m; ``rounded`` the same in float32.
        off: (rows, CROWD) m, each point's distance from the middle.
        radius: (rows,) m, the largest of them.
    """

    sought: _Sought
    middle: Floats
    rounded: NDArray[np.float32]
    off: Floats
    radius: Floats

    @staticmethod
    def of(sought: _Sought) -> _Crowds:
        place = sought.place.reshape(3, -1, CROWD)
        middle = 0.5 * (place.min(axis=2) + place.max(axis=2))
        off = np.zeros(place.shape[1:])
        for k in range(3):
            off += (place[k] - middle[k, :, None]) ** 2
        np.sqrt(off, out=off)
        return _Crowds(sought, middle, middle.astype(np.float32), off, off.max(axis=1))

    def reach(self, row: Slots) -> Floats:
        """(n,) m, how far from its middle what is nearest to one of a crowd's points may lie; equal rows together."""
        fresh = changes(row)
        once = row[fresh]
        reach = (np.sqrt(self.sought.square.reshape(-1, CROWD)[once]) + self.off[once]).max(axis=1, initial=0.0)
        return (reach + self.sought.slack)[np.cumsum(fresh) - 1]


def _opened(forest: Forest, group: Ints) -> NDArray[np.float32]:
    """(6, 8, n) the boxes of each group; groups innermost, so that operations run over long rows."""
    return np.ascontiguousarray(forest.boxes.take(group, axis=1).transpose(0, 2, 1))


def _box_squares(place: NDArray[np.float32], box: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n, 8) squared distance of points (3, n) to boxes (6, 8, n)."""
    total = np.zeros((), np.float32)
    for k in range(3):
        gap = np.maximum(box[k] - place[k], place[k] - box[k + 3])
        np.maximum(gap, 0.0, out=gap)
        gap *= gap
        total = gap if k == 0 else np.add(total, gap, out=total)
    return np.ascontiguousarray(total.T)


def _samples(forest: Forest, corners: Floats) -> NDArray[np.float32]:
    """A corner of the middlemost triangle below each slot above the lowest level."""
    eight = forest.below.reshape(-1, 8)
    slot = 8 * np.arange(len(eight)) + (eight >= 0).sum(axis=1) // 2
    # The middle slot of each group; from the top down the middles lead to a lowest slot.
    start = 8 * forest.leaves
    down = np.where(forest.below[start:] >= 0, np.arange(start, len(forest.below)), 0)
    for _ in range(forest.height - 1):
        high = down >= start
        down[high] = slot[forest.below[down[high]]]
    return corners[:3].take(down, axis=1).astype(np.float32)


def _squares(p: Floats, corner: Floats) -> Floats:
    """Squared distance of points (3, ...) to triangles (9, ...), by the triangle's inner products alone.

    Good to a rounding of the squared distance to the first corner: enough to choose the triangle.
    """
    ux, uy, uz = corner[3] - corner[0], corner[4] - corner[1], corner[5] - corner[2]
    vx, vy, vz = corner[6] - corner[0], corner[7] - corner[1], corner[8] - corner[2]
    dx, dy, dz = p[0] - corner[0], p[1] - corner[1], p[2] - corner[2]
    uu, vv, uv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, ux * vx + uy * vy + uz * vz
    du, dv = ux * dx + uy * dy + uz * dz, vx * dx + vy * dy + vz * dz
    dd = dx * dx + dy * dy + dz * dz
    ww, dw = uu + vv - 2.0 * uv, dv - du + uu - uv
    tiny = np.finfo(float).tiny
    s = np.clip(du / np.maximum(uu, tiny), 0.0, 1.0)
    edge = s * (s * uu - 2.0 * du)
    s = np.clip(dv / np.maximum(vv, tiny), 0.0, 1.0)
    np.minimum(edge, s * (s * vv - 2.0 * dv), out=edge)
    s = np.clip(dw / np.maximum(ww, tiny), 0.0, 1.0)
    np.minimum(edge, uu - 2.0 * du + s * (s * ww - 2.0 * dw), out=edge)
    area = uu * vv - uv * uv
    s, t = vv * du - uv * dv, uu * dv - uv * du
    face = -(s * du + t * dv) / np.maximum(area, tiny)
    inside = (s >= 0.0) & (t >= 0.0) & (s + t <= area) & (area > 1e-10 * uu * vv)
    return np.maximum(dd + np.where(inside, face, edge), 0.0)


def _first_of_runs(value: Floats, start: Slots) -> Slots:
    """(runs, k) where the least value (n, k) of each run first stands; ``start`` is where the runs begin."""
    least = np.minimum.reduceat(value, start)
    here = value == np.repeat(least, np.diff(start, append=len(value)), axis=0)
    return np.asarray(np.minimum.reduceat(np.where(here, np.arange(len(value))[:, None], len(value)), start))


def _fold(choose: np.ufunc, arrays: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    first, second, third = arrays
    return np.asarray(choose(choose(first, second, out=second), third, out=third))


def _parts(count: int, size: int) -> Iterator[slice]:
    for start in range(0, count, size):
        yield slice(start, min(start + size, count))
