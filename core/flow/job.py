"""All that a flow run rests on: which parts stand in what wind, on what cells, and when it may end."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..assembly.assembly import Assembly
from ..elements.element import Element, check_element
from ..elements.loft import THINNEST_EDGE, loft
from ..errors import InputError
from ..geometry.box import Box
from ..geometry.mesh import TriMesh
from ..units import to_mm
from .closing import Closing
from .front import front_of
from .grid import BODY, BORDER, SCANNED_ROAD_M, Reach, Side
from .plan import plane_gap, space_gap
from .result import CASES, FORMS, WALLS
from .statistics import StopRule

Floats = NDArray[np.float64]
Contours = tuple[tuple[str, Floats], ...]

CONTOUR_COUNT = 120
"""Places along a section's chord at which a mid-span run knows it."""
ALONG_CONTOUR, ALONG_SPAN = 64, 48
"""Quads of a lofted element, see ``elements.loft``."""
SMAGORINSKY = 0.1
"""Deardorff, Journal of Fluid Mechanics 41, 1970, for a channel (from memory); smaller than in free turbulence because
of the shear."""
LATTICE_SPEED = 0.06
"""Of the wind, cells a step: a lattice Mach number of 0.10, at which the density error is half a hundredth."""
USUAL_CELLS = 60e6
"""Beyond which the usual cells are made coarser; 6 GB on the card (common practice, no source)."""
COARSEST = {("mid-span", False): 16.0, ("full", False): 10.0, ("full", True): 8.0}
"""Cells on the shortest chord that the coarsest level of a run has at least if a card holds them, by form and whether
the car is there; the finer ones lie near the wing. In space the coarsest are most of all cells, and far from tips and
wakes there is little for them to tell. A scan's cracks are closed as far as they are narrow in the coarsest."""
FEWEST = 4.0
"""What is left of that where a card would not hold the cells otherwise."""
MOST_GROWN = 1.4
"""How much the usual cells grow before the far ones give way."""
MOST_CELLS = 6e8
"""Beyond which no card has the memory, some 60 GB."""
MOST_LEVELS = 6
NEAR, WAKE = 0.1, 0.3
"""Chords that the finest cells reach about the parts and behind them; each coarser level twice as far as the next."""
VIEW_CHORDS = (2.0, 4.0, 2.0)
"""How far a slice goes ahead of the parts, behind, and above and below, in chords."""
VIEW_CAR_M = (0.5, 1.5, 0.8)
"""The same on the car, m."""
MOST_REFINED = 3.0
"""How many times finer a gap may make the cells."""
BELOW_ROAD_M = 1e-6
"""A part may reach so far below the road, which is rounding."""
MOST_OFF_CENTRE_M = 1e-3
"""That an element of a half model may be mounted off the centre plane: what people place by hand."""
LEAST_ASKED = 0.002
"""Interval that is narrow enough whatever the mean, of dynamic pressure times area, for parts without lift."""


@dataclass(frozen=True)
class _Usual:
    """Distances in ``unit``s: chords, or lengths of the body."""

    cells_on_chord: float
    ahead: float
    behind: float
    above: float
    beside: float


_USUAL = {
    ("mid-span", False): _Usual(320.0, 6.0, 10.0, 6.0, 0.0),
    ("full", False): _Usual(96.0, 4.0, 6.0, 4.0, 3.0),
    ("full", True): _Usual(64.0, 0.7, 2.0, 1.8, 1.8),
}
"""By form and whether the car is there. 320 cells are where both kinds of wall came to the measured lift of a section
that the air follows (``tests/bench/flow_results.md``). What the domain squeezes is told by the blockage, and sponges
let waves out."""


