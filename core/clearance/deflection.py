"""How far an element bends under its load: a beam on its mounts. An estimate of size class, not a proof.

Euler-Bernoulli beam in two-node elements with cubic (Hermite) shapes; stiffness and load are integrated by Gauss' rule
from the sections themselves. Source: any text on finite elements, such as O. C. Zienkiewicz and R. L. Taylor, "The
Finite Element Method" (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..elements.element import Element, check_element
from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..sections.shape import cosine_spaced
from ..units import to_mm

Floats = NDArray[np.float64]

LARGEST_SHARE = 0.1
"""Of the span: a beam that bends more is no longer one whose slopes are small (common practice, no source)."""
_STRIPS = 64  # beam elements over the span, at least
_ALONG = 201  # points along the chord
_NEAREST = 1e-4  # mounts nearer to each other than this share of the span count as one
_SHARP = 0.25  # keeps the wall's middle line from running away from a sharp edge


@dataclass(frozen=True)
class Deflection:
    """The bent line of an element.

    Attributes:
        y_m: (k,) rising, along the span, m.
        up_m: (k,) m, positive up.
        largest_m: the largest of its absolute values.
        sentence: what it is worth, in words, with the assumptions.
    """

    y_m: Floats
    up_m: Floats
    largest_m: float
    sentence: str


def element_deflection(
    element: Element, force_n: float, mounts_y_m: Sequence[float], youngs_pa: float, skin_m: float = 0.0
) -> Deflection:
    """An element bent by a force spread over its span in proportion to the chord.

    Args:
        element: its chord and sections give the stiffness of each station (second moment of area about the
            section's axis along the chord; thin-walled for a skin, else solid).
        force_n: total, positive up.
        mounts_y_m: where along the span it is held (simple supports); one holds it clamped.
        youngs_pa: Young's modulus of the skin or of the solid.
        skin_m: wall thickness; 0 takes the element's own skin, and that 0 is solid.

    Raises:
        InputError: no mount, mounts off the element, or numbers out of range.
    """
    check_element(element)
    mounts = _checked(element, force_n, mounts_y_m, youngs_pa, skin_m)
    skin = skin_m or element.skin_m
    middle, half = float(element.leading_edge[1]), 0.5 * element.span_m
    stations = np.concatenate([-element.shares, element.shares])
    holds = (mounts - middle) / half
    # A mount beside a station stands on it: elements of next to no length spoil the equations.
    off = np.abs(holds[:, None] - stations)
    holds = np.where(off.min(axis=1) < 2.0 * _NEAREST, stations[off.argmin(axis=1)], holds)
    eta = _places(np.concatenate([stations, holds]))
    y = middle + half * eta
    # Four points are exact for sections that shrink all alike with a straight taper: degree 4 times degree 2.
    point, weight = np.polynomial.legendre.leggauss(4)
    share = 0.5 * (1.0 + point)
    at = (eta[:-1, None] + np.diff(eta)[:, None] * share).ravel()
    stiffness = youngs_pa * second_moments(_outlines(element, at), skin).reshape(-1, 4)
    chord = element.planform(at)[1].reshape(-1, 4)
    load = force_n * chord / element.area_m2
    held = np.unique(np.searchsorted(eta, holds - 1e-9))
    up = _beam(np.diff(y), stiffness, load, share, 0.5 * weight, held)
    largest = float(np.abs(up).max())
    words = _sentence(force_n, y, up, mounts, youngs_pa, skin)
    if largest > LARGEST_SHARE * element.span_m:
        words += (
            f" That is {100.0 * largest / element.span_m:.0f} % of its span: beyond {100.0 * LARGEST_SHARE:.0f} % the "
            "beam's straight line no longer holds, so take it as far too soft, not as a distance to keep; check "
            "modulus, skin and mounts."
        )
    return Deflection(y, up, largest, words)


def bent(mesh: TriMesh, deflection: Deflection, share: float = 1.0) -> TriMesh:
    """``mesh`` with each point moved up by ``share`` of the deflection at its place along y (held beyond the ends)."""
    points = mesh.points.copy()
    points[:, 2] += share * np.interp(points[:, 1], deflection.y_m, deflection.up_m)
    return TriMesh(points, mesh.triangles)


def second_moments(outlines: Floats, skin_m: float = 0.0) -> Floats:
    """Second moments of area of sections about the axis through their centroids along the first coordinate.

    A solid one by Green's theorem over its polygon. A wall lies inside the outline; it counts by the line integral
    along its middle line, with its own bending, which is within about the square of wall over height, and never more
    than the solid.

    Args:
        outlines: (s, k, 2) m, closed polygons without the first point again at the end, wound either way.
        skin_m: wall thickness; 0 for solid sections.

    Returns:
        (s,) m4.
    """
    outline = outlines - outlines.mean(axis=1, keepdims=True)
    after = np.roll(outline, -1, axis=1)
    turn = outline[..., 0] * after[..., 1] - outline[..., 1] * after[..., 0]
    z, z_after = outline[..., 1], after[..., 1]
    area = 0.5 * turn.sum(axis=1)
    first = (turn * (z + z_after)).sum(axis=1) / 6.0
    second = (turn * (z * z + z * z_after + z_after * z_after)).sum(axis=1) / 12.0
    solid = np.asarray(np.abs(second - first * first / area))
    if skin_m == 0.0:
        return solid
    line = _set_inwards(outline, 0.5 * skin_m, np.sign(area))
    run = np.roll(line, -1, axis=1) - line
    length = np.hypot(run[..., 0], run[..., 1])
    z, z_after = line[..., 1], np.roll(line[..., 1], -1, axis=1)
    first = (length * (z + z_after)).sum(axis=1) / 2.0
    second = (length * (z * z + z * z_after + z_after * z_after)).sum(axis=1) / 3.0
    flat = (run[..., 0] ** 2 / np.maximum(length, 1e-300)).sum(axis=1)
    wall = skin_m * (second - first * first / length.sum(axis=1)) + skin_m**3 * flat / 12.0
    return np.asarray(np.minimum(wall, solid))


def _checked(element: Element, force_n: float, mounts_y_m: Sequence[float], youngs_pa: float, skin_m: float) -> Floats:
    """The mounts' places, rising, those that are one taken together."""
    who = f"Element “{element.name}”"
    if not np.isfinite(force_n):
        raise InputError(f"{who} is to be bent by a force that is not a number; enter it again.")
    if not 0.0 < youngs_pa < np.inf:
        raise InputError(f"{who} needs a Young's modulus above 0 GPa to be bent.")
    if not 0.0 <= skin_m < np.inf:
        raise InputError(f"{who} cannot have a skin of {to_mm(skin_m):g} mm; give 0 or more.")
    mounts = np.sort(np.asarray(mounts_y_m, np.float64).ravel())
    if len(mounts) == 0:
        raise InputError(f"{who} has no mount, so nothing holds it; tell where along its span it is held.")
    middle, half = float(element.leading_edge[1]), 0.5 * element.span_m
    off = ~(np.abs(mounts - middle) <= half * (1.0 + 1e-9))
    if off.any():
        raise InputError(
            f"{who} reaches from y = {to_mm(middle - half):.0f} mm to {to_mm(middle + half):.0f} mm; a mount at "
            f"{to_mm(float(mounts[off][0])):.0f} mm does not hold it."
        )
    apart = np.append(True, np.diff(mounts) > _NEAREST * element.span_m)
    return np.clip(mounts[apart], middle - half, middle + half)


def _places(stops: Floats) -> Floats:
    """Nodes over the span, -1..1: at each of ``stops``, and between them no farther apart than the strips are."""
    stops = np.unique(stops)
    stops = stops[np.append(True, np.diff(stops) > 1e-9)]
    pieces = [
        np.linspace(a, b, max(int(np.ceil(0.5 * _STRIPS * (b - a))), 1), endpoint=False)
        for a, b in zip(stops[:-1], stops[1:], strict=True)
    ]
    return np.concatenate([*pieces, stops[-1:]])


def _outlines(element: Element, eta: Floats) -> Floats:
    """(s, k, 2) m: sections at ``eta`` (s,), aft along the chord and square to it."""
    up, low = element.surfaces(eta, cosine_spaced(_ALONG))
    leading_edge, _, incidence = element.planform(eta)
    ring = np.concatenate([up[:, :0:-1], low], axis=1)[..., [0, 2]] - leading_edge[:, None, [0, 2]]
    cos, sin = np.cos(incidence)[:, None], np.sin(incidence)[:, None]
    x, z = ring[..., 0], ring[..., 1]
    return np.stack([-x * cos - z * sin, z * cos - x * sin], axis=2)


def _set_inwards(outline: Floats, by_m: float, hand: Floats) -> Floats:
    """Polygons (s, k, 2) with their sides moved inwards; ``hand`` (s,) is 1 where they run counter-clockwise."""
    run = np.roll(outline, -1, axis=1) - outline
    length = np.hypot(run[..., 0], run[..., 1])[..., None]
    normal = np.stack([-run[..., 1], run[..., 0]], axis=2) / np.where(length > 0.0, length, 1.0)
    before = np.roll(normal, 1, axis=1)
    mitre = (normal + before) / np.maximum(1.0 + (normal * before).sum(axis=2), _SHARP)[..., None]
    return outline + by_m * hand[:, None, None] * mitre


def _beam(
    length: Floats, stiffness: Floats, load: Floats, share: Floats, weight: Floats, held: NDArray[np.intp]
) -> Floats:
    """(n + 1,) m: how far the nodes of a beam move.

    Args:
        length: (n,) m of its elements.
        stiffness: (n, g) N m2, at the Gauss points.
        load: (n, g) N/m, there.
        share: (g,) where these lie in each element, 0..1.
        weight: (g,) their weights, 1 together.
        held: numbers of the nodes that cannot move; a single one cannot turn either.
    """
    count, s = len(length), share
    span = np.ones((4, count))
    span[1] = span[3] = length
    # Slopes count in lengths of their element, so that shapes are plain numbers; ``span`` takes them back.
    curve = np.stack([12.0 * s - 6.0, 6.0 * s - 4.0, 6.0 - 12.0 * s, 6.0 * s - 2.0])
    shape = np.stack([1.0 - 3.0 * s**2 + 2.0 * s**3, s - 2.0 * s**2 + s**3, 3.0 * s**2 - 2.0 * s**3, s**3 - s**2])
    local = np.einsum("ag,bg,ng,g->nab", curve, curve, stiffness, weight) / length[:, None, None] ** 3
    local = local * span.T[:, :, None] * span.T[:, None, :]
    push = np.einsum("ag,ng,g->na", shape, load, weight) * length[:, None] * span.T
    number = 2 * np.arange(count)[:, None] + np.arange(4)
    matrix, force = np.zeros((2 * count + 2, 2 * count + 2)), np.zeros(2 * count + 2)
    np.add.at(matrix, (number[:, :, None], number[:, None, :]), local)
    np.add.at(force, number, push)
    fixed = np.append(2 * held, 2 * held + 1) if len(held) == 1 else 2 * held
    free = np.setdiff1d(np.arange(2 * count + 2), fixed)
    moves = np.zeros(2 * count + 2)
    moves[free] = np.linalg.solve(matrix[np.ix_(free, free)], force[free])
    return moves[::2]


def _sentence(force_n: float, y: Floats, up: Floats, mounts: Floats, youngs_pa: float, skin_m: float) -> str:
    worst = int(np.argmax(np.abs(up)))
    way = "up" if up[worst] > 0.0 else "down"
    held = "one mount that clamps it" if len(mounts) == 1 else f"{len(mounts)} mounts it can turn on"
    what = f"a skin of {to_mm(skin_m):.1f} mm" if skin_m > 0.0 else "a solid"
    return (
        f"Under {abs(force_n):.0f} N {'up' if force_n > 0.0 else 'down'} it bends {way} by "
        f"{to_mm(abs(float(up[worst]))):.1f} mm at most, at y = {to_mm(float(y[worst])):.0f} mm: size class, no proof; "
        f"have a licensed engineer check. Taken as a straight isotropic beam along y ({what} of "
        f"{youngs_pa / 1e9:.3g} GPa), loaded in proportion to its chord, on {held}, with supports that do not give, "
        "stiff brackets, no twist and no shear."
    )
