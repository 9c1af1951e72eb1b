"""The quick estimate: which way each element pushes, how hard, and how sure that is.

A lifting-surface lattice on all elements, over the road's mirror image, behind and over the body's
source panels, each feeling the others. The wind comes from ahead along the road.

The band of each force is the root of the summed squares of what these changes, each solved anew, do
to it: incidence of each element by ``INCIDENCE_STEP`` both ways; the share of the frictionless load
that a real section keeps, ``KEPT`` within ``KEPT_LOW``..``KEPT_HIGH``; and on the car the body with
its wake taken away (rear faces followed to the end) and with half its strength.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..assembly.assembly import Assembly
from ..elements.element import Element
from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..units import to_degrees, to_kmh
from .body import BodyPanels, body_panels, nose_is_missing, source_velocity
from .lattice import Lattice, forces, ring_strengths, sheets_of
from .panel2d import zero_lift_angle
from .result import Band, ElementLift, LiftEstimate

Floats = NDArray[np.float64]

INCIDENCE_STEP = math.radians(0.5)
KEPT, KEPT_LOW, KEPT_HIGH = 0.95, 0.80, 1.0
"""Measured lift slope over 2 pi: 0.105 a degree against 0.1097 for smooth sections at Reynolds number 6e6
(NACA Report 824, from memory); less when rough or small, common practice, no source."""
STALL_CL = 1.2
"""Section lift coefficient that a rough section may not reach (NACA Report 824, standard roughness, from memory)."""
LEFT_AT_NARROW_GAP = 0.1
"""What facing suction sides may keep of the load alone (a tenth to a seventh: common practice, no source)."""
NEAR_ROAD_CHORDS = 0.5
"""Below this height over the chord the lattice misses the flow's separation (Zerihan and Zhang 2000: the load
peaks and falls near the road)."""
SMALL_ASPECT = 1.0
"""Below this span over chord the tips' own vortices, left out here, carry much of the load."""


def estimate_lift(
    assembly: Assembly,
    speed_m_s: float,
    body: TriMesh | None = None,
    air_density_kg_m3: float = 1.225,
    colliding: Collection[str] = (),
) -> LiftEstimate:
    """Lift of each element alone, in the group and on the car, with bands, words and warnings.

    Args:
        assembly: the variant, in vehicle axes (x forward, z up, road at z = 0), m.
        speed_m_s: of the car through still air.
        body: the scanned body without its wing, both halves, vehicle axes, m; None for the wing by itself.
        air_density_kg_m3: 1.225 is the standard atmosphere's at sea level (ISO 2533).
        colliding: names of elements known to cut into the body. With any, nothing is estimated on the
            car: the air between them has no room, and the answer would be a number without meaning.

    Raises:
        InputError: no element, a speed or density that is not above zero, an element that reaches
            under the road, or a body with nothing above the road.
    """
    _check(assembly, speed_m_s, air_density_kg_m3)
    elements = assembly.elements
    lattice = Lattice([s for i, e in enumerate(elements) for s in sheets_of(e, i)])
    free = _Flow.of(lattice)
    alone = [_solve_alone(free, i) for i in range(len(elements))]
    group = _Answer.of(free, lattice, len(elements))
    panels = None if body is None or colliding else body_panels(body)
    on_car = None if panels is None else _on_car(free, lattice, panels, len(elements))

    pressure = 0.5 * air_density_kg_m3 * speed_m_s**2
    gaps = {i: gap for pair, gap in _facing_gaps(elements).items() for i in pair}
    narrow = [i in gaps for i in range(len(elements))]
    alone_bands = [a.band(0, pressure) for a in alone]
    group_bands = [group.band(i, pressure) for i in range(len(elements))]
    car_bands = None if on_car is None else [on_car.band(i, pressure) for i in range(len(elements))]
    for bands in (group_bands, car_bands):
        for i, is_narrow in enumerate(narrow):
            if is_narrow and bands is not None:
                bands[i] = _reaching(bands[i], LEFT_AT_NARROW_GAP * alone_bands[i].value)
    lifts = tuple(
        _element_lift(
            e,
            alone_bands[i],
            group_bands[i],
            None if car_bands is None else car_bands[i],
            group.centres[i],
            _warnings(e, alone[i].peaks[0], (on_car or group).peaks[i], gaps.get(i), panels),
            speed_m_s,
            narrow[i],
        )
        for i, e in enumerate(elements)
    )
    whole = []
    if colliding:
        named = ", ".join(f"“{name}”" for name in sorted(colliding))
        whole.append(f"{named} cuts into the body, so no force on the car is given: the wing cannot stand there.")
    if panels is not None and nose_is_missing(panels):
        whole.append("The scan holds no front of the car; what the nose does to the wind at the wing is left out.")
    if any(narrow):
        whole.append(
            "Suction sides face each other closely; the sums may lie anywhere in their bands, "
            "and only a viscous run or a measurement can settle it."
        )
    return LiftEstimate(
        assembly=assembly.name,
        speed_m_s=speed_m_s,
        air_density_kg_m3=air_density_kg_m3,
        elements=lifts,
        group_total_n=_total(group, group_bands, pressure, any(narrow)),
        on_car_total_n=None
        if on_car is None or car_bands is None
        else _total(on_car, car_bands, pressure, any(narrow)),
        warnings=tuple(whole),
    )


