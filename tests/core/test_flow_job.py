"""What a flow run rests on: sections and meshes as placed, domain, resolution, the record and the digest."""

from __future__ import annotations

import io
import json
import math
from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.spatial import cKDTree
from wing_cases import AREA, CLOSED, OPEN, PLATE, checked, naca, wing

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.elements.element import EndPlate
from wingfettle.core.errors import InputError
from wingfettle.core.flow.grid import BORDER, finer_frames, space_frame
from wingfettle.core.flow.job import (
    COARSEST,
    CONTOUR_COUNT,
    FEWEST,
    MOST_CELLS,
    MOST_GROWN,
    MOST_LEVELS,
    MOST_REFINED,
    USUAL_CELLS,
    FlowJob,
    RunWishes,
    digest,
    element_mesh,
    flow_job,
    mid_span_contour,
    packed,
    unpacked,
)
from wingfettle.core.flow.pilot import Pilot
from wingfettle.core.flow.statistics import StopRule
from wingfettle.core.geometry.box import Box
from wingfettle.core.geometry.mesh import TriMesh, join

UPPER = wing()
LOWER = wing(name="lower", leading_edge=np.array([-3.95, 0.0, 1.1]), span_m=1.0, chord_m=0.15)
PAIR = Assembly("as found", (UPPER, LOWER))
AIR = (50.0, 1.2, 1.5e-5)


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> TriMesh:
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return TriMesh(np.array(low) + corners * (np.array(high) - low), np.array(triangles, np.int32))


BODY = box((-4.0, -0.8, 0.1), (0.0, 0.8, 1.0))
NOTHING = TriMesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
STRUT = box((-4.0, 0.2, 0.9), (-3.95, 0.21, 1.15))
SUNK = TriMesh(STRUT.points - [0.0, 0.0, 1.15], STRUT.triangles)
NOWHERE = TriMesh(STRUT.points * np.nan, STRUT.triangles)


def made(case: str, form: str, element: str = "", wishes: RunWishes = RunWishes(), variant: Assembly = PAIR) -> FlowJob:  # noqa: B008
    mounts = (("strut", STRUT),)
    return flow_job(variant, mounts, BODY if case == "on car" else None, case, form, element, *AIR, wishes)


def area_of(contour: np.ndarray) -> float:
    x, z = contour.T
    return 0.5 * abs(float(x @ np.roll(z, -1) - z @ np.roll(x, -1)))


@pytest.mark.parametrize("last", [OPEN, CLOSED])
def test_contour_is_the_section_as_placed(last: float) -> None:
    """Area in closed form (NACA Report 460, see wing_cases), corners by plane trigonometry."""
    element = wing(shape=naca(0.12, 0.0, last), tip_shape=naca(0.12, 0.0, last))
    contour = mid_span_contour(element)
    assert area_of(contour) == pytest.approx(AREA[last] * 0.12 * 0.24**2, rel=2e-4)
    angle = math.radians(-7.0)
    nose = np.array([3.9, 1.2])
    tail = nose + 0.24 * np.array([math.cos(angle), -math.sin(angle)])
    assert np.linalg.norm(contour - nose, axis=1).min() < 1e-12
    assert len(contour) == 2 * CONTOUR_COUNT - (1 if last == OPEN else 2)
    ends = 0.5 * (contour[0] + contour[-1]) if last == OPEN else contour[0]
    assert np.abs(ends - tail).max() < 1e-5
    # A sharp edge stands once, a blunt one is closed by its base: 2 x 0.00126 of the chord for 12 %.
    apart = np.linalg.norm(contour - np.roll(contour, 1, axis=0), axis=1)
    assert apart.min() > 0.0
    if last == OPEN:
        # The section is fitted; fits of the family are good to 0.1 per mille of the chord.
        assert apart[0] == pytest.approx(2.0 * 0.00126 * 0.24, abs=1e-4 * 0.24)


def test_edge_that_cannot_be_made_is_as_thick_as_it_is_made() -> None:
    contour = mid_span_contour(wing(least_edge_m=0.002))
    assert np.linalg.norm(contour[0] - contour[-1]) == pytest.approx(0.002, rel=1e-9)


