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
from .index import TriangleIndex
from .mesh import TriMesh, face_normals
from .pairs import cross

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

BESIDE = 0.7
"""A point that sees the border of an open surface at more than about 45° lies beside the surface, not over it."""

_PART = 8192  # points placed at once, so that memory stays bounded
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
        index: over ``mesh``.
    """

    mesh: TriMesh
    faces: Ints
    index: TriangleIndex

    @staticmethod
    def build(mesh: TriMesh) -> SignedSurface:
        """Prepare ``mesh``, counter-clockwise seen from outside; points at one place count as one.

        Raises:
            InputError: no triangle with an area, or coordinates that are not numbers.
        """
        if not np.isfinite(mesh.points).all():
            raise InputError("The surface has points whose coordinates are not numbers; export it again.")
        faces = np.flatnonzero(triangle_areas(mesh) > 0.0).astype(np.int32)
        if len(faces) == 0:
            raise InputError("The surface holds no face with an area, so nothing can lie off it.")
        mesh = TriMesh(mesh.points, mesh.triangles[faces])
        return SignedSurface(mesh, faces, TriangleIndex.build(mesh))

    def distance(self, points: Floats, reach_m: float = np.inf) -> SignedDistance:
        """Signed distances of ``points`` (n, 3) m, looking no farther than ``reach_m``.

        Raises:
            InputError: points whose coordinates are not numbers.
        """
        points = np.asarray(points, np.float64)
        if not np.isfinite(points).all():
            raise InputError("Points to measure from a surface must have numbers as coordinates; clean the scan first.")
        distance, face, foot = self.index.nearest(points, reach_m)
        near = np.flatnonzero(face >= 0)
        code = np.zeros(len(near), np.int8)
        for start in range(0, len(near), _PART):
            some = near[start : start + _PART]
            corners = self.mesh.points[self.mesh.triangles[face[some]]].reshape(-1, 9).T
            distance[some], foot[some], code[start : start + _PART] = _place(points[some], corners)
        off = np.flatnonzero(code != _FACE)
        some = near[off]
        normal, rim = _normals(self.mesh, face[some], code[off])
        lean = ((points[some] - foot[some]) * normal).sum(axis=1)
        beside = some[rim & (np.abs(lean) < BESIDE * distance[some])]
        distance[some] = np.where(lean < 0.0, -distance[some], distance[some])
        face[near] = self.faces[face[near]]
        distance[face < 0], distance[beside] = np.nan, np.nan
        return SignedDistance(distance, face, foot)


def triangle_areas(mesh: TriMesh) -> Floats:
    """Areas (m,) in m2, several times faster than by way of normals."""
    points, triangles = np.ascontiguousarray(mesh.points.T), mesh.triangles.T
    a, b, c = (points.take(corner, axis=1) for corner in triangles)
    normal = cross(b - a, c - a)
    return np.asarray(0.5 * np.sqrt(np.einsum("kn,kn->n", normal, normal)))


def _place(points: Floats, corners: Floats) -> tuple[Floats, Floats, NDArray[np.int8]]:
    """Where on its triangle ``corners`` (9, n) the place nearest to each point (n, 3) lies.

    Returns:
        (n,) m distance, signed over a face; (n, 3) m the place; (n,) code of the face, edge or corner.
    """
    p, a = np.ascontiguousarray(points.T), np.ascontiguousarray(corners).reshape(3, 3, -1)
    u, v, d = a[1] - a[0], a[2] - a[0], p - a[0]
    n = cross(u, v)
    area = (n * n).sum(axis=0)
    height = (n * d).sum(axis=0)
    s = (n * cross(d, v)).sum(axis=0)
    t = (n * cross(u, d)).sum(axis=0)
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
