"""The quick estimate: which way each element pushes, how hard, and how sure that is.

A lifting-surface lattice on all elements, end plates and brackets, over the road's mirror image, behind and over the
body's source panels, each feeling the others; every strip carries what its section carries with its boundary layers,
by itself and in the company of others (``coupling``). The wind comes from ahead along the road. Force coefficients
hold for the speed given; the table of speeds scales forces with the speed squared and leaves out what the Reynolds
number changes.

The band of each force is the root of the summed squares of what these changes, each solved anew, do to it:

- incidence of each element by ``INCIDENCE_STEP`` both ways;
- its mean line by ``SECTION_STEP_M`` both ways (zero lift of a parabolic mean line moves by twice the camber);
- the shape factor at which turbulent layers separate, to either end of ``coupling.CRITERIA``, in polars and groups;
- on the car, the body with its wake taken away (rear faces followed to the end), and half of what the body does.

Where a channel between two elements is near to choking (choke index from ``CHOKE_FROM`` to 1, gradually), the band
reaches at one end what the pair would carry if nothing separated in the channel, and at the other no load at all: a
pair whose channel is blocked is one blunt body, and what is left of each load then is beyond a method without wakes.
"""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..assembly.assembly import Assembly
from ..elements.element import Element
from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..units import from_kmh, to_degrees, to_kmh
from .body import BodyPanels, body_panels, nose_is_missing
from .coupling import Company, Coupled, Settled, StripSystem, settled
from .panel2d import zero_lift_angle
from .result import Air, Band, ChannelNote, ElementLift, LiftEstimate, SpanLoad
from .wind import Wind

Floats = NDArray[np.float64]
Tick = Callable[[float, str], None]

INCIDENCE_STEP = math.radians(0.5)
SECTION_STEP_M = 0.0005
CHOKE_FROM = 0.8
"""Choke index from which the band begins to reach for the choked and the attached loads."""
STALLED = 0.5
"""A strip with less of a side's chord attached counts as stalled."""
FACING_CHORDS = 1.0
"""Suction sides nearer than this over the mean chord are spoken of."""
NEAR_ROAD_CHORDS = 0.5
"""Below this height over the chord layers and road act on each other strongly (Zerihan and Zhang 2000: the load
peaks and falls near the road)."""
SMALL_ASPECT = 1.0
"""Below this span over chord the tips' own vortices, left out here, carry much of the load."""
SURE, UNSURE = 0.3, 0.6
"""Half width of a band over its value up to which an answer may be of high, and from which it is of low confidence."""
SPEEDS = tuple(from_kmh(v) for v in range(60, 201, 20))


@dataclass(frozen=True)
class PreparedBody:
    """A body's panels, and the wind last set up with them, whose equations are kept.

    Attributes:
        panels: see ``body_panels``.
    """

    panels: BodyPanels
    _last: list[Wind] = field(default_factory=list, repr=False)

    def wind(self, elements: Sequence[Element], brackets: Sequence[Floats] = ()) -> Wind:
        """The wind about ``elements`` and the body; what is as it was last time is not worked out again."""
        if not self._last:
            new = Wind(elements, self.panels, brackets)
        else:
            before = self._last[0]
            known = {_text(e): e for e in before.elements}
            plates = {_text(b): b for b in before.brackets}
            new = before.with_elements(
                [known.get(_text(e), e) for e in elements], [plates.get(_text(b), b) for b in brackets]
            )
        self._last[:] = [new]
        return new


def prepare_body(body: TriMesh) -> PreparedBody:
    """The body's part of the equations, to be given to ``estimate_lift`` again and again while only elements move.

    ``body``: the scanned body without its wing, both halves, vehicle axes, m.

    Raises:
        InputError: a body with nothing above the road.
    """
    return PreparedBody(body_panels(body))


