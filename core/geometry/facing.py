"""Two bodies' triangles against each other: which cross, and how near they come to each label.

Both forests are walked down together, the wider side first, mostly level by level: pairs of boxes, then of slabs, that
may still matter go on. A few promising pairs of each label run ahead, and two points of the surfaces below each pair
tell how near the label is at most, so that little beyond the nearest pairs is looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .forest import Forest, changes, rank, upward
from .pairs import TOUCH, closest_between_triangles, cross, triangles_meet
from .slabs import slab_squares, slabs_of

if TYPE_CHECKING:
    from .index import TriangleIndex

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int32]
Slots = NDArray[np.intp]

_AHEAD = 32  # pairs of each label that run ahead
_WIDE = 16384  # pairs of one level that are followed at once: with what waits under 40 MB, whatever the meshes
_PART = 8192  # pairs opened at once, so that a core's cache holds them
_NONE = np.float32(-1.0)
"""Limit of a label that is done with: no squared distance is below it."""


@dataclass(frozen=True)
class Approach:
    """The nearest approach of a mesh to one label of an index.

    Attributes:
        distance_m: 0.0 where they touch or cross; inf when nothing is within the reach asked for.
        on_other, on_body: (3,) m, the two points that are that near; NaN when there are none.
    """

    distance_m: float
    on_other: Floats
    on_body: Floats


def crossing_pairs(
    other: TriangleIndex, body: TriangleIndex, reach_m: Floats
) -> tuple[Ints, Ints, Ints, dict[int, Approach]]:
    """As ``TriangleIndex.crossings``, and one place of each label that is crossed."""
    slots = [np.zeros((2, 0), np.intp)]
    for sa, sb, _ in facing_pairs(other, body, reach_m):
        meet = triangles_meet(other.triangles(sa), body.triangles(sb))
        slots.append(np.stack([sa[meet], sb[meet]]))
    sa, sb = np.concatenate(slots, axis=1)
    label = body.forest.label[sb >> 3]
    names, first = np.unique(label, return_index=True)
    _, on_other, on_body = closest_between_triangles(other.triangles(sa[first]), body.triangles(sb[first]))
    touched = {int(k): Approach(0.0, p, q) for k, p, q in zip(names, on_other, on_body, strict=True)}
    return other.forest.below[sa], body.forest.below[sb], label, touched


def facing_pairs(other: TriangleIndex, body: TriangleIndex, reach_m: Floats) -> Iterator[tuple[Slots, Slots, Singles]]:
    """Pairs of lowest slots that may be within the ``reach_m`` (labels,) m of the label of the second."""
    return _walk(other, body, _limits(reach_m, _size(other, body)))


def nearest_pairs(
    other: TriangleIndex, body: TriangleIndex, reach_m: Floats, known: dict[int, Approach]
) -> dict[int, Approach]:
    """As ``TriangleIndex.approaches``; ``known`` labels are not looked for, ``reach_m`` (labels,) m is each one's."""
    label, size = body.forest.label, _size(other, body)
    best, limit = reach_m.copy(), _limits(reach_m, size)
    limit[list(known)] = _NONE
    found = dict(known)

    def lower(name: Ints, square: Floats) -> None:
        better = np.flatnonzero(square < limit[name])
        np.minimum.at(limit, name[better], upward(square[better]))

    def compete(sa: Slots, sb: Slots) -> None:
        distance, on_other, on_body = closest_between_triangles(other.triangles(sa), body.triangles(sb))
        name = label[sb >> 3]
        lower(name, distance**2)
        for k in _first_of_each(name, distance):
            if distance[k] <= best[name[k]]:
                best[name[k]] = distance[k]
                found[int(name[k])] = Approach(float(distance[k]), on_other[k], on_body[k])
            if distance[k] == 0.0:
                limit[name[k]] = _NONE

    for sa, sb, square in _walk(other, body, limit, lower):
        for part in _nearest_first(square, 4096):
            part = part[square[part] <= limit[label[sb[part] >> 3]]]
            gap = _gap_squares(other.corners.take(sa[part], axis=1), body.corners.take(sb[part], axis=1), size)
            for few in _nearest_first(gap, 256):
                few = few[gap[few] <= limit[label[sb[part[few]] >> 3]]]
                if len(few):
                    compete(sa[part[few]], sb[part[few]])
    return found


def nearer_labels(other: TriangleIndex, body: TriangleIndex, limit_m: Floats) -> set[int]:
    """As ``TriangleIndex.nearer``; ``limit_m`` (labels,) m is each one's, below zero where it is not asked for."""
    label, size = body.forest.label, _size(other, body)
    limit = _limits(limit_m, size)
    found: set[int] = set()

    def mark(name: Ints, square: Floats) -> None:
        here = name[(square < limit_m[name] ** 2) | (square == 0.0)]
        found.update(here.tolist())
        limit[here] = _NONE

    for sa, sb, square in _walk(other, body, limit, mark):
        for part in _nearest_first(square, 64):
            part = part[square[part] <= limit[label[sb[part] >> 3]]]
            gap = _gap_squares(other.corners.take(sa[part], axis=1), body.corners.take(sb[part], axis=1), size)
            part = part[gap <= limit[label[sb[part] >> 3]]]
            if len(part):
                distance = closest_between_triangles(other.triangles(sa[part]), body.triangles(sb[part]))[0]
                mark(label[sb[part] >> 3], distance**2)
    return found


