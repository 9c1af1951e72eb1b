"""The report's block on the flow runs of one variant: beside the estimate, which to believe, pictures, sweeps."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..flow.plan import LEAST_IN_GAP, LEAST_ON_CHORD
from ..flow.result import ENDINGS, WALLS, FlowRun
from ..flow.slices import FlowSlice, picture
from ..flow.tables import Force, Table
from ..lift.result import Band
from ..lift.sweep import Bands
from ..units import to_kmh, to_mm
from .markup import block, captioned, embedded, figures, stacked, table, verdict
from .png import png_bytes, png_size
from .results import FlowPicture, VariantResult, band_text, figure
from .second_opinion import BELIEVE, Bound, Compared, two_figures
from .svg import INK, SWATCH, cross, drawing, key, label, minus, nice_step, polyline, shortened
from .sweep_plot import curve, force_axis, heights, levels, ranges
from .sweep_plot import runs as pieces

Floats = NDArray[np.float64]

WIDTH, LEFT, TOP = 640.0, 58.0, 44.0
_RIGHT, _TALL, _BETWEEN, _ROW = 16.0, 140.0, 30.0, 50.0
_ACROSS = 3  # panels side by side
_TICKS_APART = 36.0
_TONE = 'fill="#dbe3e0"'
_MISSING = 'fill="none" stroke="#a1203a" stroke-width="1.6"'
FLOW_STYLE = """
table.flows { margin-bottom: 2px; }
table.flows td { border-bottom: 0; }
table.flows tr.said td { border-bottom: 1px solid var(--rule); padding-top: 0; }
table.flows tr { break-after: avoid; } table.flows tr.said { break-after: auto; }
td.run { background: var(--panel); } table.flows td.run small { white-space: normal; }
table.with-runs { font-size: 11.5px; } table.with-runs th, table.with-runs td { padding: 4px; }
table.with-runs td.n small { white-space: normal; font-size: 10px; line-height: 1.3; }
ul.warn { padding-left: 26px; }
details.clip { margin: 4px 0 10px; } details.clip summary { cursor: pointer; font-size: 12.5px; }
details.clip img { display: block; max-width: 100%; height: auto; border: 1px solid var(--soft); border-radius: 3px; }
@media print { details.clip { display: none; } table.with-runs { font-size: 9.5px; }
  table.with-runs th, table.with-runs td { padding: 2px 3px; } table.with-runs td.n small { font-size: 8.5px; } }
"""
"""Added to the page's style where there is a flow run."""

CANNOT_TELL = (
    "A flow run is a viscous second opinion, no measurement. Its cells are thicker than the layers along the walls, "
    "and they, not its nominal Reynolds number, decide where the air leaves. So there are two bounds: where the air "
    "clings to the walls it leaves too late, on fine cells too, and a run may not see that a channel chokes; "
    "where it lets go it leaves too early with few cells, while with 320 on the chord sections came within an eighth "
    "of their measured lift, and near it in their stall. For elements beside each other there is no such measurement, "
    "so only what both say is sure. Gusts, cross wind, turning wheels, engine air and parts that bend are left out.",
)
MID_SPAN = (
    "Runs at mid-span are flat cuts: their newtons are as if the whole span were like its middle, without tips, end "
    "plates or sweep. A real wing carries less. They tell the direction, and how much of its load an element loses "
    "beside another."
)
_KINDS = {"agree": "clear", "estimate": "tight", "flow run": "tight", "neither": "touches"}
MOST_PX = 900
ABOUT = (0.5, 1.5, 0.6)
"""How much of the air is shown ahead of the parts, behind, and above and below, of their length."""
_ORDER = {"alone": 0, "group": 1, "on car": 2}


def flow_blocks(variant: VariantResult) -> str:
    """All that the variant's flow runs have to tell; nothing where there is none."""
    blocks = (
        ("Flow runs beside the estimate", _compared(variant)),
        ("How the flow runs went", _runs(variant)),
        ("The air in the flow runs", "".join(map(_picture, variant.flow_pictures))),
        ("What if, by flow runs", "".join(map(_row, variant.flow_sweeps))),
    )
    return "".join(block(head, body) for head, body in blocks)


