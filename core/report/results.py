"""What the report tells: one record a variant, one a measured section, and both as rows and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..assembly.assembly import Assembly
from ..clearance.deflection import Deflection
from ..clearance.edges import SharpEdges
from ..clearance.opening import Opening
from ..clearance.outline import OutlineCheck
from ..clearance.result import PartClearance, ZoneClearance
from ..clearance.slide import SlideMap
from ..errors import InputError
from ..flow.result import CASES, FlowRun
from ..flow.tables import Table
from ..lift.estimate import CHOKE_FROM
from ..lift.result import Air, Band, ChannelNote, ElementLift, LiftEstimate
from ..lift.sweep import Sweep
from ..sight.lamps import LampSight
from ..sight.mirror import MirrorView
from ..units import to_degrees, to_kmh, to_mm
from .record import number, record
from .second_opinion import ALL, BELIEVE, Compared, opinions

_DRAWN = ("contour", "fit", "along", "deviation")


@dataclass(frozen=True)
class FlowPicture:
    """What a flow run looks like in an upright plane along the car.

    Attributes:
        form, case, element: of the run, as in ``FlowRun``.
        still: a PNG file's bytes: the mean, or any moment.
        words: what it shows.
        clip: a moving PNG file's bytes, or None.
    """

    form: str
    case: str
    element: str
    still: bytes
    words: str
    clip: bytes | None = None


@dataclass(frozen=True)
class VariantResult:
    """One variant with everything that was worked out for it.

    Attributes:
        name: as the person calls it.
        assembly: its elements.
        clearance: one entry a part, which is an element or a mount; a part without one was not checked.
        lift: its estimate, for just these elements, or None when there is none.
        picture: a PNG file's bytes, or None.
        clearance_picture: the same, of the wing coloured by its clearance.
        opening: the way of the boot lid, or None when it was not opened.
        slides: where else the wing could stand.
        slide_zones: names that ``SlideMap.tightest`` counts; empty takes those of the zones in ``clearance``.
        deflections: how far elements bend, with the element's name.
        outline, edges: one entry a part that was checked.
        lamps: one entry a lamp and kind.
        lamps_left_out: a sentence for each lamp that could not be judged.
        mirror: the view to the rear, or None.
        sweeps: what if: forces over changes, for just these elements.
        pressure_picture: a PNG file's bytes, of the wing coloured by its pressure, or None.
        zoned_share: share of the body's area that is in a zone (the rest counts as air), or None when not known.
        flows: flow runs, one a form, case, (alone) element and treatment of the walls.
        flow_pictures: what they look like.
        flow_sweeps: forces by flow runs over changes.

    Raises:
        InputError: forces are for other elements than the variant's, flow runs are for other elements, another speed
            or another density than the estimate, or a part's clearance is there twice.
    """

    name: str
    assembly: Assembly
    clearance: tuple[PartClearance, ...] = ()
    lift: LiftEstimate | None = None
    picture: bytes | None = None
    opening: Opening | None = None
    slides: tuple[SlideMap, ...] = ()
    slide_zones: tuple[str, ...] = ()
    deflections: tuple[tuple[str, Deflection], ...] = ()
    outline: tuple[OutlineCheck, ...] = ()
    edges: tuple[SharpEdges, ...] = ()
    lamps: tuple[LampSight, ...] = ()
    mirror: MirrorView | None = None
    clearance_picture: bytes | None = None
    sweeps: tuple[Sweep, ...] = ()
    pressure_picture: bytes | None = None
    lamps_left_out: tuple[str, ...] = ()
    zoned_share: float | None = None
    flows: tuple[FlowRun, ...] = ()
    flow_pictures: tuple[FlowPicture, ...] = ()
    flow_sweeps: tuple[Table, ...] = ()

    def __post_init__(self) -> None:
        names = {e.name for e in self.assembly.elements}
        found = [set(s.elements) for s in self.sweeps]
        if self.lift is not None:
            found.append({e.element for e in self.lift.elements})
        if any(one != names for one in found):
            raise InputError(
                f"The forces of variant “{self.name}” are for other elements than it has; estimate them again."
            )
        for run in self.flows:
            wrong = misfit(run, self.assembly, self.lift)
            if wrong:
                raise InputError(f"A flow run of variant “{self.name}” does not belong to it: {wrong}.")
        parts = [c.part for c in self.clearance]
        if len(set(parts)) != len(parts):
            raise InputError(
                f"Variant “{self.name}” has the clearance of a part twice; give each part its own name and check again."
            )

    @property
    def forces(self) -> tuple[ElementLift, ...]:
        """The estimate of each element; empty where there is none."""
        return () if self.lift is None else self.lift.elements

    @property
    def checked(self) -> bool:
        """Whether anything was worked out for it."""
        several = (
            self.clearance, self.slides, self.deflections, self.outline, self.edges, self.lamps, self.sweeps,
            self.flows, self.flow_sweeps,
        )  # fmt: skip
        return any(several) or any(one is not None for one in (self.lift, self.opening, self.mirror))

    def lift_of(self, element: str) -> ElementLift | None:
        """The estimate for ``element``, one of the variant's, or None where there is none."""
        return next((e for e in self.forces if e.element == element), None)

    def zones_of(self, element: str) -> tuple[ZoneClearance, ...]:
        """The zones checked for ``element``; empty where it was not checked."""
        return next((c.zones for c in self.clearance if c.part == element), ())

    @property
    def compared(self) -> tuple[Compared, ...]:
        """Its flow runs beside its estimate."""
        return opinions(self.assembly, self.lift, self.flows)

    @property
    def others(self) -> tuple[PartClearance, ...]:
        """The clearance of parts that are no elements."""
        names = {e.name for e in self.assembly.elements}
        return tuple(c for c in self.clearance if c.part not in names)

    @property
    def limits(self) -> tuple[str, ...]:
        """What ``SlideMap.tightest`` counts, by name."""
        return self.slide_zones or tuple(z.zone for c in self.clearance[:1] for z in c.zones)


