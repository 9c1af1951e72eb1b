"""Which of estimate and flow run is to be believed, and why; numbers by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_report import sample, span_load, wing

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.errors import InputError
from wingfettle.core.flow.fault import Fault
from wingfettle.core.flow.plan import plan_plane
from wingfettle.core.flow.result import FlowRun, PartFlow
from wingfettle.core.lift.result import Band, ChannelNote, LiftEstimate
from wingfettle.core.report.second_opinion import (
    ALL,
    MOST_REYNOLDS,
    WORDS,
    Compared,
    Facts,
    compare,
    left_of_load,
    opinions,
    with_tips,
)  # fmt: skip

SOUND = Facts("group", "full", cells_on_chord=60.0, cells_in_gap=14.0, reynolds_run=6e4, reynolds_real=5e5)
CHOKED = replace(SOUND, choke=1.31)
ESTIMATE, APART, NEAR = Band(-160.0, -180.0, -140.0), Band(-90.0, -100.0, -80.0), Band(-130.0, -150.0, -110.0)


def part(name: str, force: float, half: float = 1.0, at_rest: bool = True) -> PartFlow:
    return PartFlow(
        name, np.array([-5.0, 0.0, force]), np.array([0.1, 0.1, half]), np.ones(3), np.zeros(3), at_rest, 0.2
    )


def run(case: str, form: str, forces: dict[str, float], **change: object) -> FlowRun:
    parts = tuple(part(name, force) for name, force in forces.items())
    made = FlowRun(
        variant="as found", form=form, case=case, parts=parts, total=part("all", sum(forces.values())),
        confidence=0.95, speed_m_s=140.0 / 3.6, air_density_kg_m3=1.225, reference_length_m=0.2,
        reference_area_m2=0.3, width_m=1.3 if form == "mid-span" else math.nan, reynolds_run=6e4, reynolds_real=5e5,
        mach_run=0.1, wall_function=True, spacing_m=0.0025, cells=600_000, steps=40_000, steps_left_out=9_000,
        ending="narrow",
        time_s=95.0, updates_per_s=4e8, device="card", lift_share=0.1,
        element=next(iter(forces)) if case == "alone" else "",
    )  # fmt: skip
    return replace(made, **change)  # type: ignore[arg-type]


def pair() -> tuple[Assembly, LiftEstimate]:
    """lower +214 N alone and +176 in the group, upper -163 and -97; bands of some -20 and +15 %."""
    first = sample()[0]
    assert first.lift is not None
    return first.assembly, replace(first.lift, warnings=())


def found(rows: tuple[Compared, ...], element: str, case: str) -> Compared:
    return next(one for one in rows if (one.element, one.case) == (element, case))


# --- two bands and the facts


def test_bands_that_meet_agree_and_the_estimate_stands() -> None:
    opinion = compare(ESTIMATE, NEAR, SOUND)
    assert (opinion.word, opinion.band) == ("agree", ESTIMATE)
    assert "meet" in opinion.sentence
    # Touching is meeting.
    assert compare(ESTIMATE, Band(-120.0, -140.0, -100.0), SOUND).word == "agree"
    assert compare(ESTIMATE, (-120.0, -139.9, -100.0), SOUND).word == "estimate"


def test_where_the_estimate_is_unsure_an_agreeing_run_narrows_it() -> None:
    wide = Band(-97.0, -400.0, 0.0)
    opinion = compare(wide, APART, CHOKED)
    assert (opinion.word, opinion.band) == ("agree", APART)
    assert "chokes (choke index 1.31)" in opinion.sentence
    # Not by a run that is none to rely on.
    weak = compare(wide, APART, replace(CHOKED, cells_in_gap=6.0))
    assert (weak.word, weak.band) == ("agree", wide)
    assert "6 cells" in weak.sentence


def test_attached_flow_at_a_wide_gap_goes_to_the_estimate() -> None:
    opinion = compare(ESTIMATE, APART, SOUND)
    assert (opinion.word, opinion.band) == ("estimate", ESTIMATE)
    for why in ("air follows the wing", "60 cells on the chord", "60\N{NARROW NO-BREAK SPACE}000", "500"):
        assert why in opinion.sentence


def test_a_coarse_or_slow_run_does_not_overrule_attached_flow() -> None:
    for change, why in (
        ({"cells_on_chord": 30.0}, "30 cells"),
        ({"cells_in_gap": 5.0}, "5 cells"),
        ({"reynolds_run": 2e4}, "a factor of 25"),
        ({"reynolds_run": 2e5, "wall_function": False}, "no wall function"),
    ):
        opinion = compare(ESTIMATE, APART, replace(SOUND, **change))  # type: ignore[arg-type]
        assert opinion.word == "estimate"
        assert why in opinion.sentence
    # The same number, warned of as well, is no other fault.
    warned = replace(SOUND, cells_on_chord=30.0, warnings=("It is coarse.",))
    assert compare(ESTIMATE, APART, warned).word == "estimate"


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"choke": 1.31}, "chokes (choke index 1.31)"),
        ({"choke": 0.85}, "near to choking"),
        ({"choke": math.nan}, "not known"),
        ({"stalled": 0.4}, "40 % of the span"),
        ({"doubt": "it stands in the wake of the body"}, "wake of the body"),
    ],
)
def test_separated_flow_goes_to_a_sound_run(change: dict[str, float], why: str) -> None:
    opinion = compare(ESTIMATE, APART, replace(SOUND, **change))  # type: ignore[arg-type]
    assert (opinion.word, opinion.band) == ("flow run", APART)
    for said in (why, "settled", "60 cells on the chord and 14 in the gap", "Reynolds number"):
        assert said in opinion.sentence


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"cells_in_gap": 6.0}, "gap had 6 cells"),
        ({"cells_on_chord": 41.0}, "chord had 41 cells"),
        ({"reynolds_run": 1e4}, "factor of 50"),
        ({"reynolds_run": math.nan}, "not known"),
        ({"warnings": ("“a” and “b” overlap in 40 cells.",)}, "overlap in 40 cells"),
        ({"reynolds_run": 1.5e5, "wall_function": False}, "no wall function"),
    ],
)
def test_separated_flow_and_a_run_with_faults_go_to_neither(change: dict[str, float], why: str) -> None:
    opinion = compare(ESTIMATE, APART, replace(CHOKED, **change))  # type: ignore[arg-type]
    assert opinion.word == "neither"
    assert why in opinion.sentence
    assert "chokes" in opinion.sentence
    # All that either says is still possible.
    assert (opinion.band.low, opinion.band.high) == (-180.0, -80.0)


def test_limits_hold_their_own_values() -> None:
    edge = replace(CHOKED, cells_in_gap=10.0, cells_on_chord=50.0, reynolds_run=5e4, reynolds_real=5e4 * MOST_REYNOLDS)
    assert compare(ESTIMATE, APART, edge).word == "flow run"
    assert compare(ESTIMATE, APART, replace(edge, reynolds_real=1.01e6)).word == "neither"
    # A run with a wall function, or slow enough to do without, is not blamed for it.
    for speed, wall in ((1.5e5, True), (6e4, False)):
        assert compare(ESTIMATE, APART, replace(CHOKED, reynolds_run=speed, wall_function=wall)).word == "flow run"


def test_a_warning_of_another_kind_leaves_it_open_even_in_attached_flow() -> None:
    opinion = compare(ESTIMATE, APART, replace(SOUND, warnings=("The parts fill 9 % of the domain.",)))
    assert opinion.word == "neither"
    assert "9 % of the domain" in opinion.sentence
    assert (opinion.band.low, opinion.band.high) == (-180.0, -80.0)


@pytest.mark.parametrize("facts", [SOUND, CHOKED])
def test_a_run_that_has_not_settled_is_no_opinion(facts: Facts) -> None:
    for opinion in (
        compare(ESTIMATE, APART, replace(facts, at_rest=False)),
        compare(ESTIMATE, NEAR, replace(facts, at_rest=False)),
        compare(ESTIMATE, (-90.0, -math.inf, math.inf), facts),
        compare(ESTIMATE, (math.nan, math.nan, math.nan), facts),
    ):
        assert (opinion.word, opinion.band) == ("neither", ESTIMATE)
        assert "not settled" in opinion.sentence


def test_direction_alone() -> None:
    """Aspect 6: three quarters of the section's load by the lifting line, aspect / (aspect + 2), by hand."""
    facts = replace(SOUND, case="alone", form="mid-span", only_sign=True, aspect=6.0)
    same = compare(ESTIMATE, (-400.0, -410.0, -390.0), facts)
    assert (same.word, same.band) == ("agree", ESTIMATE)
    assert "75 %" in same.sentence
    for either in ((5.0, -5.0, 15.0), (-300.0, -500.0, 20.0)):
        assert compare(ESTIMATE, either, facts).word == "agree"
    assert compare(ESTIMATE, (80.0, 70.0, 90.0), facts).word == "estimate"
    other = compare(ESTIMATE, (80.0, 70.0, 90.0), replace(facts, stalled=0.6))
    assert other.word == "flow run"
    assert other.band == Band(60.0, 0.0, 90.0)


