"""Sharp edges, against shapes whose edges and radii are known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from wing_cases import CLOSED, PLATE, naca, wing

from wingfettle.core.clearance.edges import HIGHEST_M, LEAST_RADIUS_M, SharpEdges, sharp_edges
from wingfettle.core.elements.loft import loft
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh, join

Floats = NDArray[np.float64]


def mesh(solid: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.asarray(solid.vertices, np.float64), np.asarray(solid.faces, np.int32))


def box(low: tuple[float, float, float], high: tuple[float, float, float], finer: int = 0) -> TriMesh:
    solid = trimesh.creation.box(np.subtract(high, low)).apply_translation(np.add(low, high) / 2)
    for _ in range(finer):
        solid = solid.subdivide()
    return mesh(solid)


def prism(outline: Floats, length: float, base: float = 1.0) -> TriMesh:
    """The solid over a counter-clockwise outline (k, 2) m, x and z, along y; its caps are a fan about the first point.

    Every face between two points of the outline is cut in two slivers, as exporters do.
    """
    k = len(outline)
    here, after = np.arange(k), np.roll(np.arange(k), -1)
    points = np.concatenate(
        [np.column_stack([outline[:, 0], np.full(k, y), outline[:, 1] + base]) for y in (0.0, length)]
    )
    sides = np.concatenate([np.column_stack([here, here + k, after]), np.column_stack([after, here + k, after + k])])
    fan = np.column_stack([np.zeros(k - 2, int), np.arange(1, k - 1), np.arange(2, k)])
    return TriMesh(points, np.concatenate([sides, fan, fan[:, ::-1] + k]).astype(np.int32))


def rounded(width: float, height: float, radius: float, facets: int) -> Floats:
    """A rectangle with round corners of ``facets`` each, their points on the circle."""
    turn = np.linspace(0.0, 0.5 * np.pi, facets + 1)
    corners = []
    for quarter, (sx, sz) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        angle = turn + 0.5 * np.pi * quarter
        middle = np.array([sx * (0.5 * width - radius), sz * (0.5 * height - radius)])
        corners.append(middle + radius * np.column_stack([np.cos(angle), np.sin(angle)]))
    points = np.concatenate(corners)
    return points[np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > 1e-9]


def perimeter(outline: Floats) -> float:
    return float(np.linalg.norm(outline - np.roll(outline, 1, axis=0), axis=1).sum())


def edges_of(part: TriMesh, *around: TriMesh, least: float = LEAST_RADIUS_M) -> SharpEdges:
    (found,) = sharp_edges([("part", part)], join(list(around)) if around else None, least)
    return found


def lengthwise(found: SharpEdges, axis: int = 1) -> tuple[float, Floats]:
    """Length of the pieces that run along ``axis``, and their radii."""
    run = found.ends[:, 1] - found.ends[:, 0]
    along = np.abs(run[:, axis]) > 0.99 * np.linalg.norm(run, axis=1)
    return float(np.linalg.norm(run[along], axis=1).sum()), found.radius_m[along]


@pytest.mark.parametrize("finer", [0, 1, 3])
def test_all_edges_of_a_box_are_sharp(finer: int) -> None:
    found = edges_of(box((0.0, 0.0, 1.0), (0.3, 0.2, 1.15), finer))
    assert found.length_m == pytest.approx(4 * (0.3 + 0.2 + 0.15), abs=1e-9)
    assert found.least_m == 0.0
    assert (found.radius_m == 0.0).all()
    assert np.linalg.norm(found.ends[:, 1] - found.ends[:, 0], axis=1).max() < 0.020 + 1e-9


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_answers_do_not_depend_on_the_meshs_order_winding_or_welding(seed: int) -> None:
    rng = np.random.default_rng(seed)
    whole = mesh(trimesh.creation.box((0.3, 0.2, 0.15), trimesh.transformations.random_rotation_matrix(rng.random(3))))
    whole = TriMesh(whole.points + [0.0, 0.0, 1.0], whole.triangles)
    faces = whole.triangles[rng.permutation(12)]
    faces = np.array([np.roll(f, n) for f, n in zip(faces, rng.integers(3, size=12), strict=True)], np.int32)
    flip = rng.random(12) < rng.choice([0.0, 0.3, 1.0])
    faces[flip] = faces[flip][:, ::-1]
    if rng.random() < 0.5:
        whole, faces = TriMesh(whole.points[faces].reshape(-1, 3), faces), np.arange(36, dtype=np.int32).reshape(-1, 3)
    found = edges_of(TriMesh(whole.points, faces))
    assert found.length_m == pytest.approx(2.6, abs=1e-9)
    assert (found.radius_m == 0.0).all()


@pytest.mark.parametrize("facets", [2, 3, 6, 24])
@pytest.mark.parametrize("radius", [0.0005, 0.0015, 0.0023, 0.003, 0.006, 0.03])
def test_rounded_bar(radius: float, facets: int) -> None:
    outline = rounded(0.12, 0.08, radius, facets)
    found = edges_of(prism(outline, 0.5))
    length, radii = lengthwise(found)
    if radius < LEAST_RADIUS_M:
        assert length == pytest.approx(4 * 0.5, abs=1e-9)  # each rounding once, however many facets it has
        # Points on the circle: chords are shorter than the arc, most so with two facets.
        assert radii == pytest.approx(radius, rel=0.12 if facets == 2 else 0.06)
    else:
        assert length == 0.0
    assert found.length_m - length == pytest.approx(2 * perimeter(outline), abs=1e-4)  # the flat ends


@settings(deadline=None, max_examples=15)
@given(st.floats(0.0008, 0.008), st.integers(4, 30), st.floats(0.0, 6.3), st.floats(0.0, 0.01))
def test_radius_of_bars_that_lie_anyhow(radius: float, facets: int, turn: float, least: float) -> None:
    bar = prism(rounded(0.12, 0.08, radius, facets), 0.3)
    c, s = math.cos(turn), math.sin(turn)
    bar = TriMesh(bar.points @ np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]]), bar.triangles)
    bar = TriMesh(bar.points - [0.0, 0.0, bar.points[:, 2].min() - 0.5], bar.triangles)
    least = max(least, 1e-4)
    found = edges_of(bar, least=least)
    round_ = found.radius_m > 0.0
    length = np.linalg.norm(found.ends[:, 1] - found.ends[:, 0], axis=1)[round_].sum()
    if radius < 0.94 * least:
        assert length == pytest.approx(4 * 0.3, abs=1e-6)
        assert found.radius_m[round_] == pytest.approx(radius, rel=0.05)
    elif radius > 1.06 * least:
        assert length == 0.0


@pytest.mark.parametrize("facets", [7, 8, 12, 20, 64])
def test_coarse_tubes_are_round(facets: int) -> None:
    tube = trimesh.creation.cylinder(0.02, 0.4, sections=facets).apply_translation([0.0, 0.0, 1.0])
    rim = 2 * facets * 2 * 0.02 * math.sin(math.pi / facets)
    assert edges_of(mesh(tube)).length_m == pytest.approx(rim, abs=1e-9)
    assert lengthwise(edges_of(mesh(tube)), 2)[0] == 0.0


@pytest.mark.parametrize("facets", [8, 12, 48])
def test_thin_rods_are_sharp_all_round(facets: int) -> None:
    rod = trimesh.creation.cylinder(0.002, 0.4, sections=facets).apply_translation([0.0, 0.0, 1.0])
    found = edges_of(mesh(rod))
    _, radii = lengthwise(found, 2)
    assert radii == pytest.approx(0.002, rel=0.03)
    # They count as the two sides that half a turn each makes, and the two rims.
    rims = 2 * facets * 2 * 0.002 * math.sin(math.pi / facets)
    assert found.length_m == pytest.approx(2 * 0.4 + rims, abs=1e-6)


def test_balls_have_no_edges() -> None:
    for finer in (1, 2, 4):
        assert edges_of(mesh(trimesh.creation.icosphere(finer, 0.05).apply_translation([0, 0, 1]))).length_m == 0.0


@pytest.mark.parametrize("radius", [0.0015, 0.004])
def test_a_box_rounded_all_over_in_slivers(radius: float) -> None:
    # The hull of eight balls turned at random: its roundings are slivers that run askew.
    rng = np.random.default_rng(4)
    balls = []
    for corner in np.array(np.meshgrid(*[[-1.0, 1.0]] * 3)).reshape(3, -1).T:
        ball = trimesh.creation.icosphere(3, radius)
        ball.apply_transform(trimesh.transformations.random_rotation_matrix(rng.random(3)))
        balls.append(ball.vertices + corner * (np.array([0.15, 0.1, 0.075]) - radius))
    hull = trimesh.convex.convex_hull(np.concatenate(balls)).apply_translation([0.0, 0.0, 1.0])
    found = edges_of(mesh(hull))
    if radius > LEAST_RADIUS_M:
        assert found.length_m == 0.0
        return
    assert found.length_m == pytest.approx(2.6, rel=0.2)
    assert np.median(found.radius_m) == pytest.approx(radius, rel=0.2)


@pytest.mark.parametrize("angle", [3.0, 30.0, 90.0, 120.0, 140.0])
def test_wedges(angle: float) -> None:
    half = math.radians(0.5 * angle)
    outline = 0.2 * np.array([[0.0, 0.0], [math.cos(half), -math.sin(half)], [math.cos(half), math.sin(half)]])
    found = edges_of(prism(outline, 0.3))
    assert found.length_m == pytest.approx(3 * 0.3 + 2 * perimeter(outline), abs=1e-9)
    assert (found.radius_m == 0.0).all()


def test_a_fold_that_hardly_turns_is_no_edge() -> None:
    outline = np.array([[0.0, 0.0], [0.2, 0.0], [0.2, 0.1], [0.1, 0.115], [0.0, 0.1]])
    assert lengthwise(edges_of(prism(outline, 0.3)))[0] == pytest.approx(4 * 0.3, abs=1e-9)


@pytest.mark.parametrize("facets", [6, 12, 40])
@pytest.mark.parametrize("radius", [0.0015, 0.003])
def test_plate_with_half_round_edges(radius: float, facets: int) -> None:
    outline = rounded(0.2, 2.0 * radius, radius, facets // 2)
    length, radii = lengthwise(edges_of(prism(outline, 0.3)))
    if radius < LEAST_RADIUS_M:
        assert length == pytest.approx(2 * 0.3, abs=1e-9)
        assert radii == pytest.approx(radius, rel=0.05)
    else:
        assert length == 0.0


@pytest.mark.parametrize("thick", [0.0005, 0.002, 0.004])
def test_a_blunt_edge_is_two_sharp_ones(thick: float) -> None:
    outline = np.array([[0.0, 0.0], [0.2, 0.0], [0.2, 0.03], [0.0, thick]])
    found = edges_of(prism(outline, 0.3))
    length, radii = lengthwise(found)
    assert length == pytest.approx(4 * 0.3, abs=1e-9)
    assert (radii == 0.0).all()


def test_inner_corners_do_not_count() -> None:
    outline = np.array([[0.15, 0.15], [0.0, 0.15], [0.0, 0.0], [0.4, 0.0], [0.4, 0.4], [0.15, 0.4]])
    found = edges_of(prism(outline, 0.3))
    assert found.length_m == pytest.approx(5 * 0.3 + 2 * perimeter(outline), abs=1e-9)
    middle = found.ends.mean(axis=1)
    assert not (
        (np.abs(middle[:, 0] - 0.15) < 1e-6)
        & (np.abs(middle[:, 2] - 1.15) < 1e-6)
        & (middle[:, 1] > 1e-6)
        & (middle[:, 1] < 0.3 - 1e-6)
    ).any()


def test_thin_and_flat_triangles_along_an_edge_change_nothing() -> None:
    # The box's upper faces meet its sides over a triangle without area: one side has a point on the edge more.
    whole = box((0.0, 0.0, 1.0), (0.3, 0.2, 1.15))
    faces = whole.triangles.tolist()
    shared = next((f, g, e) for f in faces for g in faces if f != g
                  for e in [set(f) & set(g)] if len(e) == 2 and abs(np.dot(*_normals(whole, f, g))) < 0.1)  # fmt: skip
    face, _, _ = shared
    a, b = [p for p in face if p in shared[2]]
    if face[(face.index(a) + 1) % 3] != b:
        a, b = b, a
    c = next(p for p in face if p not in shared[2])
    points = np.concatenate([whole.points, [0.5 * (whole.points[a] + whole.points[b])]])
    n = len(whole.points)
    faces.remove(face)
    faces += [[a, n, c], [n, b, c], [a, b, n]]
    found = edges_of(TriMesh(points, np.array(faces, np.int32)))
    assert found.length_m == pytest.approx(2.6, abs=1e-9)


def _normals(whole: TriMesh, *faces: list[int]) -> list[Floats]:
    corners = whole.points[np.array(faces)]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return list(cross / np.linalg.norm(cross, axis=1)[:, None])


def test_the_border_of_a_sheet_is_sharp() -> None:
    sheet = TriMesh(
        np.array([[0, 0, 1], [0.3, 0, 1], [0.3, 0.2, 1], [0, 0.2, 1]]), np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    )
    assert edges_of(sheet).length_m == pytest.approx(1.0, abs=1e-9)


def channel(gap: float, length: float, base: float) -> TriMesh:
    """A groove along y, ``gap`` wide, its floor at ``base``, its sides 300 mm high."""
    sides = [
        box((s * gap / 2 - (s < 0) * 0.05, -1.0, base), (s * gap / 2 + (s > 0) * 0.05, 1.0 + length, base + 0.3))
        for s in (-1, 1)
    ]
    return join([*sides, box((-0.2, -1.0, base - 0.05), (0.2, 1.0 + length, base))])


@pytest.mark.parametrize("as_part", [False, True])
@pytest.mark.parametrize(("gap", "reached"), [(0.08, False), (0.1, False), (0.104, True), (0.12, True)])
def test_edges_in_a_gap(gap: float, reached: bool, as_part: bool) -> None:
    # A blade 2 mm thick, let 180 mm into the groove: its lower edges lie 1 mm off the middle, so that a ball of
    # 100 mm held under one of them reaches 51 mm from the middle.
    blade = box((-0.001, 0.0, 1.12), (0.001, 0.3, 1.6))
    groove = channel(gap, 0.3, 1.0)
    found = sharp_edges([("blade", blade), ("groove", groove)])[0] if as_part else edges_of(blade, groove)
    low = np.isclose(found.ends[:, :, 2], 1.12).all(axis=1) & (
        np.abs(found.ends[:, 0, 1] - found.ends[:, 1, 1]) > 0.001
    )
    length = np.linalg.norm(found.ends[low, 1] - found.ends[low, 0], axis=1).sum()
    assert length == pytest.approx(2 * 0.3 if reached else 0.0, abs=1e-9)
    # Its upper edges stand out of the groove.
    assert np.isclose(found.ends[:, :, 2], 1.6).all(axis=1).sum() > 2 * 15 - 1


def test_part_of_an_edge_may_be_covered() -> None:
    # A block swallows the bar up to x = 0; a ball clear of it starts 50 mm farther on.
    bar, block = box((-0.5, 0.0, 1.0), (0.5, 0.02, 1.02)), box((-0.6, -0.4, 0.6), (0.0, 0.4, 1.4))
    length, _ = lengthwise(edges_of(bar, block), 0)
    assert length == pytest.approx(4 * 0.45, abs=4 * 0.02)


def test_covered_edges_lie_against_the_body() -> None:
    # A foot that stands on the boot: its lower edges touch the surface, but for a ball from the side they are a corner.
    foot = box((-3.1, 0.0, 1.0), (-3.0, 0.05, 1.1))
    deck = box((-4.0, -0.8, 0.5), (-2.0, 0.8, 1.0))
    found = edges_of(foot, deck)
    assert found.ends[:, :, 2].min(axis=1).min() > 1.0
    # Of the upright ones only what is 50 mm up counts; the upper four count whole.
    assert found.length_m == pytest.approx(2 * (0.1 + 0.05) + 4 * 0.05, abs=4 * 0.02)


def shell(seed: int = 0) -> TriMesh:
    """A deck, open below, that looks up: a box's five faces in fine triangles."""
    deck = box((-4.0, -0.8, 0.5), (-2.0, 0.8, 1.0), 4)
    return deck.subset(deck.corners[:, :, 2].max(axis=1) > 0.5 + 1e-9)