def air_density(temperature_k: float, altitude_m: float = 0.0) -> float:
    """Density in kg/m3 of dry air at a temperature and the standard pressure of an altitude.

    Source: ISO 2533:1975, from memory: 101325 Pa and 288.15 K at sea level, -6.5 K a km, R 287.05287 J/(kg K).

    Raises:
        InputError: a temperature not above zero, or an altitude outside -2000..11000 m.
    """
    if not temperature_k > 0.0:
        raise InputError(f"An air temperature of {temperature_k:g} K does not exist; it must be above zero.")
    if not -2000.0 <= altitude_m <= 11000.0:
        raise InputError(f"The altitude of {altitude_m:g} m lies outside -2000 to 11000 m.")
    pressure = 101325.0 * (1.0 - 0.0065 * altitude_m / 288.15) ** (9.80665 / (0.0065 * 287.05287))
    return pressure / (287.05287 * temperature_k)


@dataclass(frozen=True)
class _Flow:
    """Velocities of unit rings and of everything else in a wind of 1 m/s from ahead.

    Attributes:
        control, bound: (3, n, n), (3, s, n) for unit strength of each ring.
        control_wind, bound_wind: (3, n), (3, s) without the rings.
    """

    control: Floats
    bound: Floats
    control_wind: Floats
    bound_wind: Floats
    lattice: Lattice

    @classmethod
    def of(cls, lattice: Lattice) -> _Flow:
        middle = lattice.bound_middle
        control = lattice.velocity(lattice.controls, lattice.owner)
        bound = lattice.velocity(middle, lattice.bound_owner)
        return cls(control, bound, _wind(lattice.controls), _wind(middle), lattice)

    def only(self, element: int) -> _Flow:
        """The flow with one element's rings, the others absent."""
        sheets = [s for s in self.lattice.sheets if s.owner == element]
        n, s = self.lattice.owner == element, self.lattice.bound_owner == element
        return _Flow(
            self.control[:, n][:, :, n],
            self.bound[:, s][:, :, n],
            self.control_wind[:, n],
            self.bound_wind[:, s],
            Lattice(sheets),
        )

    def loads(self, tilt: Floats) -> Floats:
        """(s, 3) force on each bound segment for a density of 1, each element tilted nose-up by ``tilt`` (k,) rad."""
        normals = _tilted(self.lattice, tilt)
        strength = ring_strengths(self.lattice, normals, self.control, self.control_wind)
        wind = self.bound_wind + self.bound @ strength
        return forces(self.lattice, strength, wind, 1.0)