@dataclass(frozen=True)
class RunWishes:
    """What a person asks of a run. None is the usual one for form and case.

    Attributes:
        cells_on_chord: of the finest, on the shortest element's chord; the usual number is less where ``USUAL_CELLS``
            do not do.
        ahead, behind, above, beside: from the parts to the ends of the domain, in longest chords, on the car in lengths
            of the body; below as above, or down to the road.
        cells_in_gap: finer cells until the narrowest gap has so many, up to ``MOST_REFINED`` times; 0 for none.
        time_s: of computing, after which the run ends.
        share: interval of the elements' lift, of its mean, at which it may end.
        half_model: one half of what is alike left and right, in space; elements up to ``MOST_OFF_CENTRE_M`` off the
            centre plane are cut there as they stand.
        lattice_speed: of the wind, cells a step.
        wall_function: the law of the wall where cells are coarser than the layers at it: the air clings; without it
            the air lets go, see ``result.WALLS``. Both together bound what air does.
        smagorinsky: constant of the eddy viscosity, None for none.
        confidence: of the intervals.
    """

    cells_on_chord: float | None = None
    ahead: float | None = None
    behind: float | None = None
    above: float | None = None
    beside: float | None = None
    cells_in_gap: float = 0.0
    time_s: float = 1800.0
    share: float = 0.02
    half_model: bool = False
    lattice_speed: float = LATTICE_SPEED
    wall_function: bool = True
    smagorinsky: float | None = SMAGORINSKY
    confidence: float = 0.95

    def for_run(self, form: str, case: str) -> dict[str, float]:
        """Cells on the chord and distances of a run of this form and case, the usual ones filled in.

        Raises:
            InputError: a number that is not above zero.
        """
        usual = _USUAL[form, case == "on car"]
        found = {}
        for name in ("cells_on_chord", "ahead", "behind", "above", "beside"):
            own = getattr(self, name)
            found[name] = float(getattr(usual, name) if own is None else own)
            if own is not None:
                _above_zero(name.replace("_", " "), found[name])
        return found


@dataclass(frozen=True, eq=False)
class FlowJob:
    """One run, in SI units and vehicle axes.

    Attributes:
        variant: name of the assembly.
        case: "alone", "group" or "on car".
        form: "mid-span" or "full".
        element: the one of the case "alone", else empty.
        parts: names and, mid-span, contours (n, 2) m, x aft and z up as placed; full, meshes in vehicle axes. Elements
            first, then mounts.
        elements: names of the parts that are wing elements.
        spans_m: span that each part's slice stands for at mid-span; nan in full.
        body: the scanned body, on the car only.
        chord_m, area_m2: of Reynolds number and coefficients: mean chord and planform area of the element alone; in a
            group the longest mean chord and the area of all.
        shortest_m: the shortest chord.
        width_m: span that a mid-span run stands for as a whole: area over chords at mid-span; nan in full.
        speed_m_s, density_kg_m3, viscosity_m2_s: of the air; kinematic viscosity.
        spacing_m: edge of a cell, of the finest.
        levels: how often the cells are halved on the way from the domain's ends to the wing.
        domain: vehicle axes, m.
        road: whether there is one at z = 0.
        half: which half is kept, None for the whole.
        smagorinsky, wall_function, lattice_speed: see ``RunWishes``.
        rule: when it may end, its half width in N.
        confidence: of the intervals.
    """

    variant: str
    case: str
    form: str
    element: str
    parts: tuple[tuple[str, Floats | TriMesh], ...]
    elements: tuple[str, ...]
    spans_m: tuple[float, ...]
    body: TriMesh | None
    chord_m: float
    area_m2: float
    shortest_m: float
    width_m: float
    speed_m_s: float
    density_kg_m3: float
    viscosity_m2_s: float
    spacing_m: float
    levels: int
    domain: Box
    road: bool
    half: Side | None
    smagorinsky: float | None
    wall_function: bool
    lattice_speed: float
    rule: StopRule
    confidence: float

    @property
    def contours(self) -> Contours:
        """The parts of a mid-span run."""
        return tuple((name, shape) for name, shape in self.parts if not isinstance(shape, TriMesh))

    @property
    def meshes(self) -> tuple[tuple[str, TriMesh], ...]:
        """The parts of a full run, the body not among them."""
        return tuple((name, shape) for name, shape in self.parts if isinstance(shape, TriMesh))

    @property
    def coarsest_m(self) -> float:
        """Edge of the coarsest cells."""
        return self.spacing_m * 2.0**self.levels

    @property
    def reaches(self) -> tuple[Reach, ...]:
        """How far about the parts the levels with finer cells go, the coarsest first."""
        return reaches_about(self.chord_m, self.spacing_m, self.levels)

    def closed_body(self) -> tuple[Closing, TriMesh | None]:
        """How the body is closed, and what is put before one without a front; looks at all its rims."""
        if self.body is None:
            return Closing(), None
        return front_of(self.body, float(_reach(self.parts, None)[1][0]), self.chord_m)

    def view(self) -> Box:
        """What of the air is worth a picture; looks at all faces."""
        low, high = _reach(self.parts, self.body)
        unit, far = (1.0, VIEW_CAR_M) if self.body is not None else (self.chord_m, VIEW_CHORDS)
        ahead, behind, above = (unit * share for share in far)
        return Box(low - [behind, 0.0, above], high + [ahead, 0.0, above])

    @property
    def names(self) -> tuple[str, ...]:
        """Of all parts, the body last."""
        return (*(name for name, _ in self.parts), *((BODY,) if self.body is not None else ()))

    @property
    def name(self) -> str:
        """For people: variant, case, form, and what the air does at the walls."""
        what = f"{self.element} alone" if self.case == "alone" else self.case
        return f"{self.variant}, {what}, {self.form}, {self.walls}"

    @property
    def walls(self) -> str:
        """What the air does at the walls, in words."""
        return WALLS[self.wall_function]