def test_mesh_is_closed_and_has_its_plates() -> None:
    """trimesh decides closedness and volume."""
    plain, plated = (checked(element_mesh(wing(end_plate=plate))) for plate in (None, PLATE))
    assert plain.is_watertight
    assert plain.volume > 0.0
    assert plated.is_watertight
    assert np.ptp(plated.vertices[:, 1]) == pytest.approx(1.3 + 2.0 * 0.004, abs=1e-9)
    # Cavities of hollow elements are no matter for the air.
    hollow = checked(element_mesh(wing(skin_m=0.004)))
    assert hollow.volume == pytest.approx(plain.volume, rel=1e-9)


def test_alone_is_one_element_on_its_own_chord() -> None:
    job = made("alone", "mid-span", "lower")
    assert job.names == ("lower",)
    assert job.elements == ("lower",)
    assert job.element == "lower"
    assert job.chord_m == pytest.approx(0.15)
    assert job.area_m2 == pytest.approx(0.15)
    assert job.width_m == pytest.approx(1.0)
    assert job.spacing_m == pytest.approx(0.15 / 320.0)
    assert job.body is None
    assert job.half is None


def test_group_is_on_the_longest_chord_with_cells_for_the_shortest() -> None:
    job = made("group", "mid-span")
    assert job.names == ("upper", "lower")
    assert job.chord_m == pytest.approx(0.24)
    assert job.area_m2 == pytest.approx(1.3 * 0.24 + 0.15)
    assert job.spacing_m == pytest.approx(0.15 / 320.0)
    # Each slice stands for its own element: span times its chord is its area.
    assert job.spans_m == pytest.approx((1.3, 1.0))
    assert job.width_m == pytest.approx(job.area_m2 / (0.24 + 0.15))


def test_tapered_element_keeps_the_coefficient_of_its_middle() -> None:
    tapered = wing(taper=0.5)
    job = flow_job(Assembly("t", (tapered,)), (), None, "alone", "mid-span", "upper", *AIR)
    assert job.width_m * 0.24 == pytest.approx(1.3 * 0.75 * 0.24)
    assert job.chord_m == pytest.approx(0.18)


def test_mounts_hold_the_group_and_body_comes_last() -> None:
    assert made("alone", "full", "upper").names == ("upper",)
    assert made("group", "full").names == ("upper", "lower", "strut")
    car = made("on car", "full")
    assert car.names == ("upper", "lower", "strut", "body")
    assert car.elements == ("upper", "lower")
    assert math.isnan(car.width_m)
    assert car.road


def test_road_is_there_where_it_is_nearer_than_the_lower_end() -> None:
    near = made("group", "mid-span", wishes=RunWishes(above=6.0))
    assert near.road
    assert near.domain.low[2] == 0.0
    far = made("group", "mid-span", wishes=RunWishes(above=3.0))
    contours = np.concatenate([shape for _, shape in far.contours])
    assert not far.road
    assert far.domain.low[2] == pytest.approx(contours[:, 1].min() - 3.0 * 0.24)


def test_domain_reaches_as_far_as_asked() -> None:
    job = made("group", "mid-span", wishes=RunWishes(ahead=2.0, behind=5.0, above=1.0))
    aft = np.concatenate([shape for _, shape in job.contours])
    assert -job.domain.high[0] == pytest.approx(aft[:, 0].min() - 0.48)
    assert -job.domain.low[0] == pytest.approx(aft[:, 0].max() + 1.2)
    assert job.domain.high[2] == pytest.approx(aft[:, 1].max() + 0.24)
    # About the car in its lengths, the same left and right.
    car = made("on car", "full", wishes=RunWishes(ahead=0.5, behind=1.0, above=1.0, beside=0.5))
    nose, tail = 0.0, min(-4.0, float(element_mesh(UPPER).points[:, 0].min()))
    assert car.domain.high[0] == pytest.approx(nose + 0.5 * (nose - tail))
    assert car.domain.high[1] == -car.domain.low[1] == pytest.approx(0.8 + 0.5 * (nose - tail))


def test_domain_is_the_same_left_and_right_whatever_is_mounted_where() -> None:
    strut = TriMesh(STRUT.points + [0.0, 2.0, 0.0], STRUT.triangles)
    for case in ("group", "on car"):
        job = flow_job(PAIR, (("strut", strut),), BODY, case, "full", "", *AIR, RunWishes(beside=1.0))
        assert job.domain.low[1] == -job.domain.high[1]
        assert job.domain.high[1] > 2.21