def over(mesh: TriMesh, which: NDArray[np.bool_]) -> TriMesh:
    return TriMesh(mesh.points, np.where(which[:, None], mesh.triangles[:, ::-1], mesh.triangles))


@pytest.mark.parametrize("loose", [False, True])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 1.0])
def test_how_the_body_is_wound_makes_no_difference(share: float, loose: bool) -> None:
    # Exact: a bar that stands clear of the deck shows all its edges; one below the skin shows none.
    body = shell()
    clear, below = box((-3.1, 0.0, 1.2), (-3.0, 0.05, 1.3)), box((-3.1, 0.0, 0.7), (-3.0, 0.05, 0.8))
    flip = np.random.default_rng(1).random(len(body.triangles)) < share
    if loose:  # two halves that share no points, one of them turned over
        halves = [body.corners.mean(axis=1)[:, 1] > 0.0, body.corners.mean(axis=1)[:, 1] <= 0.0]
        body = join(
            [over(body.subset(h), np.full(h.sum(), s < share)) for h, s in zip(halves, (0.05, 0.6), strict=True)]
        )
    else:
        body = over(body, flip)
    found = sharp_edges([("clear", clear), ("below", below)], body)
    assert [f.length_m for f in found] == pytest.approx([4 * (0.1 + 0.05 + 0.1), 0.0], abs=1e-9)
    assert "outside from its inside" not in found[0].sentence


