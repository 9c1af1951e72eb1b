"""Contours where a plane cuts a triangle mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.forest import Forest
from ..geometry.mesh import TriMesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Contour:
    """One chain of points on a cutting plane.

    Attributes:
        points: (n, 3) m, in order; a closed chain does not repeat its first point. Seen with the plane's
            normal towards the eye, the outside of most of the faces cut lies to the right of the way.
        closed: whether the last point joins the first.
        lever: (n, 3) m, the edge of the mesh that each point lies on, times the root of the product of its shares
            on either side of the plane. Where the mesh's points lie on a surface of curvature k along the contour,
            the contour's lie beneath it by k / 2 times the square of the lever's part along the contour.
    """

    points: Floats
    closed: bool
    lever: Floats


class Slicer:
    """A mesh made ready for many cuts: boxes over its triangles, so that a cut opens only those near the plane."""

    def __init__(self, mesh: TriMesh) -> None:
        """Index ``mesh``, any triangles; 1.0 M take about 0.4 s on one core."""
        self._mesh = mesh
        points = mesh.points.astype(np.float32)
        corners = [points.take(mesh.triangles[:, k], axis=0).T for k in range(3)]
        low = np.minimum(np.minimum(corners[0], corners[1]), corners[2])
        high = np.maximum(np.maximum(corners[0], corners[1]), corners[2])
        self._forest = None
        if len(mesh.triangles):
            # Rounding to float32 may have moved a corner by half a step: the boxes are let out by one.
            self._forest = Forest.over(np.nextafter(low, np.float32(-np.inf)), np.nextafter(high, np.float32(np.inf)))

    def cut(self, origin: Floats, normal: Floats) -> list[Contour]:
        """All contours in which a plane cuts the mesh, longest (by number of points) first; see ``cut_mesh``."""
        return _contours(self._mesh, self._near(np.asarray(origin, float), np.asarray(normal, float)), origin, normal)

    def _near(self, origin: Floats, normal: Floats) -> Ints:
        """Triangles whose boxes the plane meets, in ascending order."""
        forest = self._forest
        if forest is None:
            return np.zeros(0, np.int64)
        group = forest.roots.astype(np.int64)
        for level in range(forest.height, 0, -1):
            boxes = forest.boxes[:, group].astype(float)
            empty = forest.below[8 * group[:, None] + np.arange(8)] < 0
            toward = np.where(normal[:, None, None] > 0.0, boxes[3:], boxes[:3])
            away = np.where(normal[:, None, None] > 0.0, boxes[:3], boxes[3:])
            with np.errstate(invalid="ignore"):
                most = np.tensordot(normal, toward - origin[:, None, None], 1)
                least = np.tensordot(normal, away - origin[:, None, None], 1)
            hit = np.flatnonzero((most >= 0.0) & (least <= 0.0) & ~empty)
            below = forest.below[8 * group[hit >> 3] + (hit & 7)].astype(np.int64)
            if level == 1:
                return np.sort(below)
            group = below
        raise AssertionError("a forest has at least one level")


def cut_mesh(mesh: TriMesh, origin: Floats, normal: Floats) -> list[Contour]:
    """All contours in which a plane cuts ``mesh``, longest (by number of points) first.

    Open surfaces give open contours, holes break them, several bodies give several. Doubled faces count once.
    Where more than two faces meet at an edge, the two that run on most nearly straight belong to one contour, then
    the next two; one left over ends its contour there.

    Args:
        mesh: any triangle mesh.
        origin: (3,) m, a point of the plane.
        normal: (3,) its normal, of any length.
    """
    above = (mesh.points - origin) @ normal >= 0.0
    count = above[mesh.triangles].sum(axis=1)
    return _contours(mesh, np.flatnonzero((count == 1) | (count == 2)), origin, normal)


def _contours(mesh: TriMesh, among: Ints, origin: Floats, normal: Floats) -> list[Contour]:
    """Contours of the plane with those triangles of ``among`` that it crosses."""
    triangles = mesh.triangles[among]
    side = (mesh.points[triangles] - origin) @ normal
    # A point exactly on the plane counts as above it, so that each crossing lies inside an edge.
    above = side >= 0.0
    count = above.sum(axis=1)
    crossing = np.flatnonzero((count == 1) | (count == 2))
    if len(crossing) == 0:
        return []
    triangles, above, single = triangles[crossing], above[crossing], count[crossing] == 1
    # The corner alone on its side; the plane crosses the two edges that leave it.
    alone = np.argmax(above == single[:, None], axis=1)
    # Outside to the right: from the edge after the lone corner to the one before it, if that corner is above.
    steps = np.where(single, 1, 2), np.where(single, 2, 1)
    rows = np.arange(len(crossing))
    tip = np.concatenate([triangles[rows, alone]] * 2).astype(np.int64)
    far = np.concatenate([triangles[rows, (alone + step) % 3] for step in steps]).astype(np.int64)
    low, high = np.minimum(tip, far), np.maximum(tip, far)
    size = len(mesh.points)
    keys, node = np.unique(low * size + high, return_inverse=True)
    low, high = keys // size, keys % size
    ends = node.reshape(2, -1).T
    _, first = np.unique(np.sort(ends, axis=1) @ [len(keys), 1], return_index=True)
    ends = ends[np.sort(first)]
    a, b = (mesh.points[low] - origin) @ normal, (mesh.points[high] - origin) @ normal
    edge, share = mesh.points[high] - mesh.points[low], (a / (a - b))[:, None]
    points, lever = mesh.points[low] + share * edge, np.sqrt(share * (1.0 - share)) * edge
    ends, which = _parted(ends, points)
    chains = [(which[chain], closed) for chain, closed in _chain(ends, len(which))]
    contours = [Contour(points[chain], closed, lever[chain]) for chain, closed in chains]
    return sorted(contours, key=lambda c: -len(c.points))


def _parted(ends: Ints, points: Floats) -> tuple[Ints, Ints]:
    """Segments ``ends`` (m, 2) over ``points`` (n, 3) with a number of its own for each way through a crowded one,
    and which of the points each number means."""
    every = np.arange(len(points))
    degree = np.bincount(ends.ravel(), minlength=len(points))
    crowded = degree > 2
    if not crowded.any():
        return ends, every
    flat = ends.copy().ravel()
    held = np.flatnonzero(crowded[flat])
    groups = np.split(held[np.argsort(flat[held], kind="stable")], np.cumsum(degree[crowded])[:-1])
    added = []
    for group in groups:
        run = points[ends.ravel()[group ^ 1]] - points[flat[group[0]]]
        run /= np.maximum(np.linalg.norm(run, axis=1), 1e-300)[:, None]
        bend = run @ run.T + np.where(np.eye(len(group), dtype=bool), np.inf, 0.0)
        added += [int(flat[group[0]])] * ((len(group) + 1) // 2)
        new = len(points) + len(added)
        left = np.arange(len(group))
        while len(left):
            pair = list(divmod(int(np.argmin(bend[np.ix_(left, left)])), len(left)))
            new -= 1
            flat[group[left[pair]]] = new
            left = np.delete(left, pair)
    return flat.reshape(-1, 2), np.concatenate([every, added])


def _chain(ends: Ints, count: int) -> list[tuple[Ints, bool]]:
    """Chains of node numbers from segments ``ends`` (m, 2), at most two at a node; True where one closes on itself."""
    flat = ends.ravel()
    order = np.argsort(flat, kind="stable")
    degree = np.bincount(flat, minlength=count)
    start = np.cumsum(degree) - degree
    # Half-segment numbers: ``h ^ 1`` is the other end, ``mate`` the other half at the same node.
    mate = np.full(len(flat), -1)
    pairs = start[degree == 2]
    mate[order[pairs]], mate[order[pairs + 1]] = order[pairs + 1], order[pairs]
    # Along a segment and over to the next one, until there is none.
    onward = mate[np.arange(len(flat)) ^ 1].tolist()
    nodes = flat.tolist()
    loose = order[start[degree == 1]]
    # Forward ones first, so that most of a chain's segments decide which way it runs.
    starts = np.concatenate([loose, np.arange(0, len(flat), 2)]).tolist()
    seen = bytearray(len(ends))
    chains = []
    for half in starts:
        if seen[half >> 1]:
            continue
        walk, here = [], half
        while here >= 0 and not seen[here >> 1]:
            seen[here >> 1] = 1
            walk.append(here)
            here = onward[here]
        closed = here >= 0
        chain = [nodes[h] for h in walk] if closed else [*(nodes[h] for h in walk), nodes[walk[-1] ^ 1]]
        forward = 2 * sum(1 - (h & 1) for h in walk) >= len(walk)
        chains.append((np.array(chain if forward else chain[::-1]), closed))
    return chains
