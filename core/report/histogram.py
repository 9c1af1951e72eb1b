"""The report's drawings of deviations: how often which, and where round a section."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..elements.deviation import DeviationSummary
from ..errors import InputError
from ..units import to_mm
from .results import figure
from .svg import drawing, label, minus, nice_step, polyline

Floats = NDArray[np.float64]

WIDTH, LEFT, RIGHT = 640.0, 46.0, 12.0

# Without the report's style sheet SVG fills shapes with black; these looks travel with the drawing.
_BAND = 'fill="#e9efe9" stroke="#5c686a" stroke-width="1" stroke-dasharray="4 3"'
_BAR = 'fill="#8a9496" stroke="#20292b" stroke-width="0.8"'
_END_BAR = 'fill="#ffffff" stroke="#20292b" stroke-width="1.2" stroke-dasharray="2 2"'


def histogram_svg(summary: DeviationSummary, name: str = "") -> str:
    """Share of the scanned area over signed deviation, the tolerance band shaded and its share written.

    What lies beyond the ends stands as a dashed bar of its own at either side.

    Args:
        summary: of ``deviation``.
        name: of the element, for the heading.
    """
    shares = np.concatenate([[summary.histogram.below], summary.histogram.shares, [summary.histogram.above]])
    edges = to_mm(1.0) * summary.histogram.edges_m
    tolerance = to_mm(summary.tolerance_m)
    top, tall = 54.0, 170.0
    bottom = top + tall
    # The end bars are two bins wide, one bin away from the rest.
    bin_mm = edges[1] - edges[0]
    reach = edges[-1] + 3.0 * bin_mm
    scale = (WIDTH - LEFT - RIGHT) / (2.0 * reach)
    step = nice_step(max(100.0 * float(shares.max()), 1e-6), 4)
    most = step * np.ceil(100.0 * float(shares.max()) / step - 1e-9)

    def at(value: float) -> float:
        return LEFT + (value + reach) * scale

    def height(share: float) -> float:
        return tall * 100.0 * share / most

    parts = []
    band = min(tolerance, float(edges[-1]))
    parts.append(
        f'<rect {_BAND} x="{at(-band):.1f}" y="{top:.1f}" width="{2.0 * band * scale:.1f}" height="{tall:.1f}"/>'
    )
    for level in np.arange(0.0, most + 0.5 * step, step):
        y = bottom - tall * level / most
        parts.append(f'<path class="{"grid" if level else "axis"}" d="M{LEFT:.0f} {y:.1f}H{WIDTH - RIGHT:.0f}"/>')
        parts.append(label(LEFT - 5.0, y + 3.5, f"{level:g} %" if level else "0", "end"))
    ends = [(edges[0] - 3.0 * bin_mm, edges[0] - bin_mm), (edges[-1] + bin_mm, edges[-1] + 3.0 * bin_mm)]
    spans = [ends[0], *zip(edges[:-1], edges[1:], strict=True), ends[1]]
    for i, ((a, b), share) in enumerate(zip(spans, shares, strict=True)):
        if share > 0.0:
            look = _END_BAR if i in (0, len(spans) - 1) else _BAR
            drawn = max(height(float(share)), 0.8)
            parts.append(
                f'<rect {look} x="{at(a):.1f}" y="{bottom - drawn:.1f}" width="{(b - a) * scale:.1f}" '
                f'height="{drawn:.1f}"/>'
            )
    parts.append(f'<path class="axis" d="M{at(0.0):.1f} {top:.1f}V{bottom:.1f}"/>')
    along = nice_step(2.0 * edges[-1], 8)
    for k in range(-int(edges[-1] / along + 1e-9), int(edges[-1] / along + 1e-9) + 1):
        parts.append(label(at(k * along), bottom + 15.0, minus(f"{k * along:+.6g}") if k else "0", "middle"))
    parts += [label(at(0.5 * (a + b)), bottom + 15.0, sign, "middle") for (a, b), sign in zip(ends, "<>", strict=True)]
    parts.append(label(LEFT, bottom + 32.0, "\N{LEFTWARDS ARROW} inside the rebuilt element", "start"))
    parts.append(label(0.5 * (LEFT + WIDTH - RIGHT), bottom + 32.0, "deviation, mm", "middle"))
    parts.append(label(WIDTH - RIGHT, bottom + 32.0, "outside \N{RIGHTWARDS ARROW}", "end"))
    share_words = f"{figure(100.0 * summary.within, 1)} % within \N{PLUS-MINUS SIGN}{tolerance:g} mm"
    parts.append(label(at(0.0), top - 8.0, share_words, "middle", "name"))
    head = f"{name}: share of the scanned area" if name else "Share of the scanned area"
    parts.append(label(4.0, 16.0, head, "start", "side"))
    words = f"{head} by deviation: {summary.sentence}"
    return drawing(WIDTH, bottom + 40.0, "".join(parts), words)


def profile_svg(along_mm: Floats, deviation_mm: Floats, tolerance_mm: float, name: str = "") -> str:
    """Signed deviation round one section, from the trailing edge over the upper side back to it.

    Args:
        along_mm: (n,) way round the contour, rising; nan in neither array joins points, so that gaps show.
        deviation_mm: (n,) positive outside; nan where nothing was measured.
        tolerance_mm: drawn as a line on either side.
        name: of the section, for the heading.

    Raises:
        InputError: arrays of different length, none with two numbers, a way that falls, or no tolerance above zero.
    """
    along, off = np.asarray(along_mm, np.float64), np.asarray(deviation_mm, np.float64)
    if along.shape != off.shape or along.ndim != 1:
        raise InputError(f"The plot has {along.size} places round the section and {off.size} deviations; give as many.")
    if not tolerance_mm > 0.0:
        raise InputError(f"The plot is asked for with a tolerance of {tolerance_mm:g} mm; it must be above zero.")
    known = np.isfinite(along) & np.isfinite(off)
    if known.sum() < 2 or (np.diff(along[known]) < 0.0).any():
        raise InputError("The plot needs two or more deviations at places that rise round the section.")
    low, high = float(along[known][0]), float(along[known][-1])
    largest = max(float(np.abs(off[known]).max()), 1.2 * tolerance_mm)
    step = nice_step(largest, 3)
    reach = step * np.ceil(largest / step - 1e-9)
    top, tall = 40.0, 150.0
    bottom, middle = top + tall, top + 0.5 * tall
    scale = (WIDTH - LEFT - RIGHT) / max(high - low, 1e-9)

    def y(value: float) -> float:
        return middle - value / reach * 0.5 * tall

    parts = [
        f'<rect {_BAND} x="{LEFT:.1f}" y="{y(tolerance_mm):.1f}" width="{WIDTH - LEFT - RIGHT:.1f}" '
        f'height="{y(-tolerance_mm) - y(tolerance_mm):.1f}"/>'
    ]
    for k in range(-round(reach / step), round(reach / step) + 1):
        parts.append(f'<path class="{"grid" if k else "axis"}" d="M{LEFT:.0f} {y(k * step):.1f}H{WIDTH - RIGHT:.0f}"/>')
        parts.append(label(LEFT - 5.0, y(k * step) + 3.5, minus(f"{k * step:+.6g}") if k else "0", "end"))
    drawn = np.column_stack([LEFT + (along - low) * scale, middle - off / reach * 0.5 * tall])
    for run in np.split(np.arange(len(off)), np.flatnonzero(np.diff(known)) + 1):
        if known[run[0]]:
            line = polyline(drawn[run]) + ("h0" if len(run) == 1 else "")
            parts.append(
                f'<path fill="none" stroke="#20292b" stroke-width="1.4" stroke-linecap="round" '
                f'stroke-linejoin="round" d="{line}"/>'
            )
    ticks = nice_step(max(high - low, 1e-9), 8)
    for k in range(int((high - low) / ticks + 1e-9) + 1):
        parts.append(label(LEFT + k * ticks * scale, bottom + 15.0, f"{k * ticks:.6g}", "middle"))
    words = "mm round: tail, upper side, nose, lower side"
    parts.append(label(0.5 * (LEFT + WIDTH - RIGHT), bottom + 32.0, words, "middle"))
    share = float((np.abs(off[known]) <= tolerance_mm).mean())
    head = f"{name}: deviation" if name else "Deviation"
    parts.append(
        label(4.0, 16.0, f"{head}, mm (outside is positive); band: \N{PLUS-MINUS SIGN}{tolerance_mm:g} mm", "start",
               "side")
    )  # fmt: skip
    said = (
        f"{head} round the section: {figure(100.0 * share, 1)} % of the points within {tolerance_mm:g} mm, from "
        f"{figure(float(off[known].min()), 2, signed=True)} to {figure(float(off[known].max()), 2, signed=True)} mm"
    )
    return drawing(WIDTH, bottom + 40.0, "".join(parts), said)