def _limits(reach_m: Floats, size: float) -> Singles:
    """(labels,) m2; what is so near that it counts as touching is within any reach."""
    return np.where(reach_m < 0.0, _NONE, upward((np.maximum(reach_m, 0.0) + 2.0 * TOUCH * size) ** 2))


@dataclass(frozen=True)
class _Pairs:
    """Pairs of slots, each side's from one level, that may matter.

    Attributes:
        level_a, level_b: of the slots; 1 is the lowest.
        a, b: (n,) slots of the first and the second body.
        label: (n,) of the second.
        square: (n,) m2, no more than their squared distance.
        ahead: whether they run ahead of the others.
    """

    level_a: int
    level_b: int
    a: Slots
    b: Slots
    label: Ints
    square: Singles
    ahead: bool

    def some(self, which: Slots) -> _Pairs:
        return replace(
            self,
            a=self.a.take(which),
            b=self.b.take(which),
            label=self.label.take(which),
            square=self.square.take(which),
        )

    @staticmethod
    def joined(found: list[_Pairs]) -> _Pairs:
        return replace(
            found[0],
            a=np.concatenate([each.a for each in found]),
            b=np.concatenate([each.b for each in found]),
            label=np.concatenate([each.label for each in found]),
            square=np.concatenate([each.square for each in found]),
        )


def _walk(
    other: TriangleIndex,
    body: TriangleIndex,
    limit: Singles,
    near: Callable[[Ints, Floats], None] | None = None,
) -> Iterator[tuple[Slots, Slots, Singles]]:
    """Pairs of lowest slots that may be no farther apart than the ``limit`` (labels,), m2, of the label of the second.

    The limits may shrink meanwhile. ``near`` is told labels and squared distances, m2, of some points of both surfaces
    on the way, and asks for a few promising pairs of each label to run ahead.

    Yields:
        (n,) slots of ``other``; (n,) slots of ``body``; (n,) m2, no more than their squared distance.
    """
    size = _size(other, body)
    top = _top_pairs(other.forest, body.forest)
    waiting = [top] if near is None else [top, replace(top, ahead=True)]
    while waiting:
        pairs = waiting.pop()
        pairs = pairs.some(np.flatnonzero(pairs.square <= limit.take(pairs.label)))
        if len(pairs.a) == 0:
            continue
        if pairs.level_a == pairs.level_b == 1:
            yield pairs.a, pairs.b, pairs.square
            continue
        if pairs.ahead:
            pairs = pairs.some(_promising(other.forest, body.forest, pairs))
        elif len(pairs.a) > _WIDE:
            order = np.argpartition(pairs.square, _WIDE)
            waiting.append(pairs.some(order[_WIDE:]))
            pairs = pairs.some(order[:_WIDE])
        wider = _extent(other.forest, pairs.a) > _extent(body.forest, pairs.b)
        open_a = pairs.level_b == 1 or (pairs.level_a > 1 and wider)
        level_a, level_b = pairs.level_a - open_a, pairs.level_b - (not open_a)
        shut, opened = ((body, level_b), (other, level_a)) if open_a else ((other, level_a), (body, level_b))
        found = []
        for start in range(0, len(pairs.a), _PART):
            part = pairs.some(np.arange(start, min(start + _PART, len(pairs.a))))
            upper, slot = (part.b, part.a) if open_a else (part.a, part.b)
            pair, slot, square = _opened(shut[0].forest, opened[0].forest, upper, slot, limit.take(part.label))
            label, square = part.label.take(pair), np.maximum(square, part.square.take(pair))
            if level_a > 1 or level_b > 1:
                slab = _slabs(*shut, upper, size).take(pair, axis=1)
                np.maximum(square, slab_squares(slab, _slabs(*opened, slot, size)), out=square)
            sides = (slot, upper.take(pair)) if open_a else (upper.take(pair), slot)
            part = _Pairs(level_a, level_b, *sides, label, square, pairs.ahead)
            part = part.some(np.flatnonzero(square <= limit.take(label)))
            if near is not None and level_a > 1 and level_b > 1:
                apart = _samples(other, part.a) - _samples(body, part.b)
                near(part.label, (np.sqrt((apart * apart).sum(axis=0)) + size * 2.0**-21) ** 2)
            found.append(part)
        waiting.append(_Pairs.joined(found))


