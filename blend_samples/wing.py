"""The wing of the invented car: two elements with exact sections, and the sheet brackets under them.

Sections are the NACA four-digit family (NACA Report 460, 1933) with the closed thickness form and a
blunt trailing edge laid on in proportion to x. Their chord line is taken again as the scan can show
it: from the middle of the blunt trailing edge to the point of the contour farthest from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

Floats = NDArray[np.float64]


def naca_half_thickness(x: Floats, thickness: float, closed: bool = True) -> Floats:
    """Half thickness over the chord of a NACA four-digit section at ``x`` (n,)."""
    last = -0.1036 if closed else -0.1015
    return 5.0 * thickness * (0.2969 * np.sqrt(x) + x * (-0.1260 + x * (-0.3516 + x * (0.2843 + x * last))))


def naca_mean_line(x: Floats, camber: float, place: float) -> tuple[Floats, Floats]:
    """Ordinate and slope over the chord of the four-digit mean line at ``x`` (n,)."""
    front = x < place
    scale = camber / np.where(front, place**2, (1.0 - place) ** 2)
    z = scale * (np.where(front, 0.0, 1.0 - 2.0 * place) + 2.0 * place * x - x * x)
    return z, 2.0 * scale * (place - x)


def zero_lift_angle(camber: float, place: float) -> float:
    """Incidence in rad of the mean line's own chord at which a thin section carries no lift.

    Glauert's integral, -1/pi INT (dz/dx)(cos a - 1) da over 0..pi with x = (1 - cos a)/2
    (Glauert, The Elements of Aerofoil and Airscrew Theory, 1926), by Gauss-Legendre on either
    side of the joint of the two parabolas.
    """
    joint = math.acos(1.0 - 2.0 * place)
    nodes, weights = np.polynomial.legendre.leggauss(24)
    total = 0.0
    for a, b in ((0.0, joint), (joint, math.pi)):
        angle = 0.5 * (b - a) * nodes + 0.5 * (a + b)
        slope = naca_mean_line(0.5 * (1.0 - np.cos(angle)), camber, place)[1]
        total += 0.5 * (b - a) * float(weights @ (slope * (np.cos(angle) - 1.0)))
    return -total / math.pi


@dataclass(frozen=True)
class Section:
    """A section over its chord; ``suction_up`` -1 turns the camber to the road.

    Attributes:
        camber, place, thickness: four-digit numbers over the chord (0.04, 0.4, 0.12).
        trailing_edge: thickness of the blunt trailing edge over the chord.
    """

    camber: float
    place: float
    thickness: float
    trailing_edge: float
    suction_up: int = 1

    def _raw(self, s: Floats) -> Floats:
        """(n, 2) contour on the mean line's own chord; ``s`` -1..1, x = s^2, positive on the cambered side."""
        x = s * s
        z, slope = naca_mean_line(x, self.camber, self.place)
        half = np.sign(s) * (naca_half_thickness(x, self.thickness) + 0.5 * self.trailing_edge * x)
        angle = np.arctan(slope)
        return np.column_stack([x - half * np.sin(angle), z + half * np.cos(angle)])

    @cached_property
    def _nose(self) -> Floats:
        best = minimize_scalar(
            lambda s: -float(np.sum((self._raw(np.array([s]))[0] - [1.0, 0.0]) ** 2)),
            bounds=(-0.3, 0.3),
            method="bounded",
            options={"xatol": 1e-12},
        )
        return self._raw(np.array([best.x]))[0]

    @property
    def chord_of_raw(self) -> float:
        """Length of the chord line over the mean line's own chord."""
        return float(np.hypot(*(np.array([1.0, 0.0]) - self._nose)))

    def contour(self, s: Floats) -> Floats:
        """(n, 2) points over the chord line, x aft, z up as mounted; ``s`` -1..1 from lower to upper tail."""
        raw = (self._raw(self.suction_up * s) - self._nose) @ self._turn.T
        return raw * [1.0, self.suction_up]

    @cached_property
    def _turn(self) -> Floats:
        dx, dz = np.array([1.0, 0.0]) - self._nose
        return np.array([[dx, dz], [-dz, dx]]) / (dx * dx + dz * dz)

    @cached_property
    def zero_lift_rad(self) -> float:
        """Incidence of the chord line at which a thin section on this mean line carries no lift."""
        dx, dz = np.array([1.0, 0.0]) - self._nose
        # With the mean line's own chord level, the chord line stands nose up by this much.
        tilt = math.atan2(-dz, dx)
        return self.suction_up * (zero_lift_angle(self.camber, self.place) + tilt)

    @property
    def trailing_edge_over_chord(self) -> float:
        """Thickness of the blunt trailing edge over the chord line's length."""
        ends = self.contour(np.array([-1.0, 1.0]))
        return float(np.hypot(*(ends[1] - ends[0])))

    @property
    def greatest_thickness(self) -> float:
        """Largest thickness over the chord, square to the chord line."""
        upper, lower = self.surfaces(np.linspace(0.0, 1.0, 4001))
        return float(np.max(upper - lower))

    @property
    def greatest_camber(self) -> float:
        """Largest offset of the middle between the sides over the chord, positive upwards."""
        upper, lower = self.surfaces(np.linspace(0.0, 1.0, 4001))
        middle = 0.5 * (upper + lower)
        return float(middle[int(np.argmax(np.abs(middle)))])

    def turned_over(self) -> Section:
        """The section reflected in its chord line."""
        return replace(self, suction_up=-self.suction_up)

    @cached_property
    def _table(self) -> tuple[Floats, Floats, Floats]:
        s = np.linspace(-1.0, 1.0, 12001)
        return self.contour(s)[:, 0], self.contour(s)[:, 1], s

    def surfaces(self, x: Floats) -> tuple[Floats, Floats]:
        """Ordinates of the upper and lower side at ``x`` (n,), to 1e-7 of the chord."""
        cx, cz, _ = self._table
        nose = int(np.argmin(cx))
        return np.interp(x, cx[nose:], cz[nose:]), np.interp(x, cx[nose::-1], cz[nose::-1])


