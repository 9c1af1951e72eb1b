"""The report's drawing of a lamp: from which directions it is seen, and what hides it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sight.lamps import LampSight
from .hatch import WAYS, hatch
from .results import figure
from .svg import INK, SWATCH, drawing, key, label, minus, nice_step, shortened, wrapped

Floats = NDArray[np.float64]

WIDTH, LEFT, RIGHT = 380.0, 38.0, 12.0
_LINE = 15.0
_TALLEST = 150.0
HIDDEN = 0.005
"""Less than this share hidden counts as seen."""
_TONES = ("#ffffff", "#f6e4d6", "#ecc7ab", "#e0a883", "#cf8659")
_NOT_SHOWN = "#e4e7e6"
_HATCHES = tuple(w for w in WAYS if w != "dots")
_STROKE = f'fill="none" stroke="{INK}" stroke-width="0.8"'
_DOTS = 'fill="none" stroke="#5c686a" stroke-width="1.5" stroke-linecap="round"'


def lamp_svg(sight: LampSight) -> str:
    """The asked field of one lamp, horizontal by vertical angle as an observer behind the car has it.

    Toned by the share hidden, hatched by what hides it, dotted where the lamp itself shows nothing.

    Raises:
        InputError: fewer than two angles either way, or ``seen`` of another shape.
    """
    across, up = np.degrees(sight.across_rad), np.degrees(sight.up_rad)
    if (
        sight.seen.shape != (len(up), len(across))
        or sight.blocker.shape != sight.seen.shape
        or min(sight.seen.shape) < 2
    ):
        raise InputError(f"What is seen of “{sight.zone}” does not belong to its angles; check the lamp again.")
    rule = f"{sight.rule.market}, {sight.rule.paragraph}"
    rule_lines = wrapped(rule, WIDTH - 8.0)
    top = 46.0 + _LINE * len(rule_lines)
    scale = min((WIDTH - LEFT - RIGHT) / (across[-1] - across[0]), _TALLEST / (up[-1] - up[0]))
    wide, tall = scale * (across[-1] - across[0]), scale * (up[-1] - up[0])
    left = LEFT + 0.5 * (WIDTH - LEFT - RIGHT - wide)
    bottom = top + tall
    # The car's left is at the left for an observer behind it.
    xs = left + (across[-1] - _bounds(across)) * scale
    ys = bottom - (_bounds(up) - up[0]) * scale
    tone = np.where(np.isnan(sight.seen), -1, np.ceil((1.0 - np.nan_to_num(sight.seen) - HIDDEN) * 4.0).clip(0, 4))
    tone = tone.astype(int)
    hidden = np.where((tone > 0) & (sight.blocker >= 0), sight.blocker, -1)

    def of(points: Floats, cells: NDArray[np.intp]) -> NDArray[np.intp]:
        """Entry of the cell that each place lies in; px fall where the angles rise."""
        h = np.clip(np.searchsorted(-xs, -points[:, 0]) - 1, 0, len(xs) - 2)
        v = np.clip(np.searchsorted(-ys, -points[:, 1]) - 1, 0, len(ys) - 2)
        return np.asarray(cells[v, h])

    def inside(blocker: int, points: Floats) -> NDArray[np.bool_]:
        return np.asarray(of(points, hidden) == blocker)

    box = ((left, top), (left + wide, bottom))
    parts = [_runs(tone, k, xs, ys, fill) for k, fill in enumerate(_TONES)] + [_runs(tone, -1, xs, ys, _NOT_SHOWN)]
    for k in np.unique(hidden[hidden >= 0]).tolist():
        strokes = hatch(partial(inside, k), *box, *_way(k))
        parts.append(f'<path class="blocker" {_STROKE} d="{strokes}"/>' if strokes else "")
    if (tone < 0).any():
        spots = hatch(lambda p: of(p, tone) < 0, *box, "dots", 5.0)
        parts.append(f'<path {_DOTS} d="{spots or "M0 0"}"/>')
    if across[0] < 0.0 < across[-1]:
        middle = left + across[-1] * scale
        parts.append(f'<path class="grid" d="M{middle:.1f} {top:.1f}V{bottom:.1f}"/>')
    if up[0] < 0.0 < up[-1]:
        parts.append(f'<path class="grid" d="M{left:.1f} {bottom + up[0] * scale:.1f}h{wide:.1f}"/>')
    parts.append(
        f'<rect class="field" fill="none" stroke="{INK}" stroke-width="1.8" x="{left:.1f}" y="{top:.1f}" '
        f'width="{wide:.1f}" height="{tall:.1f}"/>'
    )
    parts += _axes(
        across, up, lambda a: left + (across[-1] - a) * scale, lambda e: bottom - (e - up[0]) * scale, bottom
    )
    items = [(_ramp(), "hidden: none, then by quarters to all")] if (tone > 0).any() else [(_box("#fff"), "all seen")]
    items += [
        (_box("#fff", hatch(_all, (0.0, 0.0), SWATCH, *_way(k))), f"hidden by {sight.blockers[k]}")
        for k in np.unique(hidden[hidden >= 0]).tolist()
    ]
    if (tone < 0).any():
        dots = f'<path {_DOTS} d="{hatch(_all, (2.0, 2.0), (SWATCH[0] - 2.0, SWATCH[1] - 2.0), "dots", 5.0)}"/>'
        items.append((_box(_NOT_SHOWN) + dots, "not shown by the lamp itself"))
    if sight.least < 1.0 - HIDDEN:
        spot = np.degrees(sight.worst)
        ring = _ring(left + (across[-1] - spot[0]) * scale, bottom - (spot[1] - up[0]) * scale)
        parts.append(ring)
        items.append((_ring(0.5 * SWATCH[0], 6.0), f"least: {figure(100.0 * sight.least)} % seen, {_where(spot)}"))
    rows, height = key(items, LEFT, bottom + 42.0, WIDTH - LEFT)
    share = f"{figure(100.0 * sight.share, 1)} % of the field asked for is seen"
    parts.append(
        label(4.0, 14.0, shortened(f"{sight.zone}, {sight.rule.kind}", WIDTH - 8.0, 12.5, True), "start", "name")
    )
    parts.append(label(4.0, 30.0, share, "start", "side"))
    parts += [label(4.0, 46.0 + _LINE * k, line, "start") for k, line in enumerate(rule_lines)]
    words = f"{sight.zone} as {sight.rule.kind} after {rule}: {share}"
    return drawing(WIDTH, bottom + 44.0 + height, "".join(parts) + rows, words)


def _bounds(angles: Floats) -> Floats:
    """Ends of the cells about the angles; the outer ones end at the field's border."""
    return np.concatenate([angles[:1], 0.5 * (angles[1:] + angles[:-1]), angles[-1:]])