def misfit(run: FlowRun, assembly: Assembly, lift: LiftEstimate | None) -> str:
    """Why a flow run cannot stand beside a variant's estimate, in words; empty where it can."""
    names = {e.name for e in assembly.elements}
    held = {part.part for part in run.parts}
    wanted = {run.element} if run.case == "alone" else names
    if not (wanted <= held and wanted <= names):
        return "it is for other elements; run it again"
    if lift is None:
        return ""
    if abs(run.speed_m_s - lift.speed_m_s) > 1e-6 * lift.speed_m_s:
        return f"it is for {to_kmh(run.speed_m_s):g} km/h and the estimate for {to_kmh(lift.speed_m_s):g} km/h"
    if abs(run.air_density_kg_m3 - lift.air_density_kg_m3) > 1e-4 * lift.air_density_kg_m3:
        return (
            f"it is for air of {run.air_density_kg_m3:.4g} kg/m3 and the estimate for {lift.air_density_kg_m3:.4g} "
            "kg/m3"
        )
    return ""


@dataclass(frozen=True, kw_only=True)
class SectionRow:
    """One measured section in the units people read.

    Fields ending in ``_se`` are standard errors; None where the number is not held at all, or was stored without.

    Attributes:
        element: its element's name.
        station_mm: place along the span, positive left.
        chord_mm, incidence_deg, thickness_percent, camber_percent: of the fitted section, percent of the chord.
        thickness_place_percent, camber_place_percent: where the largest ones stand, percent of the chord.
        le_radius_mm, te_mm: radius of the leading edge, thickness of the trailing edge.
        unseen: what of the contour was not scanned, in words.
        rms_mm, p95_mm, max_mm: distance of the measured points from the fit.
        left_out: share of the points that belong to something else.
        share_within, tolerance_mm: share of the others within the tolerance, and that.
        within_tolerance: whether enough are.
        contour: (n, 2) mm, measured points, aft and up, in order along the contour.
        along, deviation: (n,) mm, way round the contour and distance from the fit, positive outside.
        fit: (k, 2) mm, the fitted outline in order round the section.
    """

    element: str
    station_mm: float
    chord_mm: float
    incidence_deg: float
    thickness_percent: float
    camber_percent: float
    rms_mm: float
    p95_mm: float
    max_mm: float
    within_tolerance: bool
    contour: NDArray[np.float64]
    fit: NDArray[np.float64]
    along: NDArray[np.float64]
    deviation: NDArray[np.float64]
    chord_mm_se: float | None = None
    incidence_deg_se: float | None = None
    thickness_percent_se: float | None = None
    thickness_place_percent: float | None = None
    thickness_place_percent_se: float | None = None
    camber_percent_se: float | None = None
    camber_place_percent: float | None = None
    camber_place_percent_se: float | None = None
    le_radius_mm: float | None = None
    le_radius_mm_se: float | None = None
    te_mm: float | None = None
    te_mm_se: float | None = None
    unseen: tuple[str, ...] = ()
    left_out: float = 0.0
    share_within: float | None = None
    tolerance_mm: float = 0.5