def _top_pairs(a: Forest, b: Forest) -> _Pairs:
    """All pairs of slots at the top of both forests, the second's without label -1."""
    tops = []
    for forest, roots in ((a, a.roots), (b, b.roots[b.root_labels >= 0])):
        slot = (8 * roots.astype(np.intp)[:, None] + np.arange(8)).ravel()
        tops.append(slot[forest.below[slot] >= 0])
    sa, sb = np.repeat(tops[0], len(tops[1])), np.tile(tops[1], len(tops[0]))
    return _Pairs(a.height, b.height, sa, sb, b.label.take(sb >> 3), np.zeros(len(sa), np.float32), False)


def _size(other: TriangleIndex, body: TriangleIndex) -> float:
    return max(float(np.abs(each.samples).max()) for each in (other, body))


def _promising(a: Forest, b: Forest, pairs: _Pairs) -> Slots:
    """The most promising few pairs of each label."""
    box_a, box_b = a.boxes.reshape(6, -1).take(pairs.a, axis=1), b.boxes.reshape(6, -1).take(pairs.b, axis=1)
    apart = box_a[:3] + box_a[3:] - box_b[:3] - box_b[3:]
    # Those whose boxes overlap are told apart by their middles.
    key = pairs.square + np.float32(0.0025) * (apart * apart).sum(axis=0)
    order = np.lexsort((key, pairs.label))
    return np.asarray(order[rank(pairs.label[order]) < _AHEAD])


def _opened(shut: Forest, opened: Forest, upper: Slots, slot: Slots, limit: Singles) -> tuple[Slots, Slots, Singles]:
    """The groups below ``slot`` opened: which boxes lie within ``limit`` (squared) of those of ``upper``.

    Returns:
        (n,) the pair; (n,) the slot in its group; (n,) m2, the squared distance of the boxes.
    """
    group = opened.below.take(slot)
    # Groups innermost, so that operations run over long rows.
    inner = np.ascontiguousarray(opened.boxes.take(group, axis=1).transpose(0, 2, 1))
    outer = shut.boxes.reshape(6, -1).take(upper, axis=1)
    total = np.zeros((), np.float32)
    for k in range(3):
        gap = inner[k] - outer[k + 3]
        np.maximum(gap, outer[k] - inner[k + 3], out=gap)
        np.maximum(gap, 0.0, out=gap)
        gap *= gap
        total = gap if k == 0 else np.add(total, gap, out=total)
    keep = np.flatnonzero(total <= limit)
    box = keep // len(slot)
    pair = keep - len(slot) * box
    return pair, 8 * group.take(pair).astype(np.intp) + box, total.ravel().take(keep)


def _extent(forest: Forest, slot: Slots) -> float:
    """How wide the boxes are, m: the mean of a few."""
    box = forest.boxes.reshape(6, -1).take(slot[:: len(slot) // 256 + 1], axis=1)
    return float((box[3:] - box[:3]).sum(axis=0).mean())


def _slabs(index: TriangleIndex, level: int, slot: Slots, size: float) -> Singles:
    if level > 1:
        return np.asarray(index.slabs.take(slot - 8 * index.forest.leaves, axis=1))
    return slabs_of(index.corners.take(slot, axis=1), size)


def _samples(index: TriangleIndex, slot: Slots) -> Floats:
    return index.samples.take(slot - 8 * index.forest.leaves, axis=1).astype(np.float64)


def _gap_squares(a: Floats, b: Floats, size: float) -> Floats:
    """(n,) m2, no more than the squared distance of triangles (9, n) m: their gap along normals and between middles."""
    a, b = a.reshape(3, 3, -1), b.reshape(3, 3, -1)
    a, b = a - a[0], b - a[0]
    widest = np.zeros(a.shape[2])
    for along in (cross(a[1], a[2]), cross(b[1] - b[0], b[2] - b[0]), b.sum(axis=0) - a.sum(axis=0)):
        along /= np.maximum(np.sqrt((along * along).sum(axis=0)), 1e-300)
        low_a, high_a = _span(a, along)
        low_b, high_b = _span(b, along)
        np.maximum(widest, low_b - high_a, out=widest)
        np.maximum(widest, low_a - high_b, out=widest)
    return np.asarray(np.maximum(widest - 1e-13 * size, 0.0) ** 2)


def _span(corner: Floats, along: Floats) -> tuple[Floats, Floats]:
    """How far triangles (3, 3, n) reach along directions (3, n), from and to."""
    x, y, z = (each[0] * along[0] + each[1] * along[1] + each[2] * along[2] for each in corner)
    return np.minimum(np.minimum(x, y), z), np.maximum(np.maximum(x, y), z)


def _nearest_first(square: Floats | Singles, count: int) -> Iterator[Slots]:
    """Places of ``square``: those of the least ``count``, then of four times as many, and so on by up to 16384."""
    ends = [count]
    while ends[-1] < len(square):
        count = min(4 * count, 16384)
        ends.append(ends[-1] + count)
    order = np.argpartition(square, ends[:-1]) if len(ends) > 1 else np.arange(len(square))
    yield from np.split(order, ends[:-1])


def _first_of_each(name: Ints, value: Floats) -> Slots:
    """The place of the least ``value`` of each ``name``."""
    order = np.lexsort((value, name))
    return order[changes(name[order])]