def test_a_body_whose_faces_tell_no_side_hides_no_edges() -> None:
    # Exact: with a floor far below it, an underside alone looks as if turned over, and would hide all that is under it.
    body = over(shell(), np.ones(len(shell().triangles), bool))
    low = TriMesh(body.points * [1, 1, -1] + [0, 0, 2.0], body.triangles[:, ::-1])  # a tub, open above
    floor = low.subset(low.corners[:, :, 2].max(axis=1) < 1.0 + 1e-9)  # its bottom, looking down
    bar = box((-3.1, 0.0, 0.7), (-3.0, 0.05, 0.8))
    found = edges_of(bar, floor)
    assert found.length_m == pytest.approx(4 * (0.1 + 0.05 + 0.1), abs=1e-9)
    assert "do not tell its outside from its inside here" in found.sentence


def test_only_between_road_and_two_metres() -> None:
    mast = box((0.0, 0.0, -0.5), (0.1, 0.1, 2.5))
    length, _ = lengthwise(edges_of(mast), 2)
    assert length == pytest.approx(4 * HIGHEST_M, abs=4 * 0.02)
    assert edges_of(box((0.0, 0.0, 2.1), (0.1, 0.1, 2.2))).length_m == 0.0
    assert "no edge" in edges_of(box((0.0, 0.0, -0.2), (0.1, 0.1, -0.1))).sentence


