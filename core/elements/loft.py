"""The solid of a wing element: a skin over its sections, closed at the tips, with end plates.

Rings of points around the section are joined along the span in quads. The method is the ordinary
skinning of cross-sections; nothing is fitted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..sections.shape import SectionShape, cosine_spaced
from .element import Element, check_element, place

PLATE_OVERLAP_M = 0.0001
"""How deep an end plate reaches into the tip, so that a union of the shells is one solid that prints."""

THINNEST_EDGE = 0.0001
"""Trailing edges thinner than this share of the chord are closed to a sharp edge."""

_CORNER = 0.15  # radius of an end plate's corners over its shorter side
_ARC = 6  # quads around one corner

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]


@dataclass(frozen=True)
class QuadMesh:
    """Closed shells of quads, with a few triangles where a strip ends in a point.

    Attributes:
        points: (n, 3) float64, metres.
        quads: (q, 4) int32, counter-clockwise seen from outside.
        wedges: (w, 3) int32, the three-cornered faces, wound the same way.
    """

    points: Floats
    quads: Faces
    wedges: Faces

    def triangles(self) -> TriMesh:
        """Quad ``i`` becomes triangles 2 i and 2 i + 1; the wedges follow."""
        halves = self.quads[:, [[0, 1, 2], [0, 2, 3]]].reshape(-1, 3)
        return TriMesh(self.points, np.concatenate([halves, self.wedges]))


def loft(element: Element, along_contour: int = 48, along_span: int = 32) -> QuadMesh:
    """The element as watertight shells: the wing and, if it has them, two end plates.

    Each shell is closed and free of self-intersection. The plates are shells of their own that
    reach ``PLATE_OVERLAP_M`` into the tips; their outline is a rectangle with rounded corners
    along the tip's chord line. The wing's points come first, ring by ring from the right tip.

    Args:
        element: the numbers to build.
        along_contour: quads from nose to trailing edge on each side, 4 or more.
        along_span: strips from tip to tip, 2 or more; an odd number gets one more, so that a
            ring lies at mid-span.

    Raises:
        InputError: too few quads, or numbers that make no solid (see ``check_element``).
    """
    if along_contour < 4 or along_span < 2:
        raise InputError(
            f"Element “{element.name}” is asked for with {along_contour} quads along the section and {along_span} "
            "along the span; it takes at least 4 and 2."
        )
    check_element(element)
    shells = [_wing(element, along_contour, along_span + along_span % 2)]
    if element.end_plate is not None:
        shells += [_plate(element, side) for side in (-1, 1)]
    offsets = np.cumsum([0] + [len(s.points) for s in shells])
    return QuadMesh(
        np.concatenate([s.points for s in shells]),
        np.concatenate([s.quads + np.int32(o) for s, o in zip(shells, offsets, strict=False)]),
        np.concatenate([s.wedges + np.int32(o) for s, o in zip(shells, offsets, strict=False)]),
    )


def _wing(element: Element, n: int, strips: int) -> QuadMesh:
    thin = max(element.shape.trailing_edge, element.tip_shape.trailing_edge) < THINNEST_EDGE
    element = replace(element, shape=_edged(element.shape, thin), tip_shape=_edged(element.tip_shape, thin))
    eta = np.linspace(-1.0, 1.0, strips + 1)
    eta[strips // 2] = 0.0
    up, low = element.surfaces(eta, cosine_spaced(n + 1))
    # A ring runs from the trailing edge over the upper side to the nose (place n) and back below.
    ring = np.concatenate([up[:, ::-1], low[:, 1:-1] if thin else low[:, 1:]], axis=1)
    m = ring.shape[1]

    here = np.arange(m)
    after = (here + 1) % m
    skin = np.arange(strips)[:, None, None] * m + np.stack([here, after, after + m, here + m], axis=1)
    # Warped quads must be cut along the same diagonal above and below, or thin tails would cross; and
    # the left half along the mirror image of the right one's.
    other = (here >= n) != (np.arange(strips) >= strips // 2)[:, None]
    skin = np.where(other[:, :, None], np.roll(skin, -1, axis=2), skin).reshape(-1, 4)

    i = np.arange(1, n - 1 if thin else n)
    cap = np.stack([n - i - 1, n - i, n + i, n + i + 1], axis=1)
    points = np.array([[n - 1, n, n + 1]] + [[0, 1, m - 1]] * thin)
    left = strips * m
    return QuadMesh(
        ring.reshape(-1, 3),
        np.concatenate([skin, cap[:, ::-1], cap + left]).astype(np.int32),
        np.concatenate([points[:, ::-1], points + left]).astype(np.int32),
    )


def _edged(shape: SectionShape, thin: bool) -> SectionShape:
    """The shape with an edge that is either sharp or wide enough to be a strip of quads."""
    return replace(shape, trailing_edge=0.0 if thin else max(shape.trailing_edge, THINNEST_EDGE))


def _plate(element: Element, side: int) -> QuadMesh:
    plate = element.end_plate
    assert plate is not None
    tip = element.station(float(side))
    ahead, behind = -plate.ahead_m, tip.chord_m + plate.behind_m
    radius = _CORNER * min(behind - ahead, plate.above_m + plate.below_m)
    turn = np.linspace(0.0, 0.5 * np.pi, _ARC + 1)
    rounded = np.column_stack([radius * (1.0 - np.cos(turn)), radius * (1.0 - np.sin(turn))])
    aft = np.concatenate([ahead + rounded[:, 0], behind - rounded[::-1, 0]])
    drop = np.concatenate([rounded[:, 1], rounded[::-1, 1]])
    outline = np.concatenate(
        [np.column_stack([aft, plate.above_m - drop])[::-1], np.column_stack([aft, drop - plate.below_m])]
    )
    flat = place(tip.leading_edge, 1.0, tip.incidence_rad, outline)
    inner, outer = -side * PLATE_OVERLAP_M, side * plate.thickness_m
    near, far = sorted([inner, outer])
    m, k = len(outline), len(aft)
    here = np.arange(m)
    after = (here + 1) % m
    i = np.arange(k - 1)
    cap = np.stack([k - 2 - i, k - 1 - i, k + i, k + i + 1], axis=1)
    return QuadMesh(
        np.concatenate([flat + np.array([0.0, near, 0.0]), flat + np.array([0.0, far, 0.0])]),
        np.concatenate([np.stack([here, after, after + m, here + m], axis=1), cap[:, ::-1], cap + m]).astype(np.int32),
        np.empty((0, 3), np.int32),
    )