def flow_method() -> str:
    """What "How it was computed" says of flow runs, as a list entry."""
    return (
        "<li><b>Flow runs:</b> the lattice Boltzmann method on cubic cells, halved in boxes about the wing, "
        "with an eddy viscosity for what is finer than a cell and interpolated bounce-back at the "
        "true surfaces; forces by momentum exchange, averaged after the start-up, with an interval that knows that "
        "neighbouring samples are alike. Newtons follow from coefficients at the set speed; the range adds what cells "
        "and Reynolds number may do to the interval, and of two runs, one in which the air clings to the walls and one "
        "in which it lets go, it is what both hold together.</li>"
        "<li><b>Which to believe:</b> the runs, if they settled on cells fine enough, where even the one in which the "
        "air clings has less load than the estimate, or even the one in which it lets go has more; else the estimate "
        "where the air follows the wing, and neither where a channel chokes, much of the span stalls or the wing "
        "stands in a wake: then the cells cannot tell, though the run in which the air lets go is the likelier."
        f" Fine enough are {LEAST_ON_CHORD} cells on the chord and {LEAST_IN_GAP} in the gap.</li>"
    )


def runs_svg(table: Table) -> str:
    """A panel a column on one scale: force over what is changed, its interval as whisker, the whole range as tone.

    Values that are not done leave the line broken and stand as a cross on the panel's floor.

    Raises:
        InputError: fewer than two values, or none that was done.
    """
    rows = [
        tuple(None if not one.forces else _drawn(one.forces[k]) for one in table.rows)
        for k in range(len(table.columns))
    ]
    bands = [band for row in rows for band in row if band is not None]
    values = np.array([one.value for one in table.rows])
    if len(values) < 2 or not bands:
        raise InputError("A plot of flow runs in a row needs two values or more, and one that was run.")
    axis = force_axis(bands)
    across = min(len(rows), _ACROSS)
    wide = (WIDTH - LEFT - _RIGHT - (across - 1) * _BETWEEN) / across
    lines = math.ceil(len(rows) / across)
    parts = [label(4.0, 15.0, shortened(f"Force by flow runs: {table.title}", WIDTH - 8.0, 12.5), "start", "side")]
    for k, (name, row) in enumerate(zip(table.columns, rows, strict=True)):
        place = (LEFT + (k % across) * (wide + _BETWEEN), TOP + (k // across) * (_TALL + _ROW), wide)
        name = "all together" if name == "all" and len(rows) > 1 else name
        halves = [one.forces[k].half_width if one.forces else math.nan for one in table.rows]
        across_it = _marks(values, wide, table.unit == "chords")
        parts.append(_runs_panel(name, across_it, row, halves, place, axis, first=k % across == 0))
    floor = TOP + lines * (_TALL + _ROW) - _ROW + 36.0
    unit = (
        "gap in chords, even in ratios" if table.unit == "chords" else f"{table.unit} from the place it was posted from"
    )
    parts.append(label(0.5 * (LEFT + WIDTH - _RIGHT), floor, unit, "middle"))
    middle = 0.5 * SWATCH[0]
    items = [
        (_whisker(middle, 0.0, 12.0) + _dot(middle, 6.0), "force, N, and its interval"),
        (f'<rect {_TONE} width="{SWATCH[0]:.0f}" height="{SWATCH[1]:.0f}"/>', "with cells and Reynolds number"),
    ]
    if any(band is None for row in rows for band in row):
        items.append((f'<path {_MISSING} d="{cross(middle, 6.0, 4.0)}"/>', "not done"))
    marks, height = key(items, LEFT, floor + 10.0, WIDTH - LEFT)
    return drawing(WIDTH, floor + 14.0 + height, "".join(parts) + marks, f"Force by flow runs: {table.title}")


@dataclass(frozen=True)
class _Marks:
    """An axis across: where the values and the ticks stand, 0..1, and what the ticks say."""

    at: Floats
    ticks: tuple[tuple[float, str], ...]


def _marks(values: Floats, wide: float, ratios: bool) -> _Marks:
    """Even in the values, or in their ratios: gaps in chords are posted so, and a narrow one matters most."""
    if not ratios or values[0] <= 0.0:
        step = nice_step(float(values[-1] - values[0]), 3 if wide < 200.0 else 5)
        steps = range(math.ceil(values[0] / step - 1e-9), math.floor(values[-1] / step + 1e-9) + 1)
        ticks = [k * step for k in steps]
        scaled, told = values, np.array(ticks)
    else:
        decades = range(math.floor(math.log10(values[0])), math.ceil(math.log10(values[-1])) + 1)
        for few in ((1.0, 2.0, 5.0), (1.0, 3.0), (1.0,)):
            ticks = [n * 10.0**k for k in decades for n in few]
            ticks = [n for n in ticks if values[0] * (1.0 - 1e-9) <= n <= values[-1] * (1.0 + 1e-9)]
            apart = np.diff(np.log(ticks)) / math.log(values[-1] / values[0]) * wide
            if len(apart) == 0 or apart.min() >= _TICKS_APART:
                break
        scaled, told = np.log(values), np.log(ticks)
    reach = float(scaled[-1] - scaled[0])
    places = (told - scaled[0]) / reach
    said = [minus(f"{n:.6g}") for n in ticks]
    return _Marks((scaled - scaled[0]) / reach, tuple(zip(places.tolist(), said, strict=True)))


def _drawn(force: Force) -> Band:
    """Without ends that are not known, which no axis holds."""
    if math.isfinite(force.low) and math.isfinite(force.high):
        return Band(force.value, force.low, force.high)
    return Band(force.value, force.value, force.value)


def _runs_panel(
    name: str,
    marks: _Marks,
    row: Bands,
    halves: Sequence[float],
    place: tuple[float, float, float],
    axis: tuple[float, float, float],
    first: bool,
) -> str:
    left, top, wide = place
    bottom, y = top + _TALL, heights(top + _TALL, _TALL, axis)
    across = left + wide * marks.at
    parts = ranges(row, across, y) + levels(left, wide, y, axis, first)
    for piece in pieces(row):
        line = np.column_stack([across[piece], y(curve(row, piece)[:, 0])])
        parts.append(f'<path class="force" fill="none" stroke="{INK}" stroke-width="1.4" d="{polyline(line)}"/>')
    for place_x, band, half in zip(across.tolist(), row, halves, strict=True):
        if band is None:
            parts.append(f'<path class="missing" {_MISSING} d="{cross(place_x, bottom - 5.0, 4.0)}"/>')
            continue
        if math.isfinite(half):
            ends = y(np.array([band.value + half, band.value - half]))
            parts.append(_whisker(place_x, float(ends[0]), float(ends[1])))
        parts.append(_dot(place_x, float(y(np.array(band.value)))))
    parts.append(label(left, top - 9.0, shortened(name, wide, 12.5, bold=True), "start", "name"))
    for share, said in marks.ticks:
        parts.append(label(left + share * wide, bottom + 16.0, said, "middle"))
    return "".join(parts)


def _whisker(x: float, top: float, bottom: float) -> str:
    ends = f"M{x - 4:.1f} {top:.1f}h8M{x - 4:.1f} {bottom:.1f}h8"
    return f'<path class="whisker" d="M{x:.1f} {top:.1f}V{bottom:.1f}{ends}"/>'


def _dot(x: float, y: float) -> str:
    return f'<circle class="mark" fill="{INK}" stroke="#ffffff" stroke-width="0.8" cx="{x:.1f}" cy="{y:.1f}" r="2.4"/>'


def slice_png(cut: FlowSlice, speed_m_s: float, what: Literal["speed", "pressure"] = "speed") -> bytes:
    """A PNG file of a slice about its parts, the sky above, with no more than ``MOST_PX`` points across.

    Args:
        cut: the plane.
        speed_m_s: of the wind.
        what: is shown.

    Raises:
        InputError: see ``slices.picture``.
    """
    parts = cut.solid & ~cut.solid.all(axis=1, keepdims=True)  # the road fills whole rows
    rows, columns = np.flatnonzero(parts.any(axis=1)), np.flatnonzero(parts.any(axis=0))
    if len(rows):
        wide = int(columns[-1] - columns[0]) + 1
        ahead, behind, beside = (int(share * wide) for share in ABOUT)
        keep = (
            slice(max(int(rows[0]) - beside, 0), int(rows[-1]) + 1 + beside),
            slice(max(int(columns[0]) - ahead, 0), int(columns[-1]) + 1 + behind),
        )
    else:
        keep = (slice(None), slice(None))
    shown = picture(cut, what, speed_m_s)[keep]
    step = -(-shown.shape[1] // MOST_PX)
    return png_bytes(np.ascontiguousarray(shown[::-step, ::step, :3]))


def _compared(variant: VariantResult) -> str:
    rows = sorted(variant.compared, key=lambda one: (one.form != "full", _ORDER[one.case]))
    if not rows:
        return ""
    lines = "".join(_line(one, _runs_of(one, variant.flows)) for one in rows)
    heads = (
        "Element", "Case", "#Estimate N", "#Flow run N", "#Cells on chord", "#Nominal Reynolds number / car’s", "Ended",
        "Which to believe",
    )  # fmt: skip
    shares = sorted({run.confidence for run in variant.flows})
    sure = " or ".join(f"{figure(100.0 * share)} %" for share in shares)
    cautions = [MID_SPAN] if any(run.form == "mid-span" for run in variant.flows) else []
    notes = "".join(f"<li>{escape(text)}</li>" for text in (*cautions, *CANNOT_TELL))
    return (
        table("flows", heads, lines)
        + '<p class="note">Force up is positive. Under a flow run’s force stands its range with what cells and '
        f"Reynolds number may change, then the force with half its {sure} interval for each treatment of the walls; of "
        f'both the middle of the range stands first.</p><ul class="note">{notes}</ul>'
    )


def _runs_of(one: Compared, flows: Sequence[FlowRun]) -> list[FlowRun]:
    """Those that a row of the table is of."""
    which = one.form, one.case, one.element if one.case == "alone" else ""
    return [run for run in flows if (run.form, run.case, run.element) == which]


def _line(one: Compared, runs: Sequence[FlowRun]) -> str:
    run, ended = runs[0], "; ".join(dict.fromkeys(ENDINGS[one.ending] for one in runs))
    value, low, high = (_force(n) for n in (one.run.value, one.run.low, one.run.high))
    each = "".join(f"<small>{minus(_bound(bound))}</small>" for bound in one.bounds)
    ran = f'<td class="n run"><b>{minus(value)}</b><small>{minus(f"{low} to {high}")}</small>{each}</td>'
    reynolds = f'<td class="n">{two_figures(run.reynolds_run)}<small>{two_figures(run.reynolds_real)}</small></td>'
    word = verdict(_KINDS[one.opinion.word], BELIEVE[one.opinion.word]) if one.opinion is not None else "<td></td>"
    text = one.opinion.sentence if one.opinion is not None else "There is no estimate of this case to compare."
    if one.opinion is not None and one.opinion.band != one.estimate:
        text += f" To go by: {band_text(one.opinion.band)} N."
    return (
        f'<tr><td>{escape(one.element) or "all together"}</td><td class="way">{escape(one.case)}<small>{one.form}'
        f'</small></td><td class="n">{stacked(band_text(one.estimate))}</td>{ran}'
        f"{figures(figure(one.facts.cells_on_chord))}{reynolds}<td>{ended}</td>{word}</tr>"
        f'<tr class="said"><td colspan="8">{escape(_true_minus(text))}</td></tr>'
    )


def _bound(bound: Bound) -> str:
    """What one run has."""
    half = f"{figure(bound.half_width_n, 1)} N" if math.isfinite(bound.half_width_n) else "not known"
    return f"{WALLS[bound.wall_function]} {_force(bound.run.value)} \N{PLUS-MINUS SIGN}{half}"


def _true_minus(text: str) -> str:
    """Hyphens that stand before figures."""
    return "".join(
        "\N{MINUS SIGN}" if c == "-" and text[k + 1 : k + 2].isdigit() and not text[k - 1 : k].isalnum() else c
        for k, c in enumerate(text)
    )


def _force(newtons: float) -> str:
    return figure(newtons, signed=True) if math.isfinite(newtons) else "?"


def _runs(variant: VariantResult) -> str:
    out = []
    for run in sorted(variant.flows, key=_place):
        where = f" on {run.device}" if run.device else ""
        text = (
            f"{two_figures(run.cells)} cells, the finest of {figure(to_mm(run.spacing_m), 2)} mm, "
            f"{two_figures(run.steps)} steps of the coarsest, "
            f"of which {two_figures(run.steps_left_out) if run.steps_left_out else 'none'} are start-up and left out, "
            f"{_time(run.time_s)}{where} at {figure(run.updates_per_s / 1e6, 1)} million cells a second, lattice Mach "
            f"number {figure(run.mach_run, 2)}, for {to_kmh(run.speed_m_s):g} km/h. {run.reynolds_note}"
        )
        warned = "".join(f"<li>{escape(one.text)}</li>" for one in run.faults)
        known = "".join(f"<li>{escape(one)}</li>" for one in run.notes)
        out.append(
            f"<p><b>{escape(run.name)}:</b> {escape(text)}</p>"
            + (f'<ul class="warn">{warned}</ul>' if warned else "")
            + (f'<ul class="note">{known}</ul>' if known else "")
        )
    return "".join(out)


def _place(run: FlowRun) -> tuple[bool, int, str, bool]:
    """In the order of the table."""
    return run.form != "full", _ORDER[run.case], run.element, not run.wall_function


def _time(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "an unknown time"
    number, unit = (seconds, "s") if seconds < 120.0 else (seconds / 60.0, "min")
    return f"{number:.0f}\N{NO-BREAK SPACE}{unit}"


def _picture(one: FlowPicture) -> str:
    name = f"{one.element} alone" if one.case == "alone" else one.case
    words = f"{name}, {one.form}: {one.words}"
    out = embedded(one.still, words, words)
    if one.clip is None:
        return out
    size = png_size(one.clip)
    if size is None:
        raise InputError(f"The clip “{words}” is no PNG file; record it again.")
    still, clip = (base64.b64encode(data).decode("ascii") for data in (one.still, one.clip))
    # Nothing moves until it is asked for, and not at all for people whose system asks for less motion.
    return out + (
        '<details class="clip"><summary>The clip (a still picture where the system asks for less motion)</summary>'
        f'<picture><source media="(prefers-reduced-motion: no-preference)" srcset="data:image/png;base64,{clip}"/>'
        f'<img width="{size[0]}" height="{size[1]}" alt="{escape(words)}, moving" '
        f'src="data:image/png;base64,{still}"/></picture></details>'
    )


def _row(table: Table) -> str:
    """The plot where there is one, and what is not done."""
    missing = [f"{one.value:.4g} {table.unit} ({one.note})" for one in table.rows if not one.forces]
    words = "As the jobs were posted: what has changed on the wing since is not in them."
    if missing:
        words += f" Not done: {', '.join(missing)}."
    if len(table.rows) < 2 or len(missing) == len(table.rows):
        return f'<p class="note">{escape(table.title)}. {escape(_true_minus(words))}</p>'
    return captioned(runs_svg(table), _true_minus(words))