def flow_job(
    assembly: Assembly,
    mounts: Sequence[tuple[str, TriMesh]],
    body: TriMesh | None,
    case: str,
    form: str,
    element: str,
    speed_m_s: float,
    density_kg_m3: float,
    viscosity_m2_s: float,
    wishes: RunWishes = RunWishes(),  # noqa: B008
) -> FlowJob:
    """The run of one case of a variant.

    The road is there at z = 0 where it is nearer than the domain's lower end. Mounts are taken in full runs of the
    group and on the car, the body on the car.

    Args:
        assembly: the variant, in vehicle axes.
        mounts: names and meshes, vehicle axes.
        body: the scanned body, vehicle axes.
        case: "alone", "group" or "on car".
        form: "mid-span" or "full".
        element: the one to run alone; of no matter otherwise.
        speed_m_s, density_kg_m3, viscosity_m2_s: of the air; kinematic viscosity.
        wishes: what is asked of the run.

    Raises:
        InputError: no such case, form or element, no elements, no body on the car, the car at mid-span, a part that
            reaches below the road, a half model of what is not alike left and right, or numbers that are not above
            zero.
    """
    _check(assembly, body, case, form)
    chosen = (assembly.element(element),) if case == "alone" else assembly.elements
    for what, value in (
        ("speed in m/s", speed_m_s),
        ("air density in kg/m3", density_kg_m3),
        ("air's kinematic viscosity in m2/s", viscosity_m2_s),
        ("time of the run in s", wishes.time_s),
        ("share at which the run may end", wishes.share),
        ("lattice speed", wishes.lattice_speed),
    ):
        _above_zero(what, value)
    far = wishes.for_run(form, case)
    parts: tuple[tuple[str, Floats | TriMesh], ...]
    plane = form == "mid-span"
    if plane:
        parts = tuple((e.name, mid_span_contour(e)) for e in chosen)
        mid = [e.station(0.0).chord_m for e in chosen]
        shortest = min(mid)
        spans = tuple(e.area_m2 / c for e, c in zip(chosen, mid, strict=True))
        width = sum(e.area_m2 for e in chosen) / sum(mid)
    else:
        own = () if case == "alone" else tuple(mounts)
        parts = (*((e.name, element_mesh(e)) for e in chosen), *own)
        shortest = min(e.mean_chord_m for e in chosen)
        spans, width = (math.nan,) * len(parts), math.nan
    chord = max(e.mean_chord_m for e in chosen)
    area = sum(e.area_m2 for e in chosen)
    on_car = body if case == "on car" else None
    low, high = _reach(parts, on_car)
    # Parts of the wing reach past the body by little.
    unit = float(high[0] - low[0]) if on_car is not None else chord
    wing = _reach(parts, None)
    front = front_of(on_car, float(wing[1][0]), chord)[1] if on_car is not None else None
    if front is not None:
        high = np.maximum(high, front.points.max(axis=0))
    domain, road = _domain(low, high, {k: v * unit for k, v in far.items()}, plane, on_car is not None)
    if road:
        _check_above_road(parts)
    half: Side | None = None
    if wishes.half_model and not plane:
        half = _half(chosen, on_car)
    spacing = _spacing(parts, on_car, road, shortest / far["cells_on_chord"], wishes.cells_in_gap)
    levels = levels_of(shortest / spacing, COARSEST[form, on_car is not None])
    if not plane:
        usual = wishes.cells_on_chord is None and not wishes.cells_in_gap
        spacing, levels = _affordable(wing, domain, spacing, levels, chord, shortest, half, usual)
    force = 0.5 * density_kg_m3 * speed_m_s**2 * area
    rule = StopRule(LEAST_ASKED * force, wishes.share, wishes.time_s)
    return FlowJob(
        variant=assembly.name, case=case, form=form, element=element if case == "alone" else "", parts=parts,
        elements=tuple(e.name for e in chosen), spans_m=spans, body=on_car, chord_m=chord, area_m2=area,
        shortest_m=shortest, width_m=width, speed_m_s=speed_m_s, density_kg_m3=density_kg_m3,
        viscosity_m2_s=viscosity_m2_s, spacing_m=spacing, levels=levels, domain=domain, road=road, half=half,
        smagorinsky=wishes.smagorinsky, wall_function=wishes.wall_function, lattice_speed=wishes.lattice_speed,
        rule=rule, confidence=wishes.confidence,
    )  # fmt: skip