def section_row(plain: Mapping[str, Any]) -> SectionRow:
    """The row whose fields ``plain`` holds, arrays as nested lists (as JSON keeps them).

    Files of the first form stored no standard errors and no way round the contour.
    """
    arrays = {key: np.asarray(plain[key], float).reshape(-1, 2) for key in ("contour", "fit")}
    arrays |= {key: np.asarray(plain.get(key, []), float) for key in ("along", "deviation")}
    return SectionRow(**{**plain, **arrays, "unseen": tuple(plain.get("unseen", ()))})


@dataclass(frozen=True)
class ResultRow:
    """One line of the comparison, in words and rounded figures.

    Attributes:
        variant: its name.
        element: its name, or "total".
        direction: "lift", "downforce", "neutral" or "not estimated"; empty for a total.
        chord_mm, incidence_deg: at mid-span; empty for a total.
        alone_n, group_n, on_car_n: "value (low to high)", positive up; a dash where not worked out.
        nearest: the nearest zone and the distance to it in mm; empty for a total.
        collides: the zones it crosses or lies behind, or "no"; empty for a total.
        runs_n: the same forces by flow runs, for each of ``flow.result.CASES``; a dash where there is none.
        run_forms: their forms; empty where there is none.
        run_walls: what the air does at the walls, in words; empty where there is none.
        believe: which of estimate and flow run to believe, as in ``second_opinion.BELIEVE``; empty where there are not
            both.
    """

    variant: str
    element: str
    direction: str
    chord_mm: str
    incidence_deg: str
    alone_n: str
    group_n: str
    on_car_n: str
    nearest: str
    collides: str
    runs_n: tuple[str, ...] = ("-", "-", "-")
    run_forms: tuple[str, ...] = ("", "", "")
    run_walls: tuple[str, ...] = ("", "", "")
    believe: tuple[str, ...] = ("", "", "")

    @property
    def is_total(self) -> bool:
        """Whether the line sums the variant's elements."""
        return not self.direction


def common_speed(variants: Sequence[VariantResult]) -> float | None:
    """The one speed in m/s that all estimates of ``variants`` hold for; None where there is no estimate.

    Raises:
        InputError: no variant, none of which anything was worked out, or two that were estimated at different speeds.
    """
    if not variants:
        raise InputError("There is no variant to report on; make and check one first.")
    if not any(v.checked for v in variants):
        raise InputError("Nothing was worked out of any variant yet; check a clearance or estimate a lift first.")
    speeds = [(v.name, v.lift.speed_m_s) for v in variants if v.lift is not None]
    for name, speed in speeds[1:]:
        if abs(speed - speeds[0][1]) > 1e-9 * speed:
            raise InputError(
                f"Variant “{name}” was estimated at {to_kmh(speed):g} km/h and “{speeds[0][0]}” at "
                f"{to_kmh(speeds[0][1]):g} km/h; estimate all at one speed to compare them."
            )
    return speeds[0][1] if speeds else None


def common_density(variants: Sequence[VariantResult]) -> float | None:
    """Air density in kg/m³ of the first estimate; None where there is none."""
    return next((v.lift.air_density_kg_m3 for v in variants if v.lift is not None), None)


