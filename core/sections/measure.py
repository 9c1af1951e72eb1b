"""Sections of a wing element measured off a scan in vehicle axes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.box import Box
from ..geometry.mesh import TriMesh, face_normals
from .cut import Slicer
from .fit import WEIGHTS, SectionFit, fit_section

Floats = NDArray[np.float64]

STEP_M = 6e-4
"""Step along a cut: three to a trailing edge of 2 mm, the thinnest that is usual on a road car's wing.
Common practice, no source."""
LEAST_SWEEP_RAD = math.radians(0.5)
"""Below this lean of the quarter-chord line a square cut differs from a streamwise one by less than 0.1 per mille."""
FEWEST_FACES = 300
"""Below this a place holds scraps, not a wing: a hand-held scan puts thousands of faces on one."""


@dataclass(frozen=True)
class Section:
    """One measured section and the plane it was cut in.

    Attributes:
        origin: (3,) m in vehicle axes, where the plane's coordinates are zero: (0, y, 0) of a streamwise cut, the
            quarter-chord point of one square to the quarter-chord line.
        aft, up: (3,) unit vectors, the plane's axes; aft lies level, so that the incidence is to the road.
        fit: chord line, shape, deviation and uncertainty in these axes.
    """

    origin: Floats
    aft: Floats
    up: Floats
    fit: SectionFit

    @property
    def y_m(self) -> float:
        """Where the section stands, m, positive to the left."""
        return float(self.origin[1])

    @property
    def leading_edge(self) -> Floats:
        """(3,) m in vehicle axes."""
        return self.place(self.fit.leading_edge)

    def place(self, points: Floats) -> Floats:
        """Points (..., 2) m, aft and up in the plane, to (..., 3) m in vehicle axes."""
        return self.origin + points[..., :1] * self.aft + points[..., 1:] * self.up


@dataclass(frozen=True)
class TipPlate:
    """A flat plate found across the tips. All m, in vehicle axes at the left tip.

    Attributes:
        points: (n, 2) x and z of its outer face.
        inner_y, outer_y: its two faces.
    """

    points: Floats
    inner_y: float
    outer_y: float


@dataclass(frozen=True)
class MeasuredElement:
    """What a scan tells about one element.

    Attributes:
        name: the element's.
        sections: streamwise ones, in planes y = constant, from right to left: what an element is rebuilt from.
        square: those square to the quarter-chord line of their half, from right to left: what a section is drawn
            from. The same as ``sections`` where that line leans less than half a degree (``LEAST_SWEEP_RAD``), and
            where only streamwise ones were asked for.
        skipped: (y in m, reason) of streamwise stations that gave no section.
        square_skipped: the same of those square to the quarter-chord line; ``skipped`` where ``square`` is
            ``sections``.
        low_y, high_y: m, the element's ends (inner faces of the tip plates where there are any).
        tip_plate: None for plain tips.
    """

    name: str
    sections: tuple[Section, ...]
    square: tuple[Section, ...]
    skipped: tuple[tuple[float, str], ...]
    square_skipped: tuple[tuple[float, str], ...]
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


def measure_element(
    name: str, part: TriMesh, count: int = 13, square: bool = True, weights: int = WEIGHTS
) -> MeasuredElement:
    """Cut an element at ``count`` stations and fit a section to each cut.

    A first pass cuts streamwise. Where the quarter-chord line it finds is swept or rises, a second one cuts each
    half square to its own line, at as many stations as keep clear of the tips and of the other half.

    Args:
        name: the element's, for messages.
        part: faces of that element alone (see ``faces_in_place``), vehicle axes, m.
        count: stations, spread over the span, closer towards its ends (see ``_places``).
        square: whether to cut square to the quarter-chord line, too.
        weights: of the sections' thickness and of their mean line, each.

    Raises:
        InputError: fewer than three stations look like a section.
    """
    normals, areas = face_normals(part.corners)
    middle = part.corners.mean(axis=1)
    low_y, high_y = _ends(part.corners[:, :, 1], areas)
    plate = _tip_plate(middle, normals, areas, part, low_y, high_y)
    if plate is not None:
        grown = high_y - plate.inner_y
        high_y = plate.inner_y
        # A half scan ends at the centre plane, where there is no plate.
        low_y = low_y + grown if low_y < -0.5 * high_y else low_y
    slicer = Slicer(part)
    along = np.array([0.0, 1.0, 0.0])
    stations = [(np.array([0.0, y, 0.0]), along) for y in _places(low_y, high_y, count)]
    sections, skipped = _fitted(slicer, stations, weights)
    if len(sections) < 3:
        reason = skipped[len(skipped) // 2][1] if skipped else ""
        raise InputError(f"No wing at the place given for “{name}”: of {count} cuts {len(sections)} fit. {reason}")
    leaning = _square_stations(sections, low_y, high_y) if square else []
    turned, lost = _fitted(slicer, leaning, weights)
    streamwise, none = tuple(sections), tuple(skipped)
    return MeasuredElement(
        name=name,
        sections=streamwise,
        square=tuple(turned) if leaning else streamwise,
        skipped=none,
        square_skipped=tuple(lost) if leaning else none,
        low_y=low_y,
        high_y=high_y,
        tip_plate=plate,
    )


def _places(low_y: float, high_y: float, count: int) -> Floats:
    """(count,) m, half-way between even and cosine spacing, from 1 % of the span inside each tip.

    A curved tip is known by what is cut close to it. An end near the centre plane is where a half scan stops, often
    ragged: the spacing there is even, and the first cut keeps 5 % clear.
    """
    inner = np.array([low_y > -0.5 * high_y, high_y < -0.5 * low_y])
    margin = np.where(inner, 0.05, 0.01)
    phase = np.linspace(0.5 * np.pi * inner[0], np.pi - 0.5 * np.pi * inner[1], count)
    spread = (np.cos(phase[0]) - np.cos(phase)) / (np.cos(phase[0]) - np.cos(phase[-1]))
    share = margin[0] + (1.0 - margin.sum()) * 0.5 * (np.linspace(0.0, 1.0, count) + spread)
    return np.asarray(low_y + share * (high_y - low_y), np.float64)


def _fitted(
    slicer: Slicer, stations: list[tuple[Floats, Floats]], weights: int
) -> tuple[list[Section], list[tuple[float, str]]]:
    """Sections in planes (point, unit normal to the left), and (y, reason) of planes that gave none."""
    sections, skipped = [], []
    for origin, normal in stations:
        aft = np.array([-normal[1], normal[0], 0.0]) / math.hypot(normal[0], normal[1])
        up = np.cross(normal, aft)
        points, facet = _cut_points(slicer, origin, normal, np.stack([aft, up]))
        try:
            fit = fit_section(points, weights=weights, facet=facet)
            sections.append(Section(origin, aft, up, fit))
        except InputError as problem:
            skipped.append((float(origin[1]), str(problem)))
    return sections, skipped


def _square_stations(sections: list[Section], low_y: float, high_y: float) -> list[tuple[Floats, Floats]]:
    """Points on and directions of the quarter-chord line of each half, clear of tips and of the other half.

    Empty where no half leans. The lines are Theil and Sen's: medians of the slopes between all pairs of stations.
    """
    fits = [s.fit for s in sections]
    chord = np.array([f.chord_m for f in fits])
    to_tail = np.array([[math.cos(f.incidence_rad), -math.sin(f.incidence_rad)] for f in fits])
    in_plane = np.array([f.leading_edge for f in fits]) + 0.25 * chord[:, None] * to_tail
    quarter = np.array([s.place(q) for s, q in zip(sections, in_plane, strict=True)])
    # A part that reaches little past the centre plane is one half.
    centre = 0.0 if low_y > -0.5 * high_y else 0.5 * (low_y + high_y)
    stations, leans = [], False
    for here, inner, outer in (
        (quarter[:, 1] < centre, centre, low_y),
        (quarter[:, 1] >= centre, max(centre, low_y), high_y),
    ):
        if here.sum() < 3:
            continue
        q = quarter[here]
        first, second = np.triu_indices(len(q), 1)
        run = q[second] - q[first]
        slope = np.median(run / run[:, 1:2], axis=0)
        start = np.median(q - slope * q[:, 1:2], axis=0)
        along = slope / np.linalg.norm(slope)
        leans |= bool(math.acos(min(along[1], 1.0)) >= LEAST_SWEEP_RAD)
        # A cut through the quarter point leans over to one side ahead of it and to the other behind it.
        ahead, behind = (share * float(chord[here].max()) * abs(slope[0]) for share in (0.3, 0.8))
        aft_inward = slope[0] * (outer - inner) < 0.0
        way = math.copysign(1.0, outer - inner)
        margin = 0.05 * abs(outer - inner)
        near = inner + way * ((behind if aft_inward else ahead) + 0.2 * margin)
        far = outer - way * ((ahead if aft_inward else behind) + margin)
        if (far - near) * way <= 0.0:
            continue
        stations += [(start + slope * y, along) for y in np.sort(np.linspace(near, far, int(here.sum())))]
    return stations if leans else []


def _cut_points(slicer: Slicer, origin: Floats, normal: Floats, axes: Floats) -> tuple[Floats, Floats]:
    """Points (n, 2) m spread along the cut in the plane's ``axes`` (2, 3), and their ``facet`` (n,) for the fit."""
    # Even short pieces: a blunt base scanned apart from both sides is one, and it alone tells where the chord ends.
    kept = [c for c in slicer.cut(origin, normal) if len(c.points) > 2]
    if not kept:
        return np.zeros((0, 2)), np.zeros(0)
    spread = [_evenly((c.points - origin) @ axes.T, c.lever @ axes.T, c.closed) for c in kept]
    return np.concatenate([p for p, _ in spread]), np.concatenate([f for _, f in spread])


