"""End plates: a flat sheet across each tip, with any simple outline."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .element import Element, EndPlate, place
from .quads import FacePart, Faces, Floats, Shell, flipped

PLATE_OVERLAP_M = 0.0001
"""How deep an end plate reaches into the tip, so that a union of the shells is one solid that prints."""

_CORNER = 0.15  # radius of the default form's corners over its shorter side
_ARC = 6  # quads around one corner
_STRAIGHT = 1e-12  # twice a corner's area over that of the outline's box, below which it is no corner


def end_plates(element: Element) -> list[Shell]:
    """The plates across the right and the left tip, ``PLATE_OVERLAP_M`` deep in it, mirror images.

    Their faces are a strip of quads over a convex outline, triangles over any other.
    """
    plate = element.end_plate
    if plate is None:
        return []
    outline = plate_outline(plate, element.station(1.0).chord_m)
    m = len(outline)
    here = np.arange(m)
    after = np.roll(here, -1)
    rim = np.stack([here, after, after + m, here + m], axis=1)
    quads, wedges = cover(outline)
    # From the tip outwards, as on the left.
    faces = np.concatenate([rim, flipped(quads), quads + m]).astype(np.int32)
    corners = np.concatenate([flipped(wedges), wedges + m]).astype(np.int32)
    parts = np.full(len(faces) + len(corners), FacePart.PLATE, np.int32)
    shells = []
    for side in (-1, 1):
        tip = element.station(float(side))
        flat = place(tip.leading_edge, 1.0, tip.incidence_rad, outline)
        points = [flat + np.array([0.0, side * out, 0.0]) for out in (-PLATE_OVERLAP_M, plate.thickness_m)]
        turned = (faces, corners) if side > 0 else (flipped(faces), flipped(corners))
        shells += [Shell(np.concatenate(points), *turned, parts)]
    return shells


def plate_outline(plate: EndPlate, tip_chord_m: float) -> Floats:
    """(m, 2) m: the plate's outline, aft and up from the tip's leading edge along its chord line.

    It runs counter-clockwise with aft to the right and up upwards, whichever way ``plate.outline`` runs.
    """
    ahead, behind = -plate.ahead_m, tip_chord_m + plate.behind_m
    if plate.outline is not None:
        size = np.array([behind - ahead, plate.above_m + plate.below_m])
        outline = np.array([ahead, -plate.below_m]) + np.asarray(plate.outline, np.float64) * size
        arm = outline - outline[0]
        return np.asarray(outline if _cross(arm, np.roll(arm, -1, axis=0)).sum() > 0.0 else outline[::-1])
    radius = _CORNER * min(behind - ahead, plate.above_m + plate.below_m)
    turn = np.linspace(0.0, 0.5 * np.pi, _ARC + 1)
    rounded = np.column_stack([radius * (1.0 - np.cos(turn)), radius * (1.0 - np.sin(turn))])
    aft = np.concatenate([ahead + rounded[:, 0], behind - rounded[::-1, 0]])
    drop = np.concatenate([rounded[:, 1], rounded[::-1, 1]])
    return np.concatenate(
        [np.column_stack([aft, plate.above_m - drop])[::-1], np.column_stack([aft, drop - plate.below_m])]
    )


def cover(outline: Floats) -> tuple[Faces, Faces]:
    """Quads (q, 4) and triangles (t, 3) over a simple counter-clockwise polygon (m, 2), between all its points.

    A convex one gets a strip of quads across (with one triangle when m is odd); any other is cut up ear by
    ear, the ear with the widest narrowest angle first. Source of the method: G. H. Meisters, "Polygons have
    ears", American Mathematical Monthly 82, 1975 (from memory).
    """
    m = len(outline)
    tiny = _STRAIGHT * float(np.prod(np.ptp(outline, axis=0)))
    left, ears = np.arange(m), []
    turn, width = _corners(np.roll(outline, 1, axis=0), outline, np.roll(outline, -1, axis=0))
    if turn.min() > tiny:
        i = np.arange(m // 2 - 1)
        wedge = [[m // 2 - 1, m // 2, m // 2 + 1]] * (m % 2)
        return np.stack([i, i + 1, m - 2 - i, m - 1 - i], axis=1).astype(np.int32), _triples(wedge)
    while len(left) > 3:
        blunt = left[turn <= tiny]
        # What is left stays simple, so an ear is always there; rounding may hide it, then the best corner goes.
        order = np.argsort(-width)
        at = next((k for k in order if turn[k] > tiny and _is_ear(outline, left, k, blunt)), order[0])
        ears += [[left[at - 1], left[at], left[(at + 1) % len(left)]]]
        left, turn, width = np.delete(left, at), np.delete(turn, at), np.delete(width, at)
        near = np.array([at - 1, at]) % len(left)
        turn[near], width[near] = _corners(*(outline[left[(near + k) % len(left)]] for k in (-1, 0, 1)))
    return np.empty((0, 4), np.int32), _triples([*ears, left])


def _corners(before: Floats, here: Floats, after: Floats) -> tuple[Floats, Floats]:
    """At each corner ``here`` (n, 2): twice its area, and the sine of that triangle's narrowest angle."""
    into, out = here - before, after - here
    turn = _cross(into, out)
    sides = np.sort([np.hypot(v[:, 0], v[:, 1]) for v in (into, out, into + out)], axis=0)
    # The narrowest angle lies between the two longest sides.
    return turn, turn / (sides[1] * sides[2])


def _is_ear(outline: Floats, left: NDArray[np.intp], at: int, blunt: NDArray[np.intp]) -> bool:
    """Whether the triangle at place ``at`` of ``left`` holds no other point, not even on its sides."""
    corner = left[[at - 1, at, (at + 1) % len(left)]]
    start = outline[corner]
    along = start[[1, 2, 0]] - start
    others = outline[blunt[(blunt[:, None] != corner).all(axis=1)]]
    inside = _cross(along[:, None], others - start[:, None]) >= 0.0
    return not inside.all(axis=0).any()


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _triples(rows: Sequence[Sequence[int] | NDArray[np.intp]]) -> Faces:
    return np.array([list(r) for r in rows], np.int32).reshape(-1, 3)
