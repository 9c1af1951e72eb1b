"""Loads of a section once its flow and its layers have come to rest.

Lift and moment are those of the pressure on the panels. Profile drag is that of the layers' friction, the shear along
the dead air, and ((1 - sqrt f) / 2)^2 of attached lift times incidence where the flow has separated at the share f of
the chord (B. Thwaites, "Incompressible Aerodynamics", 1960, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .boundary_layer import Layer, profile_drag
from .section_flow import LAST, SectionFlow

Floats = NDArray[np.float64]

MIXING_SHEAR = 0.012
"""Shear over density and speed squared at the edge of still air beside a turbulent stream (W. Tollmien, Zeitschrift
fuer angewandte Mathematik und Mechanik 6, 1926: 0.011 to 0.0125, from memory)."""


@dataclass(frozen=True)
class SectionState:
    """A section at one incidence.

    Attributes:
        alpha_rad: the wind's climb over the contour's x axis.
        reynolds: on the chord.
        cl, cl_potential: lift coefficient with and without layers.
        cd: profile drag coefficient, friction and separated flow.
        cm: about the quarter-chord point, positive nose up.
        transition: (2,) x/chord on the upper and the lower side; 1.0 = laminar to the end.
        separation: (2,) x/chord; 1.0 = attached.
        stalled: whether the separated flow has taken more than a quarter of the attached circulation.
        pressure: (n,) pressure coefficients at the contour's points.
        speed: (n,) along the outside, over the free stream.
        converged: False where layer and flow did not come to rest; the numbers are then the last turn's.
        upper, lower: the layers, lengths over the chord.
    """

    alpha_rad: float
    reynolds: float
    cl: float
    cl_potential: float
    cd: float
    cm: float
    transition: Floats
    separation: Floats
    stalled: bool
    pressure: Floats
    speed: Floats
    converged: bool
    upper: Layer
    lower: Layer


@dataclass(frozen=True)
class SectionStates:
    """One section at k incidences; see ``SectionState`` for what is not named here.

    Attributes:
        flow: along the contour.
        alpha: (k,) incidences, rad.
        gamma: (k, n) speeds along the contour, counter-clockwise, over the free stream.
        transition, separation: (k, 2).
        lost: (k,) share of the attached circulation that the separated flow has taken.
        layers: (2k, ...) the upper sides first, then the lower ones, lengths over the chord.
    """

    flow: SectionFlow
    alpha: Floats
    reynolds: float
    gamma: Floats
    cl: Floats
    cl_potential: Floats
    cd: Floats
    cm: Floats
    transition: Floats
    separation: Floats
    lost: Floats
    converged: NDArray[np.bool_]
    layers: Layer

    def state(self, i: int) -> SectionState:
        """At one incidence."""
        gamma = self.gamma[i][::-1] if self.flow.flipped else self.gamma[i]
        return SectionState(
            alpha_rad=float(self.alpha[i]),
            reynolds=self.reynolds,
            cl=float(self.cl[i]),
            cl_potential=float(self.cl_potential[i]),
            cd=float(self.cd[i]),
            cm=float(self.cm[i]),
            transition=self.transition[i],
            separation=self.separation[i],
            stalled=bool(self.lost[i] > 0.25),
            pressure=1.0 - gamma**2,
            speed=np.abs(gamma),
            converged=bool(self.converged[i]),
            upper=self._side(i),
            lower=self._side(len(self.alpha) + i),
        )

    def _side(self, row: int) -> Layer:
        """From the stagnation point on."""
        first = max(int(np.sum(self.layers.along_m[row] <= 0.0)) - 1, 0)
        return self.layers.part(row, slice(first, None))


def section_states(
    flow: SectionFlow,
    alpha: Floats,
    rest: Floats,
    gamma: Floats,
    share: Floats,
    layers: Layer,
    settled: NDArray[np.bool_],
    reynolds: float,
) -> SectionStates:
    """What speeds and layers at rest amount to.

    Args:
        flow: along the contour.
        alpha: (k,) incidences, rad.
        rest: (k, n) speeds along the contour without layers.
        gamma: (k, n) with layers and dead air.
        share: (k, 2) of both sides that are attached.
        layers: (2k, ...) the upper sides first, then the lower ones, lengths over the chord.
        settled: (k,) whether layers and flow came to rest.
        reynolds: on the chord.
    """
    count = len(alpha)
    rows, sides = np.tile(np.arange(count), 2), np.repeat([0, 1], count)
    cl, cm = _loads(flow, alpha, gamma)
    potential = _loads(flow, alpha, rest)[0]
    kept = np.prod(flow.kept(share), axis=1)
    circulation = 2.0 * flow.circulation(gamma)
    attached = circulation / kept
    root = np.sqrt(flow.attached_chord(share))
    form = np.abs(attached * np.sin(alpha - flow.zero_lift)) * np.sum((0.5 - 0.5 * root) ** 2, axis=1)
    last = _at_last(flow, layers, flow.stagnation(gamma), share)
    friction = profile_drag(last.part(slice(0, count)), last.part(slice(count, None)), 1.0)
    # What the outer stream loses to the dead air pulls on the section as pressure.
    open_chord = np.where(
        share > LAST, 0.0, 1.0 - np.stack([flow.chord_share(np.full(count, k), share[:, k]) for k in (0, 1)], 1)
    )
    shear = 2.0 * MIXING_SHEAR * np.sum(open_chord * last.speed.reshape(2, count).T ** 2, axis=1)
    turbulent = np.where(np.isnan(layers.transition), np.inf, layers.transition)
    stagnation = flow.stagnation(gamma)[rows]
    along = np.clip(stagnation + np.where(sides == 0, -1.0, 1.0) * turbulent, 0.0, flow.along[-1])
    transition = np.interp(along, flow.along, flow.chordwise).reshape(2, count).T
    separation = flow.chord_share(sides, share[rows, sides]).reshape(2, count).T
    return SectionStates(
        flow=flow,
        alpha=alpha,
        reynolds=float(reynolds),
        gamma=gamma,
        cl=cl,
        cl_potential=potential,
        cd=friction + shear + form,
        cm=cm,
        transition=transition,
        separation=separation,
        lost=1.0 - kept,
        converged=settled,
        layers=layers,
    )


def _at_last(flow: SectionFlow, layers: Layer, stagnation: Floats, share: Floats) -> Layer:
    """The layers' values where they end, at separation (the dead air keeps its speed) or ``LAST`` at the latest.

    Aft of that, speed and shape factor are those of no real flow.
    """
    count = len(share)
    sides = np.repeat([0, 1], count)
    ends = np.abs(flow.place(sides, np.minimum(share.T.ravel(), LAST)) - np.tile(stagnation, 2))
    index = np.clip(np.sum(layers.along_m < ends[:, None], axis=1), 1, layers.along_m.shape[1] - 1)
    rows = np.arange(2 * count)
    a, b = layers.along_m[rows, index - 1], layers.along_m[rows, index]
    part = (ends - a) / (b - a)

    def there(values: Floats) -> Floats:
        return (values[rows, index - 1] + part * (values[rows, index] - values[rows, index - 1]))[:, None]

    return Layer(
        ends[:, None],
        there(layers.speed),
        there(layers.momentum_m),
        there(layers.displacement_m),
        there(layers.shape_factor),
        there(layers.friction),
        layers.transition,
        layers.separation_m,
        layers.bubble_m,
    )


def _loads(flow: SectionFlow, alpha: Floats, gamma: Floats) -> tuple[Floats, Floats]:
    """(k,) lift coefficients and moments about the quarter chord from the pressure on the panels."""
    pressure = 1.0 - (gamma[:, 1:] ** 2 + gamma[:, 1:] * gamma[:, :-1] + gamma[:, :-1] ** 2) / 3.0
    # Outward normal times length is -i dz for a contour travelled counter-clockwise; force is its opposite.
    force = 1j * pressure * flow.step
    arm = 0.5 * (flow.z[1:] + flow.z[:-1]) - 0.25 * flow.z[0]
    lift = (force.sum(axis=1) * np.exp(-1j * alpha)).imag
    return lift, -(arm.conj() * force).imag.sum(axis=1)