@given(
    st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=3), st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=3),
    st.builds(
        Facts, case=st.just("group"), form=st.sampled_from(["full", "mid-span"]), at_rest=st.booleans(),
        warnings=st.sampled_from([(), ("It warned.",)]), cells_on_chord=st.floats(5.0, 200.0),
        cells_in_gap=st.floats(1.0, 100.0), reynolds_run=st.floats(1e3, 1e6), reynolds_real=st.floats(1e5, 1e6),
        choke=st.floats(0.0, 2.0), stalled=st.floats(0.0, 1.0), only_sign=st.booleans(), aspect=st.floats(0.5, 20.0),
    ),
)  # fmt: skip
def test_every_opinion_has_a_word_a_reason_and_an_ordered_band(a: list[float], b: list[float], facts: Facts) -> None:
    first, second = (Band(sorted(v)[1], min(v), max(v)) for v in (a, b))
    opinion = compare(first, second, facts)
    assert opinion.word in WORDS
    assert opinion.sentence.endswith(".")
    assert opinion.band.low <= opinion.band.value <= opinion.band.high
    if not facts.at_rest:
        assert opinion.word == "neither"
    # Mirrored in the road, the opinion is the same.
    mirrored = compare(*(Band(-v.value, -v.high, -v.low) for v in (first, second)), facts)
    assert mirrored.word == opinion.word