def figure(value: float, digits: int = 0, signed: bool = False) -> str:
    """``value`` rounded to ``digits`` decimals, never as a negative zero."""
    rounded = round(float(value), digits) + 0.0
    return f"{rounded:+.{digits}f}" if signed and rounded else f"{rounded:.{digits}f}"


def band_text(band: Band | None) -> str:
    """A force as "value (low to high)" in whole newtons, with signs; a dash for None."""
    if band is None:
        return "-"
    value, low, high = (figure(n, signed=True) for n in (band.value, band.low, band.high))
    return f"{value} ({low} to {high})"


def channel_word(note: ChannelNote) -> tuple[str, str]:
    """What the choke index means, as the kind of a verdict ("clear", "tight", "touches") and in a word or two."""
    if np.isnan(note.choke_index):
        return "tight", "not known"
    if note.choke_index > 1.0:
        return "touches", "chokes"
    return ("tight", "near its limit") if note.choke_index > CHOKE_FROM else ("clear", "air follows")


def reynolds(variant: VariantResult, element: str) -> float | None:
    """Speed times mean chord over viscosity; None where the air is not known."""
    lift = variant.lift
    if lift is None or lift.air is None:
        return None
    return lift.speed_m_s * variant.assembly.element(element).mean_chord_m / lift.air.viscosity_m2_s


def nearest_zone(zones: Sequence[ZoneClearance]) -> ZoneClearance | None:
    """The zone that an element comes nearest to, one that it crosses or lies behind before all others."""
    return min(zones, key=lambda z: (not (z.collides or z.behind), z.distance_m), default=None)


def results_table(variants: Sequence[VariantResult]) -> list[ResultRow]:
    """A line for each element of each variant, then its total where forces were estimated.

    Raises:
        InputError: see ``common_speed``.
    """
    common_speed(variants)
    rows = []
    for v in variants:
        compared = v.compared
        for e in v.assembly.elements:
            lift, zones = v.lift_of(e.name), v.zones_of(e.name)
            near = nearest_zone(zones)
            crossed, runs = [z.zone for z in zones if z.collides or z.behind], _runs(compared, e.name)
            rows.append(
                ResultRow(
                    variant=v.name,
                    element=e.name,
                    direction="not estimated" if lift is None else lift.direction,
                    chord_mm=figure(to_mm(e.chord_m), 1),
                    incidence_deg=figure(to_degrees(e.incidence_rad), 2, signed=True),
                    alone_n=band_text(lift.alone_n if lift is not None else None),
                    group_n=band_text(lift.group_n if lift is not None else None),
                    on_car_n=band_text(lift.on_car_n if lift is not None else None),
                    nearest="not checked" if near is None else f"{near.zone} {figure(to_mm(near.distance_m), 1)}",
                    collides="not checked" if near is None else ", ".join(crossed) or "no",
                    runs_n=runs[0],
                    run_forms=runs[1],
                    run_walls=runs[2],
                    believe=runs[3],
                )
            )
        if v.lift is not None:
            total = ("", band_text(v.lift.group_total_n), band_text(v.lift.on_car_total_n))
            rows.append(ResultRow(v.name, "total", "", "", "", *total, "", "", *_runs(compared, ALL)))
    return rows


def cases_run(variants: Sequence[VariantResult]) -> tuple[str, ...]:
    """Those of ``flow.result.CASES`` of which there is a flow run."""
    found = {run.case for v in variants for run in v.flows}
    return tuple(case for case in CASES if case in found)


def _runs(compared: Sequence[Compared], element: str) -> tuple[tuple[str, ...], ...]:
    """Forces, forms and walls by flow runs and which to believe, one a case; full runs go before those at mid-span."""
    found: dict[str, Compared] = {}
    for one in compared:
        if one.element == element and (one.form == "full" or one.case not in found):
            found[one.case] = one
    rows = [found.get(case) for case in CASES]
    said = [None if one is None else one.opinion for one in rows]
    return (
        tuple(band_text(None if one is None else one.run) for one in rows),
        tuple("" if one is None else one.form for one in rows),
        tuple("" if one is None else one.walls for one in rows),
        tuple("" if one is None else BELIEVE[one.word] for one in said),
    )


