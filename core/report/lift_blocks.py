"""The report's blocks on the forces of one variant: how sure, case by case, spread, channels, air, what if."""

from __future__ import annotations

from html import escape

import numpy as np

from ..lift.result import ElementLift, LiftEstimate, SpanLoad
from ..units import to_kmh, to_mm
from .markup import block, captioned, embedded, figures, stacked, table, verdict
from .results import VariantResult, band_text, channel_word, figure, reynolds
from .span_plot import left_words, span_svg
from .svg import minus
from .sweep_plot import sweep_svg

_SURE = {"high": 3, "fair": 2, "low": 1}


def lift_blocks(variant: VariantResult) -> str:
    """All blocks that have something to tell, in the order of the work."""
    blocks = (
        ("How sure the forces are", _confidence(variant)),
        ("Forces case by case", _cases(variant)),
        ("Forces along the span", _spans(variant)),
        ("Channels between the elements", _channels(variant)),
        ("Air and speed", "" if variant.lift is None else _air(variant, variant.lift) + _speeds(variant.lift)),
        ("What if", "".join(captioned(sweep_svg(s), s.sentence) for s in variant.sweeps)),
        ("Pressure", _pressure(variant)),
    )
    return "".join(block(head, body) for head, body in blocks)


def _confidence(variant: VariantResult) -> str:
    rows = ""
    for e in variant.forces:
        if e.confidence_reason:
            full = _SURE.get(e.confidence, 0)
            dots = "\N{BLACK CIRCLE}" * full + "\N{WHITE CIRCLE}" * (3 - full)
            rows += (
                f'<tr><td>{escape(e.element)}</td><td class="verdict">{dots} {escape(e.confidence)}</td>'
                f"<td>{escape(e.confidence_reason[:1].upper() + e.confidence_reason[1:])}</td></tr>"
            )
    return table("confidence", ("Element", "How sure", "Why"), rows) if rows else ""


def _cases(variant: VariantResult) -> str:
    rows = "".join(_case_row(e, load) for e in variant.forces for load in e.loads)
    if not rows:
        return ""
    heads = (
        "Element", "Case", "#Force N", "#Right mount N", "#Left mount N", "#Induced drag N", "#Profile drag N",
        "#Centre of pressure mm",
    )  # fmt: skip
    return table("cases", heads, rows) + (
        '<p class="note">Force up is positive, with its range under it. The mounts’ shares are the upward force on the '
        "right and the left half. Drag acts against the way of travel: induced by the wake of the lifting span (below "
        "zero where wind turned by the others or the body pulls forward), profile by friction and by air that leaves "
        "the surface. The centre of pressure is told forward, left and up from the axes’ origin on the road.</p>"
    )


def _case_row(e: ElementLift, load: SpanLoad) -> str:
    band = {"alone": e.alone_n, "group": e.group_n, "on car": e.on_car_n}.get(load.case)
    right, left = (figure(side, signed=True) for side in load.sides_n)
    drag = (figure(load.induced_drag_n, 1), figure(load.profile_drag_n, 1))
    centre = " / ".join(_known(to_mm(float(c))) for c in load.centre)
    return (
        f'<tr><td>{escape(e.element)}</td><td class="way">{escape(load.case)}</td>'
        f'<td class="n">{stacked(band_text(band))}</td>'
        f"{figures(right, left, *drag, centre)}</tr>"
    )


def _known(value: float, digits: int = 0) -> str:
    return figure(value, digits) if np.isfinite(value) else "\N{EN DASH}"


def _spans(variant: VariantResult) -> str:
    plots = "".join(captioned(span_svg(e), left_words(e.loads)) for e in variant.forces if e.loads)
    return f'<div class="pair">{plots}</div>' if plots else ""


def _channels(variant: VariantResult) -> str:
    rows, notes = "", variant.lift.channels if variant.lift is not None else ()
    for note in notes:
        numbers = (
            _known(to_mm(note.gap_m), 1), _known(note.gap_chords, 2), _known(note.throat_speed, 2),
            _known(100.0 * note.pressure_rise), _known(note.choke_index, 2),
        )  # fmt: skip
        rows += (
            f"<tr><td>{escape(note.lower)} and {escape(note.upper)}</td>{figures(*numbers)}"
            f"{verdict(*channel_word(note))}</tr>"
        )
    if not rows:
        return ""
    heads = ("Between", "#Gap mm", "#Gap over chord", "#Throat speed", "#Rise %", "#Choke index", "Verdict")
    said = "".join(f"<li>{escape(note.sentence)}</li>" for note in notes if note.sentence)
    return (
        table("channels", heads, rows)
        + (f'<ul class="note">{said}</ul>' if said else "")
        + '<p class="note">At mid-span. The throat speed is over the car’s. The rise is the share of the throat’s '
        "dynamic pressure that the air must win back up to the trailing edge; the choke index is that over what the "
        "layers along the walls can follow: above 1 the channel chokes, and both elements lose load.</p>"
    )


def _air(variant: VariantResult, lift: LiftEstimate) -> str:
    air = lift.air
    if air is None:
        return ""
    density = f"Air of {figure(air.density_kg_m3, 3)} kg/m\N{SUPERSCRIPT THREE}"
    if np.isfinite(air.temperature_k) and np.isfinite(air.altitude_m):
        density += (
            f" ({minus(figure(air.temperature_k - 273.15, 1))} \N{DEGREE SIGN}C, {minus(figure(air.altitude_m))} m "
            "above sea level)"
        )
    sizes = []
    for e in variant.assembly.elements:
        number = reynolds(variant, e.name)
        assert number is not None
        sizes.append(f"{escape(e.name)} {_thousands(number)}")
    viscosity = f"{figure(1e6 * air.viscosity_m2_s, 2)} mm\N{SUPERSCRIPT TWO}/s"
    return (
        f'<p class="air">{density}, kinematic viscosity {viscosity}. Reynolds number at '
        f"{to_kmh(lift.speed_m_s):g} km/h on the mean chord: {', '.join(sizes)}.</p>"
    )


def _thousands(value: float) -> str:
    """Three figures, in groups of three that do not break."""
    power = 10.0 ** max(np.floor(np.log10(max(value, 1.0))) - 2.0, 0.0)
    return f"{round(value / power) * power:,.0f}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def _speeds(lift: LiftEstimate) -> str:
    if not lift.speed_table:
        return ""
    rows = "".join(
        f"<tr>{figures(figure(to_kmh(speed)), *(figure(n, signed=True) for n in (b.value, b.low, b.high)))}</tr>"
        for speed, b in lift.speed_table
    )
    where = "on the car" if lift.on_car_total_n is not None else "without the car"
    return table("speeds", ("#km/h", f"#All together {where} N", "#from", "#to"), rows) + (
        '<p class="note">Forces go with the square of the speed; what the Reynolds number changes is left out.</p>'
    )


def _pressure(variant: VariantResult) -> str:
    if variant.pressure_picture is None:
        return ""
    words = "The wing coloured by its pressure coefficient: the darker the farther from the free wind’s pressure"
    return embedded(variant.pressure_picture, words, f"{words}; red-violet under suction, green under pressure.")