# --- what is left of a load


def test_share_of_the_load_alone() -> None:
    """-40 of -160 N: a quarter; 4 N of 40 and 8 N of 160 are 10 and 5 %, together 11.2 % of a quarter."""
    left = left_of_load(part("u", -40.0, 4.0), part("u", -160.0, 8.0))
    assert left is not None
    assert left.value == pytest.approx(0.25)
    assert left.high - left.value == pytest.approx(0.25 * math.hypot(0.1, 0.05))
    assert left.value - left.low == pytest.approx(left.high - left.value)
    wider = left_of_load(part("u", -40.0, 4.0), part("u", -160.0, 8.0), 0.2)
    assert wider is not None
    assert wider.high - left.high == pytest.approx(0.05)
    # A load that turned round.
    turned = left_of_load(part("u", 16.0), part("u", -160.0))
    assert turned is not None
    assert turned.value == pytest.approx(-0.1)
    for alone in (part("u", 5.0, 6.0), part("u", 50.0, math.inf), part("u", 0.0, 0.0)):
        assert left_of_load(part("u", 16.0), alone) is None


def test_wings_with_tips_carry_less() -> None:
    """Elliptic wings by Prandtl's lifting line (textbooks, from memory): slope 2 pi A / (A + 2)."""
    assert with_tips(2.0) == pytest.approx(0.5)
    assert with_tips(8.0) == pytest.approx(0.8)
    assert with_tips(math.inf) == 1.0