def variant_notes(variant: VariantResult) -> tuple[str, ...]:
    """What the comparison says of a whole variant, if worked out: how sure its forces are, channels that choke or
    nearly do, how far the lid opens, which lamps are hidden."""
    notes = []
    sure = [f"{e.element} {e.confidence}" for e in variant.forces if e.confidence_reason]
    if sure:
        notes.append(f"how sure the forces are: {', '.join(sure)}")
    for note in variant.lift.channels if variant.lift is not None else ():
        if note.choke_index > CHOKE_FROM:
            notes.append(
                f"channel between {note.lower} and {note.upper}: {channel_word(note)[1]}, gap "
                f"{figure(to_mm(note.gap_m), 1)} mm"
            )
    for one in variant.compared:
        if one.opinion is not None and one.opinion.word != "agree":
            believe = {"neither": "neither"}.get(one.opinion.word, f"the {one.opinion.word}")
            notes.append(
                f"flow run ({one.form}, {one.walls}) and estimate of {one.element or 'all together'}, {one.case}, "
                f"differ: believe {believe}"
            )
    if variant.opening is not None:
        first = variant.opening.first
        widest = figure(to_degrees(float(variant.opening.angles_rad[-1])))
        notes.append(
            f"lid opens to {widest} deg without contact"
            if first is None
            else f"lid: first contact at {figure(to_degrees(first.contact_rad), 1)} deg, {first.part} with "
            f"{first.against}"
        )
    hidden = [f"{s.zone} ({s.rule.kind}) {s.verdict}" for s in variant.lamps if s.verdict != "clear"]
    if variant.lamps:
        notes.append("lamps: " + (", ".join(hidden) or "clear"))
    if variant.lamps_left_out:
        notes.append(f"lamps not judged: {len(variant.lamps_left_out)}")
    return tuple(notes)


