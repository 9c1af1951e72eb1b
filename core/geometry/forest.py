"""Boxes in a forest: triangles, or anything in boxes, along a Hilbert curve on which neighbours lie side by side.

D. Hilbert, 1891; for boxes I. Kamel and C. Faloutsos, "On Packing R-trees", CIKM 1993; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int32]
Slots = NDArray[np.intp]


@dataclass(frozen=True)
class Forest:
    """Boxes in groups of eight. Slot ``8 g + i`` is box ``i`` of group ``g``.

    Attributes:
        boxes: (6, g, 8) float32 m, low x, y, z then high x, y, z; empty slots are inside out.
        below: (8 g,) int32; on the lowest level the item's number, above it the group inside the box; -1 when empty.
            Full slots come first in a group, and the groups inside the boxes of a level go in order.
        leaves: how many groups, the first ones, form the lowest level.
        height: number of levels.
        roots: (k,) int32, the one group at the top of each label's tree.
        root_labels: (k,) int32.
        label: (g,) int32 label of each group.
    """

    boxes: Singles
    below: Ints
    leaves: int
    height: int
    roots: Ints
    root_labels: Ints
    label: Ints

    @staticmethod
    def over(low: Singles, high: Singles, label: Ints | None = None) -> Forest:
        """The forest over boxes ``low``, ``high`` (3, m) with a label (m,) each."""
        count = low.shape[1]
        order, sizes, names = along_curve(low, high, label)
        below = order.astype(np.int32)
        boxes = np.concatenate([low, high]).take(order, axis=1)
        levels: list[tuple[Singles, Ints, Ints]] = []
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
            boxes = _about_eight(eight)
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
            top[:, :, 0] = _about_eight(forest.boxes.take(forest.roots, axis=1))
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

    def refitted(self, low: Singles, high: Singles) -> Forest:
        """The same tree about items that have moved: boxes (3, 8 leaves) of the lowest slots, empty ones ignored."""
        boxes = np.empty((6, self.boxes.shape[1], 8), np.float32)
        boxes[:3], boxes[3:] = np.inf, -np.inf
        flat = boxes.reshape(6, -1)
        here = np.flatnonzero(self.below[: 8 * self.leaves] >= 0)
        flat[:3, here], flat[3:, here] = low[:, here], high[:, here]
        for slot in self.upper_levels():
            flat[:, slot] = _about_eight(boxes.take(self.below[slot], axis=1))
        return replace(self, boxes=boxes)

    def upper_levels(self) -> list[Slots]:
        """The full slots of each level but the lowest, from the second on."""
        slot = np.flatnonzero(self.below[8 * self.leaves :] >= 0) + 8 * self.leaves
        inside, levels = self.below[slot], []
        first, last = 0, self.leaves
        while first < len(slot):
            end = int(np.searchsorted(inside, last))
            levels.append(slot[first:end])
            first, last = end, int(slot[end - 1] >> 3) + 1
        return levels


def along_curve(low: Singles, high: Singles, label: Ints | None) -> tuple[Slots, Slots, Ints]:
    """Boxes (3, m) by label, then along a Hilbert curve of 10 bits an axis.

    Returns:
        (m,) the boxes in that order; how many each label has; the labels.
    """
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
    code = _places(code)
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


def outward(points: Floats) -> tuple[Singles, Singles]:
    """``points`` in float32 rounded down and up."""
    near = points.astype(np.float32)
    low = np.where(near > points, np.nextafter(near, np.float32(-np.inf)), near)
    high = np.where(near < points, np.nextafter(near, np.float32(np.inf)), near)
    return low, high


def upward(square: Floats) -> Singles:
    """Squared limits in float32, raised beyond the rounding of the box distances they are compared with."""
    return np.minimum(square * (1.0 + 1e-6) + 1e-30, 3e38).astype(np.float32)


def changes(run: NDArray[np.integer]) -> NDArray[np.bool_]:
    """(n,) whether each entry differs from the one before it."""
    fresh = np.ones(len(run), bool)
    np.not_equal(run[1:], run[:-1], out=fresh[1:])
    return fresh


def rank(run: NDArray[np.integer]) -> Slots:
    """(n,) how many equal entries stand before each in its run."""
    place = np.arange(len(run))
    return place - np.maximum.accumulate(np.where(changes(run), place, 0))


def _about_eight(boxes: Singles) -> Singles:
    """(6, n) about the eight boxes (6, n, 8) of each group."""
    # Halving thrice over whole slices is several times faster than a reduction over eight.
    low, high = boxes[:3], boxes[3:]
    for half in (4, 2, 1):
        low = np.minimum(low[:, :, :half], low[:, :, half:])
        high = np.maximum(high[:, :, :half], high[:, :, half:])
    return np.concatenate([low[:, :, 0], high[:, :, 0]])


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


def _places(code: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Places along a Hilbert curve of 30-bit cells whose axes' bits are interleaved."""
    state, along = np.zeros(len(code), np.uint32), np.zeros(len(code), np.uint32)
    for shift in (24, 18, 12, 6, 0):
        step = _CURVE.take(state | (code >> np.uint32(shift)) & np.uint32(63)).astype(np.uint32)
        along = along << np.uint32(6) | step & np.uint32(63)
        state = step & np.uint32(0xFFC0)
    return along
