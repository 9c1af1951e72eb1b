"""Lattice directions of the flow run: D2Q9 in the plane (x, z) and D3Q19 in space.

Each direction's opposite stands next to it, so that a pair can share its storage places. With every stencil go the
products of velocity components (moments) that its distributions can tell apart, one a direction, and the matrix back.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError


@dataclass(frozen=True, eq=False)
class Stencil:
    """Directions of a lattice; Q of them in d dimensions.

    Attributes:
        name: "D2Q9" or "D3Q19".
        axes: the axes of space that the lattice has, (0, 2) or (0, 1, 2).
        velocities: (Q, d) cells a step along ``axes``; at rest first, then pairs of opposites.
        steps: (Q, 3) the same along x, y and z.
        weights: (Q,) share of each direction in air at rest.
        opposite: (Q,) index of the direction turned about.
        powers: (Q, d) exponents of the products of velocity components that serve as moments.
        rebuild: (Q, Q) turns those moments into distributions.
    """

    name: str
    axes: tuple[int, ...]
    velocities: NDArray[np.int64]
    steps: NDArray[np.int64]
    weights: NDArray[np.float64]
    opposite: NDArray[np.int64]
    powers: NDArray[np.int64]
    rebuild: NDArray[np.float64]

    @property
    def directions(self) -> int:
        """Q."""
        return len(self.weights)


def stencil(name: str) -> Stencil:
    """The lattice called ``name``, "D2Q9" or "D3Q19".

    Weights: Qian, d'Humieres & Lallemand, "Lattice BGK Models for Navier-Stokes Equation", Europhysics Letters 17,
    1992 (from memory; the tests hold them to the moments of the Maxwell distribution).

    Raises:
        InputError: there is no such lattice.
    """
    if name not in _STENCILS:
        raise InputError(f"There is no lattice {name!r}: choose one of {', '.join(_STENCILS)}.")
    return _STENCILS[name]


def _made(name: str, axes: tuple[int, ...], weights: tuple[float, ...]) -> Stencil:
    """A lattice of all directions with at most two components; ``weights`` by the number of components."""
    d = len(axes)
    half = [c for c in product((1, 0, -1), repeat=d) if 0 < sum(map(abs, c)) <= 2 and c > (0,) * d]
    half.sort(key=lambda c: sum(map(abs, c)))
    velocities = np.array([(0,) * d] + [tuple(sign * x for x in c) for c in half for sign in (1, -1)])
    steps = np.zeros((len(velocities), 3), np.int64)
    steps[:, axes] = velocities
    powers = np.array(sorted((p for p in product((0, 1, 2), repeat=d) if np.count_nonzero(p) <= 2), key=sum))
    moments = np.prod(velocities[None, :, :] ** powers[:, None, :], axis=2)
    return Stencil(
        name=name,
        axes=axes,
        velocities=velocities,
        steps=steps,
        weights=np.array(weights)[np.abs(velocities).sum(axis=1)],
        opposite=np.array([0] + [i + 1 if i % 2 else i - 1 for i in range(1, len(velocities))]),
        powers=powers,
        # The inverse of this matrix of whole numbers is one of eighths.
        rebuild=np.round(8.0 * np.linalg.inv(moments)) / 8.0,
    )


_STENCILS = {
    "D2Q9": _made("D2Q9", (0, 2), (4 / 9, 1 / 9, 1 / 36)),
    "D3Q19": _made("D3Q19", (0, 1, 2), (1 / 3, 1 / 18, 1 / 36)),
}