@dataclass(frozen=True)
class _Answer:
    """Lift of each element over dynamic pressure, m2, with what each change does to it.

    Attributes:
        lift: (k,) frictionless.
        changes: (c, 2, k) lift with each change made one way and the other.
        centres: (k, 3) m, where the lift acts.
        peaks: (k,) largest section lift coefficient, either sign.
    """

    lift: Floats
    changes: Floats
    centres: Floats
    peaks: Floats

    @classmethod
    def of(cls, flow: _Flow, lattice: Lattice, count: int, others: tuple[_Flow, ...] = ()) -> _Answer:
        owners = sorted({s.owner for s in lattice.sheets})
        force = flow.loads(np.zeros(count))
        lift = _lifts(lattice, force, owners)
        changes = []
        for owner in owners:
            tilt = np.zeros(count)
            tilt[owner] = INCIDENCE_STEP
            changes.append([_lifts(lattice, flow.loads(t), owners) for t in (-tilt, tilt)])
        if others:
            # One cause, the body, in its worst two forms.
            changes.append([_lifts(lattice, other.loads(np.zeros(count)), owners) for other in others])
        weight = np.abs(force[:, 2])
        middle = lattice.bound_middle
        mine = [lattice.bound_owner == o for o in owners]
        centres = np.stack([np.average(middle[m], axis=0, weights=weight[m] + 1e-30) for m in mine])
        return cls(lift, np.array(changes), centres, np.array([_peak(lattice, force, o) for o in owners]))

    def band(self, element: int | None, pressure: float) -> Band:
        """One element's lift in N, or that of all for None."""

        def pick(lifts: Floats) -> Floats:
            return lifts.sum(axis=-1) if element is None else lifts[..., element]

        lift = float(pick(self.lift))
        steps = KEPT * (pick(self.changes) - lift)
        friction = np.array([[KEPT_LOW - KEPT, KEPT_HIGH - KEPT]]) * lift
        steps = np.concatenate([steps, friction])
        down = math.sqrt(float(np.sum(np.minimum(steps.min(axis=1), 0.0) ** 2)))
        up = math.sqrt(float(np.sum(np.maximum(steps.max(axis=1), 0.0) ** 2)))
        value = KEPT * lift
        return Band(value * pressure, (value - down) * pressure, (value + up) * pressure)


def _solve_alone(free: _Flow, element: int) -> _Answer:
    flow = free.only(element)
    return _Answer.of(flow, flow.lattice, element + 1)


def _on_car(free: _Flow, lattice: Lattice, panels: BodyPanels, count: int) -> _Answer:
    """The group's answer with the body in the flow: its sources are written in terms of the rings."""
    middle = lattice.bound_middle
    through = np.einsum("pi,ipq->pq", panels.normals, source_velocity(panels, panels.middles))
    rings = np.einsum("pi,ipn->pn", panels.normals, lattice.velocity(panels.middles))
    right = np.column_stack([rings, -panels.normals[:, 0]])
    at_controls = source_velocity(panels, lattice.controls)
    at_bounds = source_velocity(panels, middle)

    def flow(active: NDArray[np.bool_], strength: float) -> _Flow:
        sources = -strength * np.linalg.solve(through[np.ix_(active, active)], right[active])
        control = at_controls[:, :, active] @ sources
        bound = at_bounds[:, :, active] @ sources
        return _Flow(
            free.control + control[..., :-1],
            free.bound + bound[..., :-1],
            free.control_wind + control[..., -1],
            free.bound_wind + bound[..., -1],
            lattice,
        )

    return _Answer.of(
        flow(~panels.base, 1.0),
        lattice,
        count,
        (flow(np.ones(len(panels.base), bool), 1.0), flow(~panels.base, 0.5)),
    )


def _wind(at: Floats) -> Floats:
    out = np.zeros((3, len(at)))
    out[0] = -1.0
    return out


def _tilted(lattice: Lattice, tilt: Floats) -> Floats:
    """Normals (n, 3) turned about the y axis, leading edge up by ``tilt`` of each one's element."""
    angle = tilt[lattice.owner]
    x, y, z = lattice.normals.T
    return np.column_stack([x * np.cos(angle) - z * np.sin(angle), y, x * np.sin(angle) + z * np.cos(angle)])


def _lifts(lattice: Lattice, force: Floats, owners: list[int]) -> Floats:
    # Over the dynamic pressure of a wind of 1 m/s and density 1.
    return 2.0 * np.array([force[lattice.bound_owner == o, 2].sum() for o in owners])


def _peak(lattice: Lattice, force: Floats, owner: int) -> float:
    """Largest section lift coefficient along the element, with its sign."""
    for sheet, (bound, _) in zip(lattice.sheets, lattice.places, strict=True):
        if sheet.owner == owner and not sheet.plate:
            rows, columns = sheet.controls.shape[:2]
            load = force[bound][: rows * columns, 2].reshape(rows, columns).sum(axis=0)
            width = np.diff(sheet.nodes[0, :, 1])
            chord = np.linalg.norm(sheet.nodes[-1] - sheet.nodes[0], axis=1)
            # The first vortex line stands a little behind the nose.
            chord = chord / (1.0 - 0.5 * (1.0 - math.cos(0.5 * math.pi / rows)))
            cl = 2.0 * load / (width * 0.5 * (chord[1:] + chord[:-1]))
            return float(cl[np.argmax(np.abs(cl))])
    raise AssertionError("every element has a wing sheet")


