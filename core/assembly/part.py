"""A piece of a variant that takes up room: an element or a mount."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh

Matrix = NDArray[np.float64]


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
        return Part(name, mesh, TriangleIndex.build(mesh))

    def placed(self, pose: Matrix | None) -> TriangleIndex:
        """The index where the rigid (4, 4) ``pose`` takes the part; None leaves it where it is."""
        return self.index if pose is None else self.index.moved(pose)
