"""A thumbnail of forces over a change, drawn point by point: no text, so that it reads at the size of an icon."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..lift.sweep import Sweep
from .sweep_plot import curve, runs

Floats = NDArray[np.float64]

PAPER, TONE, ZERO, INK = (
    np.array(colour, float) for colour in ((251, 250, 246), (203, 216, 211), (140, 152, 154), (32, 41, 43))
)
"""sRGB of ground, range, zero line and force."""
_LEAST = 16


def sweep_picture(sweep: Sweep, width: int, height: int, element: str | None = None) -> NDArray[np.uint8]:
    """(height, width, 3) uint8 sRGB, top row first: the zero line, the range as tone, the force, today's as a dot.

    Lift is up. Each edge is blended by how much of a point it covers.

    Args:
        sweep: of two values or more.
        width, height: points.
        element: whose force; None for that of all together.

    Raises:
        InputError: a picture too small to draw on, an element that the forces do not hold, or nothing worked out.
    """
    if width < _LEAST or height < _LEAST:
        raise InputError(f"A thumbnail of {width} by {height} points is too small; make it {_LEAST} or more each way.")
    if element is not None and element not in sweep.elements:
        raise InputError(f"The forces hold none for element “{element}”; choose one of theirs.")
    row = sweep.totals if element is None else sweep.bands[sweep.elements.index(element)]
    pieces = runs(row)
    if not pieces or len(sweep.values) < 2:
        raise InputError("A thumbnail of the forces needs two values or more, and one that was worked out.")
    thick = max(min(width, height) / 40.0, 1.0)
    dot = 2.2 * thick
    edge = dot + thick + 0.5
    forces = np.concatenate([curve(row, run) for run in pieces] + [np.zeros((1, 3))])
    low, high = float(forces.min()), float(forces.max())
    span = max(high - low, 1e-9)

    def x(run: NDArray[np.intp]) -> Floats:
        share = (sweep.values[run] - sweep.values[0]) / (sweep.values[-1] - sweep.values[0])
        return np.asarray(edge + share * (width - 2.0 * edge))

    def y(force: Floats) -> Floats:
        return np.asarray(height - edge - (force - low) / span * (height - 2.0 * edge))

    down, right = np.mgrid[:height, :width] + 0.5  # the points' middles
    picture = np.broadcast_to(PAPER, (height, width, 3)).copy()

    def paint(cover: Floats, colour: Floats) -> None:
        picture[...] += np.clip(cover, 0.0, 1.0)[..., None] * (colour - picture)

    def line(ends: Floats, half: float, colour: Floats) -> None:
        away = np.full(right.shape, np.inf)
        for a, b in zip(ends[:-1], ends[1:], strict=True):
            way = b - a
            share = ((right - a[0]) * way[0] + (down - a[1]) * way[1]) / max(float(way @ way), 1e-12)
            share = np.clip(share, 0.0, 1.0)
            away = np.minimum(away, np.hypot(right - a[0] - share * way[0], down - a[1] - share * way[1]))
        paint(half + 0.5 - away, colour)

    for run in pieces:
        at, drawn = x(run), y(curve(row, run))
        if len(run) > 1:
            bottom, top = (np.interp(right[0], at, drawn[:, k]) for k in (1, 2))
            cover = np.minimum(down + 0.5, bottom) - np.maximum(down - 0.5, top)
            beside = np.minimum(right[0] + 0.5, at[-1]) - np.maximum(right[0] - 0.5, at[0])
            paint(np.clip(cover, 0.0, 1.0) * np.clip(beside, 0.0, 1.0), TONE)
    zero = float(y(np.zeros(())))
    line(np.array([[0.0, zero], [float(width), zero]]), 0.3 * thick, ZERO)
    for run in pieces:
        drawn = np.column_stack([x(run), y(curve(row, run)[:, 0])])
        line(drawn if len(run) > 1 else drawn[[0, 0]], 0.6 * thick, INK)
    today = row[sweep.now]
    if today is not None:
        spot = float(x(np.array([sweep.now]))[0]), float(y(np.array(today.value)))
        away = np.hypot(right - spot[0], down - spot[1])
        paint(dot + thick + 0.5 - away, PAPER)
        paint(dot + 0.5 - away, INK)
    return np.rint(picture).astype(np.uint8)
