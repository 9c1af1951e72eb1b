"""How a surface becomes a solid: what the air cannot reach from outside is inside.

The air spreads from cell to cell along links that the surface does not cut. That needs no winding, so meshes turned
inside out, shells that overlap and hollows within a part all come out solid. An open surface is closed by rule:

- A rim no longer than a hole's is closed by a cone to its middle.
- Below the floor's plane and ahead of the front's plane no air enters. Longer rims that end near such a plane are swept
  straight on to it (down to the floor, forward to the front), so that the body is closed down to the plane.
- Cells within half a crack's width of the surface are closed to the air at first, which shuts cracks. Then air and
  solid spread back into them, step by step and along links that are not cut, and a crack is closed where the two meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh
from ..scan.topology import connected, edge_pairs, first_equal, numbered
from .flood import ends, reached, spread, widened

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


LOWEST, FOREMOST, SPREAD = 0.4, 0.15, 0.3
"""Shares of a body's height and length: where rims mean a missing floor and front, and how far they have to run."""
OFF_ROAD_M = 0.08
"""Rims below this height belong to wheels and to road that was scanned too."""


@dataclass(frozen=True)
class Closing:
    """How an open surface is closed.

    Attributes:
        floor_m: height of the plane that closes it below, m above the road; None where it has a floor.
        front_m: place of the plane that closes it in front, m forward in vehicle axes, and ahead of which it is left
            out; None where it has a front.
        hole_m: rims with a box no longer than this along any axis are holes and are closed by a cone; longer ones are
            borders.
        sweep_m: borders this near to a plane are swept on to it.
        crack_cells: what is open beyond that is closed where it is narrower than this many cells.
    """

    floor_m: float | None = None
    front_m: float | None = None
    hole_m: float = 0.7
    sweep_m: float = 0.3
    crack_cells: int = 3


@dataclass(frozen=True)
class Block:
    """A part of the grid about one surface; it may reach beyond the grid.

    Attributes:
        low: (3,) the first cell, in cells of the grid.
        cut: for each axis (nx, ny, nz), whether the link to the next cell along it is cut.
        allowed: (nx, ny, nz) cells between the planes that close the body.
        mirrored: whether the first layer across lies at the plane of symmetry.
    """

    low: Ints
    cut: tuple[Bools, Bools, Bools]
    allowed: Bools
    mirrored: bool


def solid_cells(block: Block, crack_cells: int, known: tuple[Bools, Bools] | None = None) -> Bools:
    """(nx, ny, nz) cells that the air cannot reach.

    Args:
        crack_cells: what is narrower than this is closed; 0 for a closed surface.
        known: (nx, ny, nz) each, cells that the air comes from and cells that it never reaches, but where they are
            near a crack; where None it comes from the block's ends.
    """
    if known is None:
        seeds, inside = _outermost(block), np.zeros_like(block.allowed)
    else:
        seeds, inside = known
    radius = (crack_cells + 1) // 2
    shut = widened(ends(block.cut), radius) if radius else np.zeros_like(seeds)
    air = reached(block.allowed & ~shut & ~inside, block.cut, seeds)
    unknown = block.allowed & shut
    solid = block.allowed & ~shut & ~air
    for _ in range(3 * radius + 3):
        if not radius or not unknown.any():
            break
        more_air = spread(air, unknown, block.cut)
        more_solid = spread(solid, unknown, block.cut) & ~more_air
        if not more_air.any() and not more_solid.any():
            break
        air |= more_air
        solid |= more_solid
        unknown &= ~(more_air | more_solid)
    return block.allowed & ~air


def _outermost(block: Block) -> Bools:
    """The cells at the block's ends, but for a plane of symmetry."""
    found = np.zeros_like(block.allowed)
    for axis in range(3):
        if found.shape[axis] > 1:
            face = np.moveaxis(found, axis, 0)
            face[-1] = True
            if axis != 1 or not block.mirrored:
                face[0] = True
    return found


def hidden_air(block: Block, solid: Bools, front: bool) -> int:
    """How many cells of air have the surface before, behind, above and to both sides of them: air inside a body.

    Args:
        solid: of ``block``.
        front: whether the surface ahead counts; not where the front is missing.
    """
    hidden = block.allowed & ~solid
    for axis in range(3):
        cut = np.moveaxis(block.cut[axis], axis, 0)
        after = np.moveaxis(np.logical_or.accumulate(cut[::-1], axis=0)[::-1], 0, axis)
        before = np.zeros_like(cut)
        np.logical_or.accumulate(cut[:-1], axis=0, out=before[1:])
        if axis == 1 and block.mirrored:
            before[:] = cut.any(axis=0)
        hidden &= after
        if axis == 1 or (axis == 0 and front):
            hidden &= np.moveaxis(before, 0, axis)
    return int(hidden.sum())


