"""The report's maps of where else the wing could stand."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from ..clearance.slide import SlideMap
from ..errors import InputError
from ..units import to_degrees, to_mm
from .hatch import hatch
from .svg import INK, SWATCH, drawing, key, label, minus, nice_step, polyline

Floats = NDArray[np.float64]

WIDTH = 640.0
_PANEL, _TALL, _TOP = 256.0, 210.0, 30.0
_LEFTS = (50.0, 376.0)
_WAYS = {
    "aft": ("fore-aft", "forward", "mm", "to the rear", to_mm(1.0)),
    "up": ("height", "down", "mm", "up", to_mm(1.0)),
    "turn": ("incidence", "nose down", "degrees", "nose up", to_degrees(1.0)),
}
_TONES = {"clear": "#d9e9e4", "tight": "#f4e6c4", "touches": "#e0b3a6"}
_HATCHES = {"tight": "rising", "touches": "crossed"}
_HATCH = 'fill="none" stroke="#20292b" stroke-width="0.7" stroke-opacity="0.55"'
_EDGE = f'fill="none" stroke="{INK}" stroke-width="2.2" stroke-linecap="round"'
_BORDER = f'fill="none" stroke="{INK}" stroke-width="1" stroke-dasharray="2 2.5"'


def slide_svg(maps: Sequence[SlideMap], zones: Sequence[str]) -> str:
    """One or two maps side by side: clear, tight and touching, the edge between them, today's place, what limits.

    Args:
        maps: as of ``slide_maps``.
        zones: names that ``SlideMap.tightest`` counts.

    Raises:
        InputError: no map or more than two, a map with fewer than two values on an axis, or an axis of unknown name.
    """
    if not 1 <= len(maps) <= len(_LEFTS):
        raise InputError(f"There are {len(maps)} maps of where the wing could stand; one or two can be drawn.")
    limits: list[int] = []
    parts = [_panel(m, left, limits) for m, left in zip(maps, _LEFTS, strict=False)]
    marks = [(_swatch(kind), kind) for kind in _TONES]
    marks.append((f'<path {_EDGE} d="M1 6H{SWATCH[0] - 1:.0f}"/>', "just the room asked for"))
    marks.append((_today(0.5 * SWATCH[0], 6.0), "today's place"))
    rows, height = key(marks, _LEFTS[0], _TOP + _TALL + 48.0, WIDTH - _LEFTS[0])
    bottom = _TOP + _TALL + 48.0 + height
    named = [
        (_number(0.5 * SWATCH[0], 6.0, n + 1), f"limited by {zones[k] if k < len(zones) else 'another part'}")
        for n, k in enumerate(limits)
    ]
    more, height = key(named, _LEFTS[0], bottom + 4.0, WIDTH - _LEFTS[0])
    said = " and ".join(f"{_WAYS[m.across][0]} and {_WAYS[m.along][0]}" for m in maps)
    return drawing(WIDTH, bottom + height + 8.0, "".join(parts) + rows + more, f"Room to move: {said}")


def _panel(m: SlideMap, left: float, limits: list[int]) -> str:
    for name, values in ((m.across, m.across_values), (m.along, m.along_values)):
        if name not in _WAYS:
            raise InputError(f"A map of where the wing could stand runs along “{name}”; it is aft, up or turn.")
        if len(values) < 2:
            raise InputError("A map of where the wing could stand has fewer than two values on an axis; give a range.")
    x = _scale(m.across_values, left, left + _PANEL)
    y = _scale(m.along_values, _TOP + _TALL, _TOP)
    room, crossed = _fields(m)
    clear, touch, edge = _pieces(x, y, room, crossed)
    box = ((left, _TOP), (left + _PANEL, _TOP + _TALL))

    def kind(points: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Whether each place touches, and whether it is clear."""
        free = _between(x, y, room, points) >= 0.0
        return ~free & (_between(x, y, crossed, points) >= 0.0), free

    parts = [
        f'<rect fill="{_TONES["tight"]}" x="{left:.1f}" y="{_TOP:.1f}" width="{_PANEL:.1f}" height="{_TALL:.1f}"/>',
        f'<path fill="{_TONES["clear"]}" d="{clear}"/>' if clear else "",
        f'<path fill="{_TONES["touches"]}" d="{touch}"/>' if touch else "",
    ]
    tight = hatch(lambda p: ~np.logical_or(*kind(p)), *box, _HATCHES["tight"], 7.0)
    solid = hatch(lambda p: kind(p)[0], *box, _HATCHES["touches"], 5.0)
    parts.append(f'<path {_HATCH} d="{tight}{solid}"/>' if tight or solid else "")
    parts.append(f'<path {_BORDER} d="{_borders(x, y, m.tightest)}"/>')
    parts.append(f'<path class="edge" {_EDGE} d="{edge}"/>' if edge else "")
    parts.append(
        f'<rect fill="none" stroke="#5c686a" stroke-width="1.2" x="{left:.1f}" y="{_TOP:.1f}" '
        f'width="{_PANEL:.1f}" height="{_TALL:.1f}"/>'
    )
    across, along = _WAYS[m.across], _WAYS[m.along]
    parts += _ticks(across[4] * m.across_values, x, lambda v, t: label(v, _TOP + _TALL + 15.0, t, "middle"))
    parts += _ticks(along[4] * m.along_values, y, lambda v, t: label(left - 6.0, v + 4.0, t, "end"))
    under = _TOP + _TALL + 33.0
    parts.append(label(left, under, f"\N{LEFTWARDS ARROW} {across[1]}", "start"))
    parts.append(label(left + 0.5 * _PANEL, under, across[2], "middle"))
    parts.append(label(left + _PANEL, under, f"{across[3]} \N{RIGHTWARDS ARROW}", "end"))
    parts.append(label(left - 40.0, 16.0, f"{across[0]} and {along[0]}", "start", "name"))
    parts.append(label(left + _PANEL, 16.0, f"\N{UPWARDS ARROW} {along[3]}, {along[2]}", "end"))
    today = (_place(m.across_values, x), _place(m.along_values, y))
    for spot, zone in _limits(x, y, m.tightest, room >= 0.0, today):
        if zone not in limits:
            limits.append(zone)
        parts.append(_number(*spot, limits.index(zone) + 1))
    parts.append(_today(*today))
    return "".join(parts)