def _reaching(band: Band, value: float) -> Band:
    return Band(band.value, min(band.low, value), max(band.high, value))


def _total(answer: _Answer, bands: list[Band], pressure: float, narrow: bool) -> Band:
    total = answer.band(None, pressure)
    if not narrow:
        return total
    low, high = sum(b.low for b in bands), sum(b.high for b in bands)
    return Band(total.value, min(total.low, low), max(total.high, high))


def _suction_side(alone_n: float) -> str:
    return "upper" if alone_n >= 0.0 else "lower"


def _facing_gaps(elements: tuple[Element, ...]) -> dict[tuple[int, int], float]:
    """Pairs whose suction sides face each other within one chord, with mean gap over mean chord.

    The gap is measured straight up between the facing surfaces, where one stands over the other.
    """
    up = [math.copysign(1.0, e.incidence_rad - zero_lift_angle(e.shape)) > 0.0 for e in elements]
    found = {}
    for i, low in enumerate(elements):
        for j, high in enumerate(elements):
            if not up[i] or up[j]:
                continue
            gap = _gap_over_chord(low, high)
            if gap is not None and gap < 1.0:
                found[(i, j)] = gap
    return found


def _gap_over_chord(low: Element, high: Element) -> float | None:
    """Mean gap between ``low``'s upper and ``high``'s lower surface over their mean chord.

    None where neither stands over the other or ``high`` is the lower one.
    """
    edges = [(e.leading_edge[1] - 0.5 * e.span_m, e.leading_edge[1] + 0.5 * e.span_m) for e in (low, high)]
    y = np.linspace(max(a for a, _ in edges), min(b for _, b in edges), 9)
    if y[0] >= y[-1]:
        return None
    x = np.linspace(0.0, 1.0, 41)
    gaps, chords = [], []
    for at in y[1:-1]:
        lines = []
        for e, side in ((low, 0), (high, 1)):
            eta = np.array([(at - e.leading_edge[1]) / (0.5 * e.span_m)])
            lines.append(e.surfaces(eta, x)[side][0, ::-1])
        start, end = max(lines[0][0, 0], lines[1][0, 0]), min(lines[0][-1, 0], lines[1][-1, 0])
        if end <= start:
            continue
        over = np.linspace(start, end, 21)
        heights = [np.interp(over, line[:, 0], line[:, 2]) for line in lines]
        gaps.append(float(np.mean(heights[1] - heights[0])))
        chords.append(0.5 * float(sum(np.ptp(line[:, 0]) for line in lines)))
    if not gaps or np.mean(gaps) <= 0.0:
        return None
    return float(np.mean(gaps) / np.mean(chords))


def _element_lift(
    e: Element,
    alone: Band,
    group: Band,
    on_car: Band | None,
    centre: Floats,
    warnings: tuple[str, ...],
    speed_m_s: float,
    narrow: bool,
) -> ElementLift:
    incidence = e.mean_incidence_rad
    zero = zero_lift_angle(e.shape)
    direction = "neutral" if alone.low <= 0.0 <= alone.high else "lift" if alone.value > 0.0 else "downforce"
    return ElementLift(
        element=e.name,
        direction=direction,
        suction_side=_suction_side(alone.value),
        zero_lift_rad=zero,
        incidence_rad=incidence,
        alone_n=alone,
        group_n=group,
        on_car_n=on_car,
        centre_of_pressure=centre,
        sentence=_sentence(e, direction, incidence, alone, speed_m_s, narrow),
        warnings=warnings,
    )


