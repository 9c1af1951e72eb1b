"""The report's drawing of how far an element bends."""

from __future__ import annotations

import numpy as np

from ..clearance.deflection import Deflection
from ..errors import InputError
from ..units import to_mm
from .results import figure
from .svg import INK, drawing, label, minus, nice_step, polyline, shortened

WIDTH, LEFT, RIGHT, TOP = 380.0, 46.0, 14.0, 30.0
_TALL = 96.0


def bend_svg(bend: Deflection, name: str) -> str:
    """The bent line over the span as seen from behind, heights much enlarged, the largest one marked.

    Raises:
        InputError: fewer than two places along the span, or another number of heights.
    """
    if len(bend.y_m) < 2 or bend.y_m.shape != bend.up_m.shape:
        raise InputError(f"The bent line of “{name}” has too few places along the span; work it out again.")
    y, up = to_mm(1.0) * bend.y_m, to_mm(1.0) * bend.up_m
    # The axis ends on whole steps and holds zero.
    step = nice_step(max(float(max(up.max(), 0.0) - min(up.min(), 0.0)), 0.1), 4)
    low, high = step * np.floor(min(up.min(), 0.0) / step + 1e-9), step * np.ceil(max(up.max(), 0.0) / step - 1e-9)
    high = max(high, low + step)
    across = (WIDTH - LEFT - RIGHT) / (y[-1] - y[0])
    bottom = TOP + _TALL
    # The car's left is at the left for an observer behind it.
    drawn = np.column_stack([LEFT + (y[-1] - y) * across, bottom - (up - low) / (high - low) * _TALL])
    level = bottom + low / (high - low) * _TALL
    parts = [
        f'<path fill="#e9efe9" d="{polyline(drawn)}L{drawn[-1, 0]:.1f} {level:.1f}L{drawn[0, 0]:.1f} {level:.1f}Z"/>'
    ]
    for k in range(round(low / step), round(high / step) + 1):
        at = bottom - (k * step - low) / (high - low) * _TALL
        parts.append(f'<path class="{"grid" if k else "axis"}" d="M{LEFT:.0f} {at:.1f}H{WIDTH - RIGHT:.0f}"/>')
        parts.append(label(LEFT - 5.0, at + 3.5, minus(f"{k * step:+.6g}") if k else "0", "end"))
    parts.append(f'<path class="bent" fill="none" stroke="{INK}" stroke-width="2" d="{polyline(drawn)}"/>')
    most = int(np.argmax(np.abs(up)))
    parts.append(f'<circle class="worst" cx="{drawn[most, 0]:.1f}" cy="{drawn[most, 1]:.1f}" r="4.5"/>')
    along = nice_step(float(y[-1] - y[0]), 5)
    for mark in along * np.arange(np.ceil(y[0] / along - 1e-9), np.floor(y[-1] / along + 1e-9) + 1.0):
        said = minus(f"{mark:+.6g}") if abs(mark) > 1e-9 * along else "0"
        parts.append(label(LEFT + (y[-1] - mark) * across, bottom + 16.0, said, "middle"))
    said = f": {figure(to_mm(bend.largest_m), 1)} mm at most"
    head = shortened(name, WIDTH - 8.0 - 8.7 * len(said), 12.5, bold=True) + said
    parts.append(label(4.0, 15.0, head, "start", "name"))
    parts.append(label(LEFT, bottom + 32.0, "\N{LEFTWARDS ARROW} left, mm", "start"))
    parts.append(label(WIDTH - RIGHT, bottom + 32.0, "height of the bent line, mm", "end"))
    return drawing(WIDTH, bottom + 40.0, "".join(parts), f"{name} bent under its load{said}")