def _scale(values: Floats, first: float, last: float) -> Floats:
    return np.asarray(first + (values - values[0]) / (values[-1] - values[0]) * (last - first))


def _place(values: Floats, drawn: Floats) -> float:
    return float(np.interp(0.0, values, drawn))


def _fields(m: SlideMap) -> tuple[Floats, Floats]:
    """Room, and a field that is above zero where it touches; finite."""
    room = np.nan_to_num(m.room_m, nan=0.0, posinf=1.0, neginf=-1.0)
    room = np.where(m.touches, np.minimum(room, -1e-6), room)
    return room, np.where(m.touches, 0.5, -0.5)


def _between(x: Floats, y: Floats, field: Floats, points: Floats) -> Floats:
    """The field at places between its nodes, bilinear; ``y`` falls."""
    i = np.clip(np.searchsorted(x, points[:, 0]) - 1, 0, len(x) - 2)
    j = np.clip(np.searchsorted(-y, -points[:, 1]) - 1, 0, len(y) - 2)
    s, t = (points[:, 0] - x[i]) / (x[i + 1] - x[i]), (points[:, 1] - y[j]) / (y[j + 1] - y[j])
    low, high = (field[i, k] * (1.0 - s) + field[i + 1, k] * s for k in (j, j + 1))
    return np.asarray(low * (1.0 - t) + high * t)