def _evenly(points: Floats, lever: Floats, closed: bool) -> tuple[Floats, Floats]:
    """Points every ``STEP_M`` along a chain (n, 2), and their ``facet``.

    A blunt base one face high shows only in the way across it. Steps keep half their length off the chain's ends.
    """
    ends = [*range(len(points)), 0] if closed else list(range(len(points)))
    chain, lever = points[ends], lever[ends]
    steps = np.diff(chain, axis=0)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    count = math.ceil(run[-1] / STEP_M)
    place = (np.arange(count) + 0.5) * run[-1] / max(count, 1)
    k = np.clip(np.searchsorted(run, place) - 1, 0, len(run) - 2)
    step, size = steps[k], np.maximum(run[k + 1] - run[k], 1e-12)
    share = ((place - run[k]) / size)[:, None]
    # How far a plane facet lies beneath a surface is a variance: that of its corners about the point, weighted as
    # the point is made of them; what the mesh's edges bring and what the step between two of them brings.
    at_edges = (np.stack([lever[k], lever[k + 1]], axis=1) * step[:, None]).sum(axis=2) / size[:, None]
    beneath = (np.hstack([1.0 - share, share]) * at_edges**2).sum(axis=1) + (share * (1.0 - share))[:, 0] * size**2
    return chain[k] + share * step, 2.0 * np.sqrt(beneath)


def _ends(y: Floats, areas: Floats) -> tuple[float, float]:
    """The span's ends from the corners' ``y`` (m, 3): faces that reach beyond each make up a ten-thousandth of the
    surface and are three at least, so that one stray face decides nothing."""

    def farthest(reach: Floats) -> float:
        order = np.argsort(-reach)
        enough = int(np.searchsorted(np.cumsum(areas[order]), 1e-4 * areas.sum()))
        return float(reach[order][max(enough, 3)])

    return -farthest(-y.min(axis=1)), farthest(y.max(axis=1))


def _quantile(values: Floats, areas: Floats, share: float) -> float:
    """The value below which faces with ``share`` of the area lie."""
    order = np.argsort(values)
    sums = np.cumsum(areas[order])
    return float(values[order][np.searchsorted(sums, share * sums[-1])])


def _tip_plate(
    middle: Floats,
    normals: Floats,
    areas: Floats,
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
