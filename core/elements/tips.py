"""Rings of points joined to a closed shell: a skin of quads along the span, flat or half-round tips.

A ring runs from the trailing edge over the upper side to the nose (place n) and back below: 2 n + 1
points where the trailing edge is blunt, 2 n where it is sharp. Point n - i of the upper side and
point n + i of the lower side stand above each other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .element import Element
from .quads import FacePart, Faces, Floats, Shell, flipped

Indices = NDArray[np.intp]

_ROUND = 8  # quads round a half-round tip, even, so that points lie farthest out


def closed_shell(rings: Floats, n: int, left: NDArray[np.bool_], reach: tuple[float, float] = (0.0, 0.0)) -> Shell:
    """The closed shell over ``rings``, whose points come first, ring by ring from the right.

    A half-round tip sweeps each pair of points that stand above each other through a half circle about
    their middle, so that it tapers to nothing at the nose and at a sharp trailing edge; its cuts across the
    chord are similar half polygons, so its quads are flat and cannot cross.

    Args:
        rings: (k, m, 3) m, each in a plane of constant y, y rising.
        n: the nose's place in a ring.
        left: (k - 1,) strips between rings that lie left of mid-span; they are cut along the mirror image
            of the others' diagonals.
        reach: m, how far a half-round tip stands out at its thickest, right and left; 0 for a flat one.
    """
    k, m = rings.shape[:2]
    skin = _skin(k - 1, m, n, left)
    last = (k - 1) * m
    points, quads, wedges = [rings.reshape(-1, 3)], [skin], list[Faces]()
    count = k * m
    for side, ring, first, out in ((-1, rings[0], 0, reach[0]), (1, rings[-1], last, reach[1])):
        if out > 0.0:
            more, q, w = _round_tip(ring, n, first, count, side * out)
            points += [more]
            count += len(more)
        else:
            q, w = _flat_tip(m, n, first)
        quads += [q.astype(np.int32) if side > 0 else flipped(q)]
        wedges += [w.astype(np.int32) if side > 0 else flipped(w)]
    faces, corners = np.concatenate(quads), np.concatenate(wedges)
    parts = np.full(len(faces) + len(corners), FacePart.TIP, np.int32)
    parts[: len(skin)] = FacePart.SKIN
    return Shell(np.concatenate(points), faces, corners, parts)


def rounding_start(element: Element, x: Floats) -> float:
    """Share of the half span where half-round tips begin, so that they end at ``span_m``.

    There half the section's largest thickness is left to the tip.

    Args:
        x: (k,) places along the chord at which sections are looked at.

    Raises:
        InputError: the element is less wide than thick.
    """

    def spare(eta: Floats) -> Floats:
        up, low = element.surfaces(eta, x)
        half = 0.5 * np.linalg.norm(up - low, axis=2).max(axis=1)
        return np.asarray(0.5 * element.span_m * (1.0 - eta) - half)

    low, high = 0.0, 1.0
    if spare(np.zeros(1))[0] <= 0.0:
        raise InputError(
            f"Element “{element.name}” is too short for rounded tips: its span of {1000.0 * element.span_m:.0f} mm "
            "is less than its thickness; make it longer or its tips flat."
        )
    for _ in range(3):
        eta = np.linspace(low, high, 17)
        left = spare(eta)
        i = int(np.argmax(left < 0.0))
        low, high = float(eta[i - 1]), float(eta[i])
    return float(low + (high - low) * left[i - 1] / (left[i - 1] - left[i]))


def _skin(strips: int, m: int, n: int, left: NDArray[np.bool_]) -> Faces:
    here = np.arange(m, dtype=np.int32)
    after = np.roll(here, -1)
    start = np.arange(strips, dtype=np.int32)[:, None, None] * np.int32(m)
    strip = np.stack([here, after, after + np.int32(m), here + np.int32(m)], axis=1)
    # Warped quads must be cut along the same diagonal above and below, or thin tails would cross; and
    # the left half along the mirror image of the right one's.
    other = (here >= n) != left[:, None]
    skin = np.where(other[:, :, None], start + np.roll(strip, -1, axis=1), start + strip)
    return np.asarray(skin.reshape(-1, 4))


def _flat_tip(m: int, n: int, first: int) -> tuple[Indices, Indices]:
    """Quads and wedges over the left tip's ring."""
    sharp = m == 2 * n
    i = np.arange(1, n - 1 if sharp else n)
    quads = np.stack([n - i - 1, n - i, n + i, n + i + 1], axis=1)
    wedges = np.array([[n - 1, n, n + 1]] + [[0, 1, m - 1]] * sharp)
    return quads + first, wedges + first


def _round_tip(ring: Floats, n: int, first: int, count: int, out: float) -> tuple[Floats, Indices, Indices]:
    """More points of a half-round tip that stands out by ``out``, and its quads and wedges as on the left.

    Args:
        first, count: number of the ring's first point, and of the first new one.
    """
    sharp = len(ring) == 2 * n
    upper, lower = np.arange(n, -1, -1), np.arange(n, 2 * n + 1) % len(ring)
    half = 0.5 * (ring[upper] - ring[lower])
    size = np.linalg.norm(half, axis=1)
    own = slice(1, n if sharp else n + 1)
    turn = np.pi * np.arange(1, _ROUND)[:, None] / _ROUND
    away = (size[own] * out / size.max())[:, None, None] * np.array([0.0, 1.0, 0.0])
    new = (ring[lower] + half)[own, None] + np.cos(turn) * half[own, None] + np.sin(turn) * away

    grid = np.empty((n + 1, _ROUND + 1), int)  # along the chord, from above round to below
    grid[:, 0], grid[:, -1] = first + upper, first + lower
    grid[[0, -1], 1:-1] = grid[[0, -1], :1]
    grid[own, 1:-1] = count + np.arange(new[..., 0].size).reshape(new.shape[:2])
    body = grid[own]
    ahead, behind = body[:-1], body[1:]
    quads = [np.stack([ahead[:, :-1], ahead[:, 1:], behind[:, 1:], behind[:, :-1]], axis=2).reshape(-1, 4)]
    nose = np.full(_ROUND, grid[0, 0])
    wedges = [np.column_stack([nose, body[0, 1:], body[0, :-1]])]
    if sharp:
        wedges += [np.column_stack([body[-1, :-1], body[-1, 1:], np.full(_ROUND, grid[-1, 0])])]
    else:
        tail, j = grid[-1], np.arange(_ROUND // 2 - 1)
        quads += [tail[np.stack([j, j + 1, _ROUND - 1 - j, _ROUND - j], axis=1)]]
        wedges += [tail[_ROUND // 2 - 1 : _ROUND // 2 + 2][None]]
    return new.reshape(-1, 3), np.concatenate(quads), np.concatenate(wedges)
