"""A wing element as the numbers that make it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sections.shape import SectionShape, blend

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class EndPlate:
    """A flat plate across each tip, in the plane of the tip section (y = constant).

    Attributes:
        above_m, below_m: how far it reaches above and below the tip's chord line.
        ahead_m, behind_m: how far it reaches ahead of the leading and behind the trailing edge.
        thickness_m: sheet thickness, laid on outboard of the tip.
    """

    above_m: float
    below_m: float
    ahead_m: float
    behind_m: float
    thickness_m: float


@dataclass(frozen=True)
class Station:
    """The element's section at one place along the span, in vehicle axes.

    Attributes:
        leading_edge: (3,) m.
        chord_m: m.
        incidence_rad: chord line to the road, positive leading edge up.
        shape: the section.
    """

    leading_edge: Floats
    chord_m: float
    incidence_rad: float
    shape: SectionShape

    def place(self, contour: Floats) -> Floats:
        """Section coordinates (n, 2) over the chord to points (n, 3) m in vehicle axes, see ``place``."""
        return place(self.leading_edge, self.chord_m, self.incidence_rad, contour)


@dataclass(frozen=True)
class Element:
    """One wing element, the same left and right of the centre plane.

    Attributes:
        name: as the person calls it.
        leading_edge: (3,) m, leading edge at mid-span (y = 0 unless it is mounted off centre).
        span_m: tip to tip.
        chord_m: at mid-span.
        taper: tip chord over mid-span chord.
        sweep_rad: of the quarter-chord line, positive when the tips lie aft.
        dihedral_rad: of the quarter-chord line, positive when the tips lie higher.
        incidence_rad: at mid-span, chord line to the road, positive leading edge up.
        twist_rad: incidence of the tip less that of mid-span.
        shape, tip_shape: sections at mid-span and tip; between them they blend in a straight line.
        end_plate: None for plain tips.
    """

    name: str
    leading_edge: Floats
    span_m: float
    chord_m: float
    taper: float
    sweep_rad: float
    dihedral_rad: float
    incidence_rad: float
    twist_rad: float
    shape: SectionShape
    tip_shape: SectionShape
    end_plate: EndPlate | None = None

    def station(self, eta: float) -> Station:
        """The section at ``eta`` in -1 (right tip) .. 0 (mid-span) .. 1 (left tip)."""
        leading_edge, chord, incidence = self.planform(np.array([eta]))
        shape = blend(self.shape, self.tip_shape, abs(eta))
        return Station(leading_edge[0], float(chord[0]), float(incidence[0]), shape)

    def planform(self, eta: Floats) -> tuple[Floats, Floats, Floats]:
        """Leading edges (n, 3) m, chords (n,) m and incidences (n,) rad at places ``eta`` (n,) in -1..1."""
        share = np.abs(eta)
        chord = self.chord_m * (1.0 + (self.taper - 1.0) * share)
        incidence = self.incidence_rad + self.twist_rad * share
        slope = np.array([-math.tan(self.sweep_rad), 0.0, math.tan(self.dihedral_rad)])
        quarter = self.leading_edge + 0.25 * self.chord_m * _aft(self.incidence_rad)
        quarter = quarter + 0.5 * self.span_m * (share[:, None] * slope + eta[:, None] * np.array([0.0, 1.0, 0.0]))
        return quarter - 0.25 * chord[:, None] * _aft(incidence), chord, incidence

    def surfaces(self, eta: Floats, x: Floats) -> tuple[Floats, Floats]:
        """Points of the upper and the lower surface, each (n, k, 3) m.

        Args:
            eta: (n,) places along the span, -1..1.
            x: (k,) places along the chord, 0..1.
        """
        place_of = self.planform(eta)
        share = np.abs(eta)[:, None]
        # A section is linear in its weights, so ordinates blend exactly as shapes do.
        mids, tips = self.shape.surfaces(x), self.tip_shape.surfaces(x)
        sides = [(1.0 - share) * mid + share * tip for mid, tip in zip(mids, tips, strict=True)]
        chordwise = np.broadcast_to(x, sides[0].shape)
        up, low = (place(*place_of, np.stack([chordwise, z], axis=-1)) for z in sides)
        return up, low

    @property
    def area_m2(self) -> float:
        """Planform area, m2: span times mean chord."""
        return self.span_m * self.chord_m * 0.5 * (1.0 + self.taper)


def turned_over(element: Element, mirror_incidence: bool = False) -> Element:
    """The element with each section reflected in its own chord line; the leading edge stays forward.

    Args:
        element: the element as mounted.
        mirror_incidence: also change the sign of incidence and twist, as if the whole part were
            turned about its leading edge; otherwise it keeps the angle of its mounts.
    """
    flipped = replace(element, shape=element.shape.turned_over(), tip_shape=element.tip_shape.turned_over())
    if mirror_incidence:
        flipped = replace(flipped, incidence_rad=-element.incidence_rad, twist_rad=-element.twist_rad)
    if element.end_plate is not None:
        plate = element.end_plate
        flipped = replace(flipped, end_plate=replace(plate, above_m=plate.below_m, below_m=plate.above_m))
    return flipped


def place(leading_edge: Floats, chord: Floats | float, incidence: Floats | float, contour: Floats) -> Floats:
    """Section coordinates (..., k, 2) over the chord to points (..., k, 3) m in vehicle axes.

    The chord line runs aft, (-cos i, 0, -sin i); the section's z is (-sin i, 0, cos i).

    Args:
        leading_edge: (..., 3) m; chord: (...) m; incidence: (...) rad.
    """
    aft = _aft(incidence)[..., None, :]
    up = aft[..., [2, 1, 0]] * np.array([1.0, 1.0, -1.0])
    local = contour[..., :1] * aft + contour[..., 1:] * up
    return leading_edge[..., None, :] + np.asarray(chord)[..., None, None] * local


def check_element(element: Element) -> None:
    """Refuse numbers that make no solid wing.

    Raises:
        InputError: a number is not finite; span, chord, taper or a plate's thickness is not above
            zero; a plate is turned inside out; an angle stands square to its plane; a section's
            surfaces cross.
    """
    e, who = element, f"Element “{element.name}”"
    numbers: dict[str, float] = {
        "span": e.span_m, "chord": e.chord_m, "taper": e.taper, "sweep": e.sweep_rad,
        "dihedral": e.dihedral_rad, "incidence": e.incidence_rad, "twist": e.twist_rad,
    }  # fmt: skip
    places = dict(zip(("leading edge x", "leading edge y", "leading edge z"), e.leading_edge, strict=True))
    for what, number in {**places, **numbers}.items():
        if not math.isfinite(number):
            raise InputError(f"{who} has a {what} that is not a number; enter it again.")
    for what in ("span", "chord", "taper"):
        if numbers[what] <= 0.0:
            raise InputError(f"{who} has a {what} of {numbers[what]:g}; it must be above zero.")
    for what in ("sweep", "dihedral"):
        if abs(numbers[what]) > math.radians(80.0):
            raise InputError(f"{who} has a {what} of {math.degrees(numbers[what]):.0f}°; keep it within 80°.")
    x = np.linspace(0.0, 1.0, 101)
    for where, shape in (("mid-span", e.shape), ("the tip", e.tip_shape)):
        up, low = shape.surfaces(x)
        if not (up - low)[1:-1].min() > 0.0:
            at = 100.0 * x[1 + int(np.argmin((up - low)[1:-1]))]
            raise InputError(
                f"{who} has a section at {where} whose upper and lower surfaces cross at {at:.0f} % of the chord; "
                "make it thicker there."
            )
    plate = e.end_plate
    if plate is None:
        return
    sizes = (plate.above_m, plate.below_m, plate.ahead_m, plate.behind_m, plate.thickness_m)
    if not np.isfinite(sizes).all() or plate.thickness_m <= 0.0:
        raise InputError(f"{who} has an end plate with a thickness of {plate.thickness_m:g} m; it must be above zero.")
    length = plate.ahead_m + plate.behind_m + e.chord_m * e.taper
    if plate.above_m + plate.below_m <= 0.0 or length <= 0.0:
        raise InputError(f"{who} has an end plate without height or length; give it more reach.")


def _aft(incidence: Floats | float) -> Floats:
    return np.stack([-np.cos(incidence), np.zeros_like(incidence), -np.sin(incidence)], axis=-1)
