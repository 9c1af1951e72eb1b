"""The front that a scan of a rear half lacks: the body goes straight on for a while and is rounded off.

Closed by a plane alone, the air would leave at the plane's edges and the wing would stand in dead air. What comes to
the roof is still not what comes to it on the car; runs say so.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh
from .closing import OFF_ROAD_M, Closing, suggested

Floats = NDArray[np.float64]

STRAIGHT, ROUND = 0.5, 1.0
"""Heights of the body at its front that it goes straight on, and over which it is then rounded off as an ellipse twice
as long as high (common practice, no source)."""
RINGS = 16
WITHIN_M = 0.01
"""Behind the front's plane where the body is cut."""


CLEAR = 1.5
"""Chords that the wing has to lie behind the front's plane: finer cells about it must not reach to what is added."""


def front_of(body: TriMesh, wing_m: float, chord_m: float) -> tuple[Closing, TriMesh | None]:
    """How a body is closed, and what is put before it where it lacks its front.

    Args:
        body: m, vehicle axes.
        wing_m: where the wing ends forward.
        chord_m: its longest chord.
    """
    closing = suggested(body)
    if closing.front_m is None or wing_m + CLEAR * chord_m > closing.front_m:
        return closing, None
    return closing, rounded_front(body, closing)


def length_m(height_m: float) -> float:
    """How far the front reaches ahead of the plane, of a body so high there."""
    return (STRAIGHT + ROUND) * height_m


def rounded_front(body: TriMesh, closing: Closing) -> TriMesh:
    """A closed mesh, m, vehicle axes, that stands before the body's front plane and covers it.

    Its cross-section is the convex hull of the body's at the plane, the same on both sides, down to the floor's plane
    where the body has none.

    Args:
        body: m, vehicle axes, cut by the plane.
        closing: with ``front_m``.

    Raises:
        InputError: there is no front plane, or nothing of the body at it.
    """
    if closing.front_m is None:
        raise InputError("The body has a front of its own; there is none to add.")
    x = closing.front_m - WITHIN_M
    corners = body.corners
    sides = np.stack([corners, np.roll(corners, -1, axis=1)], axis=2).reshape(-1, 2, 3)
    sides = sides[(sides[:, 0, 0] < x) != (sides[:, 1, 0] < x)]
    share = (x - sides[:, 0, 0]) / (sides[:, 1, 0] - sides[:, 0, 0])
    found = (sides[:, 0] + share[:, None] * (sides[:, 1] - sides[:, 0]))[:, 1:]
    found = found[found[:, 1] > OFF_ROAD_M]
    if closing.floor_m is not None:
        found = np.concatenate([found, found * [1.0, 0.0] + [0.0, closing.floor_m]])
    ring = convex(np.concatenate([found, found * [-1.0, 1.0]]))
    if len(ring) < 3:
        raise InputError(f"Nothing of the body lies at its front plane {closing.front_m:.2f} m forward; scan it again.")
    height, middle = float(np.ptp(ring[:, 1])), 0.5 * float(ring[:, 1].min() + ring[:, 1].max())
    turn = np.linspace(0.0, 0.5 * np.pi, RINGS)[:-1]
    ahead = np.concatenate([[0.0], STRAIGHT * height + ROUND * height * np.sin(turn)])
    size = np.concatenate([[1.0], np.cos(turn)])
    off = np.column_stack([np.zeros(len(ring)), ring[:, 0], ring[:, 1] - middle])
    rings = (
        size[:, None, None] * off
        + np.column_stack([closing.front_m + ahead, 0.0 * ahead, 0.0 * ahead + middle])[:, None]
    )
    count = len(ring)
    points = np.concatenate(
        [rings.reshape(-1, 3), [[closing.front_m, 0.0, middle], [closing.front_m + length_m(height), 0.0, middle]]]
    )
    here = np.arange(count)
    there = np.roll(here, -1)
    triangles = [np.column_stack([there, here, np.full(count, len(points) - 2)])]
    for k in range(len(ahead) - 1):
        a, b = k * count, (k + 1) * count
        triangles += [
            np.column_stack([a + here, a + there, b + there]),
            np.column_stack([a + here, b + there, b + here]),
        ]
    last = (len(ahead) - 1) * count
    triangles.append(np.column_stack([last + here, last + there, np.full(count, len(points) - 1)]))
    return TriMesh(points, np.concatenate(triangles).astype(np.int32))


def convex(points: Floats) -> Floats:
    """(k, 2) corners of the convex hull of points (n, 2), counter-clockwise; A. M. Andrew, "Another efficient algorithm
    for convex hulls in two dimensions", Information Processing Letters 9, 1979."""
    ordered = np.unique(np.round(points, 6), axis=0)
    chains = []
    for chain in (ordered, ordered[::-1]):
        kept: list[Floats] = []
        for point in chain:
            while len(kept) > 1 and _turns_right(kept[-2], kept[-1], point):
                kept.pop()
            kept.append(point)
        chains.append(kept[:-1])
    return np.array([*chains[0], *chains[1]]).reshape(-1, 2)


def _turns_right(a: Floats, b: Floats, c: Floats) -> bool:
    return bool((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0.0)