def _sentence(e: Element, direction: str, incidence: float, alone: Band, speed_m_s: float, narrow: bool) -> str:
    camber = e.shape.camber()[0]
    side = "the sky" if camber > 0.0 else "the road"
    shape = "no camber" if abs(camber) < 5e-4 else f"camber {abs(camber) * 100:.1f} % towards {side}"
    angle = to_degrees(incidence)
    nose = (
        "chord line level" if abs(angle) < 0.05 else f"leading edge {abs(angle):.1f}° {'up' if angle > 0 else 'down'}"
    )
    ends = sorted((alone.low, alone.high), key=abs)
    size = f"about {_newtons(abs(alone.value))} ({_range(abs(ends[0]), abs(ends[1]))})"
    speed = f"at {to_kmh(speed_m_s):.0f} km/h by itself"
    what = {
        "lift": f"lifts at any forward speed, {size} {speed}",
        "downforce": f"pushes down at any forward speed, {size} of downforce {speed}",
        "neutral": f"may push either way: {_newtons(alone.value)} ({_range(alone.low, alone.high)}) {speed}",
    }[direction]
    text = f"{e.name}: {shape} and {nose}: {what}."
    if narrow:
        text += " How much of it is left beside the other element only a viscous run or a measurement can settle."
    return text


def _newtons(value: float) -> str:
    step = 10.0 if abs(value) >= 100.0 else 1.0
    return f"{round(value / step) * step + 0.0:.0f} N"


def _range(low: float, high: float) -> str:
    return f"{_newtons(low).removesuffix(' N')} to {_newtons(high)}"


def _warnings(
    e: Element, peak_alone: float, peak: float, gap: float | None, panels: BodyPanels | None
) -> tuple[str, ...]:
    out = []
    if gap is not None:
        out.append(
            f"Its suction side faces another's at {gap:.2f} of the chord; flow so narrow may separate, "
            "and the attached-flow estimate is not to be trusted."
        )
    worst = max(peak_alone, peak, key=abs)
    if abs(worst) > STALL_CL:
        out.append(
            f"The most loaded section would need a lift coefficient of {abs(worst):.1f}, above the {STALL_CL:g} that "
            "a rough section may reach; it may stall and push less."
        )
    tips = e.planform(np.concatenate([np.linspace(-1.0, 1.0, 9), e.shares]))
    lowest = float(np.min(np.minimum(tips[0][:, 2], tips[0][:, 2] - tips[1] * np.sin(tips[2]))))
    if lowest < NEAR_ROAD_CHORDS * e.mean_chord_m:
        out.append(
            f"It runs {lowest / e.mean_chord_m:.2f} chords over the road; so low the flow may separate, "
            "which this estimate does not see."
        )
    if e.span_m**2 < SMALL_ASPECT * e.area_m2:
        out.append(
            "It is shorter in span than in chord; the tips' own vortices, left out here, carry much of its load."
        )
    if panels is not None and _in_wake(e, panels):
        out.append("Part of it lies straight behind a blunt part of the body, where the air is slow and unsteady.")
    return tuple(out)


def _in_wake(e: Element, panels: BodyPanels) -> bool:
    """Whether any of the element's mid-chord line lies straight aft of a face that the air does not follow."""
    if not panels.base.any():
        return False
    eta = np.linspace(-1.0, 1.0, 21)
    up, low = e.surfaces(eta, np.array([0.5]))
    at = 0.5 * (up + low)[:, 0]
    corners = panels.corners[panels.base]
    signs = []
    for i in range(3):
        start = corners[:, i, 1:]
        edge = corners[:, (i + 1) % 3, 1:] - start
        across: Floats = edge[:, 0] * (at[:, None, 2] - start[:, 1]) - edge[:, 1] * (at[:, None, 1] - start[:, 0])
        signs.append(across >= 0.0)
    inside = (signs[0] == signs[1]) & (signs[1] == signs[2])
    return bool(np.any(inside & (panels.middles[panels.base, 0] > at[:, None, 0])))


def _check(assembly: Assembly, speed_m_s: float, density: float) -> None:
    if not assembly.elements:
        raise InputError(f"Variant “{assembly.name}” has no element, so there is nothing to estimate.")
    if not (math.isfinite(speed_m_s) and speed_m_s > 0.0):
        raise InputError(f"The speed is {speed_m_s:g} m/s; give one above zero.")
    if not (math.isfinite(density) and density > 0.0):
        raise InputError(f"The air density is {density:g} kg/m3; give one above zero.")
    for e in assembly.elements:
        up, low = e.surfaces(np.linspace(-1.0, 1.0, 9), np.linspace(0.0, 1.0, 9))
        if float(min(up[..., 2].min(), low[..., 2].min())) <= 0.0:
            raise InputError(f"Element “{e.name}” reaches under the road (z = 0); check its height.")