def test_road_scanned_with_the_body_does_not_stretch_the_domain() -> None:
    road = box((-9.0, -5.0, -0.01), (6.0, 5.0, 0.0))
    with_road = flow_job(PAIR, (), join([BODY, road]), "on car", "full", "", *AIR)
    assert np.array_equal(with_road.domain.high, flow_job(PAIR, (), BODY, "on car", "full", "", *AIR).domain.high)


def test_gap_makes_cells_finer_up_to_a_limit() -> None:
    job = made("group", "mid-span")
    # scipy finds the narrowest gap between densely drawn outlines.
    drawn = []
    for _, contour in job.contours:
        share = np.linspace(0.0, 1.0, 60, endpoint=False)[:, None, None]
        drawn.append((contour + share * (np.roll(contour, -1, axis=0) - contour)).reshape(-1, 2))
    gap = float(cKDTree(drawn[0]).query(drawn[1])[0].min())
    asked = gap / (0.15 / 320.0) * 1.5
    finer = made("group", "mid-span", wishes=RunWishes(cells_in_gap=asked))
    assert finer.spacing_m == pytest.approx(gap / asked, rel=1e-3)
    assert made("group", "mid-span", wishes=RunWishes(cells_in_gap=1.0)).spacing_m == job.spacing_m
    finest = made("group", "mid-span", wishes=RunWishes(cells_in_gap=1e4))
    assert finest.spacing_m == pytest.approx(job.spacing_m / MOST_REFINED)


def cells_of(job: FlowJob) -> float:
    """In all, of the grids that a run of it would have."""
    turn = np.array([-1.0, -1.0, 1.0])
    frame, _ = space_frame(job.coarsest_m, job.domain, job.road, job.half)
    points = np.concatenate([mesh.points for _, mesh in job.meshes]) * turn
    frames = (frame, *finer_frames(frame, points.min(axis=0), points.max(axis=0), job.reaches))
    return float(sum(np.prod(one.size, dtype=np.float64) for one in frames))


def test_usual_cells_fit_a_card_and_wishes_are_kept() -> None:
    for half in (False, True):
        job = made("on car", "full", wishes=RunWishes(half_model=half))
        assert cells_of(job) < 1.1 * USUAL_CELLS
        assert job.shortest_m / job.coarsest_m >= FEWEST - 1e-9
        # Far cells grow before the wing's do by much.
        assert job.shortest_m / job.spacing_m > 64.0 / MOST_GROWN / 1.03
    asked = made("on car", "full", wishes=RunWishes(cells_on_chord=40.0))
    assert asked.spacing_m == pytest.approx(0.15 / 40.0)
    fine = made("on car", "full", wishes=RunWishes(cells_on_chord=160.0))
    assert fine.spacing_m == pytest.approx(0.15 / 160.0)
    assert cells_of(fine) < MOST_CELLS
    gap = made("on car", "full", wishes=RunWishes(cells_in_gap=60.0))
    assert gap.spacing_m < 0.5 * job.spacing_m
    assert cells_of(gap) < MOST_CELLS
    with pytest.raises(InputError, match=r"would have .* cells, and 6e\+08 are the most; ask for fewer on the chord"):
        made("group", "full", wishes=RunWishes(cells_on_chord=1000.0))


def test_cells_are_halved_on_the_way_to_the_wing() -> None:
    """The coarsest have 16 to 32 on the shortest chord, and the boxes lie one in the other with room between."""
    for cells, levels in ((20.0, 0), (32.0, 1), (60.0, 1), (64.0, 2), (320.0, 4), (2e4, MOST_LEVELS)):
        job = made("group", "mid-span", wishes=RunWishes(cells_on_chord=cells))
        assert job.levels == levels
        assert job.coarsest_m == pytest.approx(0.15 / cells * 2**levels)
        assert len(job.reaches) == levels
        for outer, inner in pairwise(job.reaches):
            assert outer.beside_m - inner.beside_m > BORDER * job.spacing_m
            assert outer.behind_m - inner.behind_m > BORDER * job.spacing_m
    full = made("group", "full")
    pilot = Pilot(full)
    assert full.levels >= 1
    assert full.shortest_m / full.coarsest_m >= COARSEST["full", False]
    pilot.prepare()
    assert pilot.plan.cells == sum(grid.label.size for grid in pilot.grid.levels())
    assert pilot.plan.updates == sum(grid.label.size << k for k, grid in enumerate(pilot.grid.levels()))
    assert pilot.plan.cells < 1.05 * USUAL_CELLS
    assert pilot.plan.spacing_m == pytest.approx(full.spacing_m)


