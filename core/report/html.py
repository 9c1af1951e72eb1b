"""The report: one HTML file with everything inside it, for the screen and for A4 paper."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape

import numpy as np

from ..elements.deviation import DeviationSummary
from ..errors import InputError
from ..flow.result import CASES
from ..lift.result import Band, LiftEstimate
from ..units import to_kmh, to_mm
from .checks import check_blocks
from .flow_blocks import FLOW_STYLE, flow_blocks, flow_method
from .histogram import histogram_svg, profile_svg
from .lift_blocks import lift_blocks
from .markup import CAUTION, MARKS, stacked, verdict
from .png import png_size
from .results import (
    ResultRow,
    SectionRow,
    VariantResult,
    band_text,
    cases_run,
    common_density,
    common_speed,
    figure,
    nearest_zone,
    results_table,
    variant_notes,
)
from .second_opinion import ALL
from .style import STYLE
from .svg import bar_limits, lift_bars, minus, section_plot

CAUTIONS = (
    "Loads and mounts: no strength was checked. The force acts on the brackets, the screws and the sheet under them, "
    "grows with the square of the speed and shakes; have a licensed engineer prove the mounts for the highest speed "
    "and for both directions of the force.",
    "Lamps, number plate and view: nothing may hide them from the angles that the rules ask for. The angles here are "
    "those of the text named beside each lamp; other texts, other cars and later series ask for others, and the light "
    "itself was not measured. A wing that covers the high stop lamp may need a second approved one. The view in the "
    "mirror rests on where eyes and glass were set.",
    "Edges and projections: rules limit sharp edges, small radii and parts that stand out beyond the body; round and "
    "cover them, end plates above all. Radii here are estimates from a mesh: feel and measure the finished part.",
    "Local codes come first: whether a wing may be fitted, how far it may reach and who must inspect it differs from "
    "place to place. No verdict here replaces it, nor the judgement of a licensed practitioner; ask the inspecting "
    "body before metal is cut.",
    "What an estimate cannot tell: stall and separated flow, gusts and cross wind, soft parts that bend, the balance "
    "between the axles and so the handling. A car with more load behind may steer less; try changes with care, away "
    "from traffic.",
)
"""What every report says, unless told otherwise."""

_RUN_NOTE = (
    " A flow run stands beside the estimate of the same case, with its own range; one marked mid-span is told as if "
    "the whole span were like its middle, which is more than a real wing carries. Of “both bounds” the air clings to "
    "the walls in one and lets go of them in the other, and real air does something between. Which to believe stands "
    "under each variant."
)
_DIRECTIONS = {
    "downforce": '<span class="down">\N{DOWNWARDS ARROW} downforce</span>',
    "lift": '<span class="up">\N{UPWARDS ARROW} lift</span>',
    "neutral": "\N{UP DOWN ARROW} neutral",
    "not estimated": "not estimated",
}


def report_html(
    title: str,
    variants: Sequence[VariantResult],
    *,
    sections: Sequence[SectionRow] = (),
    intake_lines: Sequence[str] = (),
    deviations: Sequence[tuple[str, DeviationSummary]] = (),
    cautions: Sequence[str] = CAUTIONS,
) -> str:
    """The whole report as the text of one HTML file, without scripts and without anything fetched.

    Args:
        title: of the report.
        variants: what to compare; the first one is the "before" of the others.
        sections: the measured sections.
        intake_lines: what was done to the scan, a sentence each.
        deviations: how far each rebuilt element lies from its scan, with the element's name.
        cautions: a sentence each.

    Raises:
        InputError: see ``results.common_speed``; or a picture is no PNG file.
    """
    speed, density = common_speed(variants), common_density(variants)
    stored = "".join(_stored(i, v) for i, v in enumerate(variants) if v.picture is not None)
    limits = bar_limits([band for v in variants for _, _, band in _forces(v)])
    cards = "".join(_card(i, variants, limits) for i in range(len(variants)))
    flows = any(v.flows or v.flow_sweeps for v in variants)
    lead = "Wing variants compared for fit; their forces were not estimated."
    if speed is not None:
        lead = (
            f"Wing variants compared for fit, direction and lift at <b>{to_kmh(speed):g} km/h</b>, air {density:g} "
            "kg/m\N{SUPERSCRIPT THREE}."
        )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}{FLOW_STYLE if flows else ''}</style></head>\n<body>\n"
        f'<svg class="store" aria-hidden="true"><defs>{stored}</defs></svg>\n'
        f'<header><h1>{escape(title)}</h1><p class="lead">{lead}</p></header>\n'
        f"<main>{_comparison(variants)}<section><h2>Each variant</h2>{cards}</section>\n"
        f"{_measured(sections, intake_lines, deviations)}{_cautions(cautions)}{_method(flows)}</main>\n"
        "</body>\n</html>\n"
    )


def _comparison(variants: Sequence[VariantResult]) -> str:
    lines, last, notes = [], None, {v.name: variant_notes(v) for v in variants}
    ran = cases_run(variants)
    for row in results_table(variants):
        if row.variant != last:
            said = "".join(f"<small>{escape(n)}</small>" for n in notes[row.variant])
            lines.append(f'<tr class="variant"><td colspan="{8 + len(ran)}">{escape(row.variant)}{said}</td></tr>')
            last = row.variant
        lines.append(_comparison_row(row, ran))
    forces = "".join(
        f'<th class="n">{case[:1].upper()}{case[1:]} N</th>' + ('<th class="n">Flow run N</th>' if case in ran else "")
        for case in CASES
    )
    return (
        "<section><h2>All variants side by side</h2>"
        f'<table class="comparison{" with-runs" if ran else ""}"><thead><tr><th>Element</th><th>By itself</th>'
        f'<th class="n">Chord mm</th><th class="n">Incidence deg</th>{forces}'
        f"<th>Nearest zone mm</th></tr></thead><tbody>{''.join(lines)}</tbody></table>"
        '<p class="note">Force up is positive: lift is above zero, <b>downforce is negative lift</b>. Under each '
        "force stands the range it may lie in. Incidence is the chord line to the road at mid-span, positive with the "
        f"leading edge up.{_RUN_NOTE if ran else ''}</p></section>\n"
    )


def _comparison_row(row: ResultRow, ran: Sequence[str]) -> str:
    forces = ""
    for k, case in enumerate(CASES):
        forces += f'<td class="n">{stacked((row.alone_n, row.group_n, row.on_car_n)[k])}</td>'
        if case in ran:
            form = "mid-span" if row.run_forms[k] == "mid-span" else ""
            how = "".join(f"<small>{word}</small>" for word in (form, row.run_walls[k]) if word)
            forces += f'<td class="n run">{stacked(row.runs_n[k])}{how}</td>'
    if row.is_total:
        return f'<tr class="total"><td>total</td><td></td><td class="n"></td><td class="n"></td>{forces}<td></td></tr>'
    near = escape(row.nearest)
    if row.collides not in ("no", "not checked"):
        near = f'<span class="verdict touches">{MARKS["touches"]} collides</span> {escape(row.collides)}'
    return (
        f'<tr><td>{escape(row.element)}</td><td class="way">{_DIRECTIONS[row.direction]}</td>'
        f'<td class="n">{row.chord_mm}</td><td class="n">{minus(row.incidence_deg)}</td>{forces}<td>{near}</td></tr>'
    )


def _forces(variant: VariantResult) -> list[tuple[str, str, Band]]:
    """Name, case, force; a full flow run under the estimate of its case. Those at mid-span are of another scale."""
    ran = {(one.element, one.case): one.run for one in variant.compared if one.form == "full"}
    found: list[tuple[str, str, Band | None]] = []
    for e in variant.forces:
        for case, band in zip(CASES, (e.alone_n, e.group_n, e.on_car_n), strict=True):
            found += [(e.element, case, band), (e.element, f"{case}, flow run", ran.get((e.element, case)))]
    if variant.lift is not None and len(variant.forces) > 1:
        for case, band in (("group", variant.lift.group_total_n), ("on car", variant.lift.on_car_total_n)):
            found += [("all together", case, band), ("all together", f"{case}, flow run", ran.get((ALL, case)))]
    return [
        (name, case, band)
        for name, case, band in found
        if band is not None and np.isfinite((band.low, band.high)).all()
    ]


def _card(number: int, variants: Sequence[VariantResult], limits: tuple[float, float]) -> str:
    v, first = variants[number], variants[0]
    pictures = ""
    if number and first.picture is not None and v.picture is not None:
        pictures = _picture(0, first, f"before: {first.name}") + _picture(number, v, f"after: {v.name}")
    elif v.picture is not None:
        pictures = _picture(number, v, v.name)
    return (
        f'<article class="card"><h3>{escape(v.name)}</h3>'
        + (f'<div class="pictures">{pictures}</div>' if pictures else "")
        + (_force_words(v, v.lift, limits) if v.lift is not None else f"<p>No force was estimated. {_fit_words(v)}</p>")
        + lift_blocks(v)
        + flow_blocks(v)
        + check_blocks(v)
        + "</article>\n"
    )


def _force_words(v: VariantResult, lift: LiftEstimate, limits: tuple[float, float]) -> str:
    words = "".join(f"<li>{escape(e.sentence)}</li>" for e in lift.elements)
    warnings = [(e.element, w) for e in lift.elements for w in e.warnings] + [("", w) for w in lift.warnings]
    warned = "".join(
        f'<p class="warn"><b>{CAUTION} {escape(name) or "Note"}:</b> {escape(text)}</p>' for name, text in warnings
    )
    total = lift.on_car_total_n or lift.group_total_n
    where = "on the car" if lift.on_car_total_n is not None else "over the road, without the car"
    return (
        f"<p>Altogether {where}: <b>{minus(band_text(total))} N</b>, {_meaning(total)}. {_fit_words(v)}</p>"
        + (f"<ul>{words}</ul>" if words else "")
        + warned
        + "<h4>Forces, with the range they may lie in</h4>"
        + f'<figure class="bars">{lift_bars(_forces(v), limits)}</figure>'
    )


def _meaning(band: Band) -> str:
    if band.low <= 0.0 <= band.high:
        return "which may be either way"
    return "downforce" if band.value < 0.0 else "lift"


def _fit_words(variant: VariantResult) -> str:
    zones = [z for c in variant.clearance for z in c.zones]
    near = nearest_zone(zones)
    if near is None:
        return "Its clearance was not checked."
    crossed, behind = sum(z.collides for z in zones), sum(z.behind for z in zones)
    if crossed or behind:
        ways = [
            f"{n} of {len(zones)} checks {way} a zone" for n, way in ((crossed, "cross"), (behind, "lie behind")) if n
        ]
        return f"It collides: {', '.join(ways)}."
    tight = sum(z.verdict != "clear" for z in zones)
    room = f"Tighter than asked in {tight} of {len(zones)} checks." if tight else "Every zone has the room asked for."
    return f"Nearest: {escape(near.zone)}, {figure(to_mm(near.distance_m), 1)} mm. {room}"


def _picture(number: int, variant: VariantResult, caption: str) -> str:
    assert variant.picture is not None
    width, height = _png_size(variant)
    return (
        f'<figure><svg viewBox="0 0 {width} {height}" role="img" aria-label="{escape(caption)}">'
        f'<use href="#picture-{number}"/></svg><figcaption>{escape(caption)}</figcaption></figure>'
    )


def _stored(number: int, variant: VariantResult) -> str:
    """A picture kept once in the file, however often it is shown."""
    assert variant.picture is not None
    width, height = _png_size(variant)
    data = base64.b64encode(variant.picture).decode("ascii")
    return f'<image id="picture-{number}" width="{width}" height="{height}" href="data:image/png;base64,{data}"/>'


def _png_size(variant: VariantResult) -> tuple[int, int]:
    size = png_size(variant.picture or b"")
    if size is None:
        raise InputError(f"The picture of variant “{variant.name}” is no PNG file; render it again.")
    return size


def _measured(
    sections: Sequence[SectionRow], intake_lines: Sequence[str], deviations: Sequence[tuple[str, DeviationSummary]]
) -> str:
    if not sections and not intake_lines and not deviations:
        return ""
    lines = "".join(f"<li>{escape(line)}</li>" for line in intake_lines)
    out = "<section><h2>What was measured</h2>" + (f"<h4>The scan</h4><ul>{lines}</ul>" if lines else "")
    if sections:
        out += _section_tables(sections)
        plots = "".join(_section_figure(s) for s in sections)
        out += f'<div class="sections">{plots}</div>'
    if deviations:
        plots = "".join(
            f"<figure>{histogram_svg(summary, name)}<figcaption>{escape(summary.sentence)}</figcaption></figure>"
            for name, summary in deviations
        )
        out += f'<h4>The scan against the rebuilt element</h4><div class="histograms">{plots}</div>'
    return out + "</section>\n"


def _section_tables(sections: Sequence[SectionRow]) -> str:
    """Numbers of every section, then how well its points meet it."""
    numbers = "".join(_section_numbers(s) for s in sections)
    fits = "".join(_section_fit(s) for s in sections)
    return (
        '<h4>Sections of the wing as found</h4><table class="sections-table"><thead><tr><th>Element</th>'
        '<th class="n">Span mm</th><th class="n">Chord mm</th><th class="n">Incidence deg</th>'
        '<th class="n">Thickness %</th><th class="n">at %</th><th class="n">Camber %</th><th class="n">at %</th>'
        f'<th class="n">Nose radius mm</th><th class="n">Tail mm</th></tr></thead><tbody>{numbers}</tbody></table>'
        '<p class="note">Span place is from the centre plane, positive left; sections are square to the quarter-chord '
        "line. Thickness, camber and their places are percent of the chord; camber above zero bulges upward. Under "
        "each number stands its standard error.</p>"
        '<table class="fits-table"><thead><tr><th>Element</th><th class="n">Span mm</th><th class="n">rms mm</th>'
        '<th class="n">95 % mm</th><th class="n">Largest mm</th><th class="n">Within</th><th>Fit</th>'
        f"<th>Not scanned</th></tr></thead><tbody>{fits}</tbody></table>"
        '<p class="note">rms, 95 % and largest are the points’ distances from the fitted section, without points that '
        "belong to something else; a section is within the tolerance when 95 % of its points are.</p>"
    )


def _section_numbers(s: SectionRow) -> str:
    pairs = (
        (s.chord_mm, s.chord_mm_se, 2, False), (s.incidence_deg, s.incidence_deg_se, 2, True),
        (s.thickness_percent, s.thickness_percent_se, 2, False),
        (s.thickness_place_percent, s.thickness_place_percent_se, 1, False),
        (s.camber_percent, s.camber_percent_se, 2, True), (s.camber_place_percent, s.camber_place_percent_se, 1, False),
        (s.le_radius_mm, s.le_radius_mm_se, 2, False), (s.te_mm, s.te_mm_se, 2, False),
    )  # fmt: skip
    cells = "".join(_with_error(*pair) for pair in pairs)
    return f'<tr><td>{escape(s.element)}</td><td class="n">{minus(figure(s.station_mm))}</td>{cells}</tr>'


def _with_error(value: float | None, error: float | None, digits: int, signed: bool) -> str:
    if value is None:
        return '<td class="n">\N{EN DASH}</td>'
    small = "not held" if error is None else f"\N{PLUS-MINUS SIGN}{figure(error, digits + 1)}"
    return f'<td class="n">{minus(figure(value, digits, signed=signed))}<small>{small}</small></td>'


def _section_fit(s: SectionRow) -> str:
    share = "\N{EN DASH}" if s.share_within is None else f"{figure(100.0 * s.share_within, 1)} %"
    numbers = (figure(s.rms_mm, 3), figure(s.p95_mm, 3), figure(s.max_mm, 3), share)
    cells = "".join(f'<td class="n">{n}</td>' for n in numbers)
    fits = verdict("clear", "within") if s.within_tolerance else verdict("tight", "beyond")
    unseen = "; ".join(s.unseen) + (f" ({figure(100.0 * s.left_out, 1)} % left out)" if s.left_out else "")
    return (
        f'<tr><td>{escape(s.element)}</td><td class="n">{minus(figure(s.station_mm))}</td>{cells}'
        f"{fits}<td>{escape(unseen)}</td></tr>"
    )


def _section_figure(s: SectionRow) -> str:
    deviation = ""
    if len(s.along) > 1:
        # A gap in the scan is a gap in the line.
        step = np.diff(s.along)
        gaps = np.flatnonzero(step > max(8.0 * float(np.median(step)), 0.01 * s.chord_mm)) + 1
        broken = np.insert(s.deviation, gaps, np.nan)
        deviation = profile_svg(np.insert(s.along, gaps, np.nan), broken, s.tolerance_mm)
    return (
        f"<figure>{section_plot(s)}{deviation}<figcaption>{escape(s.element)}, {minus(figure(s.station_mm))} mm along "
        f"the span: {figure(s.max_mm, 2)} mm at most (ringed)</figcaption></figure>"
    )


def _cautions(cautions: Sequence[str]) -> str:
    if not cautions:
        return ""
    items = []
    for text in cautions:
        head, colon, rest = text.partition(": ")
        items.append(f"<li><b>{escape(head)}:</b> {escape(rest)}</li>" if colon else f"<li>{escape(text)}</li>")
    head = f'<section class="cautions"><h2>{CAUTION} Before anything is built</h2>'
    return f"{head}<ul>{''.join(items)}</ul></section>\n"


def _method(flows: bool) -> str:
    return (
        "<section><h2>How it was computed</h2><ul>"
        "<li><b>Sections:</b> plane cuts through the scan; a thickness form on a mean line fitted by least squares of "
        "the distances; chord from the middle of the trailing edge to the farthest point of the nose.</li>"
        "<li><b>Clearance:</b> smallest distance between the faces of the rebuilt element and those of each zone of "
        "the scan, less the allowance where one is set; faces that cross are a collision, and how deep they cross is "
        "an estimate.</li>"
        "<li><b>Lid and room to move:</b> the lid is turned about its axis in steps too short to pass a contact; the "
        "maps are checked at each place of their grid and joined by straight lines between.</li>"
        "<li><b>Bending:</b> a beam on its mounts under the estimated force spread like the chord.</li>"
        "<li><b>Lamps and mirror:</b> straight sight lines from points on the lamp to a far observer, and from the "
        "road to the mirror image of the eyes; counted by what stops them.</li>"
        "<li><b>Forces:</b> a lattice of vortex rings on each element, end plate and bracket over its mirror image in "
        "the road: alone, all elements together, and among source panels on the scanned body. Each strip carries what "
        "its section carries with its laminar and turbulent boundary layers beside the other sections, so that layers "
        "that separate limit the load. Steady, straight ahead, no wheels, no engine air.</li>"
        "<li><b>Ranges:</b> what half a degree of incidence, half a millimetre of the sections’ mean line, the limit "
        "at which layers separate and the body’s wake change, taken together. They are no guarantee; where a warning "
        "stands, the method does not hold.</li>"
        + (flow_method() if flows else "")
        + "<li><b>Units and axes:</b> mm, degrees, km/h, newtons (9.81 N weigh 1 kg); left is positive across the car, "
        "up is positive, the road is height zero.</li></ul></section>\n"
    )