def estimate_lift(
    assembly: Assembly,
    speed_m_s: float,
    body: TriMesh | None = None,
    air: Air | None = None,
    colliding: Collection[str] = (),
    brackets: Sequence[Floats] = (),
    *,
    prepared: PreparedBody | None = None,
    tick: Tick = lambda _share, _doing: None,
) -> LiftEstimate:
    """Lift of each element alone, in the group and on the car, with bands, words and warnings.

    Args:
        assembly: the variant, in vehicle axes (x forward, z up, road at z = 0), m.
        speed_m_s: of the car through still air.
        body: the scanned body without its wing, both halves, vehicle axes, m; None for the wing by itself.
        air: from ``air_of``; None for the standard atmosphere at sea level.
        colliding: names of elements known to cut into the body. With any, nothing is estimated on the
            car: the air between them has no room, and the answer would be a number without meaning.
        brackets: (m, 3) m, outlines of upright flat plates in the wind, with the group and on the car.
        prepared: from ``prepare_body``, in place of ``body``.
        tick: told the share done (0..1) and what is done; may raise to stop.

    Raises:
        InputError: no element, a speed or density that is not above zero, an element that reaches
            under the road, or a body with nothing above the road.
    """
    air = air_of(288.15) if air is None else air
    checked(assembly, speed_m_s, air)
    elements, count = assembly.elements, len(assembly.elements)
    per_m = speed_m_s / air.viscosity_m2_s
    if prepared is None and body is not None and not colliding:
        tick(0.0, "panels on the body")
        prepared = prepare_body(body)
    panels = None if prepared is None or colliding else prepared.panels
    tick(0.05, "equations of elements and body")
    wind = Wind(elements, None, brackets) if panels is None or prepared is None else prepared.wind(elements, brackets)
    others = range(count, count + len(brackets))
    alone = []
    for i in range(count):
        tick(0.25 + 0.15 * i / count, f"{elements[i].name} alone")
        alone.append(_Case.of("alone", wind, per_m, [i]))
    tick(0.4, "all elements together")
    group = _Case.of("group", wind, per_m, [*range(count), *others])
    on_car = None
    if panels is not None:
        tick(0.6, "all elements on the car")
        on_car = _Case.of("on car", wind, per_m, None, group)
    tick(0.95, "words")

    pressure = 0.5 * air.density_kg_m3 * speed_m_s**2
    facing = _facing(elements, group.company, [a.lift[0] for a in alone])
    last = on_car or group
    lifts = []
    for i, e in enumerate(elements):
        sure, why = _confidence(e, i, last, alone[i], pressure, panels)
        lifts.append(
            _element_lift(
                e,
                alone[i].band(0, pressure),
                group.band(i, pressure),
                None if on_car is None else on_car.band(i, pressure),
                _loads(e, i, (alone[i], group) if on_car is None else (alone[i], group, on_car), pressure),
                _warnings(e, i, alone[i], last, facing.get(i), panels),
                speed_m_s,
                group.company.choke[i] > CHOKE_FROM,
                sure,
                why,
            )
        )
    total, car_total = group.band(None, pressure), None if on_car is None else on_car.band(None, pressure)
    shown = total if car_total is None else car_total
    return LiftEstimate(
        assembly=assembly.name,
        speed_m_s=speed_m_s,
        air_density_kg_m3=air.density_kg_m3,
        elements=tuple(lifts),
        group_total_n=total,
        on_car_total_n=car_total,
        warnings=_whole_warnings(colliding, panels, group, last),
        channels=tuple(_channel_notes(elements, group.company)),
        air=air,
        speed_table=tuple((v, _scaled(shown, (v / speed_m_s) ** 2)) for v in SPEEDS),
    )


