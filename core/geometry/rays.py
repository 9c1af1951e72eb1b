"""What a ray meets first, for many rays at once.

Rays go down the forest of an index together, in chunks of like direction and place, the nearest box of each group
first. Boxes by the slab method (A. Williams et al., "An Efficient and Robust Ray-Box Intersection Algorithm", 2005),
in float32 widened beyond its rounding. Triangles by signed volumes in the ray's own axes (S. Woop, C. Benthin and
I. Wald, "Watertight Ray/Triangle Intersection", 2013; both from memory): two triangles that share an edge come to the
same volume for it, with opposite signs, so no ray slips through between them. On top of that an edge catches rays that
pass it by less than ``TOUCH`` of the largest coordinate, for corners that were moved and rounded one by one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .forest import along_curve, outward
from .index import Slots, TriangleIndex
from .pairs import TOUCH

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

CHUNK = 8192
"""Rays that go together, and pairs of ray and group opened at once: 66 thousand boxes, 0.25 MB an operand."""
_WIDER = np.float32(1.0 + 1e-6)  # three roundings of float32 on each side of the comparison are 4e-7
_NONE = np.uint32(0xFFFFFFFF)
_EIGHT = np.arange(8, dtype=np.uint32)[:, None]


def first_hits(
    index: TriangleIndex, origins: Floats, directions: Floats, reach_m: float | Floats = np.inf, start_m: float = 0.0
) -> tuple[Floats, Ints]:
    """The first triangle that each ray meets, from either side.

    A triangle that a ray sees exactly edge-on, or that has no area, is not met; a ray along the edge of a closed body
    meets the faces beside it. Takes some 200 bytes a ray beyond the answers and 20 MB.

    Args:
        index: all its labels count.
        origins: (n, 3) m.
        directions: (n, 3) unit.
        reach_m: look no farther; one for all or one (n,) each.
        start_m: look only beyond this, so that a ray may start on a surface.

    Returns:
        (n,) m along the ray, inf where it meets nothing; (n,) int32 triangle, -1 there.

    Raises:
        InputError: numbers that are not finite, or directions that are not unit.
    """
    distance, face = np.full(len(origins), np.inf), np.full(len(origins), -1, np.int32)
    for number, rays in _bundles(index, origins, directions, reach_m, start_m):
        _trace(index, rays, False)
        hit = np.flatnonzero(rays.best >= 0)
        distance[number[hit]] = rays.limit[hit] + rays.skipped[hit]
        face[number[hit]] = index.forest.below[rays.best[hit]]
    return distance, face


def any_hit(
    index: TriangleIndex, origins: Floats, directions: Floats, reach_m: float | Floats = np.inf, start_m: float = 0.0
) -> NDArray[np.bool_]:
    """(n,) whether each ray meets anything; arguments as in ``first_hits``, and cheaper."""
    met = np.zeros(len(origins), bool)
    for number, rays in _bundles(index, origins, directions, reach_m, start_m):
        _trace(index, rays, True)
        met[number] = rays.best >= 0
    return met


@dataclass(frozen=True)
class _Bundle:
    """Rays of one octant, moved on to where the body begins; the search writes ``limit`` and ``best``.

    Attributes:
        origin: (3, n) m.
        frame: (9, n) three unit vectors, the last along the ray.
        skipped: (n,) m, how far the origin was moved on.
        start: (n,) m from there, hits lie beyond.
        limit: (n,) m from there, the hit so far, or how far to look.
        best: (n,) lowest slot of that hit, -1 when none is known.
        inverse: (3, n) float32, one over the direction.
        enter, leave: (3, n) float32 m, the origin moved so that boxes seem wider by the rounding.
        near, far: rows of a forest's boxes where rays of this octant enter and leave.
        touch: m, so near to an edge counts as on it.
    """

    origin: Floats
    frame: Floats
    skipped: Floats
    start: Floats
    limit: Floats
    best: Slots
    inverse: NDArray[np.float32]
    enter: NDArray[np.float32]
    leave: NDArray[np.float32]
    near: tuple[int, int, int]
    far: tuple[int, int, int]
    touch: float


def _bundles(
    index: TriangleIndex, origins: Floats, directions: Floats, reach_m: float | Floats, start_m: float
) -> Iterator[tuple[Slots, _Bundle]]:
    """Numbers of rays that may meet the body, and those rays."""
    origin = np.ascontiguousarray(np.asarray(origins, np.float64).T)
    along = np.ascontiguousarray(np.asarray(directions, np.float64).T)
    reach = np.broadcast_to(np.asarray(reach_m, np.float64), len(origins))
    if not (np.isfinite(origin).all() and np.isfinite(along).all() and np.isfinite(start_m)) or np.isnan(reach).any():
        raise InputError("Rays must have numbers as origins, directions and lengths; check where they come from.")
    length = np.sqrt((along * along).sum(axis=0))
    if (np.abs(length - 1.0) > 1e-6).any():
        worst = int(np.argmax(np.abs(length - 1.0)))
        raise InputError(f"Ray {worst} has a direction of length {length[worst]:.6g}; divide it by that, to make it 1.")
    if len(origins) == 0:
        return
    along /= length
    # The ball about the body tells which rays matter, and from where.
    roots = index.forest.boxes.take(index.forest.roots, axis=1).astype(np.float64)
    low, high = roots[:3].min(axis=(1, 2)), roots[3:].max(axis=(1, 2))
    radius = 0.5 * float(np.linalg.norm(high - low)) * (1.0 + 1e-6)
    size = float(np.abs([low, high]).max()) + 2.0 * radius
    ahead = 0.5 * (low + high)[:, None] - origin
    middle = (ahead * along).sum(axis=0)
    aside = np.sqrt(((ahead - middle * along) ** 2).sum(axis=0)) - 1e-12 * np.abs(middle)
    skipped = np.maximum(middle - radius, 0.0)
    matters = (aside <= radius) & (middle + radius >= max(start_m, 0.0)) & (skipped <= reach)
    octant = np.where(matters, (along < 0.0).T @ np.array([1, 2, 4]), -1).astype(np.int32)
    # Rays that cross the ball in like places lie side by side along the curve.
    order, sizes, names = along_curve(*outward(origin + 0.5 * (skipped + middle + radius) * along), octant)
    first = np.concatenate([[0], np.cumsum(sizes)])
    for k in np.flatnonzero(names >= 0):
        for start in range(first[k], first[k + 1], CHUNK):
            number = order[start : min(start + CHUNK, first[k + 1])]
            way, skip = along[:, number], skipped[number]
            place = origin[:, number] + skip * way
            tiny = np.where(np.abs(way) < 1e-18, 1e-18, np.abs(way))
            sign = np.where(way < 0.0, -1.0, 1.0)
            slack = sign * 2.0**-22 * size
            yield (
                number,
                _Bundle(
                    origin=place,
                    frame=_frames(way),
                    skipped=skip,
                    start=start_m - skip,
                    limit=reach[number] - skip,
                    best=np.full(len(number), -1, np.intp),
                    inverse=(sign / tiny).astype(np.float32),
                    enter=(place + slack).astype(np.float32),
                    leave=(place - slack).astype(np.float32),
                    near=tuple(3 * (sign[:, 0] < 0.0) + np.arange(3)),
                    far=tuple(3 * (sign[:, 0] > 0.0) + np.arange(3)),
                    touch=TOUCH * size,
                ),
            )


def _frames(along: Floats) -> Floats:
    """(9, n) two unit vectors square to each unit vector (3, n) and to each other, then that vector."""
    least, number = np.argmin(np.abs(along), axis=0), np.arange(along.shape[1])
    across = -along[least, number] * along
    across[least, number] += 1.0
    across /= np.sqrt((across * across).sum(axis=0))
    return np.concatenate([across, np.cross(along, across, axis=0), along])


def _trace(index: TriangleIndex, rays: _Bundle, any_will_do: bool) -> None:
    """Down the trees in batches, last come first served; at most twice ``height`` times 8 ``CHUNK`` pairs wait."""
    body = index.forest
    count = len(rays.best)
    ray, group = np.repeat(np.arange(count), len(body.roots)), np.tile(body.roots, count)
    waiting = [(body.height, ray, group, np.zeros(len(ray), np.float32))]
    while waiting:
        level, ray, group, near = waiting.pop()
        if len(ray) > CHUNK:
            waiting.append((level, ray[CHUNK:], group[CHUNK:], near[CHUNK:]))
            ray, group, near = ray[:CHUNK], group[:CHUNK], near[:CHUNK]
        limit = _bounds(rays.limit.take(ray))
        keep = np.flatnonzero(near <= limit)
        if len(keep) == 0:
            continue
        ray, group = ray[keep], group[keep]
        near, meets = _entries(rays, ray, body.boxes.take(group, axis=1), limit[keep])
        if level == 1:
            box, pair = np.divmod(np.flatnonzero(meets), len(ray))
            slot = 8 * group[pair].astype(np.intp) + box
            _meet(index, rays, ray[pair], slot, any_will_do)
            continue
        # Bits of floats above zero sort like the floats; the lowest three give way to the number of the box.
        key = np.where(meets, near.view(np.uint32) & ~np.uint32(7) | _EIGHT, _NONE)
        least = key.min(axis=0)
        some = np.flatnonzero(least != _NONE)
        first = (least[some] & np.uint32(7)).astype(np.intp)
        key[first, some] = _NONE
        later = key.ravel()
        box, pair = np.divmod(np.flatnonzero(later != _NONE), len(ray))
        for pair_, box_, near_ in ((pair, box, later[later != _NONE]), (some, first, least[some])):
            slot = 8 * group[pair_].astype(np.intp) + box_
            waiting.append((level - 1, ray[pair_], body.below[slot], (near_ & ~np.uint32(7)).view(np.float32)))


def _bounds(limit: Floats) -> NDArray[np.float32]:
    """Limits in float32, raised beyond the rounding of the distances of boxes."""
    return np.minimum(limit * (1.0 + 1e-6) + 1e-30, 3e38).astype(np.float32)


def _entries(
    rays: _Bundle, ray: Slots, boxes: NDArray[np.float32], limit: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """(8, n) m, where each ray enters its boxes (6, n, 8) at the earliest, from 0 up; (8, n) whether it meets them."""
    boxes = np.ascontiguousarray(boxes.transpose(0, 2, 1))  # operations run over long rows
    inverse, enter, leave = (v.take(ray, axis=1) for v in (rays.inverse, rays.enter, rays.leave))
    near = np.zeros((), np.float32)
    far = limit
    for k in range(3):
        gap = boxes[rays.near[k]] - enter[k]
        gap *= inverse[k]
        near = np.maximum(gap, near, out=gap)
        gap = boxes[rays.far[k]] - leave[k]
        gap *= inverse[k] * _WIDER
        far = np.minimum(gap, far, out=gap)
    return near, near <= far


def _meet(index: TriangleIndex, rays: _Bundle, ray: Slots, slot: Slots, any_will_do: bool) -> None:
    """Compare rays with a triangle each."""
    corner = index.corners.take(slot, axis=1)
    origin, frame = rays.origin.take(ray, axis=1), rays.frame.take(ray, axis=1)
    x, y, z = np.empty((3, 3, len(ray)))
    for k in range(3):
        run = corner[3 * k : 3 * k + 3] - origin
        for axis, out in enumerate((x, y, z)):
            np.multiply(run[0], frame[3 * axis], out=out[k])
            out[k] += run[1] * frame[3 * axis + 1]
            out[k] += run[2] * frame[3 * axis + 2]
    total, depth = np.zeros(len(ray)), np.zeros(len(ray))
    left, right = np.ones(len(ray), bool), np.ones(len(ray), bool)
    for k in range(3):
        a, b = (k + 1) % 3, (k + 2) % 3
        volume = x[a] * y[b] - y[a] * x[b]
        touch = rays.touch * (np.abs(x[a] - x[b]) + np.abs(y[a] - y[b]))
        left &= volume >= -touch
        right &= volume <= touch
        total += volume
        depth += volume * z[k]
    hit = np.flatnonzero((left | right) & (total != 0.0))
    ray, slot = ray[hit], slot[hit]
    along = np.clip(depth[hit] / total[hit], z[:, hit].min(axis=0), z[:, hit].max(axis=0))
    valid = np.flatnonzero((along > rays.start[ray]) & (along <= rays.limit[ray]))
    valid = valid[np.argsort(-along[valid], kind="stable")]
    # Of several entries for a ray the last one stays, which is the nearest.
    rays.best[ray[valid]] = slot[valid]
    rays.limit[ray[valid]] = -np.inf if any_will_do else along[valid]
