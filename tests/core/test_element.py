"""A wing element's stations, against straight lines by numpy, numerical integrals by scipy and exact reflections."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.spatial.transform import Rotation

from wingfettle.core.elements.element import (
    Element,
    EndPlate,
    InnerStation,
    changed_station,
    check_element,
    placed,
    turned_over,
    with_section,
    with_station,
    without_station,
)
from wingfettle.core.elements.loft import loft
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import moved
from wingfettle.core.lift.lattice import sheets_of
from wingfettle.core.sections.shape import SectionShape, cosine_spaced

X = cosine_spaced(33)
ETA = np.array([-1.0, -0.8, -0.4, -0.1, 0.0, 0.2, 0.4, 0.55, 0.8, 1.0])


def shape(thickness: float, camber: float, edge: float = 0.004) -> SectionShape:
    """A form whose half thickness is a multiple of sqrt(x) (1 - x) and whose mean line is a parabola."""
    return SectionShape(half_thickness=np.full(6, thickness), mean_line=np.full(6, camber), trailing_edge=edge)


BENT = Element(
    name="upper", leading_edge=np.array([-3.0, 0.1, 1.1]), span_m=1.4, chord_m=0.28, taper=0.6, sweep_rad=0.2,
    dihedral_rad=0.06, incidence_rad=-0.15, twist_rad=0.05, shape=shape(0.15, -0.1),
    tip_shape=shape(0.11, -0.02, 0.001),
    inner=(
        InnerStation(0.4, 0.27, -0.16, np.array([0.01, 0.03]), shape(0.16, -0.12, 0.002)),
        InnerStation(0.8, 0.22, -0.08, np.array([-0.02, 0.01]), shape(0.1, -0.05, 0.006)),
    ),
)  # fmt: skip
STRAIGHT = replace(BENT, inner=())
STOPS = [0.0, 0.4, 0.8, 1.0]
CHORDS = [0.28, 0.27, 0.22, 0.168]
ANGLES = [-0.15, -0.16, -0.08, -0.10]


def quarters(element: Element, eta: np.ndarray) -> np.ndarray:
    nose, chord, incidence = element.planform(eta)
    return nose + 0.25 * chord[:, None] * np.stack([-np.cos(incidence), 0.0 * chord, -np.sin(incidence)], axis=1)


def test_everything_runs_in_straight_lines_between_stations() -> None:
    share = np.abs(ETA)
    _, chord, incidence = BENT.planform(ETA)
    assert chord == pytest.approx(np.interp(share, STOPS, CHORDS), abs=1e-15)
    assert incidence == pytest.approx(np.interp(share, STOPS, ANGLES), abs=1e-15)
    off = quarters(BENT, ETA) - quarters(STRAIGHT, ETA)
    assert -off[:, 0] == pytest.approx(np.interp(share, STOPS, [0.0, 0.01, -0.02, 0.0]), abs=1e-15)
    assert off[:, 1] == pytest.approx(0.0, abs=1e-15)
    assert off[:, 2] == pytest.approx(np.interp(share, STOPS, [0.0, 0.03, 0.01, 0.0]), abs=1e-15)
    # The straight quarter-chord line: the angles and the span alone.
    ends = quarters(STRAIGHT, np.array([0.0, 1.0, -1.0]))
    assert ends[1] - ends[0] == pytest.approx(0.7 * np.array([-math.tan(0.2), 1.0, math.tan(0.06)]))
    assert ends[2] - ends[0] == pytest.approx(0.7 * np.array([-math.tan(0.2), -1.0, math.tan(0.06)]))


def test_surfaces_are_those_of_the_stations() -> None:
    up, low = BENT.surfaces(ETA, X)
    for i, eta in enumerate(ETA):
        station = BENT.station(float(eta))
        for side, z in zip((up, low), station.shape.surfaces(X), strict=True):
            assert side[i] == pytest.approx(station.place(np.column_stack([X, z])), abs=1e-14)
    at = BENT.station(-0.8)
    assert at.shape.half_thickness == pytest.approx(np.full(6, 0.1))
    assert (at.chord_m, at.incidence_rad) == (pytest.approx(0.22), pytest.approx(-0.08))
    half = BENT.station(0.6).shape
    assert half.mean_line == pytest.approx(np.full(6, 0.5 * (-0.12 - 0.05)))
    assert half.trailing_edge == pytest.approx(0.004)


def test_means_are_the_integrals() -> None:
    def chord(eta: float) -> float:
        return float(np.interp(eta, STOPS, CHORDS))

    def moment(eta: float) -> float:
        return chord(eta) * float(np.interp(eta, STOPS, ANGLES))

    area, weighted = (quad(f, 0.0, 1.0, points=STOPS[1:-1])[0] for f in (chord, moment))
    assert BENT.area_m2 == pytest.approx(1.4 * area, rel=1e-12)
    assert BENT.mean_chord_m == pytest.approx(area, rel=1e-12)
    assert BENT.mean_incidence_rad == pytest.approx(weighted / area, rel=1e-12)
    # A trapezium, and the centroid of its area: elementary geometry.
    assert STRAIGHT.area_m2 == pytest.approx(1.4 * 0.28 * 0.8, rel=1e-15)
    assert STRAIGHT.mean_incidence_rad == pytest.approx(-0.15 + 0.05 * (1.0 + 2.0 * 0.6) / (3.0 * 1.6), rel=1e-12)


@given(st.floats(0.01, 0.99), st.floats(0.01, 0.99), st.floats(0.0, 0.004))
@settings(max_examples=30, deadline=None)
def test_a_new_station_changes_nothing_and_goes_again(one: float, other: float, least: float) -> None:
    bent = replace(BENT, least_edge_m=least)
    if min(abs(one - s) for s in (*STOPS, other)) < 1e-3 or min(abs(other - s) for s in STOPS) < 1e-3:
        return
    more = with_station(with_station(bent, one), other)
    assert len(more.inner) == 4
    check_element(more)
    for mine, theirs in zip(
        (*more.surfaces(ETA, X), *more.planform(ETA)), (*bent.surfaces(ETA, X), *bent.planform(ETA)), strict=True
    ):
        assert mine == pytest.approx(theirs, abs=1e-14)
    where = sorted([0.4, 0.8, one, other])
    first, last = sorted((where.index(one), where.index(other)))
    again = without_station(without_station(more, last), first)
    assert [s.eta for s in again.inner] == [0.4, 0.8]
    assert again.surfaces(ETA, X)[0] == pytest.approx(bent.surfaces(ETA, X)[0], abs=1e-14)


def test_a_new_station_does_not_change_the_lattice() -> None:
    for mine, theirs in zip(sheets_of(with_station(STRAIGHT, 0.37), 0), sheets_of(STRAIGHT, 0), strict=True):
        assert mine.nodes == pytest.approx(theirs.nodes, abs=1e-14)
        assert mine.normals == pytest.approx(theirs.normals, abs=1e-9)


def test_one_station_is_edited_alone() -> None:
    new = changed_station(BENT, 1, chord_m=0.24, offset_m=np.array([0.0, 0.05]))
    eta = np.array([0.0, 0.4, 0.8, 1.0])
    assert new.planform(eta)[1] == pytest.approx([0.28, 0.27, 0.24, 0.168])
    assert new.planform(eta)[2] == pytest.approx(ANGLES)
    assert (quarters(new, eta) - quarters(BENT, eta))[2] == pytest.approx([-0.02, 0.0, 0.04])
    turned = changed_station(BENT, 0, incidence_rad=0.1, shape=shape(0.2, 0.0))
    assert turned.station(0.4).incidence_rad == pytest.approx(0.1)
    assert turned.station(0.4).shape.half_thickness == pytest.approx(np.full(6, 0.2))
    assert turned.inner[1] == BENT.inner[1]


def test_a_new_section_keeps_chords_and_incidences() -> None:
    new = shape(0.13, 0.03)
    everywhere = with_section(BENT, new)
    assert all(s is new for s in everywhere.shapes)
    for mine, theirs in zip(everywhere.planform(ETA), BENT.planform(ETA), strict=True):
        assert (mine == theirs).all()
    assert [s is new for s in with_section(BENT, new, 2).shapes] == [False, False, True, False]
    assert [s is new for s in with_section(BENT, new, 3).shapes] == [False, False, False, True]


@given(pitch=st.floats(-0.6, 0.6), aft=st.floats(-0.3, 0.3), up=st.floats(-0.3, 0.3))
@settings(max_examples=12, deadline=None)
def test_a_placed_element_is_the_moved_mesh(pitch: float, aft: float, up: float) -> None:
    # Rigid motion by scipy; positive about y turns the nose down (ISO 8855 axes).
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.0, -pitch, 0.0]).as_matrix()
    matrix[:3, 3] = [-aft, 0.02, up]
    plate = EndPlate(0.05, 0.12, 0.02, 0.03, 0.004, np.array([[0.0, 0.1], [1.0, 0.0], [0.9, 1.0], [0.1, 0.8]]))
    for element in (replace(BENT, end_plate=plate), replace(BENT, rounded_tips=True, least_edge_m=0.002)):
        there = placed(element, matrix)
        assert there.incidence_rad == pytest.approx(element.incidence_rad + pitch)
        assert loft(there, 12, 6).points == pytest.approx(moved(loft(element, 12, 6).points, matrix), abs=1e-9)


@pytest.mark.parametrize("turn", [[0.1, 0.0, 0.0], [0.0, 0.0, 0.05], [0.1, 0.2, 0.0]])
def test_an_element_is_not_placed_askew(turn: list[float]) -> None:
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    with pytest.raises(InputError, match="y only"):
        placed(BENT, matrix)
    with pytest.raises(InputError, match="scaled"):
        placed(BENT, np.diag([1.1, 1.1, 1.1, 1.0]))


def test_thin_trailing_edges_are_thickened_evenly_from_the_nose() -> None:
    least = 0.0015
    made = replace(BENT, least_edge_m=least)
    before, after = BENT.surfaces(ETA, X), made.surfaces(ETA, X)
    thick = [np.linalg.norm(up - low, axis=-1) for up, low in (before, after)]
    # Edges of 1.12, 0.54, 1.32 and 0.168 mm at the stations.
    assert thick[1][:, -1] == pytest.approx(np.maximum(thick[0][:, -1], least), abs=1e-12)
    grown = thick[1] - thick[0]
    assert grown == pytest.approx(grown[:, -1:] * X, abs=1e-12)
    assert (grown[:, -1] > 1e-4).sum() >= 4
    # Half above and half below: the mean surface stays.
    assert after[0] + after[1] == pytest.approx(before[0] + before[1], abs=1e-14)
    for eta in (0.0, 0.55, 1.0):
        station = made.station(eta)
        assert station.shape.trailing_edge * station.chord_m >= least - 1e-15


@pytest.mark.parametrize("mirror", [False, True])
def test_turned_over_is_a_reflection_in_each_chord_line(mirror: bool) -> None:
    outline = np.array([[0.0, 0.2], [1.0, 0.0], [0.7, 1.0], [0.1, 0.8]])
    plated = replace(BENT, end_plate=EndPlate(0.05, 0.12, 0.02, 0.03, 0.004, outline))
    turned = turned_over(plated, mirror)
    assert (turned.leading_edge == plated.leading_edge).all()
    runs = [quarters(e, ETA) - quarters(e, np.zeros(1)) for e in (turned, plated)]
    assert runs[0] == pytest.approx(runs[1], abs=1e-14)
    for eta in ETA:
        old, new = plated.station(float(eta)), turned.station(float(eta))
        up, low = old.shape.surfaces(X)
        assert new.shape.surfaces(X) == (pytest.approx(-low), pytest.approx(-up))
        assert new.incidence_rad == pytest.approx(-old.incidence_rad if mirror else old.incidence_rad)
        assert new.chord_m == old.chord_m
        # The leading edge stays forward.
        assert new.place(np.array([[0.0, 0.0]]))[0, 0] > new.place(np.array([[1.0, 0.0]]))[0, 0]
    plate = turned.end_plate
    assert plate is not None
    assert plate.outline is not None
    assert (plate.above_m, plate.below_m) == (0.12, 0.05)
    assert {tuple(p) for p in plate.outline.round(12)} == {(0.0, 0.8), (1.0, 1.0), (0.7, 0.0), (0.1, 0.2)}
    again = turned_over(turned, mirror)
    assert again.end_plate is not None
    assert again.end_plate.outline == pytest.approx(outline)
    assert again.surfaces(ETA, X)[0] == pytest.approx(plated.surfaces(ETA, X)[0], abs=1e-14)


def station(**change: object) -> tuple[InnerStation, ...]:
    return (replace(BENT.inner[0], **change), BENT.inner[1])  # type: ignore[arg-type]


def plate(*outline: tuple[float, float]) -> dict[str, object]:
    return {"end_plate": EndPlate(0.05, 0.12, 0.02, 0.03, 0.004, np.array(outline))}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"inner": BENT.inner[::-1]}, "“upper”, inner station 2 stands at 0.4 of the half span, not outboard of"),
        ({"inner": station(eta=1.2)}, "inner station 1 stands at 1.2 of the half span; keep it between"),
        ({"inner": station(eta=math.nan)}, "inner station 1 has a place, chord, incidence or offset that is not"),
        ({"inner": station(eta=0.00001)}, "inner station 1 stands at 1e-05"),
        ({"inner": (replace(BENT.inner[0], eta=0.99999),)}, "inner station 1 stands on the tip"),
        ({"inner": station(chord_m=0.0)}, "inner station 1 has a chord of 0"),
        ({"inner": station(incidence_rad=math.inf)}, "inner station 1 has a place, chord, incidence or offset"),
        ({"inner": station(offset_m=np.zeros(3))}, "inner station 1 has an offset of 3 numbers"),
        ({"inner": station(shape=shape(-0.1, 0.0))}, "at inner station 1 whose upper and lower surfaces cross"),
        ({"inner": station(shape=SectionShape(half_thickness=np.ones(4), mean_line=np.zeros(4), trailing_edge=0.0))},
         "at inner station 1 with other numbers of weights"),
        ({"tip_shape": shape(-0.1, 0.0)}, "at the tip whose upper and lower surfaces cross"),
        ({"least_edge_m": -0.001}, "least trailing edge of -1 mm; it must not be negative"),
        ({"skin_m": -0.001}, "skin of -1 mm; it must not be negative"),
        ({"skin_m": math.nan}, "skin that is not a number"),
        (plate((0.0, 0.0), (1.0, 1.0)), "outline has fewer than 3 points"),
        (plate((0.0, 0.0), (1.0, 0.0), (1.0, 1.2)), "outline leaves its reaches"),
        (plate((0.0, 0.0), (1.0, 0.0), (1.0, math.nan)), "outline leaves its reaches"),
        (plate((0.0, 0.0), (1.0, 1.0), (1.0, 0.0), (0.0, 1.0)), "outline crosses or touches itself"),
        (plate((0.0, 0.0), (1.0, 0.0), (0.5, 0.5), (1.0, 1.0), (0.0, 1.0), (0.5, 0.5)), "crosses or touches itself"),
        (plate((0.0, 0.0), (1.0, 0.0), (1.0, 0.0), (0.0, 1.0)), "crosses or touches itself"),
        (plate((0.0, 0.0), (1.0, 0.0), (0.5, 0.0)), "crosses or touches itself"),
    ],
)  # fmt: skip
def test_numbers_that_make_no_wing_are_refused(change: dict[str, object], message: str) -> None:
    check_element(replace(BENT, skin_m=0.001))
    with pytest.raises(InputError, match=message):
        check_element(replace(BENT, **change))  # type: ignore[arg-type]


def test_outlines_in_order_pass_either_way_round() -> None:
    arrow = [(0.0, 0.0), (1.0, 0.0), (0.6, 0.5), (1.0, 1.0), (0.0, 1.0)]
    for outline in (arrow, arrow[::-1]):
        check_element(replace(BENT, **plate(*outline)))  # type: ignore[arg-type]


@pytest.mark.parametrize("eta", [0.0, 1.0, -0.3, math.nan, 0.4])
def test_a_station_needs_a_free_place(eta: float) -> None:
    with pytest.raises(InputError, match="“upper” (takes inner stations between|has a station at)"):
        with_station(BENT, eta)


def test_stations_that_are_not_there() -> None:
    for act in (
        lambda: without_station(BENT, 2),
        lambda: changed_station(BENT, -1, chord_m=0.2),
        lambda: with_section(BENT, BENT.shape, 4),
    ):
        with pytest.raises(InputError, match="there is no number"):
            act()
