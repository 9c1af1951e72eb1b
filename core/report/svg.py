"""The report's drawings, as SVG text."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from ..lift.result import Band
from .results import SectionRow, band_text, figure

Floats = NDArray[np.float64]

_MOST_POINTS = 260  # drawn of one contour, so that the file stays small


def minus(text: str) -> str:
    """Hyphens before figures as true minus signs, for the eye; use it on figures only."""
    return text.replace("-", "\N{MINUS SIGN}")


def nice_step(span: float, most: int) -> float:
    """The smallest of 1, 2, 5 times a power of ten that parts ``span`` into ``most`` steps or fewer."""
    raw = span / most
    power = 10.0 ** np.floor(np.log10(raw))
    return float(power * next(n for n in (1.0, 2.0, 5.0, 10.0) if n * power >= raw * (1.0 - 1e-9)))


def deviations(points: Floats, outline: Floats) -> Floats:
    """Signed distances (n,) of ``points`` (n, 2) from the closed ``outline`` (k, 2), positive outside."""
    start, end = outline, np.roll(outline, -1, axis=0)
    along = end - start
    length2 = np.maximum((along**2).sum(axis=1), 1e-30)
    offset = points[:, None] - start
    share = np.clip((offset * along).sum(axis=2) / length2, 0.0, 1.0)
    gap = np.linalg.norm(offset - share[:, :, None] * along, axis=2)
    near = np.argmin(gap, axis=1)
    # Even-odd rule: a point is inside when a ray to the right crosses the outline an odd number of times.
    x, z = points[:, :1], points[:, 1:]
    spans = (start[:, 1] > z) != (end[:, 1] > z)
    rise = np.where(along[:, 1] == 0.0, 1.0, along[:, 1])
    crossing = start[:, 0] + (z - start[:, 1]) / rise * along[:, 0]
    inside = ((spans & (crossing > x)).sum(axis=1) % 2).astype(bool)
    return np.where(inside, -1.0, 1.0) * gap[np.arange(len(points)), near]


def section_plot(row: SectionRow) -> str:
    """One section: measured points on the fitted outline, to scale, and under it their distances from it."""
    width, left, right = 640.0, 46.0, 12.0
    both = np.concatenate([row.contour, row.fit])
    low, high = both.min(axis=0), both.max(axis=0)
    scale = (width - left - right) / max(high[0] - low[0], 1e-9)
    tall = max((high[1] - low[1]) * scale, 20.0)
    floor = 10.0 + tall
    dev_top, dev_tall = floor + 42.0, 110.0

    def at(points: Floats) -> Floats:
        return np.column_stack([left + (points[:, 0] - low[0]) * scale, floor - (points[:, 1] - low[1]) * scale])

    off = deviations(row.contour, row.fit)
    reach = max(float(np.abs(off).max()), 1e-3)
    step = nice_step(reach, 2)
    reach = step * np.ceil(reach / step - 1e-9)
    keep = np.unique(
        np.append(np.linspace(0, len(off) - 1, min(_MOST_POINTS, len(off))).astype(int), np.argmax(np.abs(off)))
    )
    middle = dev_top + 0.5 * dev_tall
    drawn = at(row.contour[keep])
    dev_places = np.column_stack([drawn[:, 0], middle - off[keep] / reach * 0.5 * dev_tall])
    worst = at(row.contour[[int(np.argmax(np.abs(off)))]])[0]

    parts = [
        f'<path class="fit" d="{_polyline(at(row.fit))}Z"/>',
        f'<path class="points" d="{_dots(drawn)}"/>',
        f'<circle class="worst" cx="{worst[0]:.1f}" cy="{worst[1]:.1f}" r="6"/>',
    ]
    for level in np.arange(-reach, reach * 1.001, step):
        y, zero = middle - level / reach * 0.5 * dev_tall, abs(level) < 1e-3 * step
        parts.append(f'<path class="{"axis" if zero else "grid"}" d="M{left:.0f} {y:.1f}H{width - right:.0f}"/>')
        parts.append(_label(left - 5.0, y + 3.5, "0" if zero else minus(f"{level:+g}"), "end"))
    parts.append(f'<path class="points" d="{_dots(dev_places)}"/>')
    along = nice_step(high[0] - low[0], 6)
    bottom = dev_top + dev_tall
    for mark in np.arange(0.0, high[0] - low[0] + 1e-9, along):
        parts.append(_label(left + mark * scale, bottom + 24.0, f"{mark:g}", "middle"))
    parts.append(_label(left, dev_top - 10.0, "mm off the fit (outside is positive) over mm aft", "start"))
    words = f"Section of {row.element} at {figure(row.station_mm)} mm: measured points and fitted outline"
    return _svg(width, bottom + 30.0, "".join(parts), words)


def lift_bars(rows: Sequence[tuple[str, str, Band]], limits: tuple[float, float]) -> str:
    """Forces as bars from zero with the range as a whisker; downforce to the left, lift to the right.

    Args:
        rows: (name of the element, case such as "alone", force in N), top to bottom; rows of one
            name stand together.
        limits: the axis's ends in N, the same for all drawings that are to be compared.
    """
    width, left, right, line = 640.0, 190.0, 14.0, 21.0
    low, high = limits
    scale = (width - left - right) / (high - low)

    def at(force: float) -> float:
        return left + (force - low) * scale

    gaps = np.cumsum([0.0] + [8.0 * (a[0] != b[0]) for a, b in zip(rows, rows[1:], strict=False)])
    top = 34.0
    bottom = top + line * len(rows) + (gaps[-1] if len(gaps) else 0.0) + 4.0
    parts = []
    step = nice_step(high - low, 7)
    for mark in np.arange(np.ceil(low / step) * step, high + 1e-9, step):
        zero = abs(mark) < 1e-9 * step
        parts.append(f'<path class="{"axis" if zero else "grid"}" d="M{at(mark):.1f} {top - 4:.0f}V{bottom:.1f}"/>')
        parts.append(_label(at(mark), bottom + 13.0, "0 N" if zero else minus(f"{mark:+g}"), "middle"))
    if at(0.0) > 90.0:
        parts.append(_label(at(0.0) - 8.0, 16.0, "\N{LEFTWARDS ARROW} downforce", "end", "side"))
    if at(0.0) < width - 60.0:
        parts.append(_label(at(0.0) + 8.0, 16.0, "lift \N{RIGHTWARDS ARROW}", "start", "side"))
    last = None
    for i, (name, case, band) in enumerate(rows):
        y = top + line * i + gaps[i]
        if name != last:
            short = name if len(name) < 18 else name[:16] + "\N{HORIZONTAL ELLIPSIS}"
            parts.append(_label(4.0, y + 12.0, short, "start", "name"))
            last = name
        parts.append(_label(left - 8.0, y + 12.0, case, "end"))
        a, b = sorted([at(0.0), at(band.value)])
        kind = "down" if band.value < 0.0 else "up"
        parts.append(f'<rect class="bar {kind}" x="{a:.1f}" y="{y:.1f}" width="{max(b - a, 0.8):.1f}" height="15"/>')
        a, b = at(band.low), at(band.high)
        parts.append(
            f'<path class="whisker" d="M{a:.1f} {y + 7.5:.1f}H{b:.1f}M{a:.1f} {y + 3:.1f}v9M{b:.1f} {y + 3:.1f}v9"/>'
        )
    words = "; ".join(f"{name} {case} {band_text(band)} N" for name, case, band in rows)
    return _svg(width, bottom + 20.0, "".join(parts), words)


def bar_limits(bands: Sequence[Band]) -> tuple[float, float]:
    """Axis ends in N that hold zero and every range."""
    ends = [0.0, *(n for b in bands for n in (b.low, b.high, b.value))]
    room = 0.04 * max(max(ends) - min(ends), 1.0)
    return min(ends) - room, max(ends) + room


def _svg(width: float, height: float, content: str, words: str) -> str:
    return (
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{escape(words)}">'
        f"<title>{escape(words)}</title>{content}</svg>"
    )


def _label(x: float, y: float, text: str, anchor: str, kind: str = "tick") -> str:
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def _polyline(points: Floats) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _dots(points: Floats) -> str:
    """A path of lines without length; round caps make them dots."""
    return "".join(f"M{x:.1f} {y:.1f}h0" for x, y in points)
