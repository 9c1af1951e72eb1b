"""The solid of a wing element: a skin over its sections, closed at the tips, with end plates, solid or hollow.

Rings of points around the section are joined along the span in quads. The method is the ordinary
skinning of cross-sections; nothing is fitted.
"""

from __future__ import annotations

import numpy as np

from ..errors import InputError
from ..sections.shape import cosine_spaced
from .element import Element, check_element
from .hollow import cavities
from .plate import end_plates
from .quads import Floats, joined
from .quads import QuadMesh as QuadMesh
from .tips import closed_shell, rounding_start

THINNEST_EDGE = 0.0001
"""Trailing edges thinner than this share of the chord are closed to a sharp edge."""


def loft(element: Element, along_contour: int = 48, along_span: int = 32) -> QuadMesh:
    """The element as watertight shells: the wing, two end plates if it has them, and its cavities if hollow.

    Each shell is closed and free of self-intersection. The plates are shells of their own that reach
    ``PLATE_OVERLAP_M`` into the tips; with them the tips are flat. ``span_m`` reaches from tip to tip,
    rounded tips included: the sections stand where they do with flat tips, and the rounding takes the place
    of the outermost ones. Cavities are wound inside out and come last, see ``cavities``. The wing's points
    come first, ring by ring from the right tip, with a ring at mid-span and at every inner station.

    Args:
        element: the numbers to build.
        along_contour: quads from nose to trailing edge on each side, 4 or more.
        along_span: strips from tip to tip, 2 or more; an odd number gets one more, so that a ring lies at
            mid-span, and inner stations get at least one strip between them.

    Raises:
        InputError: too few quads, or numbers that make no solid (see ``check_element``), no rounded tips
            (see ``rounding_start``) or no cavity (see ``cavities``).
    """
    if along_contour < 4 or along_span < 2:
        raise InputError(
            f"Element “{element.name}” is asked for with {along_contour} quads along the section and {along_span} "
            "along the span; it takes at least 4 and 2."
        )
    check_element(element)
    n, half_span = along_contour, 0.5 * element.span_m
    x = cosine_spaced(n + 1)
    rounded = element.rounded_tips and element.end_plate is None
    tip = rounding_start(element, x) if rounded else 1.0
    eta = _places(element.shares, tip, (along_span + 1) // 2)
    rings = _rings(element, eta, x)
    reach = (1.0 - tip) * half_span
    shells = [closed_shell(rings, n, eta[:-1] >= 0.0, (reach, reach)), *end_plates(element)]
    if element.skin_m > 0.0:
        shells += cavities(element, eta, rings, n, rounded)
    return joined(shells, float(element.leading_edge[1]), half_span)


def _places(shares: Floats, tip: float, strips: int) -> Floats:
    """Rings' places over the half span, -tip..tip: one at each share, ``strips`` on each side where that is enough."""
    stops = np.append(shares[shares < tip - 1e-6], tip)
    length = np.diff(stops)
    count = np.ones(len(length), int)
    for _ in range(strips - len(length)):
        count[np.argmax(length / count)] += 1
    pieces = [np.linspace(a, b, c, endpoint=False) for a, b, c in zip(stops[:-1], stops[1:], count, strict=True)]
    half = np.concatenate([*pieces, [tip]])
    return np.concatenate([-half[:0:-1], half])


def _rings(element: Element, eta: Floats, x: Floats) -> Floats:
    """(k, m, 3) m: rings as in ``closed_shell``, with an edge that is either sharp or wide enough for a strip."""
    up, low = element.surfaces(eta, x)
    _, chord, incidence = element.planform(eta)
    upwards = np.stack([-np.sin(incidence), np.zeros(len(eta)), np.cos(incidence)], axis=1)
    edge = ((up[:, -1] - low[:, -1]) * upwards).sum(axis=1) / chord
    thin = bool(edge.max() < THINNEST_EDGE)
    missing = -edge if thin else np.maximum(THINNEST_EDGE - edge, 0.0)
    shift = (0.5 * missing * chord)[:, None, None] * x[:, None] * upwards[:, None]
    up, low = up + shift, low - shift
    return np.concatenate([up[:, ::-1], low[:, 1:-1] if thin else low[:, 1:]], axis=1)
