"""What a ray meets first, for many rays at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .index import TriangleIndex

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


def first_hits(
    index: TriangleIndex, origins: Floats, directions: Floats, reach_m: float | Floats = np.inf, start_m: float = 0.0
) -> tuple[Floats, Ints]:
    """The first triangle that each ray meets.

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
    raise NotImplementedError


def any_hit(
    index: TriangleIndex, origins: Floats, directions: Floats, reach_m: float | Floats = np.inf, start_m: float = 0.0
) -> NDArray[np.bool_]:
    """(n,) whether each ray meets anything; arguments as in ``first_hits``, and cheaper."""
    raise NotImplementedError