@dataclass(frozen=True)
class Plate:
    """An end plate: how far it reaches from the tip's chord line and edges, m, and its sheet."""

    above_m: float
    below_m: float
    ahead_m: float
    behind_m: float
    thickness_m: float


@dataclass(frozen=True)
class Wing:
    """One element, the same on both sides of y = 0; see ``stations`` for what the numbers mean."""

    name: str
    leading_edge: tuple[float, float, float]
    span_m: float
    chord_m: float
    taper: float
    sweep_rad: float
    dihedral_rad: float
    incidence_rad: float
    twist_rad: float
    section: Section
    plate: Plate | None = None

    @property
    def direction(self) -> str:
        """Which way it pushes: the sign of incidence less zero-lift angle, at mid-span."""
        return "lift" if self.incidence_rad - self.section.zero_lift_rad > 0.0 else "downforce"

    def stations(self, eta: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Leading edges (n, 3), chords (n,), aft and up directions (n, 3) at ``eta`` (n,) in -1..1.

        The quarter-chord line is straight with sweep and dihedral; chord and incidence go in a
        straight line from mid-span to tip.
        """
        share = np.abs(eta)
        chord = self.chord_m * (1.0 + (self.taper - 1.0) * share)
        incidence = self.incidence_rad + self.twist_rad * share
        half = 0.5 * self.span_m
        c0, s0 = math.cos(self.incidence_rad), math.sin(self.incidence_rad)
        quarter = np.array(self.leading_edge) + 0.25 * self.chord_m * np.array([-c0, 0.0, -s0])
        quarter = quarter + np.column_stack(
            [
                -half * share * math.tan(self.sweep_rad),
                half * eta,
                half * share * math.tan(self.dihedral_rad),
            ]
        )
        c, s, zero = np.cos(incidence), np.sin(incidence), np.zeros_like(share)
        aft = np.column_stack([-c, zero, -s])
        up = np.column_stack([-s, zero, c])
        return quarter - 0.25 * chord[:, None] * aft, chord, aft, up

    def _at(self, eta: Floats, local: Floats) -> Floats:
        edge, chord, aft, up = self.stations(eta)
        return edge + chord[:, None] * (local[:, :1] * aft + local[:, 1:] * up)

    def skin(self, eta: Floats, s: Floats) -> Floats:
        """(n, 3) m: the skin at span places ``eta`` and contour places ``s`` (see ``Section.contour``)."""
        return self._at(eta, self.section.contour(s))

    def chordwise(self, eta: Floats, x: Floats, share: Floats) -> Floats:
        """(n, 3) m: points inside the section, ``share`` 0 on the lower and 1 on the upper side at ``x``.

        At eta 1 this is the tip, at x = 1 the blunt trailing edge.
        """
        upper, lower = self.section.surfaces(x)
        return self._at(eta, np.column_stack([x, lower + share * (upper - lower)]))

    def depth(self, points: Floats) -> Floats:
        """(n,) m: positive inside the element (less the plates), roughly the depth below the skin."""
        eta = points[:, 1] / (0.5 * self.span_m)
        inside = np.clip(eta, -1.0, 1.0)
        edge, chord, aft, up = self.stations(inside)
        d = points - edge
        x = np.einsum("ij,ij->i", d, aft) / chord
        z = np.einsum("ij,ij->i", d, up) / chord
        upper, lower = self.section.surfaces(np.clip(x, 0.0, 1.0))
        gap = np.minimum(np.minimum(upper - z, z - lower), np.minimum(x, 1.0 - x)) * chord
        return np.minimum(gap, (1.0 - np.abs(eta)) * 0.5 * self.span_m)

    def plate_point(self, a: Floats, b: Floats, c: Floats) -> Floats:
        """(n, 3) m: the left plate as a solid; ``a``, ``b`` -1..1 along and across its outline, ``c`` 0..1 its sheet.

        The outline is a rectangle along the tip's chord line with corners rounded to 15 % of its
        shorter side; the unit square is mapped on it by drawing in the places beyond an arc.
        """
        p = self.plate
        assert p is not None
        edge, chord, aft, up = self.stations(np.ones(1))
        long, high = chord[0] + p.ahead_m + p.behind_m, p.above_m + p.below_m
        radius = 0.15 * min(long, high)
        x, z = 0.5 * long * a, 0.5 * high * b
        over_x, over_z = np.abs(x) - (0.5 * long - radius), np.abs(z) - (0.5 * high - radius)
        corner = (over_x > 0.0) & (over_z > 0.0)
        far = np.where(corner, np.hypot(over_x, over_z), 1.0)
        near = np.where(corner, np.maximum(over_x, over_z), 1.0)
        x = np.where(corner, np.sign(x) * (0.5 * long - radius + over_x * near / far), x)
        z = np.where(corner, np.sign(z) * (0.5 * high - radius + over_z * near / far), z)
        middle = edge[0] + aft[0] * (0.5 * long - p.ahead_m) + up[0] * 0.5 * (p.above_m - p.below_m)
        out = middle + x[:, None] * aft[0] + z[:, None] * up[0]
        out[:, 1] += c * p.thickness_m
        return out

    def turned_over(self) -> Wing:
        """Each section reflected in its own chord line, incidence kept."""
        return replace(self, section=self.section.turned_over())


@dataclass(frozen=True)
class Bracket:
    """A flat sheet from the boot lid up to the upper element, in the plane y = ``y_m``.

    Attributes:
        root, top: (k, 3) m, the curves at its foot and head, from front to rear.
        sheet_m: its thickness, half of it on either side of the plane.
        waist: how much narrower it is half way up, share of its width.
    """

    y_m: float
    root: Floats
    top: Floats
    sheet_m: float
    waist: float

    def point(self, height: Floats, along: Floats, side: Floats) -> Floats:
        """(n, 3) m at ``height`` 0..1 from foot to head, ``along`` 0..1 front to rear, ``side`` -1..1 through it."""
        k = np.linspace(0.0, 1.0, len(self.root))
        drawn = 0.5 + (along - 0.5) * (1.0 - self.waist * np.sin(np.pi * height) ** 2)
        root = np.column_stack([np.interp(along, k, self.root[:, i]) for i in range(3)])
        top = np.column_stack([np.interp(along, k, self.top[:, i]) for i in range(3)])
        low_x = np.interp(drawn, k, self.root[:, 0])
        high_x = np.interp(drawn, k, self.top[:, 0])
        out = root + height[:, None] * (top - root)
        out[:, 0] = low_x + height * (high_x - low_x)
        out[:, 1] = self.y_m + 0.5 * self.sheet_m * side
        return out