def _runs(tone: NDArray[np.intp], kind: int, xs: Floats, ys: Floats, fill: str) -> str:
    """Cells of one tone, neighbours in a row joined."""
    step = np.diff(np.pad(tone == kind, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, start = np.nonzero(step == 1)
    stop = np.nonzero(step == -1)[1]
    d = "".join(
        f"M{xs[a]:.1f} {ys[r]:.1f}H{xs[b]:.1f}V{ys[r + 1]:.1f}H{xs[a]:.1f}Z"
        for r, a, b in zip(row, start, stop, strict=True)
    )
    return f'<path class="tone" fill="{fill}" d="{d}"/>' if d else ""


def _axes(
    across: Floats, up: Floats, x: Callable[[float], float], y: Callable[[float], float], bottom: float
) -> list[str]:
    parts = []
    for mark in _marks(across, 8):
        parts.append(f'<path class="axis" d="M{x(mark):.1f} {bottom:.1f}v4"/>')
        parts.append(label(x(mark), bottom + 16.0, f"{abs(mark):g}\N{DEGREE SIGN}", "middle"))
    for mark in _marks(up, 4):
        said = minus(f"{mark:+g}") if mark else "0"
        parts.append(label(x(across[-1]) - 8.0, y(mark) + 4.0, f"{said}\N{DEGREE SIGN}", "end"))
    parts.append(label(LEFT, bottom + 32.0, "\N{LEFTWARDS ARROW} left of the car", "start"))
    parts.append(label(WIDTH - RIGHT, bottom + 32.0, "right of the car \N{RIGHTWARDS ARROW}", "end"))
    return parts


def _marks(angles: Floats, most: int) -> list[float]:
    step = nice_step(float(angles[-1] - angles[0]), most)
    first, last = np.ceil(angles[0] / step - 1e-9), np.floor(angles[-1] / step + 1e-9)
    return [float(step * k) + 0.0 for k in np.arange(first, last + 1.0)]


def _way(number: int) -> tuple[str, float]:
    """The hatching of a blocker: five ways, then the same ones wider."""
    return _HATCHES[number % len(_HATCHES)], 5.0 + 4.0 * (number // len(_HATCHES))


def _where(spot: Floats) -> str:
    level = f"{abs(spot[0]):.0f}\N{DEGREE SIGN} {'left' if spot[0] > 0.0 else 'right'}"
    steep = f"{abs(spot[1]):.0f}\N{DEGREE SIGN} {'up' if spot[1] > 0.0 else 'down'}"
    said = [s for s, a in ((level, spot[0]), (steep, spot[1])) if abs(a) >= 0.5]
    return ", ".join(said) or "straight behind"


def _all(points: Floats) -> NDArray[np.bool_]:
    return np.ones(len(points), bool)


def _box(fill: str, strokes: str = "") -> str:
    drawn = f'<path {_STROKE} d="{strokes}"/>' if strokes else ""
    return (
        f'<rect fill="{fill}" stroke="#5c686a" stroke-width="0.8" width="{SWATCH[0]:.0f}" height="{SWATCH[1]:.0f}"/>'
        + drawn
    )  # fmt: skip


def _ramp() -> str:
    wide = SWATCH[0] / len(_TONES)
    boxes = "".join(
        f'<rect fill="{fill}" x="{k * wide:.1f}" width="{wide:.1f}" height="{SWATCH[1]:.0f}"/>'
        for k, fill in enumerate(_TONES)
    )
    return boxes + _box("none")


def _ring(x: float, y: float) -> str:
    return (
        f'<circle fill="none" stroke="#fff" stroke-width="5" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
        f'<circle class="worst" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
    )
