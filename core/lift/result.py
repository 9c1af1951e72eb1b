"""What a lift estimate answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Band:
    """A value and the range it is believed to lie in (newtons, or any one unit)."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Air:
    """What the forces hold for.

    Attributes:
        density_kg_m3, viscosity_m2_s: kinematic viscosity.
        temperature_k, altitude_m: what they follow from (ISO 2533), nan where the density was given.
    """

    density_kg_m3: float
    viscosity_m2_s: float
    temperature_k: float = float("nan")
    altitude_m: float = float("nan")


@dataclass(frozen=True)
class SpanLoad:
    """How an element's force is spread, in one case.

    Attributes:
        case: "alone", "group" or "on car".
        y_m: (k,) rising, the strips' middles, positive left.
        load_n_m: (k,) N/m, positive up.
        attached: (k, 2) share of the chord over which the air follows the upper and the lower side, 0..1.
        force_n: (3,) in vehicle axes, induced drag included, profile drag not.
        moment_n_m: (3,) about the element's quarter-chord point at mid-span, in vehicle axes.
        sides_n: (2,) upward force on the right (y < 0) and the left half, for the mounts.
        centre: (3,) m, centre of pressure.
        induced_drag_n, profile_drag_n: N, against the way of travel.
    """

    case: str
    y_m: NDArray[np.float64]
    load_n_m: NDArray[np.float64]
    attached: NDArray[np.float64]
    force_n: NDArray[np.float64]
    moment_n_m: NDArray[np.float64]
    sides_n: NDArray[np.float64]
    centre: NDArray[np.float64]
    induced_drag_n: float
    profile_drag_n: float


@dataclass(frozen=True)
class ChannelNote:
    """The channel between two elements that face each other, at mid-span.

    Attributes:
        lower, upper: names.
        gap_m: height of the throat; over the mean chord of the two: ``gap_chords``.
        throat_speed: over the car's.
        pressure_rise: share of the throat's dynamic pressure that is to be won back up to the trailing edge.
        choke_index: the rise over what the boundary layers can follow; above 1 the channel chokes.
        sentence: in words.
    """

    lower: str
    upper: str
    gap_m: float
    gap_chords: float
    throat_speed: float
    pressure_rise: float
    choke_index: float
    sentence: str


@dataclass(frozen=True)
class ElementLift:
    """One element's answer. Forces in N, positive up; downforce is negative.

    Attributes:
        element: its name.
        direction: "lift", "downforce" or "neutral" (the band of ``alone_n`` holds zero).
        suction_side: "upper" or "lower" as mounted: the side with the lower pressure when alone.
        zero_lift_rad: incidence of the chord line at which the mid-span section carries no lift.
        incidence_rad: area-mean incidence.
        alone_n: by itself over the road.
        group_n: together with the other elements over the road.
        on_car_n: together, behind and over the body; None when no body was given.
        centre_of_pressure: (3,) m, where the force of the group acts.
        sentence: the verdict in words, with the geometric reason.
        warnings: where the method does not hold for this element, in plain words; empty if it does.
        loads: one entry a case that was worked out.
        confidence: "high", "fair" or "low", with the reason.
        confidence_reason: in words.
    """

    element: str
    direction: str
    suction_side: str
    zero_lift_rad: float
    incidence_rad: float
    alone_n: Band
    group_n: Band
    on_car_n: Band | None
    centre_of_pressure: NDArray[np.float64]
    sentence: str
    warnings: tuple[str, ...]
    loads: tuple[SpanLoad, ...] = ()
    confidence: str = "fair"
    confidence_reason: str = ""

    def load(self, case: str) -> SpanLoad | None:
        """How the force is spread in a case, or None where that was not worked out."""
        return next((one for one in self.loads if one.case == case), None)


@dataclass(frozen=True)
class LiftEstimate:
    """All elements of one variant.

    Attributes:
        assembly: the variant's name.
        speed_m_s, air_density_kg_m3: what the forces hold for.
        elements: one entry an element, in the variant's order.
        group_total_n, on_car_total_n: sums with bands; the latter None when no body was given.
        warnings: what holds for the whole estimate.
        channels: between elements that face each other.
        air: what density and Reynolds numbers follow from; None in estimates of older files.
        speed_table: (speed in m/s, sum of all on the car, or of the group without one) for a row of speeds.
    """

    assembly: str
    speed_m_s: float
    air_density_kg_m3: float
    elements: tuple[ElementLift, ...]
    group_total_n: Band
    on_car_total_n: Band | None
    warnings: tuple[str, ...]
    channels: tuple[ChannelNote, ...] = ()
    air: Air | None = None
    speed_table: tuple[tuple[float, Band], ...] = ()