def results_json(
    variants: Sequence[VariantResult],
    *,
    speed_m_s: float,
    sections: Sequence[SectionRow] = (),
    intake: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Everything as plain dictionaries, lists and numbers, ready for ``json.dump``.

    A variant without an estimate has no keys of forces.

    Args:
        variants: all of them.
        speed_m_s: what they were estimated at; told only where there is an estimate.
        sections: the measured sections; their points are left out.
        intake: measured figures of the intake, passed on as they are.

    Raises:
        InputError: see ``common_speed``; or ``speed_m_s`` is another speed.
    """
    found, density = common_speed(variants), common_density(variants)
    if found is not None and abs(found - speed_m_s) > 1e-6 * found:
        raise InputError(
            f"The variants were estimated at {to_kmh(found):g} km/h, not at the {to_kmh(speed_m_s):g} km/h that is set "
            "now; estimate them again."
        )
    return {
        "speed_kmh": None if found is None else float(to_kmh(speed_m_s)),
        "air_density_kg_m3": None if density is None else float(density),
        "intake": dict(intake or {}),
        "sections": [_section_json(s) for s in sections],
        "variants": [_variant_json(v) for v in variants],
    }


def _section_json(section: SectionRow) -> dict[str, Any]:
    return {f.name: getattr(section, f.name) for f in fields(section) if f.name not in _DRAWN}


def _variant_json(variant: VariantResult) -> dict[str, Any]:
    elements = []
    for e in variant.assembly.elements:
        lift = variant.lift_of(e.name)
        elements.append(
            {
                "element": e.name,
                "chord_m": float(e.chord_m),
                "incidence_rad": float(e.incidence_rad),
                **({} if lift is None else _element_lift_json(lift)),
                "reynolds_number": _rounded(reynolds(variant, e.name)),
                **_clearance_json(next((c for c in variant.clearance if c.part == e.name), None)),
            }
        )
    return {
        "name": variant.name,
        "elements": elements,
        **({} if variant.lift is None else _lift_json(variant.lift)),
        "sweeps": [_sweep_json(s) for s in variant.sweeps],
        "zoned_share": None if variant.zoned_share is None else number(variant.zoned_share),
        "other_parts": [{"part": c.part, **_clearance_json(c)} for c in variant.others],
        "opening": None if variant.opening is None else _opening_json(variant.opening),
        "slides": [{**record(m), "sentence": m.sentence} for m in variant.slides],
        "slide_zones": list(variant.limits) if variant.slides else [],
        "deflections": [{"part": name, **record(bend)} for name, bend in variant.deflections],
        "outline": [record(check) for check in variant.outline],
        "edges": [record(found) for found in variant.edges],
        "lamps": [record(sight) for sight in variant.lamps],
        "lamps_left_out": list(variant.lamps_left_out),
        "mirror": None if variant.mirror is None else record(variant.mirror),
        "flow_runs": [{**record(run), "walls": run.walls} for run in variant.flows],
        "flow_compared": [{**record(one), "walls": one.walls} for one in variant.compared],
        "flow_sweeps": [record(table) for table in variant.flow_sweeps],
    }


def _element_lift_json(lift: ElementLift) -> dict[str, Any]:
    return {
        "direction": lift.direction,
        "suction_side": lift.suction_side,
        "zero_lift_rad": float(lift.zero_lift_rad),
        "lift_alone_n": _band_json(lift.alone_n),
        "lift_group_n": _band_json(lift.group_n),
        "lift_on_car_n": _band_json(lift.on_car_n),
        "centre_of_pressure_m": [float(c) for c in lift.centre_of_pressure],
        "sentence": lift.sentence,
        "warnings": list(lift.warnings),
        "confidence": lift.confidence,
        "confidence_reason": lift.confidence_reason,
        "loads": [record(load) for load in lift.loads],
    }


def _lift_json(lift: LiftEstimate) -> dict[str, Any]:
    return {
        "group_total_n": _band_json(lift.group_total_n),
        "on_car_total_n": _band_json(lift.on_car_total_n),
        "warnings": list(lift.warnings),
        "air": None if lift.air is None else _air_json(lift.air),
        "channels": [record(note) for note in lift.channels],
        "speed_table": [{"speed_m_s": number(v), "lift_n": record(band)} for v, band in lift.speed_table],
    }


def _clearance_json(clearance: PartClearance | None) -> dict[str, Any]:
    if clearance is None:
        return {"zones": []}
    plain = record(clearance)
    zones = []
    for zone in plain["zones"]:
        zones.append({"zone": zone.pop("zone"), "clearance_m": zone.pop("distance_m"), **zone})
    return {
        "allowance_m": plain["allowance_m"],
        "faces_crossed": plain["part_hits_count"],
        "body_faces_crossed": len(clearance.body_hits),
        "zones": zones,
    }


def _air_json(air: Air) -> dict[str, Any]:
    return {**record(air), "viscosity_m2_s": number(air.viscosity_m2_s, 10)}  # a hundred-thousandth is much of it


def _sweep_json(sweep: Sweep) -> dict[str, Any]:
    unit = {"gap": "m", "stagger": "m", "incidence": "rad", "speed": "m_s"}[sweep.what]

    def row(bands: tuple[Band | None, ...]) -> list[dict[str, Any] | None]:
        return [None if band is None else record(band) for band in bands]

    return {
        "what": sweep.what,
        "element": sweep.element,
        "case": sweep.case,
        f"change_{unit}": [number(v) for v in sweep.values],
        f"today_{unit}": number(sweep.today),
        "elements": [
            {"element": name, "lift_n": row(bands)} for name, bands in zip(sweep.elements, sweep.bands, strict=True)
        ],
        "total_n": row(sweep.totals),
        "reasons": list(sweep.reasons),
        "sentence": sweep.sentence,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else number(value, 0)


def _opening_json(opening: Opening) -> dict[str, Any]:
    first = opening.first
    return {
        **record(opening),
        "first_contact_rad": None if first is None else number(first.contact_rad),
        "sentence": opening.sentence,
    }


def _band_json(band: Band | None) -> dict[str, float] | None:
    return None if band is None else {"value": float(band.value), "low": float(band.low), "high": float(band.high)}