# Arc length of the four-digit thickness form, both sides, over the chord: from the published polynomial.
def arc(thickness: float, last: float) -> float:
    t = np.linspace(0.0, 1.0, 200001)
    x = t**2
    y = 5.0 * thickness * (0.2969 * t - 0.1260 * x - 0.3516 * x**2 + 0.2843 * x**3 + last * x**4)
    return float(2.0 * np.hypot(np.diff(x), np.diff(y)).sum())


@pytest.mark.parametrize(("n", "strips"), [(32, 16), (70, 70)])
def test_wing_with_a_blunt_edge(n: int, strips: int) -> None:
    shape = naca(0.12)
    found = edges_of(loft(wing(shape=shape, tip_shape=shape), n, strips).triangles())
    # Two edges behind, the outline of two flat tips; the nose radius 1.1019 t^2 c = 3.8 mm (NACA Report 460) is none.
    blunt = 2 * 5 * 0.12 * (0.2969 - 0.1260 - 0.3516 + 0.2843 - 0.1015) * 0.24
    assert found.length_m == pytest.approx(2 * 1.3 + 2 * (0.24 * arc(0.12, -0.1015) + blunt), rel=2e-3)
    assert found.least_m == 0.0
    assert "rear edge 260" in found.sentence  # 2 * 1300 and the two short ends, mm
    assert "left end" in found.sentence
    assert "Regulation No. 26" in found.sentence
    assert "60 Shore A" in found.sentence
    assert "local code" in found.sentence


