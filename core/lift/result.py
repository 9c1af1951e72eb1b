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


@dataclass(frozen=True)
class LiftEstimate:
    """All elements of one variant.

    Attributes:
        assembly: the variant's name.
        speed_m_s, air_density_kg_m3: what the forces hold for.
        elements: one entry an element, in the variant's order.
        group_total_n, on_car_total_n: sums with bands; the latter None when no body was given.
        warnings: what holds for the whole estimate.
    """

    assembly: str
    speed_m_s: float
    air_density_kg_m3: float
    elements: tuple[ElementLift, ...]
    group_total_n: Band
    on_car_total_n: Band | None
    warnings: tuple[str, ...]