def test_half_model_takes_the_half_that_was_scanned() -> None:
    asked = RunWishes(half_model=True)
    assert made("group", "full", wishes=asked).half == "left"
    assert made("group", "mid-span", wishes=asked).half is None
    right = BODY.subset(BODY.corners[:, :, 1].mean(axis=1) < 0.0)
    assert flow_job(PAIR, (), right, "on car", "full", "", *AIR, asked).half == "right"
    near, off = (Assembly("off", (wing(leading_edge=np.array([-3.9, y, 1.2])),)) for y in (0.001, 0.03))
    assert flow_job(near, (), None, "group", "full", "", *AIR, asked).half == "left"
    with pytest.raises(InputError, match="“upper” is mounted \\+30 mm off the centre plane"):
        flow_job(off, (), None, "group", "full", "", *AIR, asked)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"case": "on car", "form": "mid-span"}, "in the full form"),
        ({"case": "on car", "form": "full"}, "no scanned body"),
        ({"case": "towed"}, "“towed”"),
        ({"form": "quarter"}, "“quarter”"),
        ({"element": "third"}, "no element “third”"),
        ({"variant": Assembly("empty", ())}, "“empty” has no element"),
        ({"speed": 0.0}, "speed in m/s .* is 0"),
        ({"speed": math.nan}, "speed in m/s .* is nan"),
        ({"wishes": RunWishes(cells_on_chord=-3.0)}, "cells on chord .* is -3"),
        ({"wishes": RunWishes(time_s=0.0)}, "time of the run"),
        ({"wishes": RunWishes(cells_in_gap=-1.0)}, "cells in the gap"),
        ({"form": "full", "case": "group", "mounts": [("strut", NOTHING)]}, "“strut” has no faces"),
        ({"form": "full", "case": "group", "mounts": [("strut", NOWHERE)]}, "not numbers"),
        ({"form": "full", "case": "group", "mounts": [("strut", SUNK)]}, "“strut” reaches 250 mm below the road"),
        ({"variant": Assembly("low", (wing(leading_edge=np.array([-3.9, 0.0, -0.1])),))}, "“upper” .* below the road"),
    ],
)
def test_bad_input_gets_one_sentence(change: dict, words: str) -> None:
    given = {"case": "alone", "form": "mid-span", "element": "upper", "speed": 50.0, "variant": PAIR, "mounts": (),
             "wishes": RunWishes(), **change}  # fmt: skip
    with pytest.raises(InputError, match=words) as told:
        flow_job(
            given["variant"], given["mounts"], None, given["case"], given["form"], given["element"], given["speed"],
            1.2, 1.5e-5, given["wishes"],
        )  # fmt: skip
    assert "\n" not in str(told.value)


# --- record and digest


def alike(a: object, b: object) -> bool:
    if isinstance(a, np.ndarray):
        return isinstance(b, np.ndarray) and a.dtype == b.dtype and np.array_equal(a, b, equal_nan=True)
    if isinstance(a, TriMesh):
        return isinstance(b, TriMesh) and alike(a.points, b.points) and alike(a.triangles, b.triangles)
    if isinstance(a, Box):
        return isinstance(b, Box) and alike(a.low, b.low) and alike(a.high, b.high)
    if isinstance(a, tuple):
        return isinstance(b, tuple) and len(a) == len(b) and all(map(alike, a, b))
    return type(a) is type(b) and (a == b or (a != a and b != b))


def through_files(job: FlowJob) -> FlowJob:
    record, arrays = packed(job)
    held = io.BytesIO()
    np.savez(held, **arrays)
    held.seek(0)
    with np.load(held, allow_pickle=False) as file:
        return unpacked(json.loads(json.dumps(record, allow_nan=False)), dict(file))


JOBS = {
    "plane": made("group", "mid-span"),
    "car": replace(
        made("on car", "full", wishes=RunWishes(half_model=True, smagorinsky=None, cells_on_chord=1.0 / 3.0)),
        rule=StopRule(0.1, 0.3, math.inf, 7, (2, 5)),
    ),
}


