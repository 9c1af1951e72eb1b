"""Edges sharper than a radius of 2.5 mm where a person can touch them, by UN Regulation No. 26, as a caution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh

Floats = NDArray[np.float64]

LEAST_RADIUS_M = 0.0025
"""UN Regulation No. 26, general requirement on protruding parts (from memory)."""
SPHERE_M = 0.100
"""Diameter of the sphere that stands for what a person can touch with (UN Regulation No. 26, from memory)."""
HIGHEST_M = 2.0
"""Above this, edges do not count (UN Regulation No. 26, from memory)."""


@dataclass(frozen=True)
class SharpEdges:
    """The sharp edges of one part.

    Attributes:
        part: its name.
        ends: (k, 2, 3) m, the edges' pieces that a person can touch and whose radius is below the limit.
        radius_m: (k,) m, estimated radius of each.
        length_m: total length, m.
        least_m: smallest radius, m; inf when none is sharp.
        sentence: in words, with where (trailing edge, end plate ...) as far as it can be told from the place alone.
    """

    part: str
    ends: Floats
    radius_m: Floats
    length_m: float
    least_m: float
    sentence: str


def sharp_edges(
    parts: Sequence[tuple[str, TriMesh]], body: TriMesh | None = None, least_radius_m: float = LEAST_RADIUS_M
) -> tuple[SharpEdges, ...]:
    """Edges of each part with a smaller radius than asked that a sphere of 100 mm can touch.

    Args:
        parts: names and closed or open surfaces, in vehicle axes (z = 0 the road).
        body: what else keeps the sphere away.
        least_radius_m: what is asked for.
    """
    raise NotImplementedError