def mid_span_contour(element: Element) -> Floats:
    """(n, 2) m, x aft and z up, the section at mid-span as placed, from the trailing edge over the upper side round.

    The last point is joined to the first by the blunt trailing edge; one that a loft makes sharp has one point.
    """
    check_element(element)
    station = element.station(0.0)
    points = station.place(station.shape.contour(CONTOUR_COUNT))
    contour = np.column_stack([-points[:, 0], points[:, 2]])
    if station.shape.trailing_edge >= THINNEST_EDGE:
        return contour
    return np.concatenate([[0.5 * (contour[0] + contour[-1])], contour[1:-1]])


def element_mesh(element: Element) -> TriMesh:
    """The closed mesh that the air meets, end plates with it, vehicle axes."""
    return loft(element, ALONG_CONTOUR, ALONG_SPAN).outer_triangles()


def _check(assembly: Assembly, body: TriMesh | None, case: str, form: str) -> None:
    if case not in CASES:
        raise InputError(f"A flow run cannot be of the case “{case}”; choose one of {', '.join(CASES)}.")
    if form not in FORMS:
        raise InputError(f"A flow run cannot be of the form “{form}”; choose one of {', '.join(FORMS)}.")
    if not assembly.elements:
        raise InputError(f"Variant “{assembly.name}” has no element to run; add one.")
    if case == "on car" and form == "mid-span":
        raise InputError(
            "A whole car sheds a wake in the plane that a real one does not; run the case “on car” in the full form."
        )
    if case == "on car" and body is None:
        raise InputError("There is no scanned body for the case “on car”; choose one, or run the group.")


