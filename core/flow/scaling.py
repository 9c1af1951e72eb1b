"""Between the lattice (cells, steps) and SI: speeds, times, pressures, forces, and what the Reynolds number does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError
from ..units import to_kmh
from .kernel import FASTEST

Floats = NDArray[np.float64]

SOUND_SQUARED = 1.0 / 3.0
"""Of the lattices in use, (cells a step) squared."""
LEAST_VISCOSITY = 1e-5
"""Lattice viscosity below which single precision leaves no room (common practice, no source). Far above it already the
cells and the eddy viscosity tell what the flow is like, not this number."""
CELLS_SHARE = {True: 0.25, False: 0.15}
"""By which a run's band is wide on both sides at least, of its value; by ``FlowRun.wall_function``.

So near came NACA 4412 with 320 cells on the chord to NACA Report 824 (from memory) at 0, 4 and 12 degrees: where the
air clings -16, -1 and +15 %, where it lets go +5, -2 and -9 %, and NACA 0012 at 4 degrees there -12 %. At 18 degrees,
stalled at about 1.5 (the least sure of these values), it was +52 and -2 %: where real air leaves, a run in which it
clings is off by more than this (``tests/bench/flow_results.md``)."""
_LIFT_SHARE_PER_DECADE = 0.10  # common practice, no source
_DECIDES = "the cells decide what the layers at the walls are like"
_LAMINAR_BELOW = 1e5  # chord Reynolds number under which sections stall from laminar separation (common practice)


@dataclass(frozen=True)
class Scaling:
    """How a lattice run stands for a car in air. Make it with ``scaling``.

    Attributes:
        spacing_m: of a cell.
        length_m: the length the Reynolds numbers are for, such as the mean chord.
        speed_m_s, density_kg_m3, viscosity_m2_s: of the air about the car; kinematic viscosity.
        lattice_speed: of the wind, cells a step.
        lattice_viscosity: cells squared a step.
        sound_m_s: speed of sound in the air.
    """

    spacing_m: float
    length_m: float
    speed_m_s: float
    density_kg_m3: float
    viscosity_m2_s: float
    lattice_speed: float
    lattice_viscosity: float
    sound_m_s: float

    @property
    def cells(self) -> float:
        """On the reference length."""
        return self.length_m / self.spacing_m

    @property
    def reynolds_run(self) -> float:
        """Reynolds number on the lattice."""
        return self.lattice_speed * self.cells / self.lattice_viscosity

    @property
    def reynolds_real(self) -> float:
        """Reynolds number of the car at the set speed."""
        return self.speed_m_s * self.length_m / self.viscosity_m2_s

    @property
    def mach_run(self) -> float:
        """Mach number on the lattice."""
        return self.lattice_speed / math.sqrt(SOUND_SQUARED)

    @property
    def mach_real(self) -> float:
        """Mach number of the car."""
        return self.speed_m_s / self.sound_m_s

    @property
    def relaxation_time(self) -> float:
        """In steps, of the shear stress: 3 viscosity + 1/2."""
        return self.lattice_viscosity / SOUND_SQUARED + 0.5

    @property
    def step_s(self) -> float:
        """What one step stands for, s."""
        return self.spacing_m * self.lattice_speed / self.speed_m_s

    @property
    def steps_per_s(self) -> float:
        """Steps in one second of the car's time."""
        return 1.0 / self.step_s

    def steps_over(self, length_m: float) -> float:
        """Steps in which the wind blows over a length."""
        return length_m / (self.spacing_m * self.lattice_speed)

    @property
    def force_factor(self) -> float:
        """Newtons of one lattice unit of force: density, cell's area and the square of the speeds' ratio.

        Of a run in two dimensions it holds for a slice one cell wide.
        """
        return self.density_kg_m3 * (self.speed_m_s / self.lattice_speed * self.spacing_m) ** 2

    def newtons(self, force: ArrayLike, width_m: float | None = None) -> Floats:
        """Force at the set speed, through coefficients: whatever the Reynolds number run, it goes with speed squared.

        Args:
            force: any shape, lattice units (density 1).
            width_m: span for which a slice in two dimensions stands; None for runs in three dimensions.
        """
        share = 1.0 if width_m is None else _positive("width", width_m, "m") / self.spacing_m
        return np.asarray(force, np.float64) * (self.force_factor * share)

    def lattice_force(self, newtons: ArrayLike, width_m: float | None = None) -> Floats:
        """The way back from ``newtons``."""
        return np.asarray(newtons, np.float64) / self.newtons(1.0, width_m)

    def coefficients(self, newtons: ArrayLike, area_m2: float) -> Floats:
        """Force over dynamic pressure and area."""
        return np.asarray(newtons, np.float64) / (self.dynamic_pressure * _positive("area", area_m2, "m2"))

    @property
    def dynamic_pressure(self) -> float:
        """Of the wind, Pa."""
        return 0.5 * self.density_kg_m3 * self.speed_m_s**2

    def pressure_coefficient(self, density: ArrayLike) -> Floats:
        """Of lattice densities (1 far away): pressure over that far away, over dynamic pressure."""
        return (np.asarray(density, np.float64) - 1.0) * (2.0 * SOUND_SQUARED / self.lattice_speed**2)

    def metres_per_second(self, speed: ArrayLike) -> Floats:
        """Of lattice speeds, cells a step."""
        return np.asarray(speed, np.float64) * (self.speed_m_s / self.lattice_speed)