def air_of(temperature_k: float, altitude_m: float = 0.0) -> Air:
    """Dry air at a temperature and the standard pressure of an altitude.

    Source: ISO 2533:1975, from memory: 101325 Pa and 288.15 K at sea level, -6.5 K a km, R 287.05287 J/(kg K);
    viscosity by Sutherland's formula with 1.458e-6 kg/(m s K^0.5) and 110.4 K.

    Raises:
        InputError: a temperature not above zero, or an altitude outside -2000..11000 m.
    """
    if not (math.isfinite(temperature_k) and temperature_k > 0.0):
        raise InputError(f"An air temperature of {temperature_k:g} K does not exist; it must be above zero.")
    if not -2000.0 <= altitude_m <= 11000.0:
        raise InputError(f"The altitude of {altitude_m:g} m lies outside -2000 to 11000 m.")
    pressure = 101325.0 * (1.0 - 0.0065 * altitude_m / 288.15) ** (9.80665 / (0.0065 * 287.05287))
    density = pressure / (287.05287 * temperature_k)
    viscosity = 1.458e-6 * temperature_k**1.5 / (temperature_k + 110.4)
    return Air(density, viscosity / density, temperature_k, altitude_m)


# -- one case with all that is changed in it -------------------------------------------------------------------


@dataclass(frozen=True)
class _Case:
    """Elements in the wind together, with what each change does to their lift over dynamic pressure, m2.

    Attributes:
        name: as in ``SpanLoad.case``.
        found: the flow at rest; lifts are in the order of its members.
        lift: (n,) as believed.
        steps: (c, 2, n) lift with each change made one way and the other.
        attached: (n,) lift with nothing separated by the others' company.
        reach: (n,) how far the band reaches for the attached and the choked loads, 0..1.
    """

    name: str
    found: Settled
    lift: Floats
    steps: Floats
    attached: Floats
    reach: Floats

    @classmethod
    def of(
        cls, name: str, wind: Wind, per_m: float, active: Collection[int] | None, free: _Case | None = None
    ) -> _Case:
        """``free``: the same elements without the body, when the body takes part."""
        found = settled(wind, per_m, active, body=free is not None, free=None if free is None else free.found)
        system, own, together, answer = found.system, found.curves, found.company, found.answer
        strips, members = system.strips, found.members

        def lift(coupled: Coupled) -> Floats:
            return coupled.loads.element_force[members, 2]

        steps = []
        for one in members:
            mine = strips.owner == one
            for size in (INCIDENCE_STEP, 2.0 * SECTION_STEP_M / strips.chord_m):
                tilt = np.where(mine, size, 0.0)
                steps.append([lift(system.couple(own, together, tilt=t, start=answer.offsets)) for t in (-tilt, tilt)])
        ends = (found.each[0], found.each[-1])
        steps.append([lift(system.couple(curves, there, start=answer.offsets)) for curves, there in ends])
        if free is not None:
            # One cause, the body, in two forms.
            half = bare = 0.5 * (lift(answer) + free.lift)
            if wind.body is not None and wind.body.base.any():
                flow = wind.solve(active, wake=False)
                bare = lift(StripSystem(flow, wind.half, system).couple(own, together))
            steps.append([half, bare])
        reach = np.clip((together.choke[members] - CHOKE_FROM) / (1.0 - CHOKE_FROM), 0.0, 1.0)
        return cls(name, found, lift(answer), np.array(steps), lift(found.plain), reach)

    @property
    def answer(self) -> Coupled:
        return self.found.answer

    @property
    def company(self) -> Company:
        return self.found.company

    def band(self, place: int | None, pressure: float) -> Band:
        """The lift in N of the element at ``place`` in the case's list, or that of all for None."""

        def pick(lifts: Floats) -> Floats:
            return lifts.sum(axis=-1) if place is None else lifts[..., place]

        value = float(pick(self.lift))
        steps = pick(self.steps) - value
        low = value - math.sqrt(float(np.sum(np.minimum(steps.min(axis=1), 0.0) ** 2)))
        high = value + math.sqrt(float(np.sum(np.maximum(steps.max(axis=1), 0.0) ** 2)))
        if place is not None:
            ends = value + self.reach[place] * (np.array([0.0, self.attached[place]]) - value)
            low, high = min(low, *ends), max(high, *ends)
        elif self.reach.any():
            # Each element may lie anywhere in its band.
            bands = [self.band(i, 1.0) for i in range(len(self.lift))]
            low = min(low, sum(b.low for b in bands))
            high = max(high, sum(b.high for b in bands))
        return Band(value * pressure, low * pressure, high * pressure)

    def stalled_share(self, number: int) -> float:
        """Share of an element's span whose strips are stalled."""
        strips = self.found.system.strips
        rows = strips.owner == number
        width = strips.width_m[rows]
        return float(width[self.answer.attached[rows].min(axis=1) < STALLED].sum() / width.sum())