def _pieces(x: Floats, y: Floats, room: Floats, crossed: Floats) -> tuple[str, str, str]:
    """Paths of what is clear and of what touches, and the edge where the room is zero.

    Cells between four nodes; those that hold an edge are four triangles about their middle, linear in each.
    """
    clear: list[str] = []
    touch: list[str] = []
    edge: list[str] = []
    for j in range(len(y) - 1):
        run: tuple[str, int] | None = None
        for i in range(len(x)):
            same = ""
            if i < len(x) - 1:
                r, c = room[i : i + 2, j : j + 2], crossed[i : i + 2, j : j + 2]
                same = "clear" if (r >= 0.0).all() else "touch" if (c > 0.0).all() and (r < 0.0).all() else ""
            if run and run[0] != same:
                (clear if run[0] == "clear" else touch).append(
                    f"M{x[run[1]]:.1f} {y[j]:.1f}H{x[i]:.1f}V{y[j + 1]:.1f}H{x[run[1]]:.1f}Z"
                )
                run = None
            if same and not run:
                run = (same, i)
            if i == len(x) - 1 or same or ((r < 0.0).all() and (c < 0.0).all()):
                continue
            ring = [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)]
            nodes = np.array([(x[a], y[b], room[a, b], crossed[a, b]) for a, b in ring])
            middle = nodes.mean(axis=0)
            for k in range(4):
                piece = np.array([nodes[k], nodes[(k + 1) % 4], middle])
                free = _cut(piece, 2, 1.0)
                solid = _cut(_cut(piece, 2, -1.0), 3, 1.0)
                clear += [polyline(free[:, :2]) + "Z"] if len(free) > 2 else []
                touch += [polyline(solid[:, :2]) + "Z"] if len(solid) > 2 else []
                if 0 < (piece[:, 2] >= 0.0).sum() < 3:
                    edge.append(polyline(_zeros(piece)))
    return "".join(clear), "".join(touch), "".join(edge)


def _cut(polygon: Floats, column: int, sign: float) -> Floats:
    """The part of a convex polygon where ``sign`` times a linear column is not below zero (Sutherland-Hodgman)."""
    out = []
    for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        u, v = sign * a[column], sign * b[column]
        if u >= 0.0:
            out.append(a)
        if (u >= 0.0) != (v >= 0.0):
            point = a + u / (u - v) * (b - a)
            point[column] = 0.0
            out.append(point)
    return np.array(out).reshape(-1, polygon.shape[1])


def _zeros(triangle: Floats) -> Floats:
    """(2, 2) where the room is zero on the two sides of a triangle whose ends differ in sign."""
    ends = [
        (a, b) for a, b in zip(triangle, np.roll(triangle, -1, axis=0), strict=True) if (a[2] < 0.0) != (b[2] < 0.0)
    ]
    return np.array([a[:2] + a[2] / (a[2] - b[2]) * (b[:2] - a[:2]) for a, b in ends])


def _borders(x: Floats, y: Floats, zone: NDArray[np.intp]) -> str:
    """Lines through the middles of the sides whose ends different zones limit; where more than two meet, to a point."""
    out = []
    for i in range(len(x) - 1):
        for j in range(len(y) - 1):
            if (zone[i : i + 2, j : j + 2] == zone[i, j]).all():
                continue
            ring = [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)]
            sides = zip(ring, ring[1:] + ring[:1], strict=True)
            ends = [((x[a] + x[c]) / 2.0, (y[b] + y[d]) / 2.0) for (a, b), (c, d) in sides if zone[a, b] != zone[c, d]]
            middle = (0.5 * (x[i] + x[i + 1]), 0.5 * (y[j] + y[j + 1]))
            pairs = [ends] if len(ends) == 2 else [[end, middle] for end in ends]
            out += [polyline(np.array(pair)) for pair in pairs]
    return "".join(out) or f"M{x[0]:.1f} {y[0]:.1f}"