def test_wing_with_a_knife_edge() -> None:
    shape = naca(0.12, last=CLOSED)
    found = edges_of(loft(wing(shape=shape, tip_shape=shape), 48, 16).triangles())
    assert found.length_m == pytest.approx(1.3 + 2 * 0.24 * arc(0.12, CLOSED), rel=2e-3)


@pytest.mark.parametrize("n", [40, 60, 120])
@pytest.mark.parametrize("chord", [0.08, 0.12, 0.24])
def test_nose_radius(chord: float, n: int) -> None:
    # NACA Report 460: the nose radius of the four-digit form is 1.1019 t^2 c.
    shape, radius = naca(0.12), 1.1019 * 0.12**2 * chord
    found = edges_of(loft(wing(chord_m=chord, shape=shape, tip_shape=shape, incidence_rad=0.0), n, 8).triangles())
    nose = (found.ends[:, :, 0] > -3.9 - 0.01 * chord).all(axis=1) & (
        np.abs(found.ends[:, 0, 1] - found.ends[:, 1, 1]) > 1e-4
    )
    length = np.linalg.norm(found.ends[nose, 1] - found.ends[nose, 0], axis=1).sum()
    if radius < LEAST_RADIUS_M:
        assert length == pytest.approx(1.3, abs=1e-6)
        assert found.radius_m[nose] == pytest.approx(radius, rel=0.06)
    else:
        assert length == 0.0


