"""Hatching as plain strokes, so that it prints sharp and needs no pattern that must be named across drawings."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Inside = Callable[[Floats], NDArray[np.bool_]]

WAYS = ("rising", "falling", "upright", "level", "crossed", "dots")
_TURN = {"rising": (-0.25,), "falling": (0.25,), "upright": (0.5,), "level": (0.0,), "crossed": (-0.25, 0.25)}


def hatch(inside: Inside, low: tuple[float, float], high: tuple[float, float], way: str, spacing: float = 6.0) -> str:
    """Path of the strokes (or dots, with round caps) that fill a region.

    Strokes lie on one grid for the whole drawing, so that those of neighbouring regions join.

    Args:
        inside: tells for (n, 2) px whether each is in the region.
        low, high: px, the box to look in.
        way: one of ``WAYS``.
        spacing: px between strokes.
    """
    if way == "dots":
        axes = [spacing * np.arange(np.ceil(low[k] / spacing), np.floor(high[k] / spacing) + 1.0) for k in (0, 1)]
        spots = np.stack(np.meshgrid(*axes), axis=-1)
        spots[1::2, :, 0] += 0.5 * spacing
        spots = spots.reshape(-1, 2)
        spots = spots[inside(spots) & (spots[:, 0] <= high[0])]
        return "".join(f"M{x:.1f} {y:.1f}h0" for x, y in spots)
    return "".join(_strokes(inside, low, high, np.pi * turn, spacing) for turn in _TURN[way])


def _strokes(inside: Inside, low: tuple[float, float], high: tuple[float, float], angle: float, spacing: float) -> str:
    """Each line of the grid sampled every half px; its runs inside are the strokes."""
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    corners = np.array([(x, y) for x in (low[0], high[0]) for y in (low[1], high[1])])
    far, side = corners @ along, corners @ across
    t = np.arange(far.min(), far.max() + 0.5, 0.5)
    rows = spacing * np.arange(np.ceil(side.min() / spacing), np.floor(side.max() / spacing) + 1.0)
    points = t[None, :, None] * along + rows[:, None, None] * across
    flat = points.reshape(-1, 2)
    hit = (inside(flat) & (flat >= low).all(axis=1) & (flat <= high).all(axis=1)).reshape(len(rows), len(t))
    step = np.diff(np.pad(hit, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, start = np.nonzero(step == 1)
    stop = np.nonzero(step == -1)[1] - 1
    ends = zip(points[row, start], points[row, stop], strict=True)
    return "".join(f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}" for a, b in ends)
