"""Sections, wings and lattice solutions that the lift tests share."""

import math

import numpy as np

from wingfettle.core.elements.element import Element, EndPlate
from wingfettle.core.lift.lattice import Lattice, forces, ring_strengths, sheets_of
from wingfettle.core.sections.shape import SectionShape, cosine_spaced, shape_from_ordinates

FLAT = SectionShape(half_thickness=np.full(6, 0.1), mean_line=np.zeros(6), trailing_edge=0.0)


def four_digit(camber: float, place: float, thickness: float) -> SectionShape:
    """NACA four-digit section (Report 460, 1933, closed edge), thickness laid off upright."""
    x = cosine_spaced(121)
    half = 5 * thickness * (0.2969 * np.sqrt(x) - 0.126 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1036 * x**4)
    ahead = camber / place**2 * (2 * place * x - x**2)
    behind = camber / (1 - place) ** 2 * (1 - 2 * place + 2 * place * x - x**2)
    mean = np.where(x < place, ahead, behind)
    # Many weights, because the mean line's curvature jumps at its summit.
    return shape_from_ordinates(np.column_stack([x, mean + half]), np.column_stack([x, mean - half]), 6, 14)


def wing(
    name: str = "wing",
    *,
    chord: float = 1.0,
    span: float = 6.0,
    degrees: float = 1.0,
    at: tuple[float, float, float] = (0.0, 0.0, 1000.0),
    shape: SectionShape = FLAT,
    plate: EndPlate | None = None,
) -> Element:
    return Element(name, np.array(at), span, chord, 1.0, 0.0, 0.0, math.radians(degrees), 0.0, shape, shape, plate)


def solved(elements: list[Element], road: bool = False, rows: int = 8, columns: int = 28):
    """Lattice, ring strengths and bound forces in a wind of 1 m/s, density 1."""
    lattice = Lattice([s for i, e in enumerate(elements) for s in sheets_of(e, i, rows, columns)])
    still = np.zeros((3, len(lattice.owner)))
    still[0] = -1.0
    strength = ring_strengths(lattice, lattice.normals, lattice.velocity(lattice.controls, lattice.owner, road), still)
    wind = lattice.velocity(lattice.bound_middle, lattice.bound_owner, road) @ strength
    wind[0] -= 1.0
    return lattice, strength, forces(lattice, strength, wind, 1.0)


def coefficients(element: Element, **options) -> tuple[float, float]:
    """Lift and induced drag coefficient of one wing."""
    _, _, force = solved([element], **options)
    return 2 * force[:, 2].sum() / element.area_m2, -2 * force[:, 0].sum() / element.area_m2
