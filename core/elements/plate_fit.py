"""An end plate's numbers and outline from the points scanned on its outer face."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sections.measure import TipPlate
from ..sections.shape import cosine_spaced
from .element import Element, EndPlate, Station, check_element, place
from .plate import plate_outline

Floats = NDArray[np.float64]

_PLACES = 24  # along the plate, closer towards both ends
_STRAY = 3  # points at each end that may be noise, not sheet, where there are thousands
_NARROWEST = 3.0  # tolerances (or spacings) from the ends to the next place
_SAMPLE = 200  # points whose neighbours tell the spacing


def measured_plate(element: Element, plate: TipPlate, tolerance_m: float) -> EndPlate:
    """The plate across the tips of ``element`` from its outer face's points.

    The outline is an upper and a lower edge over the way aft, each with the fewest corners that keep to the
    points within the tolerance, or within their spacing where that is more. A plate that the rectangle with
    rounded corners meets as near has no outline of its own.

    Args:
        element: its tip gives the frame.
        plate: the measured plate.
        tolerance_m: how near the outline comes to the outermost points.
    """
    tip = element.station(1.0)
    points = _off_tip(tip, plate.points)
    stray = min(_STRAY, len(points) // 1000)
    low, high = np.sort(points, axis=0)[[stray, -1 - stray]]
    found = EndPlate(
        above_m=float(high[1]),
        below_m=float(-low[1]),
        ahead_m=float(-low[0]),
        behind_m=float(high[0] - tip.chord_m),
        thickness_m=plate.outer_y - plate.inner_y,
    )
    near = max(tolerance_m, _spacing(points))
    edges = _edges(points, low, high, near)
    rim = np.concatenate(edges)
    if _distance(rim, plate_outline(found, tip.chord_m)).max() <= near:
        return found
    lower, upper = (_simplified(edge, near) for edge in edges)
    outline = _fewest(np.concatenate([lower, upper[::-1]]), rim, near)
    return EndPlate(
        above_m=found.above_m,
        below_m=found.below_m,
        ahead_m=found.ahead_m,
        behind_m=found.behind_m,
        thickness_m=found.thickness_m,
        outline=(outline - low) / (high - low),
    )


def drawn_plate(element: Element, outline: Floats) -> Element:
    """The element with end plates of a drawn form; their sheet thickness stays.

    Args:
        element: with end plates; its tip is where the drawing is laid on.
        outline: (n, 3) m in vehicle axes, points in order round the form; only x and z are used.

    Raises:
        InputError: no end plates; fewer than three points, an outline without height or length, or one that
            crosses itself.
    """
    if element.end_plate is None:
        raise InputError(f"Element “{element.name}” has no end plates; switch them on first.")
    if len(outline) < 3:
        raise InputError(f"The drawn plate has {len(outline)} points; it takes at least three round its form.")
    tip = element.station(1.0)
    points = _off_tip(tip, outline[:, [0, 2]])
    low, high = points.min(axis=0), points.max(axis=0)
    if (high - low).min() < 1e-3:
        raise InputError("The drawn plate has no height or no length seen from the side; draw it in the x-z plane.")
    drawn = EndPlate(
        above_m=float(high[1]),
        below_m=float(-low[1]),
        ahead_m=float(-low[0]),
        behind_m=float(high[0] - tip.chord_m),
        thickness_m=element.end_plate.thickness_m,
        outline=(points - low) / (high - low),
    )
    made = replace(element, end_plate=drawn)
    check_element(made)
    return made


def _off_tip(tip: Station, points: Floats) -> Floats:
    """Points (n, 2) x and z m as (n, 2) m aft of the tip's leading edge along its chord line, and above that line."""
    aft, up = place(np.zeros(3), 1.0, tip.incidence_rad, np.eye(2))[:, [0, 2]]
    run = points - tip.leading_edge[[0, 2]]
    return np.column_stack([run @ aft, run @ up])


def _spacing(points: Floats) -> float:
    """Median way from a point to its nearest neighbour, m."""
    some = points[:: max(len(points) // _SAMPLE, 1)]
    apart = (some[:, :1] - points[:, 0]) ** 2 + (some[:, 1:] - points[:, 1]) ** 2
    return float(np.sqrt(np.median(np.partition(apart, 1, axis=1)[:, 1])))


def _edges(points: Floats, low: Floats, high: Floats, near: float) -> tuple[Floats, Floats]:
    """Lower and upper edge (k, 2), from the front aft: the outermost points of each place along the plate."""
    inside = np.clip(points, low, high)
    # The front and rear edges stand in narrow places of their own.
    stops = low[0] + near + (high[0] - low[0] - 2.0 * near) * cosine_spaced(_PLACES + 1)
    wide = np.minimum(stops - stops[0], stops[-1] - stops) >= _NARROWEST * near
    stops = np.concatenate([stops[:1], stops[wide], stops[-1:]])
    where = np.searchsorted(stops, inside[:, 0])
    lower, upper = [], []
    for k in np.unique(where):
        here = inside[where == k]
        order = np.argsort(here[:, 1])
        stray = min(1, len(order) // 100)
        ends = here[order[[stray, -1 - stray]]]
        if k == 0:
            ends[:, 0] = low[0]
        elif k == len(stops):
            ends[:, 0] = high[0]
        lower.append(ends[0])
        upper.append(ends[1])
    edges = np.array(lower), np.array(upper)
    for edge in edges:
        # The outermost point of so narrow a place lies up to two spacings short of a corner.
        for end, beside in ((0, 1), (-1, -2)):
            corner = np.array([edge[end, 0], edge[beside, 1]])
            # A round corner has no point there.
            if np.hypot(*(points - corner).T).min() <= near:
                edge[end, 1] = edge[beside, 1]
    return edges


def _distance(points: Floats, outline: Floats) -> Floats:
    """(n,) from each point (n, 2) to a closed outline (m, 2)."""
    run = np.roll(outline, -1, axis=0) - outline
    offset = points[:, None] - outline
    length = np.maximum((run**2).sum(axis=1), 1e-30)
    along = np.clip((offset * run).sum(axis=2) / length, 0.0, 1.0)
    return np.sqrt(((offset - along[:, :, None] * run) ** 2).sum(axis=2).min(axis=1))


def _fewest(outline: Floats, rim: Floats, near: float) -> Floats:
    """The outline without the corners that the rim's points (n, 2) do without, to ``near``; the least used go first."""
    while len(outline) > 3:
        fewer = [np.delete(outline, k, axis=0) for k in range(len(outline))]
        worst = [float(_distance(rim, f).max()) for f in fewer]
        if min(worst) > near:
            break
        outline = fewer[int(np.argmin(worst))]
    return outline


def _simplified(line: Floats, near: float) -> Floats:
    """The corners of ``line`` (k, 2) without which it would be left by more than ``near``.

    Method: Douglas and Peucker, The Canadian Cartographer 10(2), 1973 (from memory).
    """
    run = line[-1] - line[0]
    length = max(float(np.hypot(*run)), 1e-30)
    off = np.abs(run[0] * (line[:, 1] - line[0, 1]) - run[1] * (line[:, 0] - line[0, 0])) / length
    far = int(np.argmax(off))
    if len(line) < 3 or off[far] <= near:
        return line[[0, -1]]
    return np.concatenate([_simplified(line[: far + 1], near)[:-1], _simplified(line[far:], near)])