@pytest.mark.parametrize("which", list(JOBS))
def test_packed_and_back_loses_nothing(which: str) -> None:
    job = JOBS[which]
    back = through_files(job)
    assert all(alike(getattr(job, f.name), getattr(back, f.name)) for f in fields(FlowJob))
    assert digest(back) == digest(job)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r, a: r.pop("chord_m"),
        lambda r, a: a.pop("part0"),
        lambda r, a: r.update(parts=7),
        lambda r, a: r.update(rule=None),
        lambda r, a: r.update(job_form=99),
        lambda r, a: r.update(domain=[[0.0, "x", 1.0], [1.0, 1.0, 1.0]]),
        lambda r, a: r.clear(),
    ],
)
def test_broken_record_is_told(spoil) -> None:
    record, arrays = packed(JOBS["plane"])
    spoil(record, arrays)
    with pytest.raises(InputError, match="post it again"):
        unpacked(record, arrays)


def moved_part(job: FlowJob, k: int, by: float) -> FlowJob:
    parts = list(job.parts)
    name, shape = parts[k]
    moved = TriMesh(shape.points + [by, 0, 0], shape.triangles) if isinstance(shape, TriMesh) else shape + [by, 0.0]
    parts[k] = (name, moved)
    return replace(job, parts=tuple(parts))


MATTERS = {
    "speed": lambda j: replace(j, speed_m_s=51.0),
    "density": lambda j: replace(j, density_kg_m3=1.19),
    "viscosity": lambda j: replace(j, viscosity_m2_s=1.6e-5),
    "cells": lambda j: replace(j, spacing_m=j.spacing_m * 1.001),
    "road": lambda j: replace(j, road=not j.road),
    "half": lambda j: replace(j, half="right" if j.half != "right" else None),
    "wall function": lambda j: replace(j, wall_function=False),
    "no eddies": lambda j: replace(j, smagorinsky=0.17),
    "lattice speed": lambda j: replace(j, lattice_speed=0.05),
    "confidence": lambda j: replace(j, confidence=0.9),
    "case": lambda j: replace(j, case="alone"),
    "element": lambda j: replace(j, element="lower"),
    "area": lambda j: replace(j, area_m2=1.0),
    "chord": lambda j: replace(j, chord_m=1.0),
    "domain": lambda j: replace(j, domain=Box(j.domain.low - 1e-3, j.domain.high)),
    "a part moved by a micrometre": lambda j: moved_part(j, 1, 1e-6),
    "name": lambda j: replace(j, parts=(("new", j.parts[0][1]), *j.parts[1:])),
    "order": lambda j: replace(j, parts=j.parts[::-1]),
    "a part less": lambda j: replace(j, parts=j.parts[:1], spans_m=j.spans_m[:1], elements=j.elements[:1]),
    "which are elements": lambda j: replace(j, elements=j.elements[:1]),
}
DOES_NOT = {
    "variant's name": lambda j: replace(j, variant="other"),
    "when to stop": lambda j: replace(j, rule=StopRule(0.0, 0.5, 1.0)),
    "rounding of places": lambda j: moved_part(j, 0, 1e-13),
    "rounding of a length": lambda j: replace(j, chord_m=j.chord_m * (1.0 + 1e-14)),
    "rounding of the domain": lambda j: replace(j, domain=Box(j.domain.low * (1.0 + 1e-14), j.domain.high)),
    "nothing": lambda j: replace(j),
}


@pytest.mark.parametrize("which", list(JOBS))
def test_digest_changes_with_what_matters_and_nothing_else(which: str) -> None:
    job = JOBS[which]
    seen = {digest(job)}
    for what, change in MATTERS.items():
        one = digest(change(job))
        assert one not in seen, what
        seen.add(one)
    for what, change in DOES_NOT.items():
        assert digest(change(job)) == digest(job), what
    if job.body is not None:
        assert digest(replace(job, body=TriMesh(job.body.points + 1e-6, job.body.triangles))) not in seen


def test_same_scene_gives_the_same_digest() -> None:
    assert digest(made("group", "full")) == digest(made("group", "full"))
    plate = EndPlate(0.05, 0.12, 0.02, 0.03, 0.005)
    other = Assembly("as found", (replace(UPPER, end_plate=plate), LOWER))
    assert digest(made("group", "full", variant=other)) != digest(made("group", "full"))
    # A mid-span run knows no end plates.
    assert digest(made("group", "mid-span", variant=other)) == digest(made("group", "mid-span"))
