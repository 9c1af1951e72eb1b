"""Strips at rest with their sections, alone, over the road and in company."""

import math
from dataclasses import replace

import numpy as np
import pytest
from lift_cases import four_digit, wing

from wingfettle.core.elements.element import turned_over
from wingfettle.core.errors import InputError
from wingfettle.core.lift.coupling import CRITERIA, GROUP_COUNT, Curves, StripSystem, company, settled
from wingfettle.core.lift.group import group_state
from wingfettle.core.lift.section import section_polar
from wingfettle.core.lift.wind import Wind

RE = 120.0 / 3.6 / 1.46e-5
SHAPE = four_digit(0.04, 0.4, 0.12)
LOWER = wing("lower", chord=0.15, span=1.2, degrees=2.0, at=(0.2, 0.0, 1.0), shape=SHAPE)
UPPER = wing("upper", chord=0.28, span=1.25, degrees=-6.0, at=(0.25, 0.0, 1.3), shape=SHAPE.turned_over())


def lifts(*elements, per_m=RE, **options):
    """Lift of each over dynamic pressure, m2."""
    found = settled(Wind(elements), per_m, **options)
    return found.answer.loads.element_force[: len(elements), 2]


def lift_coefficient(element, per_m=RE):
    return lifts(element, per_m=per_m)[0] / element.area_m2


def test_wing_of_aspect_ratio_6_against_lifting_line():
    # NACA TR-824, 4412 at Re 6e6: zero lift -3.8 degrees, 0.105 a degree (both from memory); Glauert's rectangular
    # wing of aspect ratio 6, tau 0.1607 (computed from his equation). A lifting surface of this aspect ratio lies a
    # few percent below a lifting line.
    section = 0.105 * 180.0 / math.pi
    slope = section / (1.0 + section / (math.pi * 6.0) * 1.1607)
    low, high = (
        lift_coefficient(wing(chord=0.5, span=3.0, degrees=d, shape=SHAPE), per_m=6e6 / 0.5) for d in (0.0, 6.0)
    )
    assert high == pytest.approx(slope * math.radians(9.8), rel=0.1)
    assert (high - low) / math.radians(6.0) == pytest.approx(slope, rel=0.12)


@pytest.mark.parametrize(("aspect", "tau"), [(6.0, 0.1607), (10.0, 0.2249)])
def test_slope_is_glauerts_with_the_sections_own(aspect, tau):
    # Glauert 1926, rectangular wing, tau computed; Helmbold's 1942 value for 6 lies within 1 % of it.
    shape = four_digit(0.0, 0.4, 0.12)
    element = wing(chord=0.3, span=0.3 * aspect, shape=shape)
    polar = section_polar(shape, RE * 0.3, np.radians(np.arange(-6.0, 6.1, 1.5)))
    section = (polar.cl[6] - polar.cl[2]) / math.radians(6.0)
    slope = section / (1.0 + section / (math.pi * aspect) * (1.0 + tau))
    up = lift_coefficient(replace(element, incidence_rad=math.radians(3.0)))
    assert up / math.radians(3.0) == pytest.approx(slope, rel=0.08)
    down = lift_coefficient(replace(element, incidence_rad=math.radians(-3.0)))
    assert down == pytest.approx(-up, rel=1e-3)


def test_direction_follows_camber():
    # Thin-aerofoil zero lift of 44xx: -4.15 degrees (exact integral); layers move it by well under a degree.
    for degrees, sign in ((-6.0, -1.0), (-3.0, 1.0)):
        element = wing(chord=0.25, span=1.5, degrees=degrees, shape=SHAPE)
        assert lift_coefficient(element) * sign > 0.0
        assert lift_coefficient(turned_over(element, mirror_incidence=True)) * sign < 0.0


def test_stalled_wing_carries_no_more_than_its_sections():
    # By definition: no strip lifts more than its polar's summit.
    before = None
    for degrees in range(8, 27, 2):
        element = wing(chord=0.25, span=1.5, degrees=float(degrees), shape=SHAPE)
        found = settled(Wind([element]), RE)
        answer, curves = found.answer, found.curves
        assert answer.converged
        assert np.all(answer.cl <= curves.cl.max(axis=1) * 1.01 + 0.02)
        load = answer.loads.element_force[0, 2] / element.area_m2
        assert load <= float(curves.cl.max())
        # No jumps from strip to strip either: neighbours in the inner half differ by a few percent.
        inner = answer.cl[7:21]
        assert np.abs(np.diff(inner)).max() < 0.12
        if before is not None:
            assert abs(load - before) < 0.25
        before = load
    assert found.answer.attached.min() < 0.5
    # Potential flow would carry 2.1 at 25 degrees (the lattice, without layers).
    assert load < 1.4


def test_long_pair_carries_what_the_plane_group_does():
    # The model's own limit: with very long spans strips are sections in a plane.
    for gap in (0.35, 0.1):
        low = replace(LOWER, span_m=300.0, leading_edge=np.array([0.0, 0.0, 50.0]))
        high = replace(UPPER, span_m=300.0, leading_edge=np.array([0.05, 0.0, 50.0 + gap]))
        found = settled(Wind([low, high], road=False), RE)
        lines = []
        for e in (low, high):
            points = e.station(0.0).place(e.shape.contour(GROUP_COUNT))
            lines.append(np.column_stack([-points[:, 0], points[:, 2]]))
        system = found.system
        s = system.strips
        middle = [int(np.argmin(np.abs(s.middle[:, 1]) + 1e3 * (s.owner != k))) for k in (0, 1)]
        for factor, (curves, there) in zip(CRITERIA, found.each, strict=True):
            wanted = [one.cl for one in group_state(lines, RE, separation_factor=factor).states]
            loads = system.couple(curves, there).loads
            cl = loads.strip_lift / (s.width_m * s.chord_m)
            assert cl[middle] == pytest.approx(wanted, rel=0.02, abs=0.01)


