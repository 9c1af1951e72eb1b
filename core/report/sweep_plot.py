"""The report's small multiples of forces over a change: what if an element stood elsewhere, or the car went faster."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..lift.result import Band
from ..lift.sweep import Bands, Sweep
from ..units import to_degrees, to_kmh, to_mm
from .results import band_text
from .svg import INK, SWATCH, cross, drawing, key, label, minus, nice_step, polyline, shortened

Floats = NDArray[np.float64]

WIDTH, LEFT, RIGHT, TOP = 640.0, 58.0, 92.0, 44.0
_TALL, _BETWEEN, _ROW = 112.0, 36.0, 44.0
_ACROSS = 3  # panels side by side
_LOOK: dict[str, tuple[str, str, str, str, Callable[[float], float]]] = {
    "gap": ("height", "lower", "mm", "higher", to_mm),
    "stagger": ("fore-aft place", "forward", "mm", "aft", to_mm),
    "incidence": ("incidence", "nose down", "degrees", "nose up", to_degrees),
    "speed": ("speed", "slower", "km/h", "faster", to_kmh),
}
_TONE = 'fill="#dbe3e0"'
_TODAY = f'fill="none" stroke="{INK}" stroke-width="1.1" stroke-dasharray="3 3"'
_MISSING = 'fill="none" stroke="#a1203a" stroke-width="1.6"'


def sweep_svg(sweep: Sweep) -> str:
    """A panel an element and one for all together, on one scale: the range as tone, the force as line, today's marked.

    Values that were not worked out leave the line broken and stand as a cross on the panel's floor.

    Raises:
        InputError: fewer than two values, or none worked out.
    """
    bands = [b for row in (*sweep.bands, sweep.totals) for b in row if b is not None]
    if len(sweep.values) < 2 or not bands:
        raise InputError("A plot of what the force would be needs two values or more, and one that was worked out.")
    step, low, high = force_axis(bands)
    panels = list(zip(sweep.elements, sweep.bands, strict=True))
    if len(panels) > 1:
        panels.append(("all together", sweep.totals))
    rows = math.ceil(len(panels) / _ACROSS)
    across = math.ceil(len(panels) / rows)
    wide = (WIDTH - LEFT - RIGHT - (across - 1) * _BETWEEN) / across
    noun, down, unit, up, convert = _LOOK[sweep.what]
    moved = f" of {sweep.element}" if sweep.element else ""
    case = "on the car" if sweep.case == "on car" else "without the car"
    head = shortened(f"Force over {noun}{moved}, {case}", WIDTH - 8.0, 12.5)
    parts = [label(4.0, 15.0, head, "start", "side")]
    for k, (name, row) in enumerate(panels):
        box = (LEFT + (k % across) * (wide + _BETWEEN), TOP + (k // across) * (_TALL + _ROW), wide)
        parts.append(_panel(sweep, name, row, box, (step, low, high), first=k % across == 0))
        if k % across == across - 1 or k == len(panels) - 1:
            parts.append(_sides(box, low, high))
    floor = TOP + rows * (_TALL + _ROW) - _ROW + 36.0
    change = unit if sweep.what == "speed" else f"{unit} from today’s"
    parts.append(label(LEFT, floor, f"\N{LEFTWARDS ARROW} {down}", "start"))
    parts.append(label(0.5 * (LEFT + WIDTH - RIGHT), floor, change, "middle"))
    parts.append(label(WIDTH - RIGHT, floor, f"{up} \N{RIGHTWARDS ARROW}", "end"))
    middle = 0.5 * SWATCH[0]
    items = [
        (f'<path fill="none" stroke="{INK}" stroke-width="1.8" d="M1 6H{SWATCH[0] - 1.0:.0f}"/>', "force, N"),
        (f'<rect {_TONE} width="{SWATCH[0]:.0f}" height="{SWATCH[1]:.0f}"/>', "range it may lie in"),
        (f'<path {_TODAY} d="M{middle:.0f} -1v14"/>{_dot(middle, 6.0)}', "as it is today"),
    ]
    if any(sweep.reasons):
        items.append((f'<path {_MISSING} d="{cross(middle, 6.0, 4.0)}"/>', "not worked out"))
    marks, height = key(items, LEFT, floor + 10.0, WIDTH - LEFT)
    today = sweep.totals[sweep.now]
    words = f"{head}: {band_text(today)} N as it is today" if today is not None else head
    return drawing(WIDTH, floor + 14.0 + height, "".join(parts) + marks, words)


def force_axis(bands: list[Band]) -> tuple[float, float, float]:
    """Step and ends of an axis on whole steps that holds zero and every range."""
    ends = [0.0, *(v for b in bands for v in (b.value, b.low, b.high))]
    step = nice_step(max(max(ends) - min(ends), 1.0), 4)
    low, high = step * math.floor(min(ends) / step + 1e-9), step * math.ceil(max(ends) / step - 1e-9)
    return step, low, max(high, low + step)


def runs(row: Bands) -> list[NDArray[np.intp]]:
    """Numbers of the values that were worked out, in pieces without a gap."""
    known = np.array([band is not None for band in row])
    pieces = np.split(np.arange(len(row)), np.flatnonzero(np.diff(known)) + 1)
    return [piece for piece in pieces if known[piece[0]]]


def curve(row: Bands, run: NDArray[np.intp]) -> Floats:
    """(m, 3) value, low and high of the bands of a run."""
    return np.array([(b.value, b.low, b.high) for k in run if (b := row[k]) is not None])


def heights(bottom: float, tall: float, axis: tuple[float, float, float]) -> Callable[[Floats], Floats]:
    """Where forces stand on a panel with the axis of ``force_axis``, picture points down."""
    _, low, high = axis
    return lambda force: np.asarray(bottom - (force - low) / (high - low) * tall)


def ranges(row: Bands, at: Floats, y: Callable[[Floats], Floats]) -> list[str]:
    """The bands as tones: rings, and bars for values that stand by themselves.

    Args:
        row: of the values.
        at: (n,) where they stand across, picture points.
        y: see ``heights``.
    """
    parts = []
    for run in runs(row):
        force, across = y(curve(row, run)), at[run]
        if len(run) == 1:
            bar = f"M{across[0]:.1f} {force[0, 1]:.1f}V{force[0, 2]:.1f}"
            parts.append(f'<path class="range" fill="none" stroke="#dbe3e0" stroke-width="6" d="{bar}"/>')
        else:
            ring = np.vstack([np.column_stack([across, force[:, 1]]), np.column_stack([across, force[:, 2]])[::-1]])
            parts.append(f'<path class="range" {_TONE} d="{polyline(ring)}Z"/>')
    return parts


def levels(
    left: float, wide: float, y: Callable[[Floats], Floats], axis: tuple[float, float, float], first: bool
) -> list[str]:
    """Lines at whole steps of force, named where the panel is the first of its line."""
    step, low, high = axis
    parts = []
    for k in range(round(low / step), round(high / step) + 1):
        level = float(y(np.array(k * step)))
        parts.append(f'<path class="{"grid" if k else "axis"}" d="M{left:.1f} {level:.1f}h{wide:.1f}"/>')
        if first:
            parts.append(label(left - 8.0, level + 3.5, minus(f"{k * step:+.6g}") if k else "0 N", "end"))
    return parts


def _panel(
    sweep: Sweep,
    name: str,
    row: Bands,
    box: tuple[float, float, float],
    axis: tuple[float, float, float],
    first: bool,
) -> str:
    left, top, wide = box
    bottom, y = top + _TALL, heights(top + _TALL, _TALL, axis)
    values = np.asarray(sweep.values)

    def x(change: Floats) -> Floats:
        return np.asarray(left + (change - values[0]) / (values[-1] - values[0]) * wide)

    parts = ranges(row, x(values), y) + levels(left, wide, y, axis, first)
    now = float(x(values[sweep.now]))
    parts.append(f'<path {_TODAY} d="M{now:.1f} {top:.1f}V{bottom:.1f}"/>')
    for run in runs(row):
        drawn = np.column_stack([x(values[run]), y(curve(row, run)[:, 0])])
        parts.append(
            f'<path class="force" fill="none" stroke="{INK}" stroke-width="1.8" stroke-linecap="round" '
            f'stroke-linejoin="round" d="{polyline(drawn)}{"h0" if len(run) == 1 else ""}"/>'
        )
    missing = "".join(cross(float(x(values[k])), bottom - 5.0, 4.0) for k, band in enumerate(row) if band is None)
    parts.append(f'<path class="missing" {_MISSING} d="{missing}"/>' if missing else "")
    today = row[sweep.now]
    if today is not None:
        parts.append(_dot(now, float(y(np.array(today.value))), "today"))
    parts.append(label(left, top - 9.0, shortened(name, wide, 12.5, bold=True), "start", "name"))
    parts += _ticks(sweep, x, bottom + 16.0, 3 if wide < 200.0 else 5)
    return "".join(parts)


def _sides(box: tuple[float, float, float], low: float, high: float) -> str:
    """What the zero line parts, in words at the end of a row of panels."""
    left, top, wide = box
    end, zero = left + wide, top + high / (high - low) * _TALL
    parts = [f'<path class="axis" d="M{end:.1f} {zero:.1f}H{end + RIGHT - 2.0:.1f}"/>']
    if high > 0.0:
        parts.append(label(end + 8.0, zero - 5.0, "lift \N{UPWARDS ARROW}", "start"))
    if low < 0.0:
        parts.append(label(end + 8.0, zero + 13.0, "downforce \N{DOWNWARDS ARROW}", "start"))
    return "".join(parts)


def _ticks(sweep: Sweep, x: Callable[[Floats], Floats], floor: float, most: int) -> list[str]:
    convert = _LOOK[sweep.what][4]
    shift = convert(sweep.today) if sweep.what == "speed" else 0.0
    ends = [convert(float(v)) + shift for v in sweep.values[[0, -1]]]
    step = nice_step(ends[1] - ends[0], most)
    parts = []
    for k in range(math.ceil(ends[0] / step - 1e-9), math.floor(ends[1] / step + 1e-9) + 1):
        sign = "" if sweep.what == "speed" or k == 0 else "+"
        at = float(x(np.array((k * step - shift) / convert(1.0))))
        parts.append(label(at, floor, minus(f"{k * step:{sign}.6g}"), "middle"))
    return parts


def _dot(x: float, y: float, kind: str = "mark") -> str:
    return f'<circle class="{kind}" fill="{INK}" stroke="#ffffff" stroke-width="1.2" cx="{x:.1f}" cy="{y:.1f}" r="4"/>'
