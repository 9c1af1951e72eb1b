"""Flat round cans about pieces of surface: far from a slanting surface they hold much tighter than boxes.

A slab is (8,) float32: centre, unit normal, half height and radius, m; without a normal it is a ball. Bounds hold
whatever the rounding of float32: each slab is wider by its own roundings and those of what is compared with it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .forest import Forest
from .mesh import RIGID
from .pairs import cross

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Slots = NDArray[np.intp]

_EXACT = 3  # levels whose heights come from the triangles themselves: a third of what the slabs below them would tell
_PART = 4096
_ONE = np.float32(1.0 + 1e-6)  # keeps the rounding of a cosine near 1 from hiding a tilt


def slabs_over(forest: Forest, corners: Floats) -> Singles:
    """(8, slots above the lowest level) about all triangles, ``corners`` (9, slots) m, below each slot."""
    start, leaves = 8 * forest.leaves, forest.leaves
    boxes = forest.boxes.reshape(6, -1)[:, start:]
    levels = [slot - start for slot in forest.upper_levels()]
    slabs = np.zeros((8, boxes.shape[1]), np.float32)
    first = np.zeros(boxes.shape[1], np.intp)  # of the lowest groups below each slot
    area = _area_vectors(corners)
    for k, here in enumerate(levels):
        inside = forest.below[here + start].astype(np.intp)
        first[here] = inside if k == 0 else first[8 * (inside - leaves)]
        slabs[:3, here] = 0.5 * (boxes[:3, here] + boxes[3:, here])
        slabs[3:6, here] = _unit(np.add.reduceat(area, first[here], axis=1))
    owners = [np.repeat(here, np.diff(first[here], append=leaves)) for here in levels[:_EXACT]]
    lows, highs, radius = _about_triangles(corners, slabs, owners)
    size = _size(forest)
    for k, here in enumerate(levels):
        if k > 0:
            child = 8 * (forest.below[here + start].astype(np.intp) - leaves)[:, None] + np.arange(8)
            real = forest.below[child + start] >= 0
            low, high, radius = _about_slabs(slabs[:, here], slabs.take(child, axis=1), real)
        if k < _EXACT:
            low = np.minimum.reduceat(lows[k], first[here])
            high = np.maximum.reduceat(highs[k], first[here])
        slabs[:3, here] += np.float32(0.5) * (low + high) * slabs[3:6, here]
        slabs[6, here], slabs[7, here] = 0.5 * (high - low), radius
        slabs[6:, here] = _wider(slabs[6:, here], size)
    return slabs


def slabs_of(corners: Floats, size: float) -> Singles:
    """(8, n) about single triangles (9, n) m, whose largest coordinate is ``size`` m at most."""
    corner = corners.reshape(3, 3, -1)
    centre = corner.mean(axis=0)
    corner = corner - centre
    normal = cross(corner[1] - corner[0], corner[2] - corner[0])
    normal /= np.maximum(np.sqrt((normal * normal).sum(axis=0)), 1e-300)
    slabs = np.empty((8, corners.shape[1]), np.float32)
    slabs[:3], slabs[3:6] = centre, normal
    slabs[6] = np.abs((corner * normal).sum(axis=1)).max(axis=0)
    slabs[7] = np.sqrt((corner * corner).sum(axis=1).max(axis=0))
    slabs[6:] = _wider(slabs[6:], size)
    return slabs


def slabs_moved(slabs: Singles, matrix: Floats, forest: Forest) -> Singles:
    """``slabs`` moved by a rigid (4, 4) ``matrix`` together with all that ``forest`` holds once moved."""
    moved = np.empty_like(slabs)
    moved[:3] = matrix[:3, :3] @ slabs[:3] + matrix[:3, 3:]
    moved[3:6] = _unit(matrix[:3, :3] @ slabs[3:6])
    moved[6:] = _wider(slabs[6:] + np.float32(4.0 * RIGID) * (slabs[6] + slabs[7]), _size(forest))
    return moved


def point_squares(place: Singles, slab: Singles) -> Singles:
    """(n,) m2, no more than the squared distance of points (3, n) to what slabs (8, n) hold."""
    x, y, z = place - slab[:3]
    height = slab[3] * x + slab[4] * y + slab[5] * z
    aside = np.sqrt(np.maximum(x * x + y * y + z * z - height * height, 0.0))
    height = np.maximum(np.abs(height) - slab[6], 0.0)
    aside = np.maximum(aside - slab[7], 0.0)
    return np.asarray(height * height + aside * aside)


def slab_squares(a: Singles, b: Singles) -> Singles:
    """(n,) m2, no more than the squared distance of what slabs (8, n) hold."""
    x, y, z = b[:3] - a[:3]
    lean = np.abs(a[3] * b[3] + a[4] * b[4] + a[5] * b[5])
    tilt = np.sqrt(np.maximum(_ONE - lean * lean, 0.0))
    squares = []
    for one, two in ((a, b), (b, a)):
        # Along the normal of one, and square to it, where two is taken for a ball.
        height = one[3] * x + one[4] * y + one[5] * z
        u, v, w = x - height * one[3], y - height * one[4], z - height * one[5]
        aside = np.sqrt(u * u + v * v + w * w) - one[7] - np.sqrt(two[6] * two[6] + two[7] * two[7])
        height = np.abs(height) - one[6] - two[6] * lean - two[7] * tilt
        np.maximum(aside, 0.0, out=aside)
        np.maximum(height, 0.0, out=height)
        squares.append(height * height + aside * aside)
    return np.maximum(*squares)


def _area_vectors(corners: Floats) -> Singles:
    """(3, groups) sum of the area vectors of each eight triangles."""
    corner = corners.reshape(3, 3, -1, 8)
    total = np.empty((3, corner.shape[2]), np.float32)
    for start in range(0, corner.shape[2], _PART):
        part = slice(start, start + _PART)
        eight = cross(corner[1, :, part] - corner[0, :, part], corner[2, :, part] - corner[0, :, part])
        eight = np.ascontiguousarray(eight.transpose(0, 2, 1))
        total[:, part] = eight.sum(axis=1)
    return total


def _about_triangles(corners: Floats, slabs: Singles, owners: list[Slots]) -> tuple[Singles, Singles, Singles]:
    """How far triangles reach along normals from centres: of the slab that each group has in each of ``owners``.

    Returns:
        (owners, groups) m, lowest; (owners, groups) m, highest; (groups,) m, radius about the first owner's normal.
    """
    corner = corners.reshape(3, 3, -1, 8)
    groups = corner.shape[2]
    low, high = (np.empty((len(owners), groups), np.float32) for _ in range(2))
    radius = np.empty(groups, np.float32)
    for start in range(0, groups, _PART):
        part = slice(start, min(start + _PART, groups))
        centre = slabs[:3, owners[0][part]]
        place = np.empty((3, 3, 8, centre.shape[1]), np.float32)
        np.subtract(corner[:, :, part].transpose(0, 1, 3, 2), centre[:, None], out=place, casting="same_kind")
        for k, owner in enumerate(owners):
            normal = slabs[3:6, owner[part]]
            height = place[:, 0] * normal[0]
            height += place[:, 1] * normal[1]
            height += place[:, 2] * normal[2]
            shift = ((centre - slabs[:3, owner[part]]) * normal).sum(axis=0)
            low[k, part] = height.min(axis=(0, 1)) + shift
            high[k, part] = height.max(axis=(0, 1)) + shift
            if k == 0:
                square = (place * place).sum(axis=1)
                # The difference of two nearly equal squares is not to be trusted to its last digits.
                radius[part] = np.sqrt((square * _ONE - height * height).max(axis=(0, 1)))
    return low, high, radius


def _about_slabs(slabs: Singles, below: Singles, real: NDArray[np.bool_]) -> tuple[Singles, Singles, Singles]:
    """How far the real ones of eight slabs ``below`` (8, n, 8) reach along each slab's normal from its centre.

    Returns:
        (n,) m, lowest; (n,) m, highest; (n,) m, radius.
    """
    normal = slabs[3:6, :, None]
    lean = np.abs((below[3:6] * normal).sum(axis=0))
    tilt = np.sqrt(np.maximum(_ONE - lean * lean, 0.0))
    run = below[:3] - slabs[:3, :, None]
    height = (run * normal).sum(axis=0)
    run -= height * normal
    aside = np.sqrt((run * run).sum(axis=0)) + below[7] + below[6] * tilt
    half = below[6] * lean + below[7] * tilt
    return (
        np.where(real, height - half, np.inf).min(axis=1),
        np.where(real, height + half, -np.inf).max(axis=1),
        np.where(real, aside, 0.0).max(axis=1),
    )


def _wider(half: Singles, size: float) -> Singles:
    """Half heights and radii with what float32 may take, in here and in what is compared with them."""
    return np.asarray(half * np.float32(1.0 + 1e-5) + np.float32(size * 2.0**-21))


def _size(forest: Forest) -> float:
    """The largest coordinate of what the forest holds, m."""
    top = forest.boxes.take(forest.roots, axis=1)
    return float(np.abs(top[np.isfinite(top)]).max())


def _unit(vector: Singles | Floats) -> Singles:
    """(3, n) of length 1; 0 where there was none."""
    length = np.sqrt((vector.astype(np.float64) ** 2).sum(axis=0))
    return (vector / np.maximum(length, 1e-300)).astype(np.float32)
