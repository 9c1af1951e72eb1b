"""Sections of a wing element measured off a scan in vehicle axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.box import Box
from ..geometry.mesh import TriMesh, face_normals
from .cut import cut_mesh
from .fit import SectionFit, fit_section

STEP_M = 6e-4
"""Step along a cut: three to a trailing edge of 2 mm, the thinnest that is usual on a road car's wing.
Common practice, no source."""
FEWEST_FACES = 300
"""Below this a place holds scraps, not a wing: a hand-held scan puts thousands of faces on one."""


@dataclass(frozen=True)
class Section:
    """One measured section; the cut is streamwise, in the plane y = ``y_m``.

    Attributes:
        y_m: where the plane stands, m, positive to the left.
        fit: chord line, shape, deviation and uncertainty, in (aft, up) = (-x, z).
    """

    y_m: float
    fit: SectionFit

    @property
    def leading_edge(self) -> NDArray[np.float64]:
        """(3,) m in vehicle axes."""
        return np.array([-self.fit.leading_edge[0], self.y_m, self.fit.leading_edge[1]])


@dataclass(frozen=True)
class TipPlate:
    """A flat plate found across the tips. All m, in vehicle axes at the left tip.

    Attributes:
        points: (n, 2) x and z of its outer face.
        inner_y, outer_y: its two faces.
    """

    points: NDArray[np.float64]
    inner_y: float
    outer_y: float


@dataclass(frozen=True)
class MeasuredElement:
    """What a scan tells about one element.

    Attributes:
        name: the element's.
        sections: measured ones, from right to left.
        skipped: (y in m, reason) of stations that gave no section.
        low_y, high_y: m, the element's ends (inner faces of the tip plates where there are any).
        tip_plate: None for plain tips.
    """

    name: str
    sections: tuple[Section, ...]
    skipped: tuple[tuple[float, str], ...]
    low_y: float
    high_y: float
    tip_plate: TipPlate | None


def faces_in_place(scan: TriMesh, place: Box, name: str) -> NDArray[np.bool_]:
    """(m,) bool: the faces of ``scan`` whose middle lies in ``place``.

    Raises:
        InputError: too few of them to be a wing.
    """
    inside = place.holds(scan.corners.mean(axis=1))
    count = int(inside.sum())
    if count < FEWEST_FACES:
        raise InputError(
            f"No wing at the place given for “{name}”: the box holds {count} of the scan's faces. "
            "Move or widen the box so that it encloses the element."
        )
    return inside


def measure_element(name: str, part: TriMesh, count: int = 13) -> MeasuredElement:
    """Cut an element at ``count`` stations and fit a section to each cut.

    Args:
        name: the element's, for messages.
        part: faces of that element alone (see ``faces_in_place``), vehicle axes, m.
        count: stations, evenly spread over the span, clear of the tips.

    Raises:
        InputError: fewer than three stations look like a section.
    """
    normals, areas = face_normals(part.corners)
    middle = part.corners.mean(axis=1)
    low_y, high_y = _ends(middle[:, 1], areas)
    plate = _tip_plate(middle, normals, areas, part, low_y, high_y)
    if plate is not None:
        grown = high_y - plate.inner_y
        high_y = plate.inner_y
        # A half scan ends at the centre plane, where there is no plate.
        low_y = low_y + grown if low_y < -0.5 * high_y else low_y
    margin = 0.05 * (high_y - low_y)
    sections, skipped = [], []
    for y in np.linspace(low_y + margin, high_y - margin, count):
        points = _cut_points(part, float(y))
        try:
            sections.append(Section(float(y), fit_section(points)))
        except InputError as problem:
            skipped.append((float(y), str(problem)))
    if len(sections) < 3:
        reason = skipped[len(skipped) // 2][1] if skipped else ""
        raise InputError(f"No wing at the place given for “{name}”: of {count} cuts {len(sections)} fit. {reason}")
    return MeasuredElement(name, tuple(sections), tuple(skipped), low_y, high_y, plate)


def _cut_points(part: TriMesh, y: float) -> NDArray[np.float64]:
    """(n, 2) m points (aft, up) spread along the cut."""
    contours = cut_mesh(part, np.array([0.0, y, 0.0]), np.array([0.0, 1.0, 0.0]))
    # Even short pieces: a blunt base scanned apart from both sides is one, and it alone tells where the chord ends.
    kept = [c for c in contours if len(c.points) > 2]
    if not kept:
        return np.zeros((0, 2))
    points = np.concatenate([_evenly(c.points, c.closed) for c in kept])
    return np.column_stack([-points[:, 0], points[:, 2]])


def _evenly(points: NDArray[np.float64], closed: bool) -> NDArray[np.float64]:
    """Points every ``STEP_M`` along a chain: a blunt base one face high shows only in the way across it."""
    chain = np.vstack([points, points[:1]]) if closed else points
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(chain, axis=0), axis=1))])
    place = np.linspace(0.0, run[-1], max(int(run[-1] / STEP_M), 2))
    return np.column_stack([np.interp(place, run, chain[:, k]) for k in range(3)])


def _ends(y: NDArray[np.float64], areas: NDArray[np.float64]) -> tuple[float, float]:
    """The span's ends: beyond each lies a ten-thousandth of the surface, so that one stray face decides nothing."""
    return _quantile(y, areas, 1e-4), _quantile(y, areas, 1.0 - 1e-4)


def _quantile(values: NDArray[np.float64], areas: NDArray[np.float64], share: float) -> float:
    """The value below which faces with ``share`` of the area lie."""
    order = np.argsort(values)
    sums = np.cumsum(areas[order])
    return float(values[order][np.searchsorted(sums, share * sums[-1])])


def _tip_plate(
    middle: NDArray[np.float64],
    normals: NDArray[np.float64],
    areas: NDArray[np.float64],
    part: TriMesh,
    low_y: float,
    high_y: float,
) -> TipPlate | None:
    """A plate across the left tip: faces square to the span on both of its sides.

    A plain tip has faces that look outboard only; a plate has inboard ones too, round the section.
    """
    near = middle[:, 1] > high_y - 0.06 * (high_y - low_y)
    outboard = near & (normals[:, 1] > 0.9)
    inboard = near & (normals[:, 1] < -0.9)
    if not outboard.any() or areas[inboard].sum() < 0.3 * areas[outboard].sum():
        return None
    # By area: many small faces of a closed tip inside the plate must not outvote its few large ones.
    outer = _quantile(middle[outboard, 1], areas[outboard], 0.5)
    inner = _quantile(middle[inboard, 1], areas[inboard], 0.5)
    if outer <= inner:
        return None
    points = part.points[np.unique(part.triangles[outboard])][:, [0, 2]]
    return TipPlate(points, inner, outer)