# --- whole runs


def test_a_full_run_is_compared_in_newtons() -> None:
    assembly, lift = pair()
    rows = opinions(assembly, lift, [run("on car", "full", {"lower": 120.0, "upper": -150.0})])
    low, high, both = (found(rows, name, "on car") for name in ("lower", "upper", ALL))
    assert low.opinion is not None
    assert low.opinion.word == "agree"
    # 150 N, 1 N of interval and a tenth for the Reynolds number; the estimate has -88 N (-112 to -71).
    assert high.run == Band(-150.0, -166.0, -134.0)
    assert high.like_n == high.run
    assert high.opinion is not None
    assert high.opinion.word == "estimate"
    assert high.facts.cells_on_chord == pytest.approx(assembly.element("upper").mean_chord_m / 0.0025)
    assert both.estimate == lift.on_car_total_n
    assert both.run == Band(-30.0, -30.0 - 13.0 - 16.0, -30.0 + 13.0 + 16.0)
    # The run's own for the sum; with a mount in it, no less than both together.
    assert both.half_width_n == 1.0
    mounted = run("on car", "full", {"lower": 120.0, "upper": -150.0, "post": 3.0})
    assert found(opinions(assembly, lift, [mounted]), ALL, "on car").half_width_n == pytest.approx(2.0)


def test_mounts_are_no_wing() -> None:
    assembly, lift = pair()
    rows = opinions(assembly, lift, [run("group", "full", {"lower": 170.0, "upper": -90.0, "bracket": 55.0})])
    assert [one.element for one in rows] == ["lower", "upper", ALL]
    assert rows[-1].run.value == pytest.approx(80.0)


def test_what_the_estimate_knows_of_a_choked_channel_decides() -> None:
    assembly, lift = pair()
    note = ChannelNote("lower", "upper", 0.03, 0.15, 1.6, 0.7, 1.31, "It chokes.")
    choked = replace(lift, channels=(note,))
    one = run("group", "full", {"lower": 20.0, "upper": -30.0})
    for estimate, word in ((lift, "estimate"), (choked, "flow run")):
        rows = opinions(assembly, estimate, [one])
        assert [row.opinion.word for row in rows if row.opinion is not None and row.element] == [word] * 2
    gap = found(opinions(assembly, choked, [one]), "upper", "group").facts.cells_in_gap
    assert gap == pytest.approx(12.0)
    # Ten cells are asked for: 30 mm with cells of 4 mm has 7.5.
    coarse = opinions(assembly, choked, [replace(one, spacing_m=0.004)])
    assert found(coarse, "upper", "group").opinion.word == "neither"  # type: ignore[union-attr]
    # Alone there is no channel.
    by_itself = opinions(assembly, choked, [run("alone", "full", {"upper": -30.0})])
    assert found(by_itself, "upper", "alone").opinion.word == "estimate"  # type: ignore[union-attr]


def test_a_stalled_span_and_a_wake_decide() -> None:
    assembly, lift = pair()
    low, high = lift.elements
    one = run("on car", "full", {"lower": 120.0, "upper": -200.0})
    stalled = replace(span_load("on car", -88.4, 0.9), attached=np.full((24, 2), 0.3))
    for change, said in (
        ({"loads": (stalled,)}, "100 % of the span"),
        ({"confidence": "low", "confidence_reason": "it stands in the wake of the body"}, "wake of the body"),
    ):
        estimate = replace(lift, elements=(low, replace(high, **change)))  # type: ignore[arg-type]
        opinion = found(opinions(assembly, estimate, [one]), "upper", "on car").opinion
        assert opinion is not None
        assert opinion.word == "flow run"
        assert said in opinion.sentence
    # The wake is of the car: it says nothing of the group without it.
    group = run("group", "full", {"lower": 170.0, "upper": -200.0})
    assert found(opinions(assembly, estimate, [group]), "upper", "group").opinion.word == "estimate"  # type: ignore[union-attr]


