"""Which way a section pushes as it is mounted: camber, incidence, zero-lift angle and a verdict.

A section alone in free air; its neighbours, the road and the car are not asked. Source of the method: thin-section
theory, H. Glauert, "The Elements of Aerofoil and Airscrew Theory", 1926; I. H. Abbott and A. E. von Doenhoff,
"Theory of Wing Sections", 1959, chapter 4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import to_degrees, to_kmh
from .fit import SectionFit
from .shape import SectionShape, bernstein

Floats = NDArray[np.float64]

ZERO_LIFT_MODEL_RAD = math.radians(0.3)
"""Standard error of the thin-section zero-lift angle against real air. NACA Report 824 measured -2.0 for 2412, -3.8
for 4412 and -1.4 degrees for 23012 at Reynolds number 6e6 (from memory), the theory gives -2.08, -4.15 and -1.09:
0.27 degrees rms, rounded up."""
SURE = 2.0
"""Standard errors from zero at which a verdict is given: wrong once in forty for normal errors."""
LOWEST_REYNOLDS = 1e5
"""On the chord; below it a laminar bubble can upset thin-section theory. Common practice, no source."""
AIR_VISCOSITY = 1.4607e-5
"""Kinematic, m2/s: standard atmosphere at sea level, 15 C (ISO 2533, from memory)."""

DOWN, UP, UNKNOWN = "pushes down", "pushes up", "cannot be told"
UPPER, LOWER, NEITHER = "upper", "lower", "neither"


@dataclass(frozen=True)
class Orientation:
    """Which way a section, or the sections of one element together, push at the angle they are mounted.

    Angles in rad, positive leading edge up; the sides are those of the part as mounted.

    Attributes:
        suction_side: the side with the lower pressure as mounted: "lower" where it pushes down, "upper" where it
            pushes up, "neither" where that cannot be told.
        bulging_side: the side to which the mean line's shape turns the lift; "neither" where that effect is
            within the uncertainty, so that only the incidence decides.
        camber: over the chord, positive towards the upper side.
        incidence_rad: chord line to the road.
        zero_lift_rad, zero_lift_se_rad: incidence without lift, and its standard error from the fit alone.
        angle_rad, angle_se_rad: incidence over the one without lift, and its standard error: fit (frame and mean
            line correlated) and ``ZERO_LIFT_MODEL_RAD``.
        verdict: "pushes down", "pushes up" or "cannot be told".
        lowest_speed_m_s: speed at which the (smallest) chord reaches ``LOWEST_REYNOLDS``.
        stations: sections taken together.
        contrary: how many of them, each by itself, surely push the other way than the verdict.
    """

    suction_side: str
    bulging_side: str
    camber: float
    incidence_rad: float
    zero_lift_rad: float
    zero_lift_se_rad: float
    angle_rad: float
    angle_se_rad: float
    verdict: str
    lowest_speed_m_s: float
    stations: int
    contrary: int

    @property
    def sentence(self) -> str:
        """The verdict with its geometric reason."""
        text = f"{self._camber_words()}{_incidence_words(self.incidence_rad)}: "
        if self.verdict == UNKNOWN:
            text += (
                f"{abs(to_degrees(self.angle_rad)):.1f}° from no lift, within its uncertainty of "
                f"{to_degrees(SURE * self.angle_se_rad):.1f}°; which way it pushes cannot be told"
            )
        else:
            speed = math.ceil(to_kmh(self.lowest_speed_m_s))
            text += f"alone in free air it {self.verdict} at any forward speed above {speed} km/h"
        if self.contrary:
            text += f"; {self.contrary} of its {self.stations} sections push the other way"
        return text + "."

    def _camber_words(self) -> str:
        percent = f"{100.0 * abs(self.camber):.1f}"
        camber = f"Camber {percent} % {'towards' if self.camber < 0.0 else 'away from'} the road"
        if self.bulging_side == NEITHER:
            camber = "No camber" if percent == "0.0" else f"{camber} tells nothing for sure"
            return f"{camber}, so that only the incidence decides; "
        if self.zero_lift_rad * self.incidence_rad > 0.0:
            # Camber and incidence pull apart, or the tail bends back: the reason needs the third number.
            camber += f" (no lift with the {_incidence_words(self.zero_lift_rad)})"
        return camber + ", "


def _incidence_words(incidence: float) -> str:
    degrees = f"{abs(to_degrees(incidence)):.1f}"
    return "chord line level" if degrees == "0.0" else f"leading edge {degrees}° {'down' if incidence < 0.0 else 'up'}"


def zero_lift_angle(shape: SectionShape) -> float:
    """Angle of the chord line to the wind without lift, rad, positive leading edge up; thin-section theory."""
    return float(_zero_lift_row(len(shape.mean_line)) @ shape.mean_line)


def orientation(fit: SectionFit) -> Orientation:
    """Which way one fitted section pushes, from its shape, its incidence and the covariance of both."""
    return orientation_of_element([fit])


def orientation_of_element(fits: Sequence[SectionFit]) -> Orientation:
    """Which way the fitted sections of one element push together.

    Means over the sections, weighted by chord (for the area of evenly spread stations) and less where a fit is
    uncertain. Errors of the fits are taken as independent, that of the theory as common to all.

    Raises:
        InputError: no sections.
    """
    if not fits:
        raise InputError("No section of the element was fitted; which way it pushes needs one at least.")
    zero, zero_se, angle, angle_se = np.array([_angles(fit) for fit in fits], float).T
    chord = np.array([fit.chord_m for fit in fits])
    weight = chord / (angle_se**2 + ZERO_LIFT_MODEL_RAD**2)
    weight /= weight.sum()
    mean = float(weight @ angle)
    error = math.hypot(float(np.linalg.norm(weight * angle_se)), ZERO_LIFT_MODEL_RAD)
    zero_lift, zero_lift_se = float(weight @ zero), float(np.linalg.norm(weight * zero_se))
    sure = np.abs(angle) > SURE * np.hypot(angle_se, ZERO_LIFT_MODEL_RAD)
    verdict = UNKNOWN if abs(mean) <= SURE * error else DOWN if mean < 0.0 else UP
    bulges = abs(zero_lift) > max(ZERO_LIFT_MODEL_RAD, SURE * zero_lift_se)
    return Orientation(
        suction_side={UNKNOWN: NEITHER, DOWN: LOWER, UP: UPPER}[verdict],
        bulging_side=NEITHER if not bulges else LOWER if zero_lift > 0.0 else UPPER,
        camber=float(weight @ [fit.shape.camber()[0] for fit in fits]),
        incidence_rad=float(weight @ [fit.incidence_rad for fit in fits]),
        zero_lift_rad=zero_lift,
        zero_lift_se_rad=zero_lift_se,
        angle_rad=mean,
        angle_se_rad=error,
        verdict=verdict,
        lowest_speed_m_s=LOWEST_REYNOLDS * AIR_VISCOSITY / float(chord.min()),
        stations=len(fits),
        contrary=0 if verdict == UNKNOWN else int((sure & (angle * mean < 0.0)).sum()),
    )


def _angles(fit: SectionFit) -> tuple[float, float, float, float]:
    """Zero-lift angle and incidence over it, each with its standard error from the fit, rad."""
    weights = _zero_lift_row(len(fit.shape.mean_line))
    first = 4 + len(fit.shape.half_thickness)
    row = np.zeros(len(fit.covariance))
    row[first : first + len(weights)] = weights
    zero_se = math.sqrt(max(float(row @ fit.covariance @ row), 0.0))
    row *= -1.0
    row[2] = 1.0
    zero = float(weights @ fit.shape.mean_line)
    return zero, zero_se, fit.incidence_rad - zero, math.sqrt(max(float(row @ fit.covariance @ row), 0.0))


def _zero_lift_row(count: int) -> Floats:
    """(count,) zero-lift angles of mean lines with one unit weight each.

    Glauert: minus the mean over 0..pi of the mean line's slope times (cos - 1) of the angle with
    x = (1 - cos) / 2. Midpoints of n equal steps are exact for polynomials in x below degree 2 n (Chebyshev), and
    a mean line of ``count`` weights is one of degree ``count`` + 1.
    """
    steps = count + 2
    cosine = np.cos((np.arange(steps) + 0.5) * np.pi / steps)
    # x (1 - x) raises a Bernstein polynomial two degrees; its slope is a difference of two, one degree lower.
    k = np.arange(count)
    raised = (k + 1.0) * (count - k) / count
    lower = bernstein(0.5 * (1.0 - cosine), count + 1)
    slope = raised * (lower[:, :-1] - lower[:, 1:])
    return np.asarray((slope * (1.0 - cosine)[:, None]).mean(axis=0))
