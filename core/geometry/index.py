"""One search structure over a body's triangles, built once and asked by every step that needs the nearest surface.

A forest of boxes, eight to a group, over triangles along a Hilbert curve, on which neighbours lie side by side (D.
Hilbert, 1891; for boxes I. Kamel and C. Faloutsos, "On Packing R-trees", CIKM 1993; from memory): one tree a label, so
that the nearest triangle of each zone comes from one pass. Boxes are float32 rounded outward; distances are float64.
Points go down the forest together as long as few triangles are near to all of them, and two forests are walked against
each other, level by level, in chunks of whole-array operations.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .mesh import TriMesh
from .pairs import closest_between_triangles, closest_on_triangles, triangles_meet

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Slots = NDArray[np.intp]

CHUNK = 2048
"""Pairs of groups opened at once: 64 boxes each, some 0.5 MB an operand, so that a core's cache holds them."""
CROWD = 12
"""Neighbouring points that are searched for together where they are dense: more share more, but see more triangles."""
_DENSE = 1.0  # a crowd stays together where what may be near to it is no wider than so many triangles
_FEW = 40 * CROWD  # so few points are searched for singly
_FINITE = np.float32(np.finfo(np.float32).max)
_BEAM = 48  # half of it was too few to find all of several crossings at once


@dataclass(frozen=True)
class Forest:
    """Boxes in groups of eight. Slot ``8 g + i`` is box ``i`` of group ``g``.

    Attributes:
        boxes: (6, g, 8) float32 m, low x, y, z then high x, y, z; empty slots are inside out.
        below: (8 g,) int32; on the lowest level the item's number, above it the group inside the box; -1 when empty.
        leaves: how many groups, the first ones, form the lowest level.
        height: number of levels.
        roots: (k,) int32, the one group at the top of each label's tree.
        root_labels: (k,) int32.
        label: (g,) int32 label of each group.
    """

    boxes: NDArray[np.float32]
    below: Ints
    leaves: int
    height: int
    roots: Ints
    root_labels: Ints
    label: Ints

    @staticmethod
    def over(low: NDArray[np.float32], high: NDArray[np.float32], label: Ints | None = None) -> Forest:
        """The forest over boxes ``low``, ``high`` (3, m) with a label (m,) each."""
        count = low.shape[1]
        order, sizes, names = _ordered(low, high, label)
        below = order.astype(np.int32)
        boxes = np.concatenate([low, high]).take(order, axis=1)
        levels: list[tuple[NDArray[np.float32], Ints, Ints]] = []
        made = 0
        while True:
            groups = -(-sizes // 8)
            first = np.concatenate([[0], np.cumsum(groups)])
            skip = np.repeat(8 * first[:-1] - np.concatenate([[0], np.cumsum(sizes)[:-1]]), sizes)
            slot = np.arange(count) + skip
            total = int(first[-1])
            padded = np.empty((6, 8 * total), np.float32)
            padded[:3], padded[3:] = np.inf, -np.inf
            padded[:, slot] = boxes
            inside = np.full(8 * total, -1, np.int32)
            inside[slot] = below
            eight = padded.reshape(6, total, 8)
            levels.append((eight, inside, np.repeat(names, groups).astype(np.int32)))
            below = np.arange(made, made + total, dtype=np.int32)
            if (groups == 1).all():
                break
            # Halving thrice over whole slices is several times faster than a reduction over eight.
            half_low = np.minimum(eight[:3, :, :4], eight[:3, :, 4:])
            half_high = np.maximum(eight[3:, :, :4], eight[3:, :, 4:])
            half_low = np.minimum(half_low[:, :, :2], half_low[:, :, 2:])
            half_high = np.maximum(half_high[:, :, :2], half_high[:, :, 2:])
            boxes = np.concatenate(
                [np.minimum(half_low[:, :, 0], half_low[:, :, 1]), np.maximum(half_high[:, :, 0], half_high[:, :, 1])]
            )
            made += total
            sizes, count = groups, total
        return Forest(
            boxes=np.concatenate([v[0] for v in levels], axis=1),
            below=np.concatenate([v[1] for v in levels]),
            leaves=levels[0][0].shape[1],
            height=len(levels),
            roots=below,
            root_labels=names.astype(np.int32),
            label=np.concatenate([v[2] for v in levels]),
        )

    def raised(self, height: int) -> Forest:
        """The same forest with single boxes put on top until it has ``height`` levels."""
        forest = self
        while forest.height < height:
            roots = len(forest.roots)
            top = np.empty((6, roots, 8), np.float32)
            top[:3], top[3:] = np.inf, -np.inf
            top[:3, :, 0] = forest.boxes[:3].take(forest.roots, axis=1).min(axis=2)
            top[3:, :, 0] = forest.boxes[3:].take(forest.roots, axis=1).max(axis=2)
            inside = np.full((roots, 8), -1, np.int32)
            inside[:, 0] = forest.roots
            groups = forest.boxes.shape[1]
            forest = Forest(
                boxes=np.concatenate([forest.boxes, top], axis=1),
                below=np.concatenate([forest.below, inside.ravel()]),
                leaves=forest.leaves,
                height=forest.height + 1,
                roots=np.arange(groups, groups + roots, dtype=np.int32),
                root_labels=forest.root_labels,
                label=np.concatenate([forest.label, forest.root_labels]),
            )
        return forest


@dataclass(frozen=True)
class Approach:
    """The nearest approach of a mesh to one label of an index.

    Attributes:
        distance_m: 0.0 where they touch or cross.
        on_other, on_body: (3,) m, the two points that are that near.
    """

    distance_m: float
    on_other: Floats
    on_body: Floats


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
        """Index ``mesh``; 1.0 M triangles take about 0.6 s on one core and 110 MB.

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
        outward_low, outward_high = _outward(points)
        by_corner = np.ascontiguousarray(mesh.triangles.T)
        low = _fold(np.minimum, [outward_low.take(k, axis=1) for k in by_corner])
        high = _fold(np.maximum, [outward_high.take(k, axis=1) for k in by_corner])
        forest = Forest.over(low, high, labels).raised(2)
        face = forest.below[: 8 * forest.leaves]
        corner_points = by_corner.take(face, axis=1)
        corners = np.empty((9, len(face)))
        for k in range(3):
            points.take(corner_points[k], axis=1, out=corners[3 * k : 3 * k + 3], mode="clip")
        return TriangleIndex(forest, corners, _slabs(forest, corners), _samples(forest, corners))

    def moved(self, matrix: Floats) -> TriangleIndex:
        """The same triangles moved by a rigid (4, 4) ``matrix``, without sorting them anew."""
        corners = self.corners.reshape(3, 3, -1).transpose(2, 0, 1).reshape(-1, 3) @ matrix[:3, :3].T + matrix[:3, 3]
        face = self.forest.below[: 8 * self.forest.leaves]
        order = np.argsort(face[face >= 0])
        triangles = np.arange(3 * len(face), dtype=np.int32).reshape(-1, 3)[face >= 0][order]
        return TriangleIndex.build(TriMesh(corners, triangles))

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
        order = _ordered(*_outward(np.ascontiguousarray(points.T)), None)[0]
        place = np.ascontiguousarray(points.T).take(order, axis=1)
        size = max(float(np.abs(place).max()), float(np.abs(self.samples).max()))
        sought = _Sought.at(place, np.full(len(points), float(reach_m)), 2.0**-22 * size)
        self._search(sought, roots)
        best = sought.best[: len(points)]
        hit = np.flatnonzero(best >= 0)
        for part in _parts(len(hit), 4 * CHUNK):
            number, slot = order[hit[part]], best[hit[part]]
            face[number] = self.forest.below[slot]
            foot[number] = closest_on_triangles(points[number], self._triangles(slot))
            distance[number] = np.linalg.norm(points[number] - foot[number], axis=1)
        return distance, face, foot

    def crossings(self, other: TriangleIndex) -> tuple[Ints, Ints, Ints]:
        """All pairs of a triangle of ``other`` and a triangle of this body, not labelled -1, that cross or touch.

        Returns:
            (k,) int32 triangles of ``other``; (k,) int32 triangles of the body; (k,) int32 labels of the latter.
        """
        a, b, ga, gb = self._against(other)
        zero = np.float32(0.0)
        found = [np.zeros((3, 0), np.int32)]
        for sa, sb, _ in _walk(a, b, ga, gb, lambda _group: zero):
            meet = triangles_meet(other._triangles(sa), self._triangles(sb))
            sa, sb = sa[meet], sb[meet]
            found.append(np.stack([a.below[sa], b.below[sb], b.label[sb >> 3]]))
        theirs, ours, label = np.concatenate(found, axis=1)
        return theirs, ours, label

    def approaches(self, other: TriangleIndex) -> dict[int, Approach]:
        """The nearest approach of ``other``'s triangles to each label of this body but -1, exact over all pairs."""
        a, b, ga, gb = self._against(other)
        count = int(self.forest.root_labels.max()) + 1
        best = np.full(count, np.inf)
        points = np.full((2, count, 3), np.nan)

        def compete(sa: Slots, sb: Slots) -> None:
            distance, on_other, on_body = closest_between_triangles(other._triangles(sa), self._triangles(sb))
            name = b.label[sb >> 3]
            for k in _first_of_each(name, distance):
                if distance[k] < best[name[k]]:
                    best[name[k]] = distance[k]
                    points[0, name[k]], points[1, name[k]] = on_other[k], on_body[k]

        def limit() -> NDArray[np.float32]:
            return np.where(best > 0.0, _upward(best * best), np.float32(-1.0))

        compete(*_beam(a, b, ga, gb))
        for sa, sb, square in _walk(a, b, ga, gb, lambda group: limit()[b.label[group]]):
            order = np.argsort(square)
            sa, sb, square = sa[order], sb[order], square[order]
            size, start = 256, 0
            while start < len(sa):
                part = slice(start, start + size)
                open_ = square[part] <= limit()[b.label[sb[part] >> 3]]
                if open_.any():
                    compete(sa[part][open_], sb[part][open_])
                start, size = start + size, min(4 * size, 16384)
        return {int(k): Approach(float(best[k]), points[0, k], points[1, k]) for k in self.forest.root_labels if k >= 0}

    def _roots(self, labelled_only: bool) -> Ints:
        roots = self.forest.roots
        if labelled_only:
            roots = roots[self.forest.root_labels >= 0]
        if len(roots) == 0:
            raise InputError("No face of the body belongs to a zone, so there is nothing to keep clear of.")
        return roots

    def _against(self, other: TriangleIndex) -> tuple[Forest, Forest, Ints, Ints]:
        """Both forests at one height and the pairs of their roots."""
        self._roots(True)
        a = other.forest.raised(self.forest.height)
        b = self.forest.raised(a.height)
        roots = b.roots[b.root_labels >= 0]
        return a, b, np.repeat(a.roots, len(roots)), np.tile(roots, len(a.roots))

    def _triangles(self, slot: Slots) -> Floats:
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
        winner = _first_of_runs(found, np.flatnonzero(_changes(row)))
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
            keep = np.flatnonzero(box_square <= _upward(reach**2)[:, None])
            row, reach = row[keep >> 3], reach[keep >> 3]
            slot = 8 * group[keep >> 3].astype(np.intp) + (keep & 7)
            if level > 1:
                slab = self.slabs.take(slot - 8 * body.leaves, axis=1)
                near = _slab_squares(crowd.rounded.take(row, axis=1), slab) <= _upward(reach**2)
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
                start = np.flatnonzero(_changes(point))
                least = np.minimum.reduceat(x * x + y * y + z * z, start).astype(np.float64)
                once = point[start]
                bound = (np.sqrt(least) * (1.0 + 1e-6) + sought.slack) ** 2
                sought.square[once] = np.minimum(sought.square[once], bound)
                near = np.maximum(box_square.ravel()[keep], _slab_squares(here, self.slabs.take(high, axis=1)))
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
            now = _rank(point) < share
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
        return _upward((np.sqrt(self.square[point]) + self.slack) ** 2)


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
        fresh = _changes(row)
        once = row[fresh]
        reach = (np.sqrt(self.sought.square.reshape(-1, CROWD)[once]) + self.off[once]).max(axis=1, initial=0.0)
        return (reach + self.sought.slack)[np.cumsum(fresh) - 1]


def _walk(
    a: Forest, b: Forest, ga: Ints, gb: Ints, limit: Callable[[Ints], NDArray[np.float32] | np.float32]
) -> Iterator[tuple[Slots, Slots, NDArray[np.float32]]]:
    """Pairs of lowest slots whose boxes are no farther apart than the ``limit`` (squared) of the group in ``b``.

    Depth first over chunks, so at most ``height`` levels of 64 ``CHUNK`` pairs wait at a time: under
    10 MB, whatever the meshes. ``limit`` is asked again for every chunk and may shrink meanwhile.
    """
    waiting = [(a.height, ga, gb)]
    while waiting:
        level, ga, gb = waiting.pop()
        if len(ga) > CHUNK:
            waiting.append((level, ga[CHUNK:], gb[CHUNK:]))
            ga, gb = ga[:CHUNK], gb[:CHUNK]
        square = _group_squares(_opened(a, ga), _opened(b, gb))
        keep = np.flatnonzero(square <= np.minimum(limit(gb), _FINITE))
        if len(keep) == 0:
            continue
        sa, sb = _slots(keep, ga, gb)
        if level == 1:
            yield sa, sb, square.ravel()[keep]
        else:
            waiting.append((level - 1, a.below[sa], b.below[sb]))


def _beam(a: Forest, b: Forest, ga: Ints, gb: Ints) -> tuple[Slots, Slots]:
    """Pairs of lowest slots likely to be near: at each level the most promising few of each label go on."""
    for level in range(a.height, 0, -1):
        box_a, box_b = _opened(a, ga), _opened(b, gb)
        square = _group_squares(box_a, box_b)
        middle = _group_middles(box_a, box_b)
        key = np.where(np.isfinite(square), square + np.float32(0.01) * middle, np.inf).ravel()
        keep = np.flatnonzero(np.isfinite(key))
        name = b.label[gb[keep % len(gb)]]
        order = np.lexsort((key[keep], name))
        keep, name = keep[order], name[order]
        keep = keep[_rank(name) < _BEAM]
        sa, sb = _slots(keep, ga, gb)
        if level > 1:
            ga, gb = a.below[sa], b.below[sb]
    return sa, sb


def _group_squares(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    """(8, 8, n) squared distance of each box of ``a`` (6, 8, n) to each of ``b`` (6, 8, n)."""
    total = np.zeros((), np.float32)
    for k in range(3):
        gap = a[k, :, None] - b[k + 3]
        np.maximum(gap, b[k] - a[k + 3, :, None], out=gap)
        np.maximum(gap, 0.0, out=gap)
        gap *= gap
        total = gap if k == 0 else np.add(total, gap, out=total)
    return total


def _opened(forest: Forest, group: Ints) -> NDArray[np.float32]:
    """(6, 8, n) the boxes of each group; groups innermost, so that operations run over long rows."""
    return np.ascontiguousarray(forest.boxes.take(group, axis=1).transpose(0, 2, 1))


def _slots(keep: Slots, ga: Ints, gb: Ints) -> tuple[Slots, Slots]:
    """The slots meant by flat places in an (8, 8, n) array."""
    box, pair = np.divmod(keep, len(ga))
    return 8 * ga[pair].astype(np.intp) + (box >> 3), 8 * gb[pair].astype(np.intp) + (box & 7)


def _group_middles(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    with np.errstate(invalid="ignore"):
        middle_a, middle_b = 0.5 * (a[:3] + a[3:]), 0.5 * (b[:3] + b[3:])
        return ((middle_a[:, :, None] - middle_b[:, None]) ** 2).sum(axis=0, dtype=np.float32)


def _box_squares(place: NDArray[np.float32], box: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n, 8) squared distance of points (3, n) to boxes (6, 8, n)."""
    total = np.zeros((), np.float32)
    for k in range(3):
        gap = np.maximum(box[k] - place[k], place[k] - box[k + 3])
        np.maximum(gap, 0.0, out=gap)
        gap *= gap
        total = gap if k == 0 else np.add(total, gap, out=total)
    return np.ascontiguousarray(total.T)


def _slab_squares(place: NDArray[np.float32], slab: NDArray[np.float32]) -> NDArray[np.float32]:
    """(n,) squared distance of points (3, n) to slabs (8, n), at most."""
    x, y, z = place - slab[:3]
    height = slab[3] * x + slab[4] * y + slab[5] * z
    aside = np.sqrt(np.maximum(x * x + y * y + z * z - height * height, 0.0))
    height = np.maximum(np.abs(height) - slab[6], 0.0)
    aside = np.maximum(aside - slab[7], 0.0)
    return height * height + aside * aside


def _slabs(forest: Forest, corners: Floats) -> NDArray[np.float32]:
    """A slab about each slot above the lowest level: from triangles on the first, from the slabs below further up."""
    start = 8 * forest.leaves
    boxes = forest.boxes.reshape(6, -1)[:, start:]
    inside = forest.below[start:]
    full = inside >= 0
    slabs = np.zeros((8, len(inside)), np.float32)
    slabs[:3, full] = 0.5 * (boxes[:3, full] + boxes[3:, full])
    size = np.float32(np.abs(boxes[:, full]).max())
    sums = np.zeros((3, len(inside)), np.float32)
    here = np.flatnonzero(full & (inside < forest.leaves))
    for part in _parts(len(here), 8192):
        slot = here[part]
        corner = corners.reshape(3, 3, -1, 8).take(inside[slot], axis=2)
        corner = (corner - slabs[:3, slot][None, :, :, None]).astype(np.float32)
        u, v = corner[1] - corner[0], corner[2] - corner[0]
        total = np.cross(u, v, axis=0).sum(axis=2)
        sums[:, slot] = total
        slabs[3:6, slot] = normal = _unit(total)
        height = sum((corner[:, k] * normal[k, None, :, None] for k in range(3)), np.float32(0.0))
        square = (corner * corner).sum(axis=1)
        slabs[6, slot] = np.abs(height).max(axis=(0, 2))
        slabs[7, slot] = np.sqrt(np.maximum(square - height * height, 0.0)).max(axis=(0, 2))
    done = forest.leaves
    while len(here):
        done, last = int(here[-1] // 8) + 1 + forest.leaves, done
        here = np.flatnonzero(full & (inside >= last) & (inside < done))
        child = (8 * (inside[here].astype(np.intp) - forest.leaves))[:, None] + np.arange(8)
        real = full[child]
        below = slabs.take(child, axis=1)
        total = (sums.take(child, axis=1) * real).sum(axis=2)
        sums[:, here] = total
        slabs[3:6, here] = normal = _unit(total)
        run = below[:3] - slabs[:3, here][:, :, None]
        lean = (below[3:6] * normal[:, :, None]).sum(axis=0)
        height = (run * normal[:, :, None]).sum(axis=0)
        aside = np.sqrt(np.maximum((run * run).sum(axis=0) - height * height, 0.0))
        tilt = np.sqrt(np.maximum(1.0 - lean * lean, 0.0))
        height = np.abs(height) + below[6] * np.abs(lean) + below[7] * tilt
        slabs[6, here] = np.where(real, height, 0.0).max(axis=1)
        slabs[7, here] = np.where(real, aside + below[7] + below[6], 0.0).max(axis=1)
    # Rounding of float32 in here and in the points that are compared.
    slabs[6:] = slabs[6:] * np.float32(1.0 + 1e-5) + size * np.float32(2.0**-21)
    return slabs


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


def _unit(vector: NDArray[np.float32]) -> NDArray[np.float32]:
    """(3, n) of length 1; 0 where there was none."""
    length = np.sqrt((vector.astype(np.float64) ** 2).sum(axis=0))
    return (vector / np.maximum(length, 1e-300)).astype(np.float32)


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


def _ordered(
    low: NDArray[np.float32], high: NDArray[np.float32], label: Ints | None
) -> tuple[NDArray[np.intp], NDArray[np.intp], Ints]:
    """Items by label, then along a Hilbert curve of 10 bits an axis; how many a label; the labels."""
    count = low.shape[1]
    middle = low + high
    base, top = middle.min(axis=1), middle.max(axis=1)
    scale = np.float32(1023.0) / max(float((top - base).max()), 1e-30)
    code = np.zeros(count, np.uint32)
    for k in range(3):
        bits = np.minimum((middle[k] - base[k]) * np.float32(scale), 1023.0).astype(np.uint32)
        for shift, mask in ((16, 0x030000FF), (8, 0x0300F00F), (4, 0x030C30C3), (2, 0x09249249)):
            bits = (bits | (bits << np.uint32(shift))) & np.uint32(mask)
        code |= bits << np.uint32(k)
    code = _along_curve(code)
    names, sizes = np.zeros(1, np.int32), np.array([count])
    number_bits = max(count - 1, 1).bit_length()
    key = (code.astype(np.uint64) << np.uint64(number_bits)) | np.arange(count, dtype=np.uint64)
    if label is not None:
        tally = np.bincount(label + 1)
        names = (np.flatnonzero(tally) - 1).astype(np.int32)
        sizes = tally[tally > 0]
        key |= (label + 1).astype(np.uint64) << np.uint64(number_bits + 30)
    key.sort()
    return (key & np.uint64((1 << number_bits) - 1)).astype(np.intp), sizes, names


def _curve_steps() -> NDArray[np.uint16]:
    """(24 * 64,) for a state of the Hilbert curve and two more bits an axis: 64 times the next state, plus the place.

    A state is the corner where the curve enters a cube and the axis along which it leaves (C. H. Hamilton, "Compact
    Hilbert Indices", Dalhousie University CS-2006-07, 2006; from memory).
    """

    def turned(bits: int, by: int) -> int:
        return (bits >> by | bits << (3 - by)) & 7

    def step(state: int, octant: int) -> tuple[int, int]:
        entry, axis = divmod(state, 3)
        gray = turned(octant ^ entry, (axis + 1) % 3)
        place = gray ^ gray >> 1 ^ gray >> 2
        first = max(place - 1, 0) & 6
        entry ^= turned(first ^ first >> 1, (2 - axis) % 3)
        odd = place if place & 1 else max(place - 1, 0)
        return 3 * entry + (axis + (odd ^ (odd + 1)).bit_length()) % 3, place

    steps = []
    for state in range(24):
        for octants in range(64):
            half, high = step(state, octants >> 3)
            last, low = step(half, octants & 7)
            steps.append(64 * last + 8 * high + low)
    return np.array(steps, np.uint16)


_CURVE = _curve_steps()


def _along_curve(code: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Places along a Hilbert curve of 30-bit cells whose axes' bits are interleaved."""
    state, along = np.zeros(len(code), np.uint32), np.zeros(len(code), np.uint32)
    for shift in (24, 18, 12, 6, 0):
        step = _CURVE.take(state | (code >> np.uint32(shift)) & np.uint32(63)).astype(np.uint32)
        along = along << np.uint32(6) | step & np.uint32(63)
        state = step & np.uint32(0xFFC0)
    return along


def _outward(points: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """``points`` in float32 rounded down and up."""
    near = points.astype(np.float32)
    low = np.where(near > points, np.nextafter(near, np.float32(-np.inf)), near)
    high = np.where(near < points, np.nextafter(near, np.float32(np.inf)), near)
    return low, high


def _upward(square: Floats) -> NDArray[np.float32]:
    """Squared limits in float32, raised beyond the rounding of the box distances they are compared with."""
    return np.minimum(square * (1.0 + 1e-6) + 1e-30, 3e38).astype(np.float32)


def _changes(run: NDArray[np.integer]) -> NDArray[np.bool_]:
    """(n,) whether each entry differs from the one before it."""
    fresh = np.ones(len(run), bool)
    np.not_equal(run[1:], run[:-1], out=fresh[1:])
    return fresh


def _rank(run: NDArray[np.integer]) -> Slots:
    """(n,) how many equal entries stand before each in its run."""
    place = np.arange(len(run))
    return place - np.maximum.accumulate(np.where(_changes(run), place, 0))


def _first_of_runs(value: Floats, start: Slots) -> Slots:
    """(runs, k) where the least value (n, k) of each run first stands; ``start`` is where the runs begin."""
    least = np.minimum.reduceat(value, start)
    here = value == np.repeat(least, np.diff(start, append=len(value)), axis=0)
    return np.asarray(np.minimum.reduceat(np.where(here, np.arange(len(value))[:, None], len(value)), start))


def _first_of_each(name: Ints, value: Floats) -> Slots:
    """The place of the least ``value`` of each ``name``."""
    order = np.lexsort((value, name))
    return order[_changes(name[order])]


def _fold(choose: np.ufunc, arrays: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    first, second, third = arrays
    return np.asarray(choose(choose(first, second, out=second), third, out=third))


def _parts(count: int, size: int) -> Iterator[slice]:
    for start in range(0, count, size):
        yield slice(start, min(start + size, count))