def _text(thing: Element | Floats) -> bytes:
    return pickle.dumps(thing)


def _scaled(band: Band, factor: float) -> Band:
    return Band(band.value * factor, band.low * factor, band.high * factor)


def _loads(e: Element, number: int, cases: Sequence[_Case], pressure: float) -> tuple[SpanLoad, ...]:
    out = []
    quarter = e.leading_edge - 0.25 * e.chord_m * np.array([math.cos(e.incidence_rad), 0.0, math.sin(e.incidence_rad)])
    for case in cases:
        s, answer = case.found.system.strips, case.answer
        rows = np.flatnonzero(s.owner == number)
        rows = rows[np.argsort(s.middle[rows, 1])]
        force = answer.loads.element_force[number]
        moment = answer.loads.element_moment[number] - np.cross(quarter, force)
        out.append(
            SpanLoad(
                case=case.name,
                y_m=s.middle[rows, 1],
                load_n_m=pressure * answer.loads.strip_lift[rows] / s.width_m[rows],
                attached=answer.attached[rows],
                force_n=pressure * force,
                moment_n_m=pressure * moment,
                sides_n=pressure * answer.loads.side_force[number, :, 2],
                centre=answer.loads.centre[number],
                induced_drag_n=-pressure * float(force[0]),
                profile_drag_n=pressure * float(answer.profile_drag[rows].sum()),
            )
        )
    return tuple(out)


# -- words -----------------------------------------------------------------------------------------------------


def _channel_notes(elements: Sequence[Element], found: Company) -> list[ChannelNote]:
    out = []
    for channel in found.channels:
        pair = sorted((elements[i] for i in channel.between), key=lambda e: float(e.leading_edge[2]))
        low, high = pair
        gap = channel.gap_m / (0.5 * (low.mean_chord_m + high.mean_chord_m))
        state = (
            "the boundary layers follow"
            if channel.can_follow
            else "the channel chokes"
            if channel.choke_index >= 1.0
            else "the boundary layers separate before the trailing edge"
        )
        sentence = (
            f"Between {low.name} and {high.name} ({gap:.2f} of the chord) the air runs {channel.throat_speed:.2f} "
            f"times as fast as the car; {channel.pressure_rise:.2f} of the throat's pressure is to be won back, "
            f"{channel.choke_index:.2f} times what a layer follows: {state}."
        )
        out.append(
            ChannelNote(
                low.name,
                high.name,
                channel.gap_m,
                gap,
                channel.throat_speed,
                channel.pressure_rise,
                channel.choke_index,
                sentence,
            )
        )
    return out


def _facing(elements: Sequence[Element], found: Company, alone: Sequence[float]) -> dict[int, tuple[float, float]]:
    """For elements whose suction side faces another's: least gap over the mean chord, and choke index."""
    out: dict[int, tuple[float, float]] = {}
    for channel in found.channels:
        low, high = sorted(channel.between, key=lambda i: float(elements[i].leading_edge[2]))
        gap = channel.gap_m / (0.5 * (elements[low].mean_chord_m + elements[high].mean_chord_m))
        if alone[low] > 0.0 > alone[high] and gap < FACING_CHORDS:
            for i in (low, high):
                if i not in out or gap < out[i][0]:
                    out[i] = gap, channel.choke_index
    return out