def _above_zero(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise InputError(f"The {what} of the flow run is {value:g}; give a number above zero.")


def _check_above_road(parts: Sequence[tuple[str, Floats | TriMesh]]) -> None:
    for name, shape in parts:
        low = float((shape.points[shape.triangles] if isinstance(shape, TriMesh) else shape)[..., -1].min())
        if low < -BELOW_ROAD_M:
            raise InputError(f"“{name}” reaches {to_mm(-low):.3g} mm below the road (z = 0); raise it.")


def _reach(parts: Sequence[tuple[str, Floats | TriMesh]], body: TriMesh | None) -> tuple[Floats, Floats]:
    """(3,), (3,) m, vehicle axes: the corners of the box about all parts."""
    points = [np.zeros((0, 3))]
    for name, shape in parts:
        if isinstance(shape, TriMesh):
            if not len(shape.triangles):
                raise InputError(f"“{name}” has no faces; build or import it again.")
            points.append(shape.points[np.unique(shape.triangles)])
        else:
            points.append(np.column_stack([-shape[:, 0], np.zeros(len(shape)), shape[:, 1]]))
    if body is not None:
        corners = body.corners
        above = corners[corners[:, :, 2].max(axis=1, initial=-np.inf) > SCANNED_ROAD_M].reshape(-1, 3)
        if not len(above):
            raise InputError("The body has no faces above the road; scan or place it anew.")
        points.append(above)
    every = np.concatenate(points)
    if not np.isfinite(every).all():
        raise InputError("A part of the flow run has points that are not numbers; build or import it again.")
    return every.min(axis=0), every.max(axis=0)


def _domain(low: Floats, high: Floats, far: Mapping[str, float], plane: bool, on_car: bool) -> tuple[Box, bool]:
    road = on_car or float(low[2]) < far["above"]
    beside = 0.0 if plane else far["beside"]
    start = [low[0] - far["behind"], low[1] - beside, 0.0 if road else low[2] - far["above"]]
    end = [high[0] + far["ahead"], high[1] + beside, high[2] + far["above"]]
    if not plane:
        # The same left and right, so that cells lie alike on both sides of what is alike.
        end[1] = max(-start[1], end[1])
        start[1] = -end[1]
    return Box(np.array(start), np.array(end)), road


def levels_of(cells_on_chord: float, coarsest: float = COARSEST["mid-span", False]) -> int:
    """How often the cells are halved on the way to a wing, so many of the finest on its shortest chord and ``coarsest``
    at least of the coarsest."""
    return min(int(math.log2(max(cells_on_chord / coarsest, 1.0))), MOST_LEVELS)


def reaches_about(chord: float, spacing: float, levels: int) -> tuple[Reach, ...]:
    """How far about parts of a chord each level goes, m, the finest of cells of ``spacing``; the coarsest first."""
    found = []
    for k in range(levels, 0, -1):
        away, border = 2.0 ** (k - 1) * chord, (BORDER + 1) * spacing * 2.0**k
        near = max(NEAR * away, border)
        found.append(Reach(near, max(WAKE * away, border), near))
    return tuple(found)


def _affordable(
    wing: tuple[Floats, Floats],
    domain: Box,
    spacing: float,
    levels: int,
    chord: float,
    shortest: float,
    half: Side | None,
    usual: bool,
) -> tuple[float, int]:
    """Spacing and levels of a run in space that a card holds.

    Usual cells grow a little first. Then there is one level more, whose cells far off are twice as large, while
    ``FEWEST`` are left on the chord; then usual cells grow on.

    Raises:
        InputError: cells that were asked for are too many all the same.
    """

    def count(h: float, k: int) -> float:
        return _cells(wing, domain, h, k, chord, half)

    wanted = spacing
    while True:
        spacing = wanted
        while usual and spacing < MOST_GROWN * wanted and count(spacing, levels) > USUAL_CELLS:
            spacing *= 1.02
        more = levels < MOST_LEVELS and shortest / (wanted * 2.0 ** (levels + 1)) >= FEWEST
        if count(spacing, levels) <= USUAL_CELLS or not more:
            break
        levels += 1
    while usual and count(spacing, levels) > USUAL_CELLS:
        spacing *= 1.02
    if count(spacing, levels) > MOST_CELLS:
        raise InputError(
            f"The run would have {count(spacing, levels):.2g} cells, and {MOST_CELLS:.0g} are the most; ask for fewer "
            "on the chord or in the gap, or run half of it."
        )
    return spacing, levels


def _cells(
    wing: tuple[Floats, Floats], domain: Box, spacing: float, levels: int, chord: float, half: Side | None
) -> float:
    """About how many cells all levels of a run in space have."""
    share = 0.5 if half else 1.0
    count = float(np.prod(domain.high - domain.low)) / (spacing * 2.0**levels) ** 3
    for k, reach in zip(range(levels, 0, -1), reaches_about(chord, spacing, levels), strict=True):
        about = np.array([reach.ahead_m + reach.behind_m, 2.0 * reach.beside_m, 2.0 * reach.beside_m])
        count += float(np.prod(wing[1] - wing[0] + about)) / (spacing * 2.0 ** (k - 1)) ** 3
    return share * count


def _half(elements: Sequence[Element], body: TriMesh | None) -> Side:
    for e in elements:
        if abs(float(e.leading_edge[1])) > MOST_OFF_CENTRE_M + 1e-9:
            raise InputError(
                f"Element “{e.name}” is mounted {to_mm(float(e.leading_edge[1])):+.3g} mm off the centre plane, and "
                f"{to_mm(MOST_OFF_CENTRE_M):g} mm is the most for a half model; run the whole."
            )
    if body is None:
        return "left"
    # The half that was scanned more fully.
    corners = body.corners
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    left = corners[:, :, 1].mean(axis=1) > 0.0
    return "left" if area[left].sum() >= area[~left].sum() else "right"


def _spacing(
    parts: Sequence[tuple[str, Floats | TriMesh]], body: TriMesh | None, road: bool, spacing: float, in_gap: float
) -> float:
    if not in_gap:
        return spacing
    _above_zero("number of cells in the gap", in_gap)
    meshes = [(name, shape) for name, shape in parts if isinstance(shape, TriMesh)]
    contours = [(name, shape) for name, shape in parts if not isinstance(shape, TriMesh)]
    gap = (space_gap(meshes, body, road) if meshes else plane_gap(contours, road))[0]
    return min(spacing, max(gap / in_gap, spacing / MOST_REFINED))


# --- as record and arrays

_NUMBERS = (
    "chord_m", "area_m2", "shortest_m", "width_m", "speed_m_s", "density_kg_m3", "viscosity_m2_s", "spacing_m",
    "lattice_speed", "confidence",
)  # fmt: skip
_TEXTS = ("variant", "case", "form", "element")
_RULE = ("half_width", "share", "time_s")
_FORM = 2


def packed(job: FlowJob) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """A job as a record that JSON holds and arrays by name; nothing is lost or rounded."""
    record: dict[str, Any] = {"job_form": _FORM}
    record.update({name: getattr(job, name) for name in _TEXTS})
    record.update({name: _to_plain(getattr(job, name)) for name in _NUMBERS})
    record["elements"], record["levels"] = list(job.elements), job.levels
    record["spans_m"] = [_to_plain(span) for span in job.spans_m]
    record["domain"] = [[_to_plain(float(v)) for v in end] for end in (job.domain.low, job.domain.high)]
    record["road"], record["half"], record["wall_function"] = job.road, job.half, job.wall_function
    record["smagorinsky"] = None if job.smagorinsky is None else _to_plain(job.smagorinsky)
    record["rule"] = {name: _to_plain(getattr(job.rule, name)) for name in _RULE}
    record["rule"]["fewest"] = job.rule.fewest
    record["rule"]["channels"] = None if job.rule.channels is None else list(job.rule.channels)
    arrays: dict[str, NDArray[Any]] = {}
    kinds = []
    for k, (name, shape) in enumerate(job.parts):
        mesh = isinstance(shape, TriMesh)
        kinds.append([name, "mesh" if mesh else "contour"])
        _put(arrays, f"part{k}", shape)
    record["parts"] = kinds
    record["body"] = job.body is not None
    if job.body is not None:
        _put(arrays, "body", job.body)
    return record, arrays


def unpacked(record: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> FlowJob:
    """The way back from ``packed``.

    Raises:
        InputError: a record that is none of a job, of a later form, or with arrays or fields missing.
    """
    try:
        if record["job_form"] != _FORM:
            raise InputError(f"The job is of form {record['job_form']!r}, this version reads {_FORM}; post it again.")
        parts = tuple(
            (str(name), _mesh(arrays, f"part{k}") if kind == "mesh" else np.array(arrays[f"part{k}"], np.float64))
            for k, (name, kind) in enumerate(record["parts"])
        )
        rule = record["rule"]
        channels = rule["channels"]
        low, high = (np.array([float(v) for v in end]) for end in record["domain"])
        given: dict[str, Any] = {name: str(record[name]) for name in _TEXTS}
        given.update({name: float(record[name]) for name in _NUMBERS})
        return FlowJob(
            **given,
            parts=parts,
            elements=tuple(str(name) for name in record["elements"]),
            spans_m=tuple(float(span) for span in record["spans_m"]),
            body=_mesh(arrays, "body") if record["body"] else None,
            levels=int(record["levels"]),
            domain=Box(low, high),
            road=bool(record["road"]),
            half=record["half"],
            smagorinsky=None if record["smagorinsky"] is None else float(record["smagorinsky"]),
            wall_function=bool(record["wall_function"]),
            rule=StopRule(
                half_width=float(rule["half_width"]),
                share=float(rule["share"]),
                time_s=float(rule["time_s"]),
                fewest=int(rule["fewest"]),
                channels=None if channels is None else tuple(channels),
            ),
        )
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as problem:
        if isinstance(problem, InputError):
            raise
        raise InputError(f"The record holds no whole flow job ({problem}); post it again.") from None


def digest(job: FlowJob) -> str:
    """Short text of everything that the answer rests on.

    The variant's name and when the run may end are left out: they change neither the air nor the parts. Places count to
    a nanometre, other numbers to nine digits, so that rounding on the way does not.
    """
    record, arrays = packed(job)
    for name in ("variant", "rule"):
        del record[name]
    made = hashlib.sha256(json.dumps(_rounded(record), sort_keys=True).encode())
    for name in sorted(arrays):
        values = arrays[name]
        if values.dtype.kind == "f":
            values = np.round(np.nan_to_num(values) * 1e9).astype(np.int64)
        made.update(f"{name}{values.shape}".encode())
        made.update(np.ascontiguousarray(values).astype(np.int64).tobytes())
    return made.hexdigest()[:20]


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _rounded(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    return f"{value + 0.0:.9g}" if isinstance(value, float) else value


def _to_plain(value: float) -> float | str:
    """JSON has no sign for numbers that are none."""
    return float(value) if math.isfinite(value) else str(float(value))


def _put(arrays: dict[str, NDArray[Any]], name: str, shape: Floats | TriMesh) -> None:
    if isinstance(shape, TriMesh):
        arrays[f"{name}/points"], arrays[f"{name}/triangles"] = shape.points, shape.triangles
    else:
        arrays[name] = shape


def _mesh(arrays: Mapping[str, NDArray[Any]], name: str) -> TriMesh:
    return TriMesh(np.array(arrays[f"{name}/points"], np.float64), np.array(arrays[f"{name}/triangles"], np.int32))