def _limits(
    x: Floats, y: Floats, zone: NDArray[np.intp], free: NDArray[np.bool_], today: tuple[float, float]
) -> list[tuple[tuple[float, float], int]]:
    """Where to write each zone's number: once in each of its regions of some size, deep inside it, off the edge between
    clear and tight and off today's mark."""
    gx, gy = np.meshgrid(x, y, indexing="ij")
    apart = (np.hypot(gx - today[0], gy - today[1]) >= 20.0) & (
        np.minimum.reduce([gx - x[0], x[-1] - gx, y[0] - gy, gy - y[-1]]) >= 9.0
    )
    spots = []
    for k in np.unique(zone).tolist():
        left = zone == k
        while left.any():
            region = _joined(left)
            left = left & ~region
            if region.sum() < max(0.02 * zone.size, 4):
                continue
            depth = _depth(region & free) + _depth(region & ~free)
            i, j = np.unravel_index(int(np.argmax(depth * np.where(apart, 100, 1))), zone.shape)
            inner = np.clip([x[i], y[j]], [x[0] + 9.0, y[-1] + 9.0], [x[-1] - 9.0, y[0] - 9.0])
            spots.append(((float(inner[0]), float(inner[1])), int(k)))
    return spots


def _depth(mask: NDArray[np.bool_]) -> NDArray[np.intp]:
    """How many steps each node lies from the rim of ``mask``; 0 outside."""
    depth = np.zeros(mask.shape, np.intp)
    while mask.any():
        depth += mask
        mask = _eroded(mask)
    return depth


def _joined(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The piece of ``mask`` that holds its first node, joined along the axes."""
    region = np.zeros_like(mask)
    region[tuple(np.argwhere(mask)[0])] = True
    while True:
        grown = region.copy()
        grown[1:] |= region[:-1]
        grown[:-1] |= region[1:]
        grown[:, 1:] |= region[:, :-1]
        grown[:, :-1] |= region[:, 1:]
        grown &= mask
        if (grown == region).all():
            return region
        region = grown


def _eroded(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Nodes whose neighbours along the axes are in ``mask`` too."""
    wide = np.pad(mask, 1)
    return np.asarray(mask & wide[2:, 1:-1] & wide[:-2, 1:-1] & wide[1:-1, 2:] & wide[1:-1, :-2])


def _ticks(values: Floats, drawn: Floats, put: Callable[[float, str], str]) -> list[str]:
    step = nice_step(float(values[-1] - values[0]), 6)
    marks = step * np.arange(np.ceil(values[0] / step - 1e-9), np.floor(values[-1] / step + 1e-9) + 1.0)
    return [put(float(np.interp(v, values, drawn)), minus(f"{v:+.6g}") if abs(v) > 1e-9 * step else "0") for v in marks]


def _number(x: float, y: float, number: int) -> str:
    return (
        f'<circle fill="#fff" stroke="{INK}" stroke-width="1" cx="{x:.1f}" cy="{y:.1f}" r="7.5"/>'
        + label(x, y + 4.0, f"{number}", "middle", "number")
    )  # fmt: skip


def _today(x: float, y: float) -> str:
    return (
        f'<circle fill="#fff" stroke="#fff" stroke-width="6" cx="{x:.1f}" cy="{y:.1f}" r="4"/>'
        f'<path class="today" fill="none" stroke="{INK}" stroke-width="2" '
        f'd="M{x - 8:.1f} {y:.1f}h16M{x:.1f} {y - 8:.1f}v16"/>'
        f'<circle fill="{INK}" stroke="#fff" stroke-width="1" cx="{x:.1f}" cy="{y:.1f}" r="4"/>'
    )


def _swatch(kind: str) -> str:
    strokes = ""
    if kind in _HATCHES:
        strokes = hatch(lambda p: np.ones(len(p), bool), (0.0, 0.0), SWATCH, _HATCHES[kind], 5.0)
    return (
        f'<rect fill="{_TONES[kind]}" width="{SWATCH[0]:.0f}" height="{SWATCH[1]:.0f}"/>'
        f'<path {_HATCH} d="{strokes or "M0 0"}"/>'
    )