def test_a_mid_span_run_is_compared_by_what_it_leaves_of_the_load_alone() -> None:
    """Alone -320 N where the estimate, with tips, has -162.6; -64 N in the group are a fifth: 33 N of it."""
    assembly, lift = pair()
    note = ChannelNote("lower", "upper", 0.03, 0.15, 1.6, 0.7, 1.31, "It chokes.")
    choked = replace(lift, channels=(note,))
    group = run("group", "mid-span", {"lower": 300.0, "upper": -64.0})
    runs = [group, run("alone", "mid-span", {"upper": -320.0}), run("alone", "mid-span", {"lower": 400.0})]
    rows = opinions(assembly, choked, runs)
    high = found(rows, "upper", "group")
    assert high.left is not None
    assert high.like_n is not None
    assert high.left.value == pytest.approx(0.2)
    assert high.left_estimate == pytest.approx(97.2 / 162.6)
    assert high.like_n.value == pytest.approx(-0.2 * 162.6)
    # 17 % of the share upwards (1/64 and 1/320 of interval, a tenth for the Reynolds number), 18 % of the load alone.
    share = math.hypot(1.0 / 64.0, 1.0 / 320.0) + 0.1
    load = (0.15 * 162.6 + 4.1) / 162.6
    assert high.like_n.high - high.like_n.value == pytest.approx(32.52 * math.hypot(share, load), rel=1e-9)
    assert high.opinion is not None
    assert high.opinion.word == "flow run"
    assert "20 %" in high.opinion.sentence
    assert "60 % by the estimate" in high.opinion.sentence
    # The lower one keeps three quarters by the run and 82 % by the estimate: they agree.
    assert found(rows, "lower", "group").opinion.word == "agree"  # type: ignore[union-attr]
    both = found(rows, ALL, "group")
    assert both.like_n is not None
    assert both.like_n.value == pytest.approx(0.75 * 214.4 - 0.2 * 162.6)
    assert both.opinion is not None
    assert "+128 N" in both.opinion.sentence
    alone = found(rows, "upper", "alone")
    assert alone.like_n is None
    assert alone.opinion is not None
    assert alone.opinion.word == "agree"
    assert "carries less" in alone.opinion.sentence


def test_without_runs_alone_a_mid_span_group_tells_the_direction_only() -> None:
    assembly, lift = pair()
    rows = opinions(assembly, lift, [run("group", "mid-span", {"lower": 300.0, "upper": -900.0})])
    high = found(rows, "upper", "group")
    assert high.like_n is None
    assert high.opinion is not None
    assert (high.opinion.word, high.opinion.band) == ("agree", lift.elements[1].group_n)
    assert "run it alone too" in high.opinion.sentence
    assert found(rows, ALL, "group").opinion is None


def test_restless_runs_and_those_that_ended_narrow() -> None:
    assembly, lift = pair()
    restless = replace(run("on car", "full", {}), parts=(part("lower", 120.0), part("upper", -150.0, 1.0, False)))
    for ending, word in (("time", "neither"), ("cancelled", "neither"), ("narrow", "estimate")):
        rows = opinions(assembly, lift, [replace(restless, ending=ending)])
        assert found(rows, "upper", "on car").opinion.word == word  # type: ignore[union-attr]
        assert found(rows, "lower", "on car").opinion.word == "agree"  # type: ignore[union-attr]
    # The group is no better known than the run alone that its share rests on.
    runs = [
        run("group", "mid-span", {"lower": 300.0, "upper": -64.0}),
        run("alone", "mid-span", {"upper": 1.0}, parts=(part("upper", -320.0, 1.0, False),), ending="time"),
    ]
    assert found(opinions(assembly, lift, runs), "upper", "group").opinion.word == "neither"  # type: ignore[union-attr]


