"""The report's blocks on what was checked of one variant: room, movement, sight."""

from __future__ import annotations

from html import escape

import numpy as np

from ..clearance.edges import SharpEdges
from ..clearance.outline import OutlineCheck
from ..clearance.result import PartClearance, ZoneClearance
from ..sight.lamps import LampSight
from ..sight.mirror import MirrorView
from ..units import to_degrees, to_mm
from .bend_plot import bend_svg
from .lamp_chart import lamp_svg
from .markup import CAUTION, block, captioned, embedded, table, verdict
from .opening_plot import opening_svg
from .png import png_bytes
from .results import VariantResult, figure
from .slide_map import slide_svg
from .svg import minus

_LAMP_KINDS = {"clear": "clear", "partly hidden": "tight", "hidden": "touches"}
LAMP_LIMITS = (
    "Shapes alone are looked at: not the light given out, nor what the lens does with it, nor the car's own body. For "
    "orientation: the code in force where the car is registered decides."
)


def check_blocks(variant: VariantResult) -> str:
    """All blocks that have something to tell, in the order of the work."""
    blocks = (
        ("Clearance", _clearance(variant)),
        ("Lid opening", _opening(variant)),
        ("Room to move", _slides(variant)),
        ("Bending", _bending(variant)),
        ("Outline and edges", _outline(variant.outline) + _edges(variant.edges)),
        ("Lamps", _lamps(variant.lamps) + _left_out(variant.lamps_left_out)),
        ("View to the rear", _mirror(variant.mirror)),
    )
    return "".join(block(head, body) for head, body in blocks)


def _clearance(variant: VariantResult) -> str:
    parts = variant.clearance
    allowed = any(c.allowance_m > 0.0 for c in parts)
    rows = "".join(_zone_row(c, z, allowed) for c in parts for z in c.zones)
    if not rows:
        return ""
    heads = ("Part", "Zone", "#Distance mm", *(("#Allowance mm",) if allowed else ()), "#Asked mm", "Verdict")
    note = '<p class="note">The allowance is already taken off the distance.</p>' if allowed else ""
    picture = ""
    if variant.clearance_picture is not None:
        words = "The nearer the darker; each zone's smallest distance as a dimension line"
        picture = embedded(variant.clearance_picture, words, words)
    return picture + table("zones", heads, rows) + note + _unzoned(variant.zoned_share)


def _unzoned(share: float | None) -> str:
    """What of the body was not looked at."""
    if share is None or share >= 0.9995:
        return ""
    return (
        f'<p class="note"><b>{CAUTION} {_percent(1.0 - share)} of the body’s area is in no zone</b>: no distance to it '
        "was measured, and a part that crosses it is not told.</p>"
    )


def _zone_row(part: PartClearance, zone: ZoneClearance, allowed: bool) -> str:
    word = zone.verdict
    if zone.collides:
        deep = zone.depth_m > 0.0
        word += f", crosses by about {figure(to_mm(zone.depth_m), 1)} mm" if deep else ", faces cross"
    elif zone.behind:
        word += ", lies behind the surface"
    elif zone.verdict == "touches" and part.allowance_m > 0.0:
        word += ", allowance used up"
    allowance = f'<td class="n">{figure(to_mm(part.allowance_m), 1)}</td>' if allowed else ""
    return (
        f"<tr><td>{escape(part.part)}</td><td>{escape(zone.zone)}</td>"
        f'<td class="n">{figure(to_mm(zone.distance_m), 1)}</td>{allowance}'
        f'<td class="n">{figure(to_mm(zone.required_m), 1)}</td>{verdict(zone.verdict, word)}</tr>'
    )


def _opening(variant: VariantResult) -> str:
    if variant.opening is None:
        return ""
    lid = variant.opening
    if not lid.pairs:
        return f'<p class="note">{escape(lid.sentence)}</p>'
    held = f"Angles of contact hold to {to_degrees(lid.tolerance_rad):.2g}\N{DEGREE SIGN}"
    fitted = f"; the hinge's axis was fitted to {figure(to_mm(lid.hinge.rms_m), 2)} mm" if lid.hinge.rms_m else ""
    return captioned(opening_svg(lid), f"{lid.sentence} {held}{fitted}.")


def _slides(variant: VariantResult) -> str:
    if not variant.slides:
        return ""
    said = "".join(f"<li>{escape(m.sentence)}</li>" for m in variant.slides)
    return f'<figure>{slide_svg(variant.slides, variant.limits)}</figure><ul class="note">{said}</ul>'


def _bending(variant: VariantResult) -> str:
    plots = "".join(captioned(bend_svg(bend, name), bend.sentence) for name, bend in variant.deflections)
    return f'<div class="pair">{plots}</div>' if plots else ""


def _outline(checks: tuple[OutlineCheck, ...]) -> str:
    if not checks:
        return ""
    rows = ""
    for c in checks:
        beyond = (c.beyond_rear_m, c.beyond_left_m, c.beyond_right_m, c.above_roof_m)
        cells = "".join(f'<td class="n">{minus(figure(to_mm(m), 0, signed=True))}</td>' for m in beyond)
        within = max(beyond) <= 0.0 and not c.outside.any()
        said = verdict("clear", "within") if within else verdict("tight", "stands out")
        rows += f"<tr><td>{escape(c.part)}</td>{cells}{said}<td>{escape(c.sentence)}</td></tr>"
    heads = ("Part", "#Rear mm", "#Left mm", "#Right mm", "#Roof mm", "Outline", "In words")
    note = '<p class="note">Above zero a part stands out by so much; below zero it stays within by so much.</p>'
    return table("outline", heads, rows) + note


