"""Sections in plane potential flow: vorticity, linear along each panel, on every contour.

The stream function has one value at all points of a contour, so that the air inside is at rest and
the vorticity is the speed along the outside. The air leaves each trailing edge smoothly: the two
ends carry opposite vorticity. A blunt edge is drawn to its middle first, evenly along the chord: the
dead air behind it is thin and fills the same room a little farther aft. The road is the mirror
image of everything over it.

Source of the method: the stream-function equation of C. Oellers, "Die inkompressible
Potentialstroemung in der ebenen Gitterstufe" (1962), from memory; the integrals over a panel are
worked out in ``_stream``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sections.shape import SectionShape

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SectionFlow:
    """Flow about one contour among those solved together.

    Attributes:
        pressure: (n,) pressure coefficients at the contour's points.
        lift, drag: force across and along the wind over dynamic pressure, m (per metre of span);
            drag is zero for one contour in free air and holds the mutual push of several.
        chord_m: from the middle of the trailing edge to the farthest point.
    """

    pressure: Floats
    lift: float
    drag: float
    chord_m: float

    @property
    def cl(self) -> float:
        """Lift coefficient on the contour's own chord."""
        return self.lift / self.chord_m


def solve(contours: list[Floats], alpha_rad: float, road_height: float | None = None) -> list[SectionFlow]:
    """Flow about ``contours`` together.

    Args:
        contours: each (n, 2) points (x aft, z up), m, from the trailing edge once round and back to
            it; the two ends may differ (blunt edge). Either sense of travel.
        alpha_rad: the wind's climb over the x axis.
        road_height: z of the road, None for free air; the wind then has to run along it.

    Raises:
        InputError: too few points, points that coincide, a section that reaches down to the
            road, or a wind that runs into it.
    """
    if road_height is not None and abs(alpha_rad) > 1e-12:
        raise InputError("Over a road the wind runs along the road; turn the sections instead of the wind.")
    return _System(contours, road_height).flows(math.cos(alpha_rad), math.sin(alpha_rad))


def zero_lift_angle(shape: SectionShape) -> float:
    """Incidence (rad) at which the section carries no lift, from the panel method."""
    return _lift_line(shape)[0]


def lift_slope(shape: SectionShape) -> float:
    """Change of lift coefficient with incidence (1/rad) at zero lift, without friction."""
    return _lift_line(shape)[1]


def _lift_line(shape: SectionShape, count: int = 81) -> tuple[float, float]:
    # Circulation is linear in the wind's two components, so two winds tell the whole line.
    contour = shape.contour(count)
    level, square = _System([contour], None).circulations()
    return -math.atan2(level, square), 2.0 * math.hypot(level, square)


