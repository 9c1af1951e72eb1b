"""Whether parts stay within the car's outline seen from above and below its roof line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CarOutline:
    """The body's outline.

    Attributes:
        plan: (k, 2) m, x and y of the outline seen from above, closed, counter-clockwise, without gaps of the scan.
        roof_m: m, height of the highest point of the body.
        note: what it rests on, such as a scan that ends before the roof's highest place; empty when nothing is amiss.
    """

    plan: Floats
    roof_m: float
    note: str


@dataclass(frozen=True)
class OutlineCheck:
    """One part against the outline.

    Attributes:
        part: its name.
        beyond_rear_m, beyond_left_m, beyond_right_m, above_roof_m: m, how far it stands out; below or at zero by
            how much it stays within.
        outside: (n,) bool, which of the part's points lie outside the plan outline.
        farthest: (3,) m, the point that stands out most of the plan outline (or comes nearest to its edge).
        sentence: in words.
    """

    part: str
    beyond_rear_m: float
    beyond_left_m: float
    beyond_right_m: float
    above_roof_m: float
    outside: NDArray[np.bool_]
    farthest: Floats
    sentence: str


def car_outline(body: TriMesh) -> CarOutline:
    """The outline of the body in vehicle axes, from all its points.

    Raises:
        InputError: no faces.
    """
    raise NotImplementedError


def check_outline(outline: CarOutline, parts: Sequence[tuple[str, TriMesh]]) -> tuple[OutlineCheck, ...]:
    """Each part against the outline."""
    raise NotImplementedError