def _edges(found: tuple[SharpEdges, ...]) -> str:
    if not found:
        return ""
    rows = ""
    for e in found:
        sharp = len(e.ends) > 0
        radius = figure(to_mm(e.least_m), 2) if np.isfinite(e.least_m) else "\N{EN DASH}"
        said = verdict("tight", "sharp edges") if sharp else verdict("clear", "none sharp")
        rows += (
            f'<tr><td>{escape(e.part)}</td><td class="n">{figure(to_mm(e.length_m))}</td><td class="n">{radius}</td>'
            f"{said}<td>{escape(e.sentence)}</td></tr>"
        )
    return table("edges", ("Part", "#Length mm", "#Radius mm", "Edges", "In words"), rows)


def _lamps(sights: tuple[LampSight, ...]) -> str:
    if not sights:
        return ""
    rows = "".join(_lamp_row(s) for s in sights)
    heads = ("Lamp", "Rule", "Field deg", "#Seen %", "#Least %", "Verdict")
    charted = [s for s in sights if s.verdict != "clear" or np.isnan(s.seen).any()]
    charts = "".join(captioned(lamp_svg(s), s.sentence) for s in charted)
    if len(charted) < len(sights):
        more_words = (
            "A lamp without a chart is seen from all of its field. " if charted else "All of each field is seen. "
        )
        charts += f'<p class="note">{more_words}{LAMP_LIMITS}</p>'
    notes = dict.fromkeys((s.rule.market, s.rule.kind, s.rule.note) for s in sights if s.rule.note not in s.sentence)
    more = "".join(f"<li>{escape(f'{market}, {kind}: {note}')}</li>" for market, kind, note in notes)
    return (
        table("lamps", heads, rows)
        + f'<div class="pair">{charts}</div>'
        + (f'<ul class="note">{more}</ul>' if more else "")
    )


def _left_out(sentences: tuple[str, ...]) -> str:
    said = "".join(f"<li>{CAUTION} {escape(s)}</li>" for s in sentences)
    return f'<p class="note">Not judged:</p><ul class="note">{said}</ul>' if said else ""


def _lamp_row(s: LampSight) -> str:
    left, right = _side(s.across_rad[-1], "left", "right"), _side(s.across_rad[0], "left", "right")
    down, up = _side(s.up_rad[0], "up", "down"), _side(s.up_rad[-1], "up", "down")
    rule = f"{escape(s.rule.market)}, {escape(s.rule.kind)}<small>{escape(s.rule.paragraph)}</small>"
    if s.rule.least_area_m2 > 0.0:
        rule += f"<small>lens area asked for: {figure(1e4 * s.rule.least_area_m2, 1)} cm\N{SUPERSCRIPT TWO}</small>"
    return (
        f"<tr><td>{escape(s.zone)}<small>{figure(to_mm(s.height_m))} mm up</small></td>"
        f'<td>{rule}</td><td class="field">{left} to {right}<small>{down} to {up}</small></td>'
        f'<td class="n">{figure(100.0 * s.share, 1)}</td><td class="n">{figure(100.0 * s.least)}</td>'
        f"{verdict(_LAMP_KINDS[s.verdict], s.verdict)}</tr>"
    )


def _side(angle_rad: float, above: str, below: str) -> str:
    """An angle as a figure with the side it is on."""
    size = figure(abs(to_degrees(float(angle_rad))))
    return size if size == "0" else f"{size} {above if angle_rad > 0.0 else below}"


def _mirror(view: MirrorView | None) -> str:
    if view is None:
        return ""
    words = "The view in the interior mirror as the driver has it"
    parts = ", ".join(f"{escape(name)} {_percent(share)}" for name, share in view.each)
    alone = f" (each alone: {parts})" if len(view.each) > 1 else f" ({parts})" if parts else ""
    rule = f"{view.rule.market}, {view.rule.paragraph}: {view.rule.width_m:g} m wide from {view.rule.from_m:g} m back"
    shares = [
        f"The glass shows {_percent(view.in_glass)} of the field ({escape(rule)}).",
        f"The car itself hides {_percent(view.by_car)} of the field.",
        f"The wing and its parts hide {_percent(view.by_parts)} more{alone}.",
    ]
    if np.isfinite(view.rule.allowed):
        shares.append(
            f"The rule lets all obstructions together take {_percent(view.rule.allowed)} of the field; for orientation."
        )
    if view.error > 0.0:
        shares.append(f"Sampling leaves the shares off by about {_percent(view.error)} of the field.")
    said = "".join(f"<li>{s}</li>" for s in shares)
    return embedded(png_bytes(view.picture), words, f"{words}. {view.sentence}") + f'<ul class="note">{said}</ul>'


def _percent(share: float) -> str:
    return f"{figure(100.0 * share, 1)} %"