class _System:
    """The contours' equations, solved for a wind along x and one along z at once."""

    def __init__(self, contours: list[Floats], road_height: float | None) -> None:
        if not contours:
            raise InputError("There is no section to solve for.")
        self.flipped = []
        loops = []
        for i, contour in enumerate(contours):
            if contour.ndim != 2 or contour.shape[1] != 2 or len(contour) < 10 or not np.isfinite(contour).all():
                raise InputError(f"Section {i + 1} needs at least 10 points (x, z) that are numbers.")
            z = contour[:, 0] + 1j * contour[:, 1]
            if np.any(np.abs(np.diff(z)) <= 1e-12 * np.ptp(contour[:, 0])):
                raise InputError(f"Section {i + 1} has points that coincide; leave the doubles out.")
            if road_height is not None and np.min(z.imag) <= road_height:
                raise InputError(f"Section {i + 1} reaches down to the road; raise it.")
            z = _edge_closed(z)
            clockwise = float(np.sum((z * np.roll(z, -1).conj()).imag)) > 0.0
            self.flipped.append(clockwise)
            loops.append(z[::-1] if clockwise else z)
        self.loops = loops
        starts = np.cumsum([0] + [len(z) for z in loops])
        self.places = [slice(a, b) for a, b in pairwise(starts)]
        at = np.concatenate(loops)
        count = len(loops)
        matrix = np.zeros((len(at) + count, len(at) + count))
        right = np.zeros((len(at) + count, 2))
        flow = np.hstack([_stream(z, at) for z in loops])
        if road_height is not None:
            flow -= np.hstack([_stream(z, at.conj() + 2j * road_height) for z in loops])
        matrix[: len(at), : len(at)] = flow
        right[: len(at), 0], right[: len(at), 1] = -at.imag, at.real
        for body, place in enumerate(self.places):
            first, last = place.start, place.stop - 1
            matrix[place, len(at) + body] = -1.0
            matrix[len(at) + body, [first, last]] = 1.0
            z = loops[body]
            # The edge is one point, told once: in place of the second telling, the mean speed of both
            # sides runs into the edge in a straight line.
            ahead, behind = (abs(z[2] - z[1]) / abs(z[1] - z[0]), abs(z[-3] - z[-2]) / abs(z[-1] - z[-2]))
            matrix[last], right[last] = 0.0, 0.0
            matrix[last, [first, first + 1, first + 2]] = ahead, -1.0 - ahead, 1.0
            matrix[last, [last, last - 1, last - 2]] = -behind, 1.0 + behind, -1.0
        self.strength = np.linalg.solve(matrix, right)[: len(at)]

    def circulations(self) -> tuple[float, float]:
        """Clockwise circulation about the first contour for a unit wind along x and along z."""
        z, gamma = self.loops[0], self.strength[self.places[0]]
        each = -0.5 * np.abs(np.diff(z))[:, None] * (gamma[1:] + gamma[:-1])
        level, square = each.sum(axis=0)
        return float(level), float(square)

    def flows(self, level: float, rise: float) -> list[SectionFlow]:
        gamma = self.strength @ np.array([level, rise])
        wind = complex(level, rise)
        flows = []
        for z, place, flipped in zip(self.loops, self.places, self.flipped, strict=True):
            g = gamma[place]
            step = np.diff(z)
            # Mean of a linear speed squared along each panel.
            pressure = 1.0 - (g[1:] ** 2 + g[1:] * g[:-1] + g[:-1] ** 2) / 3.0
            # Outward normal times length is -i dz for a contour travelled counter-clockwise.
            force = 1j * np.sum(pressure * step) / wind
            chord = float(np.max(np.abs(z - z[0])))
            cp = 1.0 - g**2
            flows.append(SectionFlow(cp[::-1] if flipped else cp, float(force.imag), float(force.real), chord))
        return flows


def _edge_closed(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """The contour with both ends drawn to the middle between them, less and less towards the nose."""
    middle = 0.5 * (z[0] + z[-1])
    nose = int(np.argmax(np.abs(z - middle)))
    chord = z[nose] - middle
    share = 1.0 - ((z - middle) / chord).real
    side = np.where(np.arange(len(z)) <= nose, z[0] - middle, z[-1] - middle)
    out = z - np.clip(share, 0.0, 1.0) * side
    out[0] = out[-1] = middle
    return out


def _stream(z: NDArray[np.complex128], at: NDArray[np.complex128]) -> Floats:
    """(len(at), len(z)) stream function at ``at`` for unit vorticity, counter-clockwise, at each point of ``z``."""
    step = np.diff(z)
    length = np.abs(step)
    # With t the place seen from a point of the panel, the stream function sums -log|t| / (2 pi) along it.
    near = (at[:, None] - z[:-1]) * (step.conj() / length)
    far = near - length
    with np.errstate(divide="ignore", invalid="ignore"):
        near_log, far_log = near * np.log(near), far * np.log(far)
    near_log[near == 0.0] = far_log[far == 0.0] = 0.0
    whole = near_log - far_log - length
    first_moment = near * whole - 0.5 * (near * near_log - far * far_log) + 0.25 * (near**2 - far**2)
    last = first_moment.real / length
    out = np.zeros((len(at), len(z)))
    out[:, :-1] = last - whole.real
    out[:, 1:] -= last
    return out / (2.0 * np.pi)