def test_halves_and_whole_agree():
    half, whole = (settled(Wind([LOWER, UPPER], half=h), RE).answer for h in (None, False))
    assert half.loads.element_force[:, 2] == pytest.approx(whole.loads.element_force[:, 2], rel=1e-5)
    assert whole.cl[:28] == pytest.approx(whole.cl[27::-1], rel=1e-5)


def test_forces_go_with_size_and_speed():
    # Same Reynolds number: half the size at twice the speed has a quarter of the area (similarity).
    small = replace(LOWER, span_m=0.6, chord_m=0.075, leading_edge=0.5 * LOWER.leading_edge)
    assert 4.0 * lifts(small, per_m=2.0 * RE)[0] == pytest.approx(lifts(LOWER)[0], rel=1e-6)


def facing(gap_chords, chord=0.2):
    low = wing("low", chord=chord, span=1.2, degrees=4.0, at=(0.2, 0.0, 1.0), shape=SHAPE)
    # The upper one is the lower one's mirror image, so the gap is twice the highest point's distance to the mirror.
    top = float(low.surfaces(np.zeros(1), np.linspace(0.0, 1.0, 801))[0][..., 2].max())
    high = replace(turned_over(low, mirror_incidence=True), name="high")
    return low, replace(high, leading_edge=np.array([0.2, 0.0, 2.0 * top - 1.0 + gap_chords * chord]))


def test_equal_facing_pair_over_the_gap():
    alone = lifts(facing(2.0)[0])[0]
    kept = {}
    for gap in (0.1, 0.2, 2.0, 4.0):
        found = settled(Wind(facing(gap)), RE)
        low, high = found.answer.loads.element_force[:, 2] / [alone, -alone]
        assert low == pytest.approx(high, rel=0.05)  # the road is five chords away
        kept[gap] = low
        if gap > 1.0:
            # Far apart nothing separates for the other's sake.
            assert found.answer.loads.element_force[:, 2] == pytest.approx(
                found.plain.loads.element_force[:, 2], rel=0.08
            )
    # What two wings of opposite load give each other at two chords without separation: Prandtl's interference factor
    # 0.33 at a gap of 0.36 of the span (computed from his integral) takes that share of the downwash away, and each
    # one's vortex speeds the other's wind up by cl / (4 pi gap / chord).
    downwash = 5.7 / (math.pi * 6.0) * 1.16
    cl = 2.0 * alone / (2.0 * 0.2 * 1.2)
    ideal = (1.0 + downwash) / (1.0 + downwash * (1.0 - 0.32)) * (1.0 + cl / (4.0 * math.pi * 2.2)) ** 2
    assert kept[2.0] == pytest.approx(ideal, rel=0.05)
    assert kept[4.0] == pytest.approx(1.0, abs=0.06)
    # At 0.1 to 0.2 chords neither gains (common practice, no source: each keeps little).
    assert kept[0.2] < 1.0
    assert kept[0.1] < kept[0.2]


def test_load_runs_on_in_the_gap():
    loads = np.array([lifts(*facing(gap)) for gap in np.arange(0.5, 0.561, 0.02)])
    alone = lifts(facing(2.0)[0])[0]
    assert np.abs(np.diff(loads, axis=0)).max() < 0.1 * alone


def test_company_ends_where_it_fades():
    near = facing(2.5)
    flow = Wind(near).solve()
    curves = Curves(near, flow.strips, RE)
    assert np.abs(company(near, flow.strips, curves, RE).offsets).max() > 0.0
    far = facing(3.2)
    flow = Wind(far).solve()
    assert np.abs(company(far, flow.strips, Curves(far, flow.strips, RE), RE).offsets).max() == 0.0


def test_inverted_wing_over_the_road_rises_peaks_and_drops():
    # Zerihan and Zhang, J. Aircraft 37(6), 2000 (abstract): downforce grows as the height falls, clearly below 0.20
    # chords; below about 0.10 it drops because the flow separates.
    loads = {}
    for height in (0.03, 0.07, 0.12, 0.2, 0.35, 0.6, 1.0, 3.5):
        element = wing("front", chord=0.3, span=1.5, degrees=-2.0, shape=SHAPE.turned_over())
        up, low = element.surfaces(np.zeros(1), np.linspace(0.0, 1.0, 201))
        drop = float(low[..., 2].min()) - element.leading_edge[2]
        place = np.array([0.0, 0.0, height * 0.3 - drop])
        loads[height] = -lifts(replace(element, leading_edge=place))[0]
    assert loads[3.5] < loads[1.0] < loads[0.6] < loads[0.35]
    best = max(loads, key=loads.get)
    assert 0.05 < best < 0.4
    assert loads[0.03] < 0.9 * loads[best]
    assert loads[best] > 1.2 * loads[3.5]


def test_tilt_is_a_really_turned_wing():
    found = settled(Wind([LOWER]), RE)
    tilt = np.full(len(found.system.strips.owner), math.radians(0.5))
    turned = found.system.couple(found.curves, found.company, tilt=tilt).loads.element_force[0, 2]
    really = lifts(replace(LOWER, incidence_rad=LOWER.incidence_rad + math.radians(0.5)))[0]
    base = found.answer.loads.element_force[0, 2]
    assert turned - base == pytest.approx(really - base, rel=0.05)


def test_bad_tilt():
    found = settled(Wind([LOWER]), RE)
    with pytest.raises(InputError, match="tilt"):
        StripSystem(found.system.flow).couple(found.curves, tilt=np.zeros(3))
