"""The report's drawing of how an element's force is spread along its span."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..lift.result import ElementLift, SpanLoad
from ..units import to_mm
from .results import figure
from .svg import INK, SWATCH, drawing, key, label, minus, nice_step, polyline, shortened

Floats = NDArray[np.float64]

WIDTH, LEFT, RIGHT, TOP = 380.0, 50.0, 20.0, 38.0
_TALL = 120.0
FOLLOWED = 0.8
"""Share of the chord below which the air counts as having left the surface: nearer the trailing edge layers often
leave without much loss (common practice, no source)."""
_LOOKS = {
    "alone": 'stroke-width="2.2" stroke-dasharray="0.1 4.5" stroke-linecap="round"',
    "group": 'stroke-width="1.5" stroke-dasharray="9 4"',
    "on car": 'stroke-width="1.8"',
}
_LEFT_LOOK = 'fill="none" stroke="#a1203a" stroke-width="9" stroke-dasharray="1.2 2.8"'
_SIDES = ("upper", "lower")


def span_svg(lift: ElementLift) -> str:
    """Force a metre of span over the span as seen from behind, a line a case, hatched where the air leaves the surface.

    Raises:
        InputError: no case, one of unknown name, or one with too few strips.
    """
    for load in lift.loads:
        if load.case not in _LOOKS:
            raise InputError(f"The load of “{lift.element}” is for “{load.case}”; it is alone, group or on car.")
        if len(load.y_m) < 2 or load.y_m.shape != load.load_n_m.shape or load.attached.shape != (len(load.y_m), 2):
            raise InputError(f"The load of “{lift.element}” has too few strips along the span; estimate it again.")
    if not lift.loads:
        raise InputError(f"There is no load along the span of “{lift.element}”; estimate it again.")
    y = to_mm(1.0) * np.concatenate([load.y_m for load in lift.loads])
    force = np.concatenate([[0.0], *(load.load_n_m for load in lift.loads)])
    # The axis ends on whole steps and holds zero.
    step = nice_step(max(float(np.ptp(force)), 1.0), 4)
    low, high = step * np.floor(force.min() / step + 1e-9), step * np.ceil(force.max() / step - 1e-9)
    high = max(high, low + step)
    start, end = float(y.min()), float(y.max())
    across, bottom = (WIDTH - LEFT - RIGHT) / (end - start), TOP + _TALL

    def at(load: SpanLoad) -> Floats:
        # The car's left is at the left for an observer behind it.
        return np.column_stack(
            [LEFT + (end - to_mm(1.0) * load.y_m) * across, bottom - (load.load_n_m - low) / (high - low) * _TALL]
        )

    parts = []
    for k in range(round(low / step), round(high / step) + 1):
        level = bottom - (k * step - low) / (high - low) * _TALL
        parts.append(f'<path class="{"grid" if k else "axis"}" d="M{LEFT:.0f} {level:.1f}H{WIDTH - RIGHT:.0f}"/>')
        parts.append(label(LEFT - 5.0, level + 3.5, minus(f"{k * step:+.6g}") if k else "0", "end"))
    for load in lift.loads:
        path = _left_path(at(load), np.any(left_surface(load), axis=1))
        parts.append(f'<path class="left" {_LEFT_LOOK} d="{path}"/>' if path else "")
    for load in lift.loads:
        parts.append(f'<path class="load" fill="none" stroke="{INK}" {_LOOKS[load.case]} d="{polyline(at(load))}"/>')
    along = nice_step(end - start, 5)
    for mark in along * np.arange(np.ceil(start / along - 1e-9), np.floor(end / along + 1e-9) + 1.0):
        said = minus(f"{mark:+.6g}") if abs(mark) > 1e-9 * along else "0"
        parts.append(label(LEFT + (end - mark) * across, bottom + 16.0, said, "middle"))
    parts.append(label(4.0, 15.0, shortened(lift.element, WIDTH - 8.0, 12.5, bold=True), "start", "name"))
    parts.append(label(LEFT, TOP - 8.0, "N a metre of span", "start"))
    parts.append(label(LEFT, bottom + 32.0, "\N{LEFTWARDS ARROW} left, mm", "start"))
    if high > 0.0:
        parts.append(label(WIDTH - RIGHT, TOP - 8.0, "lift \N{UPWARDS ARROW}", "end", "side"))
    if low < 0.0:
        parts.append(label(WIDTH - RIGHT, bottom + 32.0, "downforce \N{DOWNWARDS ARROW}", "end", "side"))
    swatch = f'<path fill="none" stroke="{INK}" %s d="M1 6H{SWATCH[0] - 1.0:.0f}"/>'
    items = [(swatch % _LOOKS[load.case], load.case) for load in lift.loads]
    if any(left_surface(load).any() for load in lift.loads):
        items.append((f'<path {_LEFT_LOOK} d="M1 6H{SWATCH[0] - 1.0:.0f}"/>', "the air leaves the surface early"))
    marks, height = key(items, LEFT, bottom + 42.0, WIDTH - LEFT - 4.0)
    words = f"Force of {lift.element} along the span: {', '.join(load.case for load in lift.loads)}"
    return drawing(WIDTH, bottom + 46.0 + height, "".join(parts) + marks, words)


def left_surface(load: SpanLoad) -> NDArray[np.bool_]:
    """(k, 2) strips whose upper and lower side the air leaves ahead of ``FOLLOWED``."""
    return np.asarray(load.attached < FOLLOWED)


def left_words(loads: tuple[SpanLoad, ...]) -> str:
    """Where the air leaves the surface in each case, in words."""
    ahead = f"{figure(100.0 * FOLLOWED)} % of the chord"
    said = []
    for load in loads:
        left, width = left_surface(load), np.gradient(load.y_m)
        sides = [
            f"{side} side over {figure(100.0 * width[left[:, k]].sum() / width.sum())} % of the span (at worst from "
            f"{figure(100.0 * load.attached[left[:, k], k].min())} % on)"
            for k, side in enumerate(_SIDES)
            if left[:, k].any()
        ]
        said += [f"{load.case}, {' and '.join(sides)}"] if sides else []
    if not said:
        return f"The air follows both sides to {ahead} or farther, all along the span."
    return f"The air leaves the surface before {ahead}: {'; '.join(said)}."


def _left_path(drawn: Floats, left: NDArray[np.bool_]) -> str:
    """The curve's pieces over the marked strips, half way to their neighbours."""
    edges = np.concatenate([[drawn[0, 0]], 0.5 * (drawn[1:, 0] + drawn[:-1, 0]), [drawn[-1, 0]]])
    pieces = []
    for run in np.split(np.arange(len(left)), np.flatnonzero(np.diff(left)) + 1):
        if left[run[0]]:
            x = np.unique(np.concatenate([edges[[run[0], run[-1] + 1]], drawn[run, 0]]))
            pieces.append(polyline(np.column_stack([x, np.interp(x, drawn[::-1, 0], drawn[::-1, 1])])))
    return "".join(pieces)
