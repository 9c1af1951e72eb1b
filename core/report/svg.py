"""The report's drawings, as SVG text."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from ..lift.result import Band
from .results import SectionRow, band_text, figure

Floats = NDArray[np.float64]

INK = "#20292b"
SWATCH = (26.0, 12.0)
"""px, width and height of a swatch in a key."""
_NARROW, _WIDE = frozenset(" fijlrtI.,:;'|!()[]-"), frozenset("mwMW@%+=<>~&OQGDH_")
_MOST_POINTS = 260  # drawn of one contour, so that the file stays small


def minus(text: str) -> str:
    """Hyphens before figures as true minus signs, for the eye; use it on figures only."""
    return text.replace("-", "\N{MINUS SIGN}")


def nice_step(span: float, most: int) -> float:
    """The smallest of 1, 2, 5 times a power of ten that parts ``span`` into ``most`` steps or fewer."""
    raw = span / most
    power = 10.0 ** np.floor(np.log10(raw))
    return float(power * next(n for n in (1.0, 2.0, 5.0, 10.0) if n * power >= raw * (1.0 - 1e-9)))


def section_plot(row: SectionRow) -> str:
    """One section to scale: measured points on the fitted outline, the farthest one ringed."""
    width, left, right = 640.0, 46.0, 12.0
    both = np.concatenate([row.contour, row.fit])
    low, high = both.min(axis=0), both.max(axis=0)
    scale = (width - left - right) / max(high[0] - low[0], 1e-9)
    floor = 10.0 + max((high[1] - low[1]) * scale, 20.0)

    def at(points: Floats) -> Floats:
        return np.column_stack([left + (points[:, 0] - low[0]) * scale, floor - (points[:, 1] - low[1]) * scale])

    keep = np.linspace(0, len(row.contour) - 1, min(_MOST_POINTS, len(row.contour))).astype(int)
    parts = [
        f'<path class="fit" d="{polyline(at(row.fit))}Z"/>',
        f'<path class="points" d="{_dots(at(row.contour[keep]))}"/>',
    ]
    if len(row.deviation):
        worst = at(row.contour[[int(np.argmax(np.abs(row.deviation)))]])[0]
        parts.append(f'<circle class="worst" cx="{worst[0]:.1f}" cy="{worst[1]:.1f}" r="6"/>')
    along = nice_step(high[0] - low[0], 6)
    for mark in np.arange(0.0, high[0] - low[0] + 1e-9, along):
        parts.append(label(left + mark * scale, floor + 26.0, f"{mark:g}", "middle"))
    words = f"Section of {row.element} at {figure(row.station_mm)} mm: measured points and fitted outline, mm aft"
    return drawing(width, floor + 34.0, "".join(parts), words)


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
        parts.append(label(at(mark), bottom + 13.0, "0 N" if zero else minus(f"{mark:+g}"), "middle"))
    if at(0.0) > 90.0:
        parts.append(label(at(0.0) - 8.0, 16.0, "\N{LEFTWARDS ARROW} downforce", "end", "side"))
    if at(0.0) < width - 60.0:
        parts.append(label(at(0.0) + 8.0, 16.0, "lift \N{RIGHTWARDS ARROW}", "start", "side"))
    last = None
    for i, (name, case, band) in enumerate(rows):
        y = top + line * i + gaps[i]
        if name != last:
            short = name if len(name) < 18 else name[:16] + "\N{HORIZONTAL ELLIPSIS}"
            parts.append(label(4.0, y + 12.0, short, "start", "name"))
            last = name
        parts.append(label(left - 8.0, y + 12.0, case, "end"))
        a, b = sorted([at(0.0), at(band.value)])
        kind = "down" if band.value < 0.0 else "up"
        parts.append(f'<rect class="bar {kind}" x="{a:.1f}" y="{y:.1f}" width="{max(b - a, 0.8):.1f}" height="15"/>')
        a, b = at(band.low), at(band.high)
        parts.append(
            f'<path class="whisker" d="M{a:.1f} {y + 7.5:.1f}H{b:.1f}M{a:.1f} {y + 3:.1f}v9M{b:.1f} {y + 3:.1f}v9"/>'
        )
    words = "; ".join(f"{name} {case} {band_text(band)} N" for name, case, band in rows)
    return drawing(width, bottom + 20.0, "".join(parts), words)


def bar_limits(bands: Sequence[Band]) -> tuple[float, float]:
    """Axis ends in N that hold zero and every range."""
    ends = [0.0, *(n for b in bands for n in (b.low, b.high, b.value))]
    room = 0.04 * max(max(ends) - min(ends), 1.0)
    return min(ends) - room, max(ends) + room


def text_width(text: str, size: float = 11.5, bold: bool = False) -> float:
    """About what ``text`` takes in px, on the safe side for the widest of the report's sans-serif types."""
    ems = sum(
        0.41 if c in _NARROW else 1.0 if c in _WIDE or ord(c) > 0x2000 else 0.8 if c.isupper() else 0.65 for c in text
    )
    return size * ems * (1.12 if bold else 1.0)


def shortened(text: str, width: float, size: float = 11.5, bold: bool = False) -> str:
    """``text``, its middle cut out where it takes more than ``width`` px: names often differ at their ends."""
    keep = len(text)
    short = text
    while text_width(short, size, bold) > width and keep > 2:
        keep -= 1
        head = (keep + 1) // 2
        short = text[:head].rstrip() + "\N{HORIZONTAL ELLIPSIS}" + text[len(text) - keep + head :].lstrip()
    return short


def wrapped(text: str, width: float, size: float = 11.5) -> list[str]:
    """``text`` in lines of ``width`` px at most, broken at spaces."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and text_width(longer, size) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return [shortened(line, width, size) for line in lines]


def key(items: Sequence[tuple[str, str]], left: float, top: float, width: float) -> tuple[str, float]:
    """Swatches with words in rows that break within ``width`` px, and the height they take.

    Args:
        items: markup of a swatch drawn in a box of ``SWATCH`` from (0, 0), and its words.
        left, top: px, where the rows begin.
        width: px.
    """
    parts, x, y = [], 0.0, 0.0
    for mark, said in items:
        words = shortened(said, width - SWATCH[0] - 6.0)
        wide = SWATCH[0] + 6.0 + text_width(words)
        if x and x + wide > width:
            x, y = 0.0, y + 18.0
        parts.append(f'<g transform="translate({left + x:.1f} {top + y:.1f})">{mark}</g>')
        parts.append(label(left + x + SWATCH[0] + 6.0, top + y + 10.0, words, "start"))
        x += wide + 14.0
    return "".join(parts), y + 18.0 if items else 0.0


def cross(x: float, y: float, arm: float = 5.0) -> str:
    """Path of a diagonal cross."""
    return f"M{x - arm:.1f} {y - arm:.1f}l{2 * arm:g} {2 * arm:g}m0 {-2 * arm:g}l{-2 * arm:g} {2 * arm:g}"


def drawing(width: float, height: float, content: str, words: str) -> str:
    return (
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{escape(words)}">'
        f"<title>{escape(words)}</title>{content}</svg>"
    )


def label(x: float, y: float, text: str, anchor: str, kind: str = "tick") -> str:
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def polyline(points: Floats) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _dots(points: Floats) -> str:
    """A path of lines without length; round caps make them dots."""
    return "".join(f"M{x:.1f} {y:.1f}h0" for x, y in points)