def _whole_warnings(
    colliding: Collection[str], panels: BodyPanels | None, group: _Case, last: _Case
) -> tuple[str, ...]:
    whole = []
    if colliding:
        named = ", ".join(f"“{name}”" for name in sorted(colliding))
        whole.append(f"{named} cuts into the body, so no force on the car is given: the wing cannot stand there.")
    if panels is not None and nose_is_missing(panels):
        whole.append("The scan holds no front of the car; what the nose does to the wind at the wing is left out.")
    if group.reach.any():
        whole.append(
            "A channel between elements is near to choking or chokes; the sums may lie anywhere in their bands, "
            "and only a viscous run or a measurement can settle it."
        )
    if any(c.company.problem for c in (group, last)):
        whole.append(
            f"The sections could not be put together everywhere: {last.company.problem or group.company.problem}"
        )
    return tuple(whole)


def _element_lift(
    e: Element,
    alone: Band,
    group: Band,
    on_car: Band | None,
    loads: tuple[SpanLoad, ...],
    warnings: tuple[str, ...],
    speed_m_s: float,
    choked: bool,
    confidence: str,
    reason: str,
) -> ElementLift:
    incidence = e.mean_incidence_rad
    direction = "neutral" if alone.low <= 0.0 <= alone.high else "lift" if alone.value > 0.0 else "downforce"
    return ElementLift(
        element=e.name,
        direction=direction,
        suction_side="upper" if alone.value >= 0.0 else "lower",
        zero_lift_rad=zero_lift_angle(e.shape),
        incidence_rad=incidence,
        alone_n=alone,
        group_n=group,
        on_car_n=on_car,
        centre_of_pressure=loads[1].centre,
        sentence=_sentence(e, direction, incidence, alone, speed_m_s, choked),
        warnings=warnings,
        loads=loads,
        confidence=confidence,
        confidence_reason=reason,
    )


def _sentence(e: Element, direction: str, incidence: float, alone: Band, speed_m_s: float, choked: bool) -> str:
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
    if choked:
        text += " How much of it is left beside the other element only a viscous run or a measurement can settle."
    return text


def _newtons(value: float) -> str:
    step = 10.0 if abs(value) >= 100.0 else 1.0
    return f"{round(value / step) * step + 0.0:.0f} N"


def _range(low: float, high: float) -> str:
    return f"{_newtons(low).removesuffix(' N')} to {_newtons(high)}"


def _confidence(
    e: Element, number: int, last: _Case, alone: _Case, pressure: float, panels: BodyPanels | None
) -> tuple[str, str]:
    """The word, and the first of the rules below that asks for it.

    "low": a channel chokes; sections could not be put together; strips did not come to rest; more than a quarter of
    the span stalled; in the wake of the body; shorter in span than in chord; a band wider than ``UNSURE``. "fair": a
    channel near to choking, or one to road or body that chokes; a plane group that did not come to rest; some of the
    span stalled; near the road; no front of the car; a band wider than ``SURE``. Else "high".
    """
    found, stalled = last.company, max(last.stalled_share(number), alone.stalled_share(number))
    band = last.band(last.found.members.index(number), pressure)
    width = 0.5 * (band.high - band.low) / max(abs(band.value), 1e-9)
    low_rules = (
        (found.choke[number] >= 1.0, "the channel to the other element chokes, which only a viscous run can settle"),
        (bool(found.problem), "the sections could not be put together in one plane"),
        (not (last.answer.converged and alone.answer.converged), "strips and sections did not come to rest"),
        (stalled > 0.25, f"{stalled * 100:.0f} % of its span is stalled"),
        (panels is not None and _in_wake(e, panels), "it stands in the wake of the body"),
        (e.span_m**2 < SMALL_ASPECT * e.area_m2, "it is shorter in span than in chord"),
        (width > UNSURE, f"its band reaches {width * 100:.0f} % to either side"),
    )
    fair_rules = (
        (found.choke[number] >= CHOKE_FROM, "the channel to the other element is near to choking"),
        (found.choke_below[number] >= 1.0, "the channel under it asks more of the layers than they can follow"),
        (not found.converged, "the boundary layers of the group did not come to rest"),
        (stalled > 0.0, f"{stalled * 100:.0f} % of its span is stalled"),
        (_height_chords(e) < NEAR_ROAD_CHORDS, "it runs close over the road"),
        (panels is not None and nose_is_missing(panels), "the scan holds no front of the car"),
        (width > SURE, f"its band reaches {width * 100:.0f} % to either side"),
    )
    for word, rules in (("low", low_rules), ("fair", fair_rules)):
        for holds, reason in rules:
            if holds:
                return word, reason
    return "high", "the air follows it, and none of the changes tried moves its force far"


