"""How far an element bends under its load: a beam on its mounts. An estimate of size class, not a proof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..elements.element import Element
from ..geometry.mesh import TriMesh

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Deflection:
    """The bent line of an element.

    Attributes:
        y_m: (k,) rising, along the span, m.
        up_m: (k,) m, positive up.
        largest_m: the largest of its absolute values.
        sentence: what it is worth, in words, with the assumptions.
    """

    y_m: Floats
    up_m: Floats
    largest_m: float
    sentence: str


def element_deflection(
    element: Element, force_n: float, mounts_y_m: Sequence[float], youngs_pa: float, skin_m: float = 0.0
) -> Deflection:
    """An element bent by a force spread over its span in proportion to the chord.

    Args:
        element: its chord and sections give the stiffness of each station (second moment of area about the
            section's axis along the chord; thin-walled for a skin, else solid).
        force_n: total, positive up.
        mounts_y_m: where along the span it is held (simple supports); one holds it clamped.
        youngs_pa: Young's modulus of the skin or of the solid.
        skin_m: wall thickness; 0 takes the element's own skin, and that 0 is solid.

    Raises:
        InputError: no mount, mounts off the element, or numbers out of range.
    """
    raise NotImplementedError


def bent(mesh: TriMesh, deflection: Deflection, share: float = 1.0) -> TriMesh:
    """``mesh`` with each point moved up by ``share`` of the deflection at its place along y (held beyond the ends)."""
    raise NotImplementedError
