"""What-if rows against forces of known closed form."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lift_cases import four_digit, wing

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.elements.element import Element
from wingfettle.core.errors import InputError
from wingfettle.core.lift.result import Band, ElementLift, LiftEstimate
from wingfettle.core.lift.sweep import KINDS, sweep

SHAPE = four_digit(0.04, 0.4, 0.12)
LOWER = replace(wing("lower", chord=0.16, span=1.2, degrees=2.0, at=(0.2, 0.0, 1.0), shape=SHAPE), sweep_rad=0.1)
UPPER = wing("upper", chord=0.26, span=1.25, degrees=-4.0, at=(0.25, 0.0, 1.12), shape=SHAPE.turned_over())
BOTH = Assembly("as found", (LOWER, UPPER))
SPEED = 30.0


def of_forces(assembly: Assembly, forces: list[float], speed: float, car: bool) -> LiftEstimate:
    def band(value: float) -> Band:
        return Band(value, value - 5.0, value + 7.0)

    def one(e: Element, force: float) -> ElementLift:
        return ElementLift(
            e.name, "lift", "upper", 0.0, 0.0, band(force), band(force), band(10.0 * force) if car else None,
            np.zeros(3), "", (),
        )  # fmt: skip

    total = band(sum(forces))
    return LiftEstimate(
        assembly.name, speed, 1.2, tuple(map(one, assembly.elements, forces)), total,
        band(10.0 * sum(forces)) if car else None, () if car else ("“upper” cuts into the body.",),
    )  # fmt: skip


def quarter(e: Element) -> np.ndarray:
    """Of the chord at mid-span, by hand."""
    return e.leading_edge + 0.25 * e.chord_m * np.array([-math.cos(e.incidence_rad), 0.0, -math.sin(e.incidence_rad)])


def known(car: bool = False, speed: float = SPEED) -> Callable[[Assembly], LiftEstimate]:
    """Forces that tell where the upper element is: 100 N a metre of height, 10 N a metre forward, 1 N a degree."""

    def estimate(assembly: Assembly) -> LiftEstimate:
        low, up = assembly.elements
        force = 100.0 * quarter(up)[2] + 10.0 * quarter(up)[0] + math.degrees(up.incidence_rad)
        return of_forces(assembly, [math.degrees(low.incidence_rad), force], speed, car)

    return estimate


TODAY = known()(BOTH).elements[1].group_n.value


def values(bands: tuple[Band | None, ...]) -> list[float]:
    return [math.nan if b is None else b.value for b in bands]


@pytest.mark.parametrize(
    ("what", "changes", "slope"),
    [
        ("gap", [0.03, -0.05, 0.01], 100.0),
        ("stagger", [-0.2, 0.1], -10.0),
        ("incidence", np.radians([-3.0, 1.0, 5.0]), math.degrees(1.0)),
    ],
)
def test_forces_over_a_change_are_those_of_the_changed_variant(what: str, changes, slope: float) -> None:
    got = sweep(BOTH, what, "upper", changes, known())
    assert got.values == pytest.approx(sorted([0.0, *changes]))
    assert got.values[got.now] == 0.0
    assert (got.what, got.element, got.case, got.elements) == (what, "upper", "group", ("lower", "upper"))
    # Turned about the quarter-chord point the force changes by the degrees alone: it stays where it is.
    assert values(got.bands[1]) == pytest.approx(TODAY + slope * got.values, abs=1e-9)
    assert values(got.bands[0]) == pytest.approx(np.full(len(got.values), 2.0))
    assert values(got.totals) == pytest.approx(2.0 + TODAY + slope * got.values, abs=1e-9)
    for band in got.bands[1]:
        assert band is not None
        assert (band.low, band.high) == pytest.approx((band.value - 5.0, band.value + 7.0))
    assert got.reasons == ("",) * len(got.values)
    if what == "incidence":
        assert got.today == UPPER.incidence_rad
    else:
        assert math.isnan(got.today)


def test_a_swept_element_keeps_its_form_when_turned() -> None:
    seen: list[Element] = []

    def estimate(assembly: Assembly) -> LiftEstimate:
        seen.append(assembly.elements[0])
        return known()(assembly)

    sweep(BOTH, "incidence", "lower", [0.1], estimate)
    for e in seen:
        assert quarter(e) == pytest.approx(quarter(LOWER), abs=1e-12)
        # From quarter chord to quarter chord at the tips: lengths of a rigid body.
        tips = e.planform(np.array([-1.0, 1.0]))[0]
        before = LOWER.planform(np.array([-1.0, 1.0]))[0]
        assert np.linalg.norm(tips[1] - tips[0]) == pytest.approx(np.linalg.norm(before[1] - before[0]))
    assert seen[1].incidence_rad == pytest.approx(LOWER.incidence_rad + 0.1)


def test_the_car_s_case_is_taken_where_there_is_one() -> None:
    got = sweep(BOTH, "gap", "upper", [0.1], known(car=True))
    assert got.case == "on car"
    assert values(got.bands[1]) == pytest.approx([10.0 * TODAY, 10.0 * TODAY + 100.0])
    assert values(got.totals) == pytest.approx([10.0 * TODAY + 20.0, 10.0 * TODAY + 120.0])


@settings(deadline=None, max_examples=25)
@given(st.floats(5.0, 80.0), st.lists(st.floats(-4.9, 60.0), min_size=1, max_size=6), st.booleans())
def test_forces_go_with_the_square_of_the_speed(speed: float, changes: list[float], car: bool) -> None:
    asked = []

    def estimate(assembly: Assembly) -> LiftEstimate:
        asked.append(assembly)
        return known(car, speed)(assembly)

    got = sweep(BOTH, "speed", "", changes, estimate)
    assert len(asked) == 1  # one flow serves all speeds
    assert got.today == speed
    factor = (1.0 + got.values / speed) ** 2
    for row in (*got.bands, got.totals):
        today = row[got.now]
        assert today is not None
        assert values(row) == pytest.approx(today.value * factor, rel=1e-9)
        for band, share in zip(row, factor, strict=True):
            assert band is not None
            assert (band.low, band.high) == pytest.approx((share * today.low, share * today.high), rel=1e-9)
        size = np.abs(values(row))
        assert (np.diff(size) >= 0.0).all()  # faster is more, either way


def test_speeds_are_estimated_where_that_is_asked_for() -> None:
    asked = []

    def at_speed(assembly: Assembly, speed: float) -> LiftEstimate:
        asked.append(speed)
        return of_forces(assembly, [0.0, speed**3], speed, False)

    got = sweep(BOTH, "speed", "", [-10.0, 10.0, -30.0], known(), at_speed=at_speed)
    assert asked == [20.0, 40.0]  # today's is known, and a speed of zero is no wind
    assert values(got.bands[1])[1:] == pytest.approx([8000.0, TODAY, 64000.0])
    assert got.totals[0] is None
    assert "0 km/h blows no wind" in got.reasons[0]
    assert (
        "Driven slower or faster: all together +8000 N at 72 km/h, +64000 N at 144 km/h; as it is today" in got.sentence
    )


def test_values_that_cannot_be_worked_out_leave_a_gap_with_its_reason() -> None:
    def estimate(assembly: Assembly) -> LiftEstimate:
        height = assembly.element("upper").leading_edge[2]
        if height < 1.08:
            raise InputError("Element “upper” reaches under the road.")
        return known(car=height < 1.2)(assembly)

    told: list[float] = []
    got = sweep(BOTH, "gap", "upper", [-0.1, -0.05, 0.03, 0.1], estimate, tick=lambda share, doing: told.append(share))
    assert told == pytest.approx([0.0, 0.2, 0.4, 0.6, 0.8])
    under, body = "Element “upper” reaches under the road.", "“upper” cuts into the body."
    assert got.reasons == (under, under, "", "", body)
    for row in (*got.bands, got.totals):
        assert [b is None for b in row] == [True, True, False, False, True]
    assert got.case == "on car"
    minus = "\N{MINUS SIGN}"
    assert f"Not worked out at {minus}100 mm, {minus}50 mm: {under}" in got.sentence
    assert f"Not worked out at +100 mm: {body}" in got.sentence
    lost = sweep(BOTH, "gap", "upper", [0.03], lambda a: estimate(a) if a is not BOTH else _refuse())
    assert "not worked out as it is today" in lost.sentence


def _refuse() -> LiftEstimate:
    raise InputError("today's cannot be.")


def test_the_sentence_names_the_most_downforce_between_the_ends() -> None:
    def estimate(assembly: Assembly) -> LiftEstimate:
        lift = 2.0e5 * (assembly.element("upper").leading_edge[2] - 1.13) ** 2 - 90.0
        return of_forces(assembly, [0.0, lift], SPEED, False)

    said = sweep(BOTH, "gap", "upper", np.linspace(-0.02, 0.03, 6), estimate).sentence
    minus = "\N{MINUS SIGN}"
    assert said == (
        f"“upper” lowered or raised: all together +90 N at {minus}20 mm, {minus}10 N at +30 mm; as it is today "
        f"{minus}70 N. Most downforce at +10 mm: {minus}90 N."
    )


def test_another_fault_is_not_swallowed() -> None:
    with pytest.raises(ZeroDivisionError):
        sweep(BOTH, "gap", "upper", [0.1], lambda a: known()(a) if 1 // 0 else known()(a))


@pytest.mark.parametrize(
    ("what", "element", "changes", "said"),
    [
        ("width", "upper", [0.1], "over “width”"),
        ("gap", "middle", [0.1], "has no element “middle”"),
        ("gap", "upper", [math.nan], "must be numbers"),
    ],
)
def test_bad_input_is_refused(what: str, element: str, changes: list[float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        sweep(BOTH, what, element, changes, known())


def test_nothing_worked_out_is_refused() -> None:
    for what in KINDS:
        with pytest.raises(InputError, match=r"today's cannot be"):
            sweep(BOTH, what, "upper", [0.1], lambda _: _refuse())
    other = known()(BOTH)
    with pytest.raises(InputError, match="hold none for element “lower”"):
        sweep(BOTH, "gap", "upper", [0.1], lambda _: replace(other, elements=other.elements[1:]))