def test_a_fault_of_a_gap_weakens_the_elements_at_it_alone() -> None:
    """Real ones of the plan: two squares 12 mm apart with cells of 4 mm."""
    square = 0.1 * np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    plan = plan_plane(
        [("lower", square), ("flap", square + [0.0, 0.112])], 0.004, (-1.0, -3.0), (2.0, 3.0), chord_m=0.21,
        bytes_per_cell=40.0,
    )  # fmt: skip
    (gap,) = plan.faults
    assembly, lift = pair()
    one = run("on car", "full", {"lower": 120.0, "upper": -150.0}, faults=(gap,))
    rows = opinions(assembly, lift, [one])
    assert found(rows, "lower", "on car").facts.warnings == (gap.text,)
    row = found(rows, "upper", "on car")
    assert row.facts.warnings == ()
    assert row.opinion is not None
    assert row.opinion.word == "estimate"
    assert found(rows, ALL, "on car").facts.warnings == (gap.text,)


def test_notes_weigh_nothing_and_the_wall_function_is_the_run_s() -> None:
    assembly, lift = pair()
    note = ChannelNote("lower", "upper", 0.03, 0.15, 1.6, 0.7, 1.31, "It chokes.")
    choked = replace(lift, channels=(note,))
    one = run("group", "full", {"lower": 20.0, "upper": -30.0}, notes=("“a” and “b” overlap in 4 cells.",))
    assert found(opinions(assembly, choked, [one]), "upper", "group").opinion.word == "flow run"  # type: ignore[union-attr]
    told = replace(one, notes=(), faults=(Fault("“a” and “b” overlap in 4000 cells."),))
    assert found(opinions(assembly, choked, [told]), "upper", "group").opinion.word == "neither"  # type: ignore[union-attr]
    bare = replace(one, wall_function=False, reynolds_run=1.5e5)
    opinion = found(opinions(assembly, choked, [bare]), "upper", "group").opinion
    assert opinion is not None
    assert "no wall function" in opinion.sentence


def test_without_an_estimate_there_is_a_run_and_no_opinion() -> None:
    assembly, _ = pair()
    rows = opinions(assembly, None, [run("group", "full", {"lower": 170.0, "upper": -90.0})])
    assert all(one.opinion is None and one.estimate is None for one in rows)
    assert opinions(assembly, None, []) == ()
    with pytest.raises(InputError, match="no part “upper”"):
        opinions(assembly, None, [run("group", "full", {"lower": 170.0})])
    # No car, no force on it.
    third = sample()[2]
    alone = opinions(third.assembly, third.lift, [run("on car", "full", {"upper": -90.0})])
    assert [one.opinion for one in alone] == [None]


def test_short_wings_are_left_to_the_run() -> None:
    """Half as wide as long: the estimate leaves the tips' own vortices out."""
    assembly, lift = pair()
    stub = replace(wing("upper", 0.1633, -4.0, -0.042), span_m=0.08)
    short = Assembly("as found", (assembly.element("lower"), stub))
    one = run("group", "full", {"lower": 170.0, "upper": -300.0})
    opinion = found(opinions(short, lift, [one]), "upper", "group").opinion
    assert opinion is not None
    assert opinion.word == "flow run"
    assert "shorter in span than in chord" in opinion.sentence
    # A run at mid-span has no tips either.
    runs = [
        run("group", "mid-span", {"lower": 300.0, "upper": -900.0}), run("alone", "mid-span", {"upper": -320.0}),
    ]  # fmt: skip
    assert found(opinions(short, lift, runs), "upper", "group").opinion.word == "estimate"  # type: ignore[union-attr]
