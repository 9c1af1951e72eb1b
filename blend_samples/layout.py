"""One seed's car with its wing mounted: every number of the case, before anything is scanned."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .car import Car, varied_car
from .wing import Bracket, Plate, Section, Wing

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Layout:
    """The car and the wing as found, and the wide lower element of the variant that does not fit."""

    car: Car
    lower: Wing
    upper: Wing
    bracket: Bracket
    wide_chord_mm: float
    wide_raise_mm: float
    wide_incidence_deg: float

    @property
    def wide_lower(self) -> Wing:
        x, y, z = self.lower.leading_edge
        return replace(
            self.lower,
            chord_m=0.001 * self.wide_chord_mm,
            leading_edge=(x, y, z + 0.001 * self.wide_raise_mm),
            incidence_rad=math.radians(self.wide_incidence_deg),
        )


def lay_out(rng: np.random.Generator) -> Layout:
    """Draw a case: car and wing vary by up to 20 % about the base design, the mounting follows."""
    car = varied_car(rng)

    def about(value: float, share: float = 0.2) -> float:
        return value * (1.0 + share * rng.uniform(-1.0, 1.0))

    chord = about(0.158, 0.12)
    low_section = Section(about(0.042), about(0.40, 0.15), about(0.115), about(0.0020) / chord)
    lower = Wing(
        name="lower",
        leading_edge=(about(0.345, 0.06), 0.0, 0.0),
        span_m=about(1.17, 0.06),
        chord_m=chord,
        taper=about(0.88, 0.06),
        sweep_rad=math.radians(about(3.0)),
        dihedral_rad=math.radians(about(0.5)),
        incidence_rad=math.radians(about(1.5)),
        twist_rad=math.radians(about(-0.6)),
        section=low_section,
    )
    lower = _raised(lower, about(0.050) - _gap_over_body(car, lower))

    chord = about(0.262, 0.14)
    up_section = Section(about(0.046), about(0.42, 0.15), about(0.120), about(0.0021) / chord, suction_up=-1)
    upper = Wing(
        name="upper",
        leading_edge=(lower.leading_edge[0] + about(0.005), 0.0, 0.0),
        span_m=lower.span_m + about(0.10),
        chord_m=chord,
        taper=about(0.92, 0.05),
        sweep_rad=math.radians(about(2.5)),
        dihedral_rad=0.0,
        incidence_rad=math.radians(about(-4.0)),
        twist_rad=math.radians(about(0.5)),
        section=up_section,
        plate=Plate(about(0.035), about(0.105), about(0.022), about(0.026), about(0.0045)),
    )
    # The two chord lines lie 0.33 to 0.49 of the upper chord apart, above the lower quarter chord.
    apart = about(0.41) * upper.chord_m
    upper = _raised(upper, lower.leading_edge[2] + apart - upper.leading_edge[2])

    bracket = _bracket(car, lower, upper, about(0.36))
    wide_chord = round(1000.0 * lower.chord_m * about(1.18, 0.04))
    wide_incidence = round(math.degrees(lower.incidence_rad) + about(1.0), 1)
    wide = replace(lower, chord_m=0.001 * wide_chord, incidence_rad=math.radians(wide_incidence))
    drop = round(1000.0 * (-about(0.0115) - _gap_over_body(car, wide)))
    return Layout(car, lower, upper, bracket, float(wide_chord), float(drop), wide_incidence)


def _raised(wing: Wing, by: float) -> Wing:
    x, y, z = wing.leading_edge
    return replace(wing, leading_edge=(x, y, z + by))


def _gap_over_body(car: Car, wing: Wing) -> float:
    """Smallest height of the element over the skin below it, m (negative where it cuts in)."""
    eta, s = np.meshgrid(np.linspace(0.0, 1.0, 41), np.linspace(-1.0, 1.0, 161))
    p = wing.skin(eta.ravel(), s.ravel())
    p = p[(np.abs(p[:, 1]) < car.lid_half_width) & (p[:, 0] > 0.06)]
    return float(np.min(p[:, 2] - car.deck(p[:, 0], p[:, 1])[:, 2]))


def _bracket(car: Car, lower: Wing, upper: Wing, y: float) -> Bracket:
    k = np.linspace(0.0, 1.0, 33)
    eta = np.full(33, y / (0.5 * upper.span_m))
    top = upper.chordwise(eta, 0.12 + 0.74 * k, np.zeros(33))
    middle = lower.leading_edge[0] - 0.55 * lower.chord_m
    root = car.deck(middle + 0.085 - 0.155 * k, np.full(33, y))
    top[:, 1] = y
    return Bracket(y, root, top, 0.002, 0.20)
