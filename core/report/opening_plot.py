"""The report's drawing of the opening lid: how near things come over the angle, and where they touch."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..clearance.opening import Opening, OpeningPair
from ..errors import InputError
from ..units import to_degrees, to_mm
from .labels import spread
from .results import figure
from .svg import INK, cross, drawing, label, nice_step, polyline, shortened, text_width

Floats = NDArray[np.float64]

NEAR_MM = 150.0
"""Pairs that never come nearer are left out."""
WIDTH, LEFT, RIGHT, TOP = 640.0, 46.0, 372.0, 40.0
_NAMES = 410.0  # where the names' column begins
_CEILING_MM = 300.0
_ROW = 31.0  # height of a name with what it says below
# Dashes tell lines apart without their colours; 6 and 5 have no common factor, so 30 lines differ.
_COLOURS = (INK, "#1f6f6b", "#b8562a", "#5a4a8a", "#7a6a10", "#8a9496")
_DASHES = ("", "9 4", "2 3", "12 3 2 3", "5 3")


def opening_svg(found: Opening) -> str:
    """Smallest distance over the opening angle, a line each pair that comes near, its name at its end.

    A line ends with a cross where the pair touches; the way beyond the first contact is shaded.

    Raises:
        InputError: no pairs, or fewer than two angles.
    """
    if not found.pairs or len(found.angles_rad) < 2:
        raise InputError("The way of the lid holds no pair or no angles; open the lid again.")
    shown = [p for p in found.pairs if to_mm(p.least_m) <= NEAR_MM]
    shown = sorted(shown or found.pairs, key=lambda p: (not _touches(p), p.contact_rad if _touches(p) else p.least_m))
    left_out = len(found.pairs) - len(shown)
    lines = [_line(found, p) for p in shown]
    highest = min(max(max(float(line[:, 1].max()) for line in lines), 1.0), _CEILING_MM)
    step = nice_step(highest, 6)
    most = step * np.ceil(highest / step - 1e-9)
    tall = max(230.0, _ROW * len(shown))
    bottom = TOP + tall
    widest = to_degrees(float(found.angles_rad[-1]))

    def at(points: Floats) -> Floats:
        x = LEFT + points[..., 0] / widest * (RIGHT - LEFT)
        return np.stack([x, bottom - points[..., 1] / most * tall], axis=-1)

    parts = []
    contacts = sorted(to_degrees(p.contact_rad) for p in shown if _touches(p))
    if contacts:
        first = float(at(np.array([contacts[0], 0.0]))[0])
        parts.append(
            f'<rect fill="#f1f0e9" x="{first:.1f}" y="{TOP:.0f}" width="{RIGHT - first:.1f}" height="{tall:.1f}"/>'
        )
    for k in range(round(most / step) + 1):
        y = bottom - tall * k * step / most
        parts.append(f'<path class="{"grid" if k else "axis"}" d="M{LEFT:.0f} {y:.1f}H{RIGHT:.0f}"/>')
        parts.append(label(LEFT - 5.0, y + 3.5, f"{k * step:g}", "end"))
    turn = nice_step(widest, 7)
    for k in range(int(widest / turn + 1e-9) + 1):
        x = LEFT + k * turn / widest * (RIGHT - LEFT)
        parts.append(f'<path class="axis" d="M{x:.1f} {bottom:.1f}v4"/>')
        parts.append(label(x, bottom + 16.0, f"{k * turn:g}\N{DEGREE SIGN}", "middle"))
    if contacts:
        said = f"first contact {contacts[0]:.1f}\N{DEGREE SIGN}"
        half = 0.5 * text_width(said, 12.5, bold=True)
        parts.append(f'<path fill="none" stroke="{INK}" stroke-width="1" d="M{first:.1f} {TOP - 4:.0f}V{bottom:.1f}"/>')
        parts.append(label(float(np.clip(first, LEFT + half, RIGHT - half)), TOP - 9.0, said, "middle", "name"))
    ends = []
    for number, (pair, line) in enumerate(zip(shown, lines, strict=True)):
        runs = _below(line, float(most))
        last = at(runs[-1][-1:])[0] if runs else np.array([RIGHT, TOP])
        ends.append([RIGHT, last[1]])
        d = "".join(polyline(at(run)) for run in runs)
        parts.append(f'<path {_look(number)} d="{d}"/>' if d else "")
        if last[0] > RIGHT - 0.5:
            ends[-1][0] = np.inf  # it reaches the edge, so that a thin line leads on to its name
        if _touches(pair):
            x, y = at(np.array([to_degrees(pair.contact_rad), 0.0]))
            parts.append(f'<path class="contact" fill="none" stroke="{INK}" stroke-width="2.2" d="{cross(x, y)}"/>')
        elif to_mm(pair.least_m) <= most:
            x, y = at(np.array([to_degrees(pair.least_rad), to_mm(pair.least_m)]))
            parts.append(f'<circle fill="#fff" stroke="{INK}" stroke-width="1.4" cx="{x:.1f}" cy="{y:.1f}" r="3.2"/>')
    parts.append(_later_contacts(contacts, at, bottom))
    heights = np.array([y for _, y in ends])
    places = spread(
        np.column_stack([np.full(len(ends), _NAMES), heights]),
        np.tile([WIDTH - _NAMES, _ROW - 2.0], (len(ends), 1)), np.array([1e4, bottom + 14.0]), 2.0,
    )  # fmt: skip
    for number, (pair, (reach, y), place) in enumerate(zip(shown, ends, places, strict=True)):
        middle = place[1] + 0.5 * (_ROW - 2.0)
        leads = reach == np.inf
        if leads:
            parts.append(
                f'<path fill="none" stroke="#8a9496" stroke-width="0.8" d="M{RIGHT:.1f} {y:.1f}'
                f'L{RIGHT + 8.0:.1f} {middle:.1f}"/>'
            )
        parts.append(f'<path {_look(number)} d="M{RIGHT + 8.0:.1f} {middle:.1f}H{_NAMES - 6.0:.1f}"/>')
        parts += _names(pair, middle, leads)
    parts.append(label(LEFT - 34.0, 16.0, "smallest distance, mm", "start"))
    parts.append(label(0.5 * (LEFT + RIGHT), bottom + 34.0, "lid opened by", "middle"))
    if left_out:
        never = f"{left_out} more never come{'s' if left_out == 1 else ''} within {NEAR_MM:g} mm"
        parts.append(label(WIDTH - 4.0, bottom + 34.0, never, "end"))
    words = "; ".join(f"{p.part} to {p.against} {_what(p)}" for p in shown)
    return drawing(WIDTH, bottom + 42.0, "".join(parts), f"Distances while the lid opens: {words}")


def _touches(pair: OpeningPair) -> bool:
    return bool(np.isfinite(pair.contact_rad))


def _what(pair: OpeningPair) -> str:
    if _touches(pair):
        return f"touches at {to_degrees(pair.contact_rad):.1f}\N{DEGREE SIGN}"
    return f"least {figure(to_mm(pair.least_m), 1)} mm at {to_degrees(pair.least_rad):.1f}\N{DEGREE SIGN}"


def _look(number: int) -> str:
    dash = _DASHES[number % len(_DASHES)]
    return (
        f'fill="none" stroke="{_COLOURS[number % len(_COLOURS)]}" stroke-width="1.8" stroke-linejoin="round"'
        + (f' stroke-dasharray="{dash}"' if dash else "")
    )  # fmt: skip


def _line(found: Opening, pair: OpeningPair) -> Floats:
    """(n, 2) degrees and mm: the samples with the nearest or first touching place among them, ending at a contact."""
    stop = pair.contact_rad if _touches(pair) else pair.least_rad
    angles = np.append(found.angles_rad, stop)
    distance = np.append(pair.distance_m, 0.0 if _touches(pair) else pair.least_m)
    order = np.argsort(angles, kind="stable")
    if _touches(pair):
        order = order[angles[order] <= stop]
        distance[-1] = 0.0
    return np.column_stack([np.degrees(angles[order]), to_mm(1.0) * distance[order]])


def _below(line: Floats, most: float) -> list[Floats]:
    """The pieces of a line that lie below ``most``, cut where it passes it."""
    runs, run = [], []
    for i, point in enumerate(line):
        if i and (line[i - 1, 1] <= most) != (point[1] <= most):
            share = (most - line[i - 1, 1]) / (point[1] - line[i - 1, 1])
            run.append(line[i - 1] + share * (point - line[i - 1]))
        if point[1] <= most:
            run.append(point)
        elif run:
            runs.append(np.array(run))
            run = []
    return [*runs, np.array(run)] if run else runs


def _later_contacts(contacts: list[float], at: Callable[[Floats], Floats], bottom: float) -> str:
    """The angles of all contacts but the first beside their crosses."""
    said = [f"{c:.1f}\N{DEGREE SIGN}" for c in contacts[1:]]
    if not said:
        return ""
    spots = at(np.column_stack([contacts[1:], np.zeros(len(said))]))
    sizes = np.array([[text_width(s), 12.0] for s in said])
    # The picture's y runs down; height above the axis runs up.
    anchors = np.column_stack([spots[:, 0] - LEFT - 0.5 * sizes[:, 0] - 2.0, np.full(len(said), 18.0)])
    places = spread(anchors, sizes, np.array([RIGHT - LEFT, bottom - TOP]), 2.0)
    return "".join(
        label(LEFT + x + 0.5 * w, bottom - y - 2.0, s, "middle", "over")
        for s, (x, y), (w, _) in zip(said, places, sizes, strict=True)
    )


def _names(pair: OpeningPair, middle: float, leads: bool) -> list[str]:
    room = WIDTH - _NAMES - 4.0
    each = 0.5 * (room - text_width(" \N{EN DASH} ", 12.5, bold=True))
    mine = shortened(pair.part, max(each, room - each - text_width(pair.against, 12.5, bold=True)), 12.5, bold=True)
    other = shortened(pair.against, 2.0 * each - text_width(mine, 12.5, bold=True), 12.5, bold=True)
    what = _what(pair)
    if not leads and not _touches(pair):
        what += " \N{UPWARDS ARROW}"
    return [
        label(_NAMES, middle - 2.0, f"{mine} \N{EN DASH} {other}", "start", "name"),
        label(_NAMES, middle + 12.0, what, "start"),
    ]