def suggested(body: TriMesh) -> Closing:
    """A closing for a scan that misses its floor or its front, by where its long rims run.

    Level rims in the lowest ``LOWEST`` of the height that run along ``SPREAD`` of the length or more mean that the
    floor is missing; rims across in the foremost ``FOREMOST`` of the length that run up ``SPREAD`` of the height, that
    the front is. The planes go where a tenth of those rims lies below the one or behind the other. Common practice, no
    source.

    Args:
        body: m, vehicle axes.
    """
    rim = rims_of(body)
    plain = Closing()
    loop, extent, _ = loops(body.points, rim)
    segments = body.points[rim[(extent > plain.hole_m)[loop]]]
    used = body.points[np.unique(body.triangles)]
    low, size = used.min(axis=0), np.ptp(used, axis=0)
    run = np.abs(segments[:, 1] - segments[:, 0])
    length, middle = np.linalg.norm(run, axis=1), segments.mean(axis=1)
    level = (run[:, 2] < 0.5 * length) & (middle[:, 2] < low[2] + LOWEST * size[2]) & (middle[:, 2] > OFF_ROAD_M)
    across = (run[:, 0] < 0.5 * length) & (middle[:, 0] > low[0] + (1.0 - FOREMOST) * size[0])
    floor = front = None
    if level.any() and _spread(middle[level, 0], length[level]) >= SPREAD * size[0]:
        floor = _share_below(middle[level, 2], length[level], 0.1)
    if across.any() and _spread(middle[across, 2], length[across]) >= SPREAD * size[2]:
        front = _share_below(middle[across, 0], length[across], 0.1)
    return Closing(floor, front)


def rims_of(mesh: TriMesh) -> Ints:
    """(j, 2) points of the edges that only one face has; points at one place, to the digits of float32, are one."""
    bits = np.ascontiguousarray(mesh.points.astype(np.float32) + np.float32(0.0)).view(np.uint32)
    triangles = first_equal(bits)[mesh.triangles]
    a, b, c = triangles.T
    return edge_pairs(triangles[(a != b) & (b != c) & (c != a)])[3]


def closed_rims(points: Floats, rim: Ints, closing: Closing) -> Floats:
    """(m, 3, 3) triangles, m, that close holes and carry borders near the floor and the front on to these planes.

    Args:
        points: (n, 3) m, vehicle axes.
        rim: (j, 2) as from ``rims_of``.
    """
    loop, size, middle = loops(points, rim)
    border = (size > closing.hole_m)[loop]
    hole = points[rim[~border]]
    segments = points[rim[border]]
    sheets = [np.concatenate([hole, middle[loop[~border], None]], axis=1)]
    if closing.floor_m is not None:
        z = segments[:, :, 2]
        near = ((z > closing.floor_m) & (z < closing.floor_m + closing.sweep_m)).any(axis=1)
        sheets.append(_swept(segments[near], 2, closing.floor_m))
        # The ends of these sheets are rims of their own, which the front has to close too.
        foot = segments[near].reshape(-1, 3).copy()
        foot[:, 2] = closing.floor_m
        drops = np.stack([segments[near].reshape(-1, 3), foot], axis=1)
        segments = np.concatenate([segments, drops])
    if closing.front_m is not None:
        x = segments[:, :, 0]
        near = ((x < closing.front_m) & (x > closing.front_m - closing.sweep_m)).any(axis=1)
        sheets.append(_swept(segments[near], 0, closing.front_m))
    return np.concatenate(sheets)


def loops(points: Floats, rim: Ints) -> tuple[Ints, Floats, Floats]:
    """(j,) loop of each edge of ``rim``, (k,) m longest side of the box about each loop, (k, 3) m its middle.

    Loops that touch count as one.
    """
    used, place = np.unique(rim, return_inverse=True)
    edge = place.reshape(-1, 2).astype(np.int32)
    loop, count = numbered(connected(edge[:, 0], edge[:, 1], len(used)))
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, loop, points[used])
    np.maximum.at(high, loop, points[used])
    of_edge = loop[edge[:, 0]]
    ends = points[rim]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    total = np.maximum(np.bincount(of_edge, length, count), 1e-300)
    sums = [np.bincount(of_edge, length * ends[:, :, k].mean(axis=1), count) / total for k in range(3)]
    return of_edge, (high - low).max(axis=1), np.stack(sums, axis=1)


def _share_below(place: Floats, length: Floats, share: float) -> float:
    """Where a share of the ``length`` in all lies at lower places."""
    order = np.argsort(place)
    after = np.cumsum(length[order])
    return float(place[order][np.searchsorted(after, share * after[-1])])


def _spread(place: Floats, length: Floats) -> float:
    """How far four fifths of the ``length`` reach."""
    return _share_below(place, length, 0.9) - _share_below(place, length, 0.1)


def _swept(segments: Floats, axis: int, to: float) -> Floats:
    """Two triangles for each of (j, 2, 3) ``segments``, swept along an axis to a plane."""
    far = segments.copy()
    far[:, :, axis] = to
    a, b, c, d = segments[:, 0], segments[:, 1], far[:, 1], far[:, 0]
    return np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])


def block_about(
    low: Sequence[int], high: Sequence[int], starts: Sequence[Ints], mirrored: bool, allowed: tuple[float, float]
) -> Block:
    """The block of the cells ``low`` to ``high`` (3,), inclusive.

    Args:
        starts: for each axis (3, k) the cells whose link to the next one along it is cut.
        allowed: cells from this one along x and above this one are between the planes; -inf without.
    """
    first = np.array(low, np.int32)
    if mirrored:
        first[1] = max(first[1], 0)
    shape = tuple(int(n) for n in np.maximum(np.array(high) - first + 1, 0))
    cut = []
    for cells in starts:
        place = cells - first[:, None]
        inside = ((place >= 0) & (place < np.array(shape)[:, None])).all(axis=0)
        flags = np.zeros(shape, bool)
        flags[tuple(place[:, inside])] = True
        cut.append(flags)
    along, up = np.arange(shape[0]) + first[0], np.arange(shape[2]) + first[2]
    between = np.zeros(shape, bool)
    between[:] = (along > allowed[0])[:, None, None] & (up > allowed[1])
    return Block(first, (cut[0], cut[1], cut[2]), between, bool(mirrored and first[1] == 0))
