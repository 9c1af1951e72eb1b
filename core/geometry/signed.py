"""How far points lie off a surface and on which side of it.

The side is told by the angle-weighted normal of the nearest face, edge or corner, which is right everywhere round a
closed surface, also off a knife-sharp edge where face normals fail.
Source: J. A. Baerentzen and H. Aanaes, "Signed Distance Computation Using the Angle Weighted Pseudonormal", IEEE
Transactions on Visualization and Computer Graphics 11(3), 2005.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .index import (
    CHUNK,
    Floats,
    Forest,
    Ints,
    Slots,
    TriangleIndex,
    _box_squares,
    _opened,
    _ordered,
    _outward,
    _parts,
    _squares,
    _upward,
)
from .mesh import TriMesh, face_normals
from .pairs import _cross

CLUSTER = 12
"""Neighbouring points that share one search, so that dense scans cost a fraction of a search each."""

BESIDE = 0.7
"""A point that sees the border of an open surface at more than about 45° lies beside the surface, not over it."""

MOST_GROUPS = 2**18
"""Groups of boxes that one chunk of clusters may open at once, some 50 MB."""

_MOST = 24.0  # triangles of mean size in question that a cluster pays for
_FACE, _EDGE, _CORNER = 0, 1, 4  # codes of the nearest place: the face, edges 1 to 3, corners 4 to 6
_NEXT = [1, 2, 0]


@dataclass(frozen=True)
class SignedDistance:
    """Attributes:
    distance_m: (n,) positive outside; nan beyond reach and beside the border of an open surface.
    face: (n,) int32 the nearest triangle, -1 beyond reach.
    foot: (n, 3) m the nearest place of the surface, nan beyond reach.
    """

    distance_m: Floats
    face: Ints
    foot: Floats


@dataclass(frozen=True)
class SignedSurface:
    """A surface ready to be asked for signed distances.

    Attributes:
        mesh: its triangles, those without area left out.
        faces: (m,) int32 their numbers in the mesh it was built from.
        areas: (m,) m2.
        index: over ``mesh``.
    """

    mesh: TriMesh
    faces: Ints
    areas: Floats
    index: TriangleIndex

    @staticmethod
    def build(mesh: TriMesh) -> SignedSurface:
        """Prepare ``mesh``, counter-clockwise seen from outside; points at one place count as one.

        Raises:
            InputError: no triangle with an area, or coordinates that are not numbers.
        """
        if not np.isfinite(mesh.points).all():
            raise InputError("The surface has points whose coordinates are not numbers; export it again.")
        areas = triangle_areas(mesh)
        faces = np.flatnonzero(areas > 0.0).astype(np.int32)
        if len(faces) == 0:
            raise InputError("The surface holds no face with an area, so nothing can lie off it.")
        mesh = TriMesh(mesh.points, mesh.triangles[faces])
        return SignedSurface(mesh, faces, areas[faces], TriangleIndex.build(mesh))

    def distance(self, points: Floats, reach_m: float = np.inf) -> SignedDistance:
        """Signed distances of ``points`` (n, 3) m, looking no farther than ``reach_m``.

        Raises:
            InputError: points whose coordinates are not numbers.
        """
        points = np.asarray(points, np.float64)
        if not np.isfinite(points).all():
            raise InputError("Points to measure from a surface must have numbers as coordinates; clean the scan first.")
        face = self._nearest(points, reach_m)
        distance, foot = np.full(len(points), np.nan), np.full(points.shape, np.nan)
        near = np.flatnonzero(face >= 0)
        code = np.zeros(len(near), np.int8)
        for part in _parts(len(near), 4 * CHUNK):
            some = near[part]
            distance[some], foot[some], code[part] = _place(points[some], self._corners(face[some]))
        off = np.flatnonzero(code != _FACE)
        some = near[off]
        normal, rim = _normals(self.mesh, face[some], code[off])
        lean = ((points[some] - foot[some]) * normal).sum(axis=1)
        beside = some[rim & (np.abs(lean) < BESIDE * distance[some])]
        distance[some] = np.where(lean < 0.0, -distance[some], distance[some])
        face[near] = self.faces[face[near]]
        far = near[np.abs(distance[near]) > reach_m]
        distance[far], distance[beside], face[far], foot[far] = np.nan, np.nan, -1, np.nan
        return SignedDistance(distance, face, foot)

    def _corners(self, face: Ints) -> Floats:
        """(9, n) m: x, y, z of the three corners."""
        return np.ascontiguousarray(self.mesh.points[self.mesh.triangles[face]].reshape(-1, 9).T)

    def _nearest(self, points: Floats, reach_m: float) -> Ints:
        """The nearest triangle (n,) to each point, some beyond reach; -1 where surely none is within it.

        Neighbours along a Morton curve form clusters. What may be nearest to one of a cluster's points lies no
        farther from its middle than the cluster's radius plus the largest distance of its points to any one triangle.
        """
        face = np.full(len(points), -1, np.int32)
        order = _ordered(*_outward(np.ascontiguousarray(points.T)), None)[0] if len(points) else np.zeros(0, np.intp)
        count = len(points) // CLUSTER
        groups = order[: count * CLUSTER].reshape(-1, CLUSTER)
        place = np.ascontiguousarray(points.T).take(groups, axis=1)
        middle = 0.5 * (place.min(axis=2) + place.max(axis=2))
        radius = np.sqrt(((place - middle[:, :, None]) ** 2).sum(axis=0).max(axis=1, initial=0.0))
        # Wide clusters have too many triangles in question.
        compact = 4.0 * np.pi * radius**2 < _MOST * self.areas.mean()
        alone = np.concatenate([groups[~compact].ravel(), order[count * CLUSTER :]])
        face[alone] = self.index.nearest(points[alone], reach_m)[1]
        groups, place, middle, radius = groups[compact], place[:, compact], middle[:, compact], radius[compact]
        first = self.index.nearest(middle.T, reach_m + radius.max(initial=0.0))[1]
        size = max(float(np.abs(self.mesh.points).max()), float(np.abs(middle).max(initial=0.0)))
        for part in _parts(len(groups), CHUNK):
            some = np.flatnonzero(first[part] >= 0) + part.start
            if len(some) == 0:
                continue
            around = self._corners(first[some])[:, :, None]
            spread = np.sqrt(_squares(place[:, some], around).max(axis=1))
            # What rounding may take from squares is a far smaller share of the size.
            limit = radius[some] + spread + 2.0**-20 * size
            pairs = _around(self.index.forest, middle[:, some], limit)
            if pairs is None:
                face[groups[some]] = self.index.nearest(points[groups[some].ravel()])[1].reshape(-1, CLUSTER)
            else:
                face[groups[some]] = self._among(place[:, some], middle[:, some], limit, *pairs)
        return face

    def _among(self, place: Floats, middle: Floats, limit: Floats, cluster: Slots, slot: Slots) -> Ints:
        """The nearest triangle (n, CLUSTER) to each point ``place`` (3, n, CLUSTER).

        Args:
            cluster, slot: pairs of a cluster and a triangle whose box lies within its ``limit`` of its ``middle``.
        """
        corners = self.index.corners.take(slot, axis=1)
        inside = _squares(middle.take(cluster, axis=1), corners) <= limit[cluster] ** 2
        cluster, slot, corners = cluster[inside], slot[inside], corners[:, inside]
        square = np.empty((len(cluster), CLUSTER))
        for part in _parts(len(cluster), CHUNK // 4):
            square[part] = _squares(place.take(cluster[part], axis=1), corners[:, part, None])
        start = np.flatnonzero(np.diff(cluster, prepend=-1))
        least = np.repeat(np.minimum.reduceat(square, start), np.diff(start, append=len(cluster)), axis=0)
        pair = np.where(square == least, np.arange(len(cluster))[:, None], len(cluster))
        return self.index.forest.below[slot[np.minimum.reduceat(pair, start)]]


def triangle_areas(mesh: TriMesh) -> Floats:
    """Areas (m,) in m2, several times faster than by way of normals."""
    points, triangles = np.ascontiguousarray(mesh.points.T), mesh.triangles.T
    a, b, c = (points.take(corner, axis=1) for corner in triangles)
    normal = _cross(b - a, c - a)
    return np.asarray(0.5 * np.sqrt(np.einsum("kn,kn->n", normal, normal)))


def _around(forest: Forest, middle: Floats, limit: Floats) -> tuple[Slots, Slots] | None:
    """Pairs of a middle (3, n) and a lowest slot whose box is within its ``limit`` (n,), each middle's together.

    None where there are too many, as happens where the surface is very much finer than on the whole.
    """
    place, square = middle.astype(np.float32), _upward(limit**2)
    point, group = np.arange(middle.shape[1]), np.repeat(forest.roots, middle.shape[1])
    for level in range(forest.height, 0, -1):
        if len(group) > MOST_GROUPS:
            return None
        keep = np.flatnonzero(_box_squares(place.take(point, axis=1), _opened(forest, group)) <= square[point][:, None])
        point, slot = point[keep >> 3], 8 * group[keep >> 3].astype(np.intp) + (keep & 7)
        if level > 1:
            group = forest.below[slot]
    return point, slot


def _place(points: Floats, corners: Floats) -> tuple[Floats, Floats, NDArray[np.int8]]:
    """Where on its triangle ``corners`` (9, n) the place nearest to each point (n, 3) lies.

    Returns:
        (n,) m distance, signed over a face; (n, 3) m the place; (n,) code of the face, edge or corner.
    """
    p, a = np.ascontiguousarray(points.T), corners.reshape(3, 3, -1)
    u, v, d = a[1] - a[0], a[2] - a[0], p - a[0]
    n = _cross(u, v)
    area = (n * n).sum(axis=0)
    height = (n * d).sum(axis=0)
    s = (n * _cross(d, v)).sum(axis=0)
    t = (n * _cross(u, d)).sum(axis=0)
    distance, foot = height / np.sqrt(area), p - height / area * n
    code = np.zeros(len(points), np.int8)
    off = np.flatnonzero((s <= 0.0) | (t <= 0.0) | (s + t >= area))
    p, a = p[:, off], a[:, :, off]
    best = np.full(len(off), np.inf)
    for k, after in enumerate(_NEXT):
        run = a[after] - a[k]
        share = np.clip(((p - a[k]) * run).sum(axis=0) / (run * run).sum(axis=0), 0.0, 1.0)
        here = np.where(share < 1.0, a[k] + share * run, a[after])
        square = ((p - here) ** 2).sum(axis=0)
        better = np.flatnonzero(square < best)
        best[better] = square[better]
        foot[:, off[better]] = here[:, better]
        which = np.where(share == 0.0, _CORNER + k, np.where(share == 1.0, _CORNER + after, _EDGE + k))
        code[off[better]] = which[better]
    distance[off] = np.sqrt(best)
    return distance, foot.T, code


def _normals(mesh: TriMesh, face: Ints, code: NDArray[np.int8]) -> tuple[Floats, NDArray[np.bool_]]:
    """Unit pseudonormals (n, 3) of edges and corners, and whether (n,) an open surface ends there."""
    # Only the faces round the triangles in question matter, so that a large scan costs no more than a small one.
    name = _names(mesh.points)
    asked = np.zeros(len(name), bool)
    asked[name[mesh.triangles[face]]] = True
    triangles = name[mesh.triangles]
    kept = np.flatnonzero(asked[triangles].any(axis=1))
    triangles, corners = triangles[kept], mesh.points[mesh.triangles[kept]]
    normal = face_normals(corners)[0]
    run = corners[:, _NEXT] - corners
    run = run / np.maximum(np.linalg.norm(run, axis=2), 1e-300)[:, :, None]
    cosine = -(run * run[:, [2, 0, 1]]).sum(axis=2)
    angle = np.arccos(np.clip(cosine, -1.0, 1.0))
    at_corner = np.zeros((len(name), 3))
    for c in range(3):
        at_corner[:, c] = np.bincount(triangles.ravel(), (angle * normal[:, c, None]).ravel(), len(name))
    start, end = triangles, triangles[:, _NEXT]
    key = np.minimum(start, end).astype(np.int64) * len(name) + np.maximum(start, end)
    edge, tally = np.unique(key, return_inverse=True, return_counts=True)[1:]
    edge = edge.reshape(-1, 3)
    at_edge = np.stack([np.bincount(edge.ravel(), np.repeat(normal[:, c], 3), len(tally)) for c in range(3)], axis=1)
    open_edge = tally[edge] == 1
    rim = np.zeros(len(name), bool)
    rim[start[open_edge]] = rim[end[open_edge]] = True

    row, part = np.searchsorted(kept, face), (code - 1) % 3
    number, joint = triangles[row, part], edge[row, part]
    corner = code >= _CORNER
    found = np.where(corner[:, None], at_corner[number], at_edge[joint])
    length = np.linalg.norm(found, axis=1)
    return found / np.maximum(length, 1e-300)[:, None], np.where(corner, rim[number], tally[joint] == 1)


def _names(points: Floats) -> NDArray[np.intp]:
    """(n,) the same number for points at the same place."""
    bits = np.ascontiguousarray(points + 0.0).view(np.uint64)  # adding 0.0 makes -0.0 the same as 0.0
    mixed = np.zeros(len(points), np.uint64)
    for k in range(3):
        mixed = (mixed ^ bits[:, k]) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= mixed >> np.uint64(29)
    return np.unique(mixed, return_inverse=True)[1].astype(np.intp)
