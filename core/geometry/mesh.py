"""The triangle mesh that passes between rooms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError


@dataclass(frozen=True)
class TriMesh:
    """Triangles over shared points.

    Attributes:
        points: (n, 3) float64, metres.
        triangles: (m, 3) int32, indices into ``points``, counter-clockwise seen from outside.
    """

    points: NDArray[np.float64]
    triangles: NDArray[np.int32]

    @property
    def corners(self) -> NDArray[np.float64]:
        """(m, 3, 3) float64: the three corners of each triangle, metres."""
        return self.points[self.triangles]

    def transformed(self, matrix: NDArray[np.float64]) -> TriMesh:
        """The same triangles with points moved by a (4, 4) rigid or affine ``matrix``."""
        return TriMesh(moved(self.points, matrix), self.triangles)

    def subset(self, keep: NDArray[np.bool_]) -> TriMesh:
        """The triangles where ``keep`` (m,) is true, with unused points left out."""
        triangles = self.triangles[keep]
        used = np.zeros(len(self.points), bool)
        used[triangles] = True
        number = np.cumsum(used, dtype=np.int32) - 1
        return TriMesh(self.points[used], number[triangles])


RIGID = 1e-5
"""How far a matrix of float32 numbers may be off a rotation."""


def is_rigid(matrix: NDArray[np.float64]) -> bool:
    """Whether a matrix is (4, 4) and only turns and shifts, to the digits of float32 numbers."""
    if matrix.shape != (4, 4) or not np.isfinite(matrix).all():
        return False
    turn = matrix[:3, :3]
    off = np.abs(turn.T @ turn - np.eye(3)).max()
    return bool(off <= RIGID and np.linalg.det(turn) > 0.0 and (matrix[3] == [0.0, 0.0, 0.0, 1.0]).all())


def moved(points: NDArray[np.float64], matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """``points`` (n, 3) moved by a (4, 4) rigid or affine ``matrix``."""
    return points @ matrix[:3, :3].T + matrix[:3, 3]


def face_normals(corners: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Unit normals (m, 3) and areas (m,) in m2 of triangles ``corners`` (m, 3, 3).

    A triangle without area gets a zero normal.
    """
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1)
    safe = np.where(length > 0.0, length, 1.0)
    return cross / safe[:, None], 0.5 * length


def join(meshes: list[TriMesh]) -> TriMesh:
    """All ``meshes`` in one, in order, points not merged."""
    offsets = np.cumsum([0] + [len(m.points) for m in meshes])[:-1]
    return TriMesh(
        np.concatenate([m.points for m in meshes]),
        np.concatenate([m.triangles + np.int32(o) for m, o in zip(meshes, offsets, strict=True)]),
    )


def check_mesh(mesh: TriMesh, what: str) -> None:
    """Refuse a mesh that no step can work on.

    Args:
        mesh: the mesh as it came in.
        what: its name, for the message.

    Raises:
        InputError: no triangles, too few to be a surface, or coordinates that are not finite.
    """
    count = len(mesh.triangles)
    if count == 0:
        raise InputError(f"{what} holds no faces, so there is nothing to measure.")
    if count < 100:
        raise InputError(f"{what} holds only {count} face{'s' * (count > 1)}; a scan has thousands.")
    bad = np.flatnonzero(~np.isfinite(mesh.points).all(axis=1))
    if len(bad):
        raise InputError(
            f"{what} has {len(bad)} point{'s' * (len(bad) > 1)} whose coordinates are not numbers "
            f"(the first is number {bad[0]}); export it again."
        )