def test_end_plates() -> None:
    shape = naca(0.12)
    bare, plated = (edges_of(loft(wing(shape=shape, tip_shape=shape, end_plate=p)).triangles()) for p in (None, PLATE))
    # The plates hide the tips' outlines and show both rims of a sheet of 4 mm each; their corners have a radius of 15 %
    # of the shorter side, so nothing else.
    across, high = 0.24 + 0.05, 0.17
    rim = 2 * (across + high) - (8 - 2 * math.pi) * 0.15 * high
    assert plated.length_m > bare.length_m
    outer = np.isclose(np.abs(plated.ends[:, :, 1]), 0.65 + PLATE.thickness_m).all(axis=1)
    length = np.linalg.norm(plated.ends[outer, 1] - plated.ends[outer, 0], axis=1).sum()
    assert length == pytest.approx(2 * rim, rel=0.01)
    on_tip = np.isclose(np.abs(plated.ends[:, :, 1]), 0.65).all(axis=1)
    assert not on_tip.any()


def test_bad_input_is_refused() -> None:
    none = TriMesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32))
    with pytest.raises(InputError, match="“a” holds no faces"):
        sharp_edges([("a", none)])
    with pytest.raises(InputError, match="not numbers"):
        sharp_edges([("a", TriMesh(np.full((3, 3), np.nan), np.array([[0, 1, 2]], np.int32)))])
    with pytest.raises(InputError, match="radius"):
        sharp_edges([], None, -1.0)
