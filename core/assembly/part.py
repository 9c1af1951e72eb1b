"""A piece of a variant that takes up room: an element or a mount."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh, is_rigid
from ..geometry.signed import SignedSurface

Floats = NDArray[np.float64]
Matrix = NDArray[np.float64]

_PATCHES = 128


@dataclass(frozen=True)
class Patches:
    """A surface in small pieces, each of faces near together, so that a search may leave most of it out.

    Attributes:
        of_face: (m,) the patch of each face.
        points, of_point: (p,) the points of the mesh that each patch has, patch after patch, and the patch.
        middle: (k, 3) m, the middle of each patch's middlemost face.
        touching: (q, 2) patches that share a place, both ways round.
    """

    of_face: NDArray[np.intp]
    points: NDArray[np.intp]
    of_point: NDArray[np.intp]
    middle: Floats
    touching: NDArray[np.intp]


@dataclass(frozen=True)
class Part:
    """A piece ready to be moved about.

    Attributes:
        name: as shown to people.
        mesh: its surface in its own axes, m; it may be open.
        index: over ``mesh``, built once.
    """

    name: str
    mesh: TriMesh
    index: TriangleIndex

    @staticmethod
    def of(name: str, mesh: TriMesh) -> Part:
        """Index ``mesh``.

        Raises:
            InputError: no faces, or coordinates that are not numbers.
        """
        if len(mesh.triangles) == 0:
            raise InputError(f"“{name}” holds no faces, so it takes up no room.")
        if not np.isfinite(mesh.points).all():
            raise InputError(f"“{name}” has points whose coordinates are not numbers; build or import it again.")
        return Part(name, mesh, TriangleIndex.build(mesh))

    def placed(self, pose: Matrix | None) -> TriangleIndex:
        """The index where the rigid (4, 4) ``pose`` takes the part; None leaves it where it is.

        Raises:
            InputError: a pose that is not rigid.
        """
        return self.index if pose is None else self.index.moved(rigid(pose, self.name))

    @cached_property
    def length_m(self) -> float:
        """Diagonal of the box about it, m: nothing of it can reach farther into anything that it crosses."""
        return float(np.linalg.norm(np.ptp(self.mesh.points, axis=0)))

    @cached_property
    def half_width_m(self) -> float:
        """Half its least extent along its principal axes, m: no ball inside it can be larger, nothing lies deeper."""
        points = self.mesh.points[np.unique(self.mesh.triangles)]
        _, axes = np.linalg.eigh(np.cov(points.T))
        return 0.5 * float(np.ptp(points @ axes, axis=0).min())

    @cached_property
    def surface(self) -> SignedSurface:
        """The part in its own axes, to be asked on which side of it points lie."""
        return SignedSurface.over(self.mesh, self.index)

    @cached_property
    def outward(self) -> int:
        """1 for a closed surface that faces outwards, -1 for one turned inside out, 0 for an open one.

        Closed is a surface each of whose edges has an even number of faces; points at one place count as one.
        """
        fans = self.surface.fans
        corners = fans.place[self.mesh.triangles]
        ends = np.sort(np.stack([corners, corners[:, [1, 2, 0]]], axis=2).reshape(-1, 2), axis=1)
        ends = ends[ends[:, 0] < ends[:, 1]].astype(np.int64)
        _, tally = np.unique(ends[:, 0] * len(fans.first) + ends[:, 1], return_counts=True)
        if len(tally) == 0 or (tally % 2).any():
            return 0
        a, b, c = (self.mesh.corners - self.mesh.points.mean(axis=0)).transpose(1, 0, 2)
        return 1 if np.einsum("nk,nk->", a, np.cross(b, c)) > 0.0 else -1

    @cached_property
    def patches(self) -> Patches:
        """The part's faces in runs along the curve that its index keeps them on, on which neighbours lie together."""
        faces = self.index.forest.below[: 8 * self.index.forest.leaves]
        faces = faces[faces >= 0]
        count = min(len(faces), _PATCHES)
        first = np.arange(count + 1) * len(faces) // count
        number = np.repeat(np.arange(count), np.diff(first))
        of_face = np.empty(len(faces), np.intp)
        of_face[faces] = number
        corners = self.mesh.corners[faces]
        low = np.minimum.reduceat(corners.min(axis=1), first[:-1])
        high = np.maximum.reduceat(corners.max(axis=1), first[:-1])
        own = corners.mean(axis=1)
        off = np.linalg.norm(own - (0.5 * (low + high))[number], axis=1)
        middle = own[np.lexsort((off, number))[first[:-1]]]
        of_point, points = np.divmod(
            np.unique(number[:, None] * len(self.mesh.points) + self.mesh.triangles[faces]), len(self.mesh.points)
        )
        # Neighbours in the fan of each place are enough: they link all patches that meet there.
        around = of_face[self.surface.fans.corner // 3]
        place = np.repeat(np.arange(len(self.surface.fans.first) - 1), np.diff(self.surface.fans.first))
        link = np.flatnonzero((place[1:] == place[:-1]) & (around[1:] != around[:-1]))
        pairs = np.stack([around[link], around[link + 1]], axis=1)
        touching = np.unique(np.concatenate([pairs, pairs[:, ::-1]]), axis=0)
        return Patches(of_face, points, of_point, middle, touching)


def rigid(pose: Matrix, name: str) -> Matrix:
    """``pose`` (4, 4) if it only turns and shifts.

    Raises:
        InputError: anything else.
    """
    pose = np.asarray(pose, np.float64)
    if not is_rigid(pose):
        raise InputError(f"“{name}” is to be moved by something that does not only turn and shift; apply its scale.")
    return pose
