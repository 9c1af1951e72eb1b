"""Dimension lines with their labels, and legends, laid out in picture points: drawn over the view and into renders.

Picture points run from the lower left corner, right and up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..clearance.result import PartClearance, ZoneClearance
from ..units import to_mm
from .labels import spread

Floats = NDArray[np.float64]
Colour = tuple[float, float, float, float]

INK: Colour = (0.95, 0.95, 0.93, 1.0)
PAPER: Colour = (0.08, 0.08, 0.09, 0.82)
TEXT_PX = 12.0
"""Height of the writing at scale 1."""
_WIDE = 0.54  # of the height, at most what a letter takes in a common sans-serif type


@dataclass(frozen=True)
class Stroke:
    """A straight line from ``start`` to ``end`` (2,), ``width`` px wide."""

    start: Floats
    end: Floats
    width: float
    colour: Colour


@dataclass(frozen=True)
class Field:
    """A filled box from ``low`` to ``high`` (2,)."""

    low: Floats
    high: Floats
    colour: Colour


@dataclass(frozen=True)
class Writing:
    """One line of text whose lower left corner is ``place`` (2,), ``height`` px high."""

    place: Floats
    text: str
    height: float
    colour: Colour = INK


@dataclass(frozen=True)
class Drawing:
    """What is to be drawn: the fields, then the strokes, then the writing."""

    fields: tuple[Field, ...] = ()
    strokes: tuple[Stroke, ...] = ()
    writing: tuple[Writing, ...] = ()

    def __add__(self, other: Drawing) -> Drawing:
        return Drawing(self.fields + other.fields, self.strokes + other.strokes, self.writing + other.writing)


@dataclass(frozen=True)
class Callout:
    """A distance to be shown.

    Attributes:
        start, end: (2,) px, the two places it is between.
        text: its label.
    """

    start: Floats
    end: Floats
    text: str


def told_distances(results: Sequence[PartClearance], reach_m: float) -> list[tuple[Floats, Floats, str]]:
    """Which distances to show: of each zone the nearest part (the deepest, where some cross it), if it is
    not clear or within ``reach_m``.

    Returns:
        (3,) m on the part, (3,) m on the body, label; the most pressing first.
    """
    nearest: dict[str, tuple[PartClearance, ZoneClearance]] = {}
    for result in results:
        for zone in result.zones:
            if zone.zone not in nearest or _pressing(zone) < _pressing(nearest[zone.zone][1]):
                nearest[zone.zone] = result, zone
    told = []
    for result, zone in sorted(nearest.values(), key=lambda pair: _pressing(pair[1])):
        if zone.verdict == "clear" and zone.distance_m > reach_m:
            continue
        words = distance_words(zone, result.allowance_m)
        told.append((zone.on_part, zone.on_body, f"{result.part} - {zone.zone}: {words}"))
    return told


def distance_words(zone: ZoneClearance, allowance_m: float) -> str:
    """How near a zone is, in a few words; ``allowance_m`` is what its distance is already less by."""
    if zone.collides:
        return f"touches, {to_mm(zone.depth_m):.1f} mm deep" if zone.depth_m > 0.0 else "touches"
    if zone.behind:
        return "touches, behind the surface"
    allowance = f"{to_mm(allowance_m):.4g} mm allowance"
    if zone.verdict == "touches":
        return f"touches, {allowance} used up" if allowance_m > 0.0 else "touches"
    words = f"{to_mm(zone.distance_m):.1f} mm" + (f" after {allowance}" if allowance_m > 0.0 else "")
    return f"{words} (tight)" if zone.verdict == "tight" else words


def _pressing(zone: ZoneClearance) -> tuple[bool, float, float]:
    return not (zone.collides or zone.behind), -zone.depth_m, zone.distance_m - zone.required_m


def callouts(items: Sequence[Callout], frame: Floats, scale: float = 1.0) -> Drawing:
    """Dimension lines with end marks, and labels that overlap neither each other nor the frame.

    Args:
        items: what to show; those with both ends off the frame are left out.
        frame: (2,) px, width and height of the picture.
        scale: of lines and writing.
    """
    items = [i for i in items if any(((p >= 0.0) & (p <= frame)).all() for p in (i.start, i.end))]
    if not items:
        return Drawing()
    height, pad = TEXT_PX * scale, 4.0 * scale
    sizes = np.array([[_WIDE * height * len(i.text) + 2.0 * pad, height + 2.0 * pad] for i in items])
    middles = np.array([0.5 * (i.start + i.end) for i in items])
    corners = spread(np.clip(middles, 0.0, frame), sizes, frame, 10.0 * scale)
    drawing = Drawing()
    for item, middle, corner, size in zip(items, middles, corners, sizes, strict=True):
        hold = np.clip(middle, corner, corner + size)  # where the leader meets its label
        drawing += Drawing(
            fields=(Field(corner, corner + size, PAPER),),
            strokes=(*_line(middle, hold, 1.0 * scale), *_dimension(item.start, item.end, scale)),
            writing=(Writing(corner + np.array([pad, pad + 0.12 * height]), item.text, height),),
        )
    return drawing


def legend(
    title: Sequence[str],
    colours: Floats,
    ticks: Sequence[tuple[float, str]],
    others: Sequence[tuple[Floats, str]] = (),
    scale: float = 1.0,
) -> Drawing:
    """A scale of colours with its numbers, in the lower left corner.

    Args:
        title: lines above it.
        colours: (n, 4) sRGB, from the lower end up.
        ticks: value and text; the first stands at the lower end, the last at the upper.
        others: colours outside the scale and what they mean, below it.
    """
    line, pad, width, height = 16.0 * scale, 10.0 * scale, 18.0 * scale, 200.0 * scale
    text, x, low = TEXT_PX * scale, 24.0 * scale, 24.0 * scale
    y = low + pad + line * len(others) + (pad if others else 0.0)
    longest = max(_WIDE * text * len(t) for t in title)
    longest = max([longest, *(width + 9.0 * scale + _WIDE * text * len(words) for _, words in others)])
    corner = np.array([x - pad, low])
    size = np.array([longest + 2.0 * pad, y - low + height + 1.5 * pad + line * len(title) + 0.5 * pad])
    fields = [Field(corner, corner + size, PAPER)]
    step = height / len(colours)
    for number, colour in enumerate(colours):
        at = np.array([x, y + step * number])
        fields.append(Field(at, at + [width, step + 0.5], _opaque(colour)))
    writing = [
        Writing(np.array([x, y + height + 1.5 * pad + line * k]), words, text)
        for k, words in enumerate(reversed(title))
    ]
    first, last = ticks[0][0], ticks[-1][0]
    for value, words in ticks:
        level = y + height * (value - first) / (last - first)
        fields.append(
            Field(
                np.array([x + width, level - 0.5 * scale]),
                np.array([x + width + 5.0 * scale, level + 0.5 * scale]),
                INK,
            )
        )
        writing.append(Writing(np.array([x + width + 9.0 * scale, level - 4.0 * scale]), words, text))
    for k, (colour, words) in enumerate(others):
        at = np.array([x, y - pad - line * (k + 1)])
        fields.append(Field(at, at + [width, 11.0 * scale], _opaque(colour)))
        writing.append(Writing(at + [width + 9.0 * scale, 1.0 * scale], words, text))
    return Drawing(tuple(fields), (), tuple(writing))


def line_key(colour: Colour, words: str, above: Drawing, scale: float = 1.0) -> Drawing:
    """What a line of that colour means, in the lower left corner, over what ``above`` has there."""
    height, pad = TEXT_PX * scale, 6.0 * scale
    low = max((float(f.high[1]) for f in above.fields), default=14.0 * scale) + 10.0 * scale
    corner = np.array([14.0 * scale, low])
    size = np.array([_WIDE * height * len(words) + 30.0 * scale + 2.0 * pad, height + 2.0 * pad])
    middle = corner + [pad, 0.5 * size[1]]
    stroke = Stroke(middle, middle + [20.0 * scale, 0.0], 3.0 * scale, colour)
    text = Writing(corner + [pad + 28.0 * scale, pad + 0.12 * height], words, height)
    return Drawing((Field(corner, corner + size, PAPER),), (stroke,), (text,))


def _opaque(colour: Floats) -> Colour:
    red, green, blue = (float(c) for c in colour[:3])
    return red, green, blue, 1.0


def _line(start: Floats, end: Floats, width: float) -> tuple[Stroke, Stroke]:
    """Light on dark, so that it is seen before anything."""
    return Stroke(start, end, width + 2.0, (*PAPER[:3], 1.0)), Stroke(start, end, width, INK)


def _dimension(start: Floats, end: Floats, scale: float) -> list[Stroke]:
    """A line with a bar across each end; where both ends are at one place, a cross."""
    run = end - start
    length = float(np.hypot(*run))
    if length < 3.0 * scale:
        arm = 6.0 * scale
        reach = [np.array([arm, arm]), np.array([arm, -arm])]
        return [s for r in reach for s in _line(start - r, start + r, 1.5 * scale)]
    across = 5.0 * scale * np.array([-run[1], run[0]]) / length
    strokes = [*_line(start, end, 1.5 * scale)]
    for place in (start, end):
        strokes += _line(place - across, place + across, 1.5 * scale)
    return strokes