def _warnings(
    e: Element,
    number: int,
    alone: _Case,
    last: _Case,
    facing: tuple[float, float] | None,
    panels: BodyPanels | None,
) -> tuple[str, ...]:
    out = []
    if facing is not None:
        gap, index = facing
        out.append(
            f"Its suction side faces another's at {gap:.2f} of the chord; "
            + (
                "the channel chokes, the flow separates, and only a viscous run can settle the load."
                if index >= 1.0
                else "flow so narrow may separate: the channel's layers stand at "
                f"{index * 100:.0f} % of what they can follow."
            )
        )
    elif last.company.choke[number] > CHOKE_FROM:
        out.append("Its channel to the next element is such that the flow in it may separate.")
    if max(alone.company.choke_below[number], last.company.choke_below[number]) >= 1.0:
        out.append("The channel under it chokes: it would carry more, did its layers not separate.")
    stalled = max(alone.stalled_share(number), last.stalled_share(number))
    if stalled > 0.0:
        out.append(f"The flow has left {stalled * 100:.0f} % of its span: it stalls there and pushes less.")
    lowest = _height_chords(e)
    if lowest < NEAR_ROAD_CHORDS:
        out.append(
            f"It runs {lowest:.2f} chords over the road; so low the load rises, peaks and falls within millimetres."
        )
    if e.span_m**2 < SMALL_ASPECT * e.area_m2:
        out.append(
            "It is shorter in span than in chord; the tips' own vortices, left out here, carry much of its load."
        )
    if panels is not None and _in_wake(e, panels):
        out.append("Part of it lies straight behind a blunt part of the body, where the air is slow and unsteady.")
    if not (last.answer.converged and alone.answer.converged):
        out.append("Strips and sections did not come to rest; take the number as a size class.")
    return tuple(out)


def _height_chords(e: Element) -> float:
    """Least height of leading and trailing edge over the mean chord."""
    nose, chord, incidence = e.planform(np.concatenate([np.linspace(-1.0, 1.0, 9), e.shares]))
    return float(np.min(np.minimum(nose[:, 2], nose[:, 2] - chord * np.sin(incidence)))) / e.mean_chord_m


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


def checked(assembly: Assembly, speed_m_s: float, air: Air) -> None:
    """Whether there is anything to work out.

    Raises:
        InputError: see ``estimate_lift``.
    """
    if not assembly.elements:
        raise InputError(f"Variant “{assembly.name}” has no element, so there is nothing to estimate.")
    if not (math.isfinite(speed_m_s) and speed_m_s > 0.0):
        raise InputError(f"The speed is {speed_m_s:g} m/s; give one above zero.")
    if not (math.isfinite(air.density_kg_m3) and air.density_kg_m3 > 0.0):
        raise InputError(f"The air density is {air.density_kg_m3:g} kg/m3; give one above zero.")
    if not (math.isfinite(air.viscosity_m2_s) and air.viscosity_m2_s > 0.0):
        raise InputError(f"The air's kinematic viscosity is {air.viscosity_m2_s:g} m2/s; give one above zero.")
    for e in assembly.elements:
        up, low = e.surfaces(np.linspace(-1.0, 1.0, 9), np.linspace(0.0, 1.0, 9))
        if float(min(up[..., 2].min(), low[..., 2].min())) <= 0.0:
            raise InputError(f"Element “{e.name}” reaches under the road (z = 0); check its height.")
