"""The car's outline seen from above, against shapes whose outline is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, cKDTree

from wingfettle.core.clearance.outline import STEP_M, CarOutline, car_outline, check_outline
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh, join

Floats = NDArray[np.float64]


def mesh(solid: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.asarray(solid.vertices, np.float64), np.asarray(solid.faces, np.int32))


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> TriMesh:
    solid = trimesh.creation.box(np.subtract(high, low))
    return mesh(solid.apply_translation(np.add(low, high) / 2))


def fine(solid: TriMesh, edge: float) -> TriMesh:
    points, faces = trimesh.remesh.subdivide_to_size(solid.points, solid.triangles, edge)
    return TriMesh(points, faces.astype(np.int32))


def prism(corners: Floats, low: float, high: float) -> TriMesh:
    """The solid over a convex polygon (k, 2) m."""
    hull = corners[ConvexHull(corners).vertices]
    points = np.concatenate([np.column_stack([hull, np.full(len(hull), z)]) for z in (low, high)])
    return mesh(trimesh.convex.convex_hull(points))


def border(corners: Floats, step: float = 2.5e-4) -> Floats:
    """Points every ``step`` along the closed polygon ``corners`` (k, 2) m."""
    pieces = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        pieces.append(a + np.linspace(0.0, 1.0, int(np.linalg.norm(b - a) / step) + 2)[:, None] * (b - a))
    return np.concatenate(pieces)


def apart(one: Floats, other: Floats) -> float:
    """Hausdorff distance of two closed polygons, m."""
    a, b = border(one), border(other)
    return float(max(cKDTree(a).query(b)[0].max(), cKDTree(b).query(a)[0].max()))


def signed_area(plan: Floats) -> float:
    x, y = plan.T
    return float(0.5 * (x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


def turned(corners: Floats, angle: float) -> Floats:
    c, s = np.cos(angle), np.sin(angle)
    return corners @ np.array([[c, s], [-s, c]])


CAR = np.array(
    [[-4.0, -0.6], [-3.2, -0.9], [-0.9, -0.9], [0.0, -0.5], [0.0, 0.5], [-0.9, 0.9], [-3.2, 0.9], [-4.0, 0.6]]
)


@settings(deadline=None, max_examples=25)
@given(st.lists(st.tuples(st.floats(-4, 0), st.floats(-0.9, 0.9)), min_size=3, max_size=9, unique=True))
def test_outline_of_a_convex_prism(corners: list[tuple[float, float]]) -> None:
    plan = np.array([(-4.0, -0.8), (-0.1, 0.9), *corners])
    outline = car_outline(prism(plan, 0.2, 1.3))
    hull = plan[ConvexHull(plan).vertices]
    if outline.note:  # one half of a lopsided one may be taken for missing
        assert "half" in outline.note
        return
    # Needles are cut off where they get narrower than 10 mm: corners sharper than that are none of a car.
    before, after = hull - np.roll(hull, 1, axis=0), np.roll(hull, -1, axis=0) - hull
    turn = np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1))
    if turn.max() < 2.0:
        blunt = 0.5 * 0.010 * np.tan(0.5 * turn.max()) + STEP_M
        assert apart(outline.plan, hull) < blunt
    assert signed_area(outline.plan) == pytest.approx(ConvexHull(plan).volume, rel=2e-3)
    assert outline.roof_m == pytest.approx(1.3, abs=1e-9)


def test_outline_of_a_car_shaped_prism_holds_to_a_millimetre() -> None:
    outline = car_outline(prism(CAR, 0.2, 1.3))
    assert apart(outline.plan, CAR) < 0.001
    assert signed_area(outline.plan) > 0.0
    assert outline.note == ""


@pytest.mark.parametrize("angle", [0.0, 0.1, 0.7, -0.4])
def test_turned_ellipse(angle: float) -> None:
    turn = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    ellipse = turned(np.column_stack([2.0 * np.cos(turn), 0.9 * np.sin(turn)]), angle)
    outline = car_outline(prism(ellipse, 0.2, 1.3))
    assert apart(outline.plan, ellipse) < 0.001


def test_upright_and_lying_cylinders() -> None:
    lying = trimesh.creation.cylinder(0.7, 3.0, sections=720)
    lying.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0])).apply_translation([0, 0, 0.9])
    outline = car_outline(mesh(lying))
    assert apart(outline.plan, np.array([[-1.5, -0.7], [1.5, -0.7], [1.5, 0.7], [-1.5, 0.7]])) < 0.001
    assert outline.roof_m == pytest.approx(1.6, abs=1e-4)
    upright = trimesh.creation.cylinder(0.9, 1.2, sections=720)
    turn = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    assert apart(car_outline(mesh(upright)).plan, 0.9 * np.column_stack([np.cos(turn), np.sin(turn)])) < 0.001


def test_a_gap_between_two_arms_lies_within() -> None:
    # Seen from above a U open to the rear; the boot between its arms is part of the car's place.
    arms = [box((-4.0, y, 0.2), (-1.0, y + 0.3, 0.9)) for y in (-0.9, 0.6)]
    outline = car_outline(join([*arms, box((-1.5, -0.9, 0.2), (0.0, 0.9, 1.3))]))
    assert apart(outline.plan, np.array([[-4.0, -0.9], [0.0, -0.9], [0.0, 0.9], [-4.0, 0.9]])) < 0.001


def test_arches_boot_and_mirrors() -> None:
    body = join([
        box((-4.0, -0.7, 0.2), (0.0, 0.7, 1.3)), box((-3.0, -0.9, 0.2), (-2.4, 0.9, 0.7)),
        box((-1.3, -1.0, 0.8), (-1.1, 1.0, 1.0)),
    ])  # fmt: skip
    right = np.array([
        [-4.0, -0.7], [-3.0, -0.7], [-3.0, -0.9], [-2.4, -0.9], [-2.4, -0.7], [-1.3, -0.7], [-1.3, -1.0], [-1.1, -1.0],
        [-1.1, -0.7], [0.0, -0.7],
    ])  # fmt: skip
    plan = np.concatenate([right, right[::-1] * [1.0, -1.0]])
    outline = car_outline(body)
    assert apart(outline.plan, plan) < 0.0011
    # Rear faces of arches and mirrors face as much area as their fronts: nothing is missing.
    assert outline.note == ""


def scan(seed: int, corners: Floats = CAR) -> tuple[TriMesh, np.random.Generator]:
    """A car-shaped prism meshed as finely as a coarse scan, without its floor."""
    solid = fine(prism(corners, 0.2, 1.3), 0.04)
    return solid.subset(solid.corners[:, :, 2].max(axis=1) > 0.21), np.random.default_rng(seed)


def test_holes_noise_specks_and_needles_of_a_scan() -> None:
    body, rng = scan(1)
    middle = body.corners.mean(axis=1)
    holes = np.zeros(len(middle), bool)
    for place in (*middle[rng.integers(len(middle), size=40)], [-2.0, 0.9, 0.5]):
        holes |= np.linalg.norm(middle - place, axis=1) < 0.06
    # A slit through one side from sill to roof, and one place where nothing at all was caught.
    holes |= (np.abs(middle[:, 0] + 2.6) < 0.05) & (middle[:, 1] > 0.5) | (np.abs(middle[:, 0] + 1.6) < 0.02)
    body = body.subset(~holes)
    points = body.points + rng.normal(scale=0.0001, size=body.points.shape)
    points[rng.integers(len(points), size=8), 1] *= 1.0 + 1e-3
    specks = [
        mesh(trimesh.creation.icosphere(1, 0.01).apply_translation(place))
        for place in ([-2.0, 1.1, 0.5], [-4.2, 0.1, 0.4], [-2.0, 0.0, 1.6], [-3.0, -1.0, 0.9])
    ]
    needle = TriMesh(
        np.array([[-3.0, 0.9, 0.5], [-2.996, 0.9, 0.5], [-3.0, 1.0, 0.5]]), np.array([[0, 1, 2]], np.int32)
    )
    outline = car_outline(join([TriMesh(points, body.triangles), *specks, needle]))
    assert apart(outline.plan, CAR) < 0.002
    assert outline.roof_m == pytest.approx(1.3, abs=0.001)
    assert outline.note == ""


def test_faces_that_share_no_points_are_no_specks() -> None:
    body, _ = scan(2)
    loose = TriMesh(body.corners.reshape(-1, 3), np.arange(3 * len(body.triangles), dtype=np.int32).reshape(-1, 3))
    assert np.array_equal(car_outline(loose).plan, car_outline(body).plan)


@pytest.mark.parametrize("half", [1.0, -1.0])
def test_half_a_car_is_mirrored(half: float) -> None:
    body, _ = scan(3)
    outline = car_outline(body.subset((half * body.corners[:, :, 1]).min(axis=1) > -0.01))
    assert apart(outline.plan, CAR) < 0.001
    assert "half" in outline.note


def test_the_rear_alone_says_so() -> None:
    body, _ = scan(4)
    rear = body.subset(body.corners[:, :, 0].max(axis=1) < -1.5)
    outline = car_outline(rear)
    assert outline.cut
    assert "the front end of the outline is the cut" in outline.note
    assert "roof line may be higher" in outline.note
    assert outline.plan[:, 0].max() == pytest.approx(-1.5, abs=0.041)
    # A wing that reaches ahead of the cut is held against its width, never against the cut itself.
    (check,) = check_outline(outline, [("wing", box((-2.0, -0.8, 1.0), (-1.0, 0.8, 1.1)))])
    assert not check.outside.any()
    assert check.out_m == pytest.approx(-0.1, abs=1e-6)
    assert "ahead of where the scan ends" in check.sentence
    # With a roof that drops before the cut the highest place is known.
    hump = join([rear, box((-3.5, -0.3, 1.0), (-2.5, 0.3, 1.4))])
    assert "roof line" not in car_outline(hump).note


def test_the_road_about_the_car_is_no_body() -> None:
    patch = fine(box((-5.0, -1.5, -0.002), (-3.5, 1.5, 0.004)), 0.1)
    outline = car_outline(join([prism(CAR, 0.2, 1.3), patch]))
    assert apart(outline.plan, CAR) < 0.001
    with pytest.raises(InputError, match="above 50 mm over the road"):
        car_outline(patch)


def test_whole_cars_end_in_no_cut() -> None:
    body, _ = scan(5)
    middle = body.corners.mean(axis=1)
    # A windscreen that the scanner looked through.
    assert not car_outline(body.subset(~((middle[:, 0] > -0.85) & (middle[:, 2] > 0.8)))).cut


def outline_of(plan: Floats = CAR, roof: float = 1.3) -> CarOutline:
    return car_outline(prism(plan, 0.2, roof))


def test_parts_within() -> None:
    (check,) = check_outline(outline_of(), [("lower", box((-3.7, -0.5, 1.0), (-3.4, 0.4, 1.1)))])
    # At its rear the outline is 0.6 + 0.3 * 3 / 8 = 0.7125 m wide to each side.
    assert check.beyond_rear_m == pytest.approx(-0.3, abs=1e-6)
    assert check.beyond_left_m == pytest.approx(-0.3125, abs=2e-5)
    assert check.beyond_right_m == pytest.approx(-0.2125, abs=2e-5)
    assert check.above_roof_m == pytest.approx(-0.2, abs=1e-9)
    # Square to the slanting side it is nearer.
    assert check.out_m == pytest.approx(-0.2125 * np.cos(np.arctan2(0.3, 0.8)), abs=2e-4)
    assert check.farthest[:2] == pytest.approx([-3.7, -0.5])
    assert not check.outside.any()
    assert "within the outline seen from above" in check.sentence
    assert "200 mm below the roof" in check.sentence
    assert "local code" in check.sentence


def test_parts_that_stand_out() -> None:
    wing = box((-4.05, -0.65, 1.2), (-3.8, 0.65, 1.34))
    (check,) = check_outline(outline_of(), [("upper", wing)])
    assert check.beyond_rear_m == pytest.approx(0.05, abs=1e-6)
    # At the rearmost point the outline is 0.6 m wide to each side.
    assert check.beyond_left_m == pytest.approx(0.05, abs=5e-4)
    assert check.beyond_right_m == pytest.approx(0.05, abs=5e-4)
    assert check.above_roof_m == pytest.approx(0.04, abs=1e-9)
    assert check.out_m == pytest.approx(np.hypot(0.05, 0.05), abs=5e-4)
    assert np.array_equal(check.outside, wing.points[:, 0] < -4.0)
    assert np.abs(check.farthest[:2]) == pytest.approx([4.05, 0.65])
    for words in ("50 mm behind the rearmost point", "50 mm beyond the left side", "70 mm out", "40 mm above the roof"):
        assert words in check.sentence


def test_sides_are_told_at_the_parts_own_place() -> None:
    # 0.85 m is within at the arches and outside at the rear.
    outline = outline_of()
    at_arch, at_rear = check_outline(
        outline, [(n, box((x, 0.0, 1.0), (x + 0.1, 0.85, 1.1))) for n, x in (("a", -3.0), ("b", -3.9))]
    )
    assert at_arch.beyond_left_m == pytest.approx(-0.05, abs=1e-6)
    assert at_rear.beyond_left_m == pytest.approx(0.85 - 0.6375, abs=5e-4)
    assert not at_arch.outside.any()
    assert at_rear.outside.any()


def test_a_long_face_across_a_waist_is_seen_between_its_points() -> None:
    body = join([box((-4.0, -0.9, 0.2), (-3.0, 0.9, 1.0)), box((-3.0, -0.6, 0.2), (-2.0, 0.6, 1.0)),
                 box((-2.0, -0.9, 0.2), (0.0, 0.9, 1.3))])  # fmt: skip
    (check,) = check_outline(car_outline(body), [("rail", box((-3.5, 0.0, 0.5), (-1.5, 0.8, 0.6)))])
    assert check.beyond_left_m == pytest.approx(0.2, abs=1e-6)
    assert not check.outside.any()  # none of its eight corners
    assert check.out_m == pytest.approx(0.2, abs=0.002)
    assert -3.0 < check.farthest[0] < -2.0


def test_a_part_ahead_of_a_whole_car_is_outside() -> None:
    (check,) = check_outline(outline_of(), [("lip", box((-0.1, -0.3, 0.2), (0.2, 0.3, 0.3)))])
    assert check.out_m == pytest.approx(0.2, abs=1e-6)
    assert "ahead of the body" in check.sentence


@pytest.mark.parametrize("x", [-3.7004, -3.7])
def test_a_sheet_across_the_car_thinner_than_the_cuts_are_apart(x: float) -> None:
    # Exact: an upright sheet 0.2 mm thick, or without thickness, between two cuts 1 mm apart or on one; to each side
    # the outline is 0.6 + 0.3 (4 + x) / 0.8 m wide there.
    flat = TriMesh(np.array([[x, -0.5, 1.0], [x, 0.8, 1.0], [x, 0.8, 1.1]]), np.array([[0, 1, 2]], np.int32))
    wide = 0.6 + 0.3 * (4.0 + x) / 0.8
    for sheet in (flat, box((x, -0.5, 1.0), (x + 2e-4, 0.8, 1.1))):
        (check,) = check_outline(outline_of(), [("gurney", sheet)])
        assert check.beyond_left_m == pytest.approx(0.8 - wide, abs=2e-4)
        assert check.beyond_right_m == pytest.approx(0.5 - wide, abs=2e-4)
        assert check.beyond_rear_m == pytest.approx(-4.0 - x, abs=1e-9)
        assert check.above_roof_m == pytest.approx(-0.2, abs=1e-9)
        assert check.outside.any()


@pytest.mark.parametrize(
    ("points", "triangles", "words"),
    [([[0, 0, 0]], np.zeros((0, 3)), "no faces"), ([[0, 0, 0], [0, np.nan, 0], [1, 1, 1]], [[0, 1, 2]], "not numbers"),
     ([[0, 0, 0], [0, 1e-3, 0], [1e-3, 1e-3, 1]], [[0, 1, 2]], "metres")],
)  # fmt: skip
def test_bad_bodies_are_refused(points: list, triangles: list, words: str) -> None:
    with pytest.raises(InputError, match=words):
        car_outline(TriMesh(np.array(points, np.float64), np.asarray(triangles, np.int32)))


def test_a_part_without_faces_is_refused() -> None:
    with pytest.raises(InputError, match="“empty” holds no faces"):
        check_outline(outline_of(), [("empty", TriMesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32)))])