def scaling(
    spacing_m: float,
    length_m: float,
    speed_m_s: float,
    density_kg_m3: float,
    viscosity_m2_s: float,
    *,
    lattice_speed: float = 0.06,
    least_viscosity: float = LEAST_VISCOSITY,
    sound_m_s: float = 340.294,
) -> Scaling:
    """The lattice run that comes nearest to the real Reynolds number.

    Args:
        spacing_m: of a cell.
        length_m: the Reynolds number's length.
        speed_m_s: of the car.
        density_kg_m3, viscosity_m2_s: of the air; kinematic viscosity.
        lattice_speed: of the wind; the lower, the less compressible and the slower.
        least_viscosity: lattice viscosity that the kernel still bears; where the real Reynolds number asks for less,
            the run is at a lower one.
        sound_m_s: speed of sound in the air (ISO 2533 at 15 degrees).

    Raises:
        InputError: a number that is not above zero, a lattice speed above ``kernel.FASTEST``, or a length of less
            than one cell.
    """
    _positive("cell size", spacing_m, "m")
    _positive("reference length", length_m, "m")
    _positive("speed", speed_m_s, "m/s")
    _positive("air density", density_kg_m3, "kg/m3")
    _positive("air's kinematic viscosity", viscosity_m2_s, "m2/s")
    _positive("lattice speed", lattice_speed, "cells a step")
    _positive("least lattice viscosity", least_viscosity, "cells squared a step")
    _positive("speed of sound", sound_m_s, "m/s")
    if lattice_speed > FASTEST:
        raise InputError(
            f"A lattice speed of {lattice_speed:g} makes the air too compressible; give at most {FASTEST:g}."
        )
    if speed_m_s >= sound_m_s:
        raise InputError(f"{to_kmh(speed_m_s):.4g} km/h is faster than sound; a lattice run holds far below it.")
    if length_m < spacing_m:
        raise InputError(
            f"The reference length of {length_m:g} m is less than one cell of {spacing_m:g} m; take finer cells."
        )
    asked = lattice_speed * viscosity_m2_s / (speed_m_s * spacing_m)
    return Scaling(
        spacing_m=spacing_m,
        length_m=length_m,
        speed_m_s=speed_m_s,
        density_kg_m3=density_kg_m3,
        viscosity_m2_s=viscosity_m2_s,
        lattice_speed=lattice_speed,
        lattice_viscosity=max(asked, least_viscosity),
        sound_m_s=sound_m_s,
    )


def _positive(what: str, value: float, unit: str) -> float:
    if not (math.isfinite(value) and value > 0.0):
        raise InputError(f"The {what} is {value:g} {unit}; give one above zero.")
    return value


@dataclass(frozen=True)
class ReynoldsGap:
    """What a run at another Reynolds number than the car's does to its band.

    Attributes:
        run, real: Reynolds numbers.
        lift_share: by which the band of a lift grows on both sides, of its value.
        drag_coefficient: by which the drag at the real Reynolds number is less (friction of both sides of a plate of
            the planform's area); negative where it is more.
        sentence: in words.
    """

    run: float
    real: float
    lift_share: float
    drag_coefficient: float
    sentence: str


def reynolds_gap(run: float, real: float) -> ReynoldsGap:
    """Widen a band for the Reynolds number that was run, which is a nominal one.

    Layers thinner than a cell are what the cells and the treatment of the walls make of them, whatever the number says,
    so this is but a share of what a run may be off; see ``CELLS_SHARE`` and ``report.second_opinion``.

    Drag follows the friction of a smooth flat plate. For lift a tenth a decade, twice that for each decade the run
    lies under 1e5 (common practice, no source): there laminar layers part from sections that hold the air on the car.

    Raises:
        InputError: a Reynolds number that is not above zero.
    """
    _positive("Reynolds number of the run", run, "")
    _positive("real Reynolds number", real, "")
    low, high = min(run, real), max(run, real)
    share = _LIFT_SHARE_PER_DECADE * math.log10(high / low)
    laminar = low < _LAMINAR_BELOW
    if laminar:
        share += _LIFT_SHARE_PER_DECADE * math.log10(min(high, _LAMINAR_BELOW) / low)
    less_drag = 2.0 * (plate_friction(run) - plate_friction(real))
    if high < 1.05 * low:
        sentence = f"Run nominally at the real Reynolds number, {_figure(real)}; {_DECIDES}."
    else:
        sentence = (
            f"Run at a nominal Reynolds number of {_figure(run)}, the car's is {_figure(real)}: "
            f"the band of the lift is {100.0 * share:.0f} % wider on both sides"
        )
        if laminar and run < real:
            sentence += ", and laminar separation that the car does not have may be in the answer"
        sentence += f". More than this number, {_DECIDES}."
    return ReynoldsGap(run, real, share, less_drag, sentence)


def _figure(reynolds: float) -> str:
    """Three figures, thousands parted."""
    digits = max(0, 2 - math.floor(math.log10(reynolds)))
    return f"{round(reynolds, 2 - math.floor(math.log10(reynolds))):,.{digits}f}"


@overload
def plate_friction(reynolds: float) -> float: ...
@overload
def plate_friction(reynolds: Floats) -> Floats: ...
def plate_friction(reynolds: float | Floats) -> float | Floats:
    """Mean friction coefficient of one side of a smooth flat plate.

    Laminar 1.328 / sqrt(Re) (Blasius), with transition 0.455 / lg(Re)^2.58 - 1700 / Re (Prandtl and Schlichting;
    Schlichting, Boundary-Layer Theory, from memory), whichever is more past 5e5.
    """
    number = np.asarray(reynolds, np.float64)
    laminar = 1.328 / np.sqrt(number)
    mixed = 0.455 / np.log10(np.maximum(number, 5e5)) ** 2.58 - 1700.0 / np.maximum(number, 5e5)
    found: Floats = np.where(number < 5e5, laminar, np.maximum(laminar, mixed))
    return found if found.ndim else float(found)
