"""Signed distances, the deviation map, its numbers, its colours and its drawings."""

from __future__ import annotations

import json
import math
import xml.etree.ElementTree as ElementTree
from dataclasses import asdict

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from wingfettle.core.elements.deviation import deviation, deviation_summary
from wingfettle.core.elements.deviation_colours import colour_ticks, deviation_colours
from wingfettle.core.elements.element import Element
from wingfettle.core.elements.loft import loft
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.geometry.signed import SignedSurface, triangle_areas
from wingfettle.core.report.histogram import histogram_svg, profile_svg
from wingfettle.core.sections.shape import SectionShape

RNG = np.random.default_rng


def ours(mesh: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int32))


def wing(trailing_edge: float = 0.006, along_contour: int = 24, along_span: int = 16) -> TriMesh:
    shape = SectionShape(
        half_thickness=np.array([0.17, 0.16, 0.16, 0.14, 0.15, 0.14]),
        mean_line=np.full(6, 0.12),
        trailing_edge=trailing_edge,
    )
    at = np.array([0.2, 0.0, 1.0])
    element = Element("wing", at, 0.9, 0.2, 0.8, 0.05, 0.02, math.radians(3.0), 0.01, shape, shape)
    return loft(element, along_contour, along_span).triangles()


def peer(points: np.ndarray, mesh: TriMesh) -> np.ndarray:
    """libigl's signed distance with its pseudonormals, negative inside."""
    return igl.signed_distance(
        points, mesh.points, mesh.triangles.astype(np.int64), sign_type=igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    )[0]


def around(mesh: TriMesh, count: int, seed: int, spread: float) -> np.ndarray:
    """Points near the surface, denser than its faces, and some farther off."""
    rng = RNG(seed)
    face = rng.integers(0, len(mesh.triangles), count)
    weight = rng.dirichlet([1.0, 1.0, 1.0], count)
    on = np.einsum("nk,nkc->nc", weight, mesh.corners[face])
    return on + rng.normal(0.0, spread, (count, 3)) * rng.choice([0.05, 1.0, 6.0], (count, 1))


# --- signed distance ------------------------------------------------------------------------------------------


def test_box_is_met_exactly_over_faces_edges_and_corners() -> None:
    # Exact: the distance to a box with half sides h is |max(q, 0)| + min(max q, 0) with q = |p| - h.
    half = np.array([0.5, 0.3, 0.05])
    surface = SignedSurface.build(ours(trimesh.creation.box(2.0 * half)))
    points = RNG(0).uniform(-1.0, 1.0, (20000, 3)) * [0.9, 0.6, 0.2]
    q = np.abs(points) - half
    exact = np.linalg.norm(np.maximum(q, 0.0), axis=1) + np.minimum(q.max(axis=1), 0.0)
    found = surface.distance(points)
    np.testing.assert_allclose(found.distance_m, exact, atol=1e-15)
    np.testing.assert_allclose(np.linalg.norm(points - found.foot, axis=1), np.abs(exact), atol=1e-15)
    corner = np.array([[0.5, 0.3, 0.05], [-0.5, -0.3, -0.05]])
    np.testing.assert_array_equal(surface.distance(corner).distance_m, 0.0)
    np.testing.assert_allclose(surface.distance(corner * 1.1).distance_m, 0.1 * np.linalg.norm(corner[0]), atol=1e-15)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "mesh",
    [
        pytest.param(lambda: wing(), id="blunt wing"),
        pytest.param(lambda: wing(0.0), id="knife-sharp wing"),
        pytest.param(lambda: ours(trimesh.creation.annulus(0.1, 0.2, 0.1)), id="ring with long faces"),
        pytest.param(lambda: ours(trimesh.creation.icosphere(4, 0.3)), id="sphere"),
    ],
)
def test_closed_shapes_agree_with_a_general_library(mesh, seed: int) -> None:
    # libigl's signed distance with pseudonormals, a peer of its own; both name the same nearest distance and side.
    body = mesh()
    for count in (300, 6000):
        points = around(body, count, seed, 0.01)
        expected = peer(points, body)
        found = SignedSurface.build(body).distance(points).distance_m
        np.testing.assert_allclose(np.abs(found), np.abs(expected), atol=1e-12)
        # On the surface itself the side is a matter of rounding.
        off = np.abs(expected) > 1e-9
        np.testing.assert_array_equal(np.sign(found[off]), np.sign(expected[off]))


def test_side_is_right_where_face_normals_fail() -> None:
    # Winding numbers (libigl's fast ones; another principle) tell inside from outside of a knife-sharp wing.
    body = wing(0.0)
    tail = body.points[body.points[:, 0] < np.percentile(body.points[:, 0], 4.0)]
    points = np.repeat(tail, 40, axis=0) + RNG(1).normal(0.0, 0.002, (40 * len(tail), 3))
    winding = igl.fast_winding_number(body.points, body.triangles.astype(np.int64), points)
    found = SignedSurface.build(body).distance(points)
    sure = np.abs(found.distance_m) > 1e-5
    np.testing.assert_array_equal(found.distance_m[sure] < 0.0, winding[sure] > 0.5)
    # The case that matters is there: sides that the normal of the nearest face alone would get wrong.
    corners = body.corners[found.face]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    naive = ((points - found.foot) * normal).sum(axis=1) < 0.0
    assert (naive != (winding > 0.5))[sure].sum() > 20


@given(seed=st.integers(0, 2**32 - 1), reach=st.sampled_from([0.002, 0.01, np.inf]))
@settings(max_examples=15, deadline=None)
def test_any_pose_and_reach_agrees_with_a_general_library(seed: int, reach: float) -> None:
    rng = RNG(seed)
    turn = Rotation.random(random_state=seed % 2**31).as_matrix()
    body = wing(rng.choice([0.0, 0.004]), 8, 6)
    body = TriMesh(body.points @ turn.T + rng.uniform(-2.0, 2.0, 3), body.triangles)
    points = around(body, 800, seed, 0.005)
    expected = peer(points, body)
    found = SignedSurface.build(body).distance(points, reach)
    near = np.abs(expected) <= reach
    np.testing.assert_array_equal(np.isnan(found.distance_m), ~near)
    np.testing.assert_array_equal(found.face < 0, ~near)
    np.testing.assert_array_equal(np.isnan(found.foot).any(axis=1), ~near)
    off = near & (np.abs(expected) > 1e-9)
    # The library takes roots of squared distances, so that near the surface rounding grows to some 1e-10 m.
    np.testing.assert_allclose(found.distance_m[off], expected[off], atol=1e-9)


def test_points_on_one_another_and_on_the_surface_are_found() -> None:
    body = wing()
    points = np.repeat(np.concatenate([body.points[::7], body.corners.mean(axis=1)[::5]]), 40, axis=0)
    np.testing.assert_allclose(SignedSurface.build(body).distance(points, 0.001).distance_m, 0.0, atol=1e-15)


def test_a_surface_far_finer_in_one_place_agrees_with_a_general_library() -> None:
    ball, box = trimesh.creation.icosphere(5, 0.005), trimesh.creation.box((1.0, 1.0, 0.1))
    ball.apply_translation([0.0, 0.0, 0.2])
    body = ours(trimesh.util.concatenate([box, ball]))
    points = ball.vertices[:2000] + RNG(4).normal(0.0, 1e-4, (2000, 3))
    expected = peer(points, body)
    np.testing.assert_allclose(SignedSurface.build(body).distance(points).distance_m, expected, atol=1e-12)


def test_split_points_and_faces_without_area_change_nothing() -> None:
    body = wing(0.0)
    split = TriMesh(body.corners.reshape(-1, 3), np.arange(3 * len(body.triangles), dtype=np.int32).reshape(-1, 3))
    flat = np.array([[0, 1, 1], [5, 5, 5]], np.int32)
    points = around(body, 3000, 5, 0.004)
    plain = SignedSurface.build(body).distance(points)
    same = SignedSurface.build(split).distance(points)
    np.testing.assert_array_equal(same.distance_m, plain.distance_m)
    dirty = SignedSurface.build(TriMesh(body.points, np.concatenate([flat, body.triangles]))).distance(points)
    np.testing.assert_array_equal(dirty.distance_m, plain.distance_m)
    np.testing.assert_allclose(np.linalg.norm(points - dirty.foot, axis=1), np.abs(plain.distance_m), atol=1e-14)
    assert dirty.face.min() >= 2


def test_beside_an_open_surface_is_no_distance_over_it_is() -> None:
    # Exact: a unit square in z = 0 facing up.
    square = TriMesh(
        np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]), np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    )
    points = np.array(
        [[0.5, 0.5, 0.1], [0.9, 0.2, -0.3], [1.1, 0.5, 0.0], [1.3, 1.3, 0.1], [1.0, 0.5, 0.2], [1, 1, -0.1]]
    )
    found = SignedSurface.build(square).distance(points).distance_m
    np.testing.assert_allclose(found, [0.1, -0.3, np.nan, np.nan, 0.2, -0.1], atol=1e-15)


def test_areas_are_those_of_a_general_library() -> None:
    mesh = trimesh.creation.torus(0.3, 0.1)
    np.testing.assert_allclose(triangle_areas(ours(mesh)), mesh.area_faces, rtol=1e-12)


# --- deviation map --------------------------------------------------------------------------------------------


def test_sphere_offset_comes_back_on_both_sides() -> None:
    # Exact: scan points on a sphere 0.4 mm larger. A facet of the icosphere lies inside its ball by at most the
    # sagitta of its circumradius, here computed from the mesh itself.
    ball = trimesh.creation.icosphere(4, 0.2)
    scan = trimesh.creation.icosphere(5, 0.2004)
    found = deviation(ours(scan), ours(ball), tolerance_m=0.001)
    sagitta = 0.2 - np.linalg.norm(ball.triangles_center, axis=1).min()
    assert found.scan_m.min() > 0.0004 - 1e-12
    assert found.scan_m.max() < 0.0004 + sagitta
    # The scan's facets lie nearer to the element's points by their own sagitta; the element is inside.
    assert found.element_m.max() < 0.0
    assert found.element_m.min() > -0.0004 - 1e-12
    s = found.summary
    assert 0.0004 < s.mean_m < 0.0004 + sagitta
    assert (s.within, s.without_partner, s.covered, s.deep_inside) == (pytest.approx(1.0), 0.0, pytest.approx(1.0), 0)


@pytest.mark.parametrize("shift", [0.0003, -0.0003])
def test_scan_moved_along_its_normals_gives_that_shift(shift: float) -> None:
    # Exact on the flat sides of a box: each scan point is one of the element's places moved square to it.
    box = ours(trimesh.creation.box((0.4, 0.3, 0.1)))
    rng = RNG(3)
    u = rng.uniform(-0.9, 0.9, (4000, 2)) * [0.2, 0.15]
    points = np.column_stack([u, np.full(len(u), 0.05 + shift)])
    triangles = trimesh.Trimesh(*_flat_mesh(points), process=False)
    found = deviation(ours(triangles), box)
    np.testing.assert_allclose(found.scan_m, shift, atol=1e-15)
    s = found.summary
    assert s.mean_m == pytest.approx(shift, abs=1e-15)
    assert s.rms_m == pytest.approx(abs(shift), abs=1e-15)
    assert s.p95_m == pytest.approx(abs(shift), abs=1e-15)
    assert ("outside" if shift > 0.0 else "inside") in s.sentence


def _flat_mesh(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    from scipy.spatial import Delaunay

    faces = Delaunay(points[:, :2]).simplices
    a, b, c = (points[faces[:, k], :2] for k in range(3))
    down = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0] < 0.0
    faces[down] = faces[down][:, ::-1]
    return points, faces


def test_noise_comes_back_with_its_bias_and_spread() -> None:
    # A dense scan of the wing with known noise along z: over the nearly flat middle the deviation is that noise
    # (mean and sigma of the sample within four standard errors).
    body = wing(along_contour=40, along_span=30)
    scan = trimesh.Trimesh(body.points, body.triangles, process=False).subdivide().subdivide()
    normal = scan.vertex_normals
    noise = RNG(8).normal(1e-4, 5e-5, len(scan.vertices))
    moved = TriMesh(np.asarray(scan.vertices + noise[:, None] * normal), np.asarray(scan.faces, np.int32))
    found = deviation(moved, body)
    flat = (np.abs(moved.points[:, 1]) < 0.4) & ~np.isnan(found.scan_m)
    flat &= np.abs(moved.points[:, 0] - 0.1) < 0.06
    assert flat.sum() > 10000
    se = 5e-5 / math.sqrt(flat.sum())
    assert found.scan_m[flat].mean() == pytest.approx(1e-4, abs=4.0 * se)
    assert found.scan_m[flat].std() == pytest.approx(5e-5, rel=0.03)


def test_points_without_partner_are_counted_and_never_painted() -> None:
    # Exact: a box scanned on its top (area 1), with a sheet of area 0.5 far above and one of 0.25 deep inside.
    box = ours(trimesh.creation.box((1.0, 1.0, 0.4)))

    def sheet(wide: float, z: float) -> TriMesh:
        points = np.array([[-0.5, -0.5, z], [wide - 0.5, -0.5, z], [wide - 0.5, 0.5, z], [-0.5, 0.5, z]])
        return TriMesh(points, np.array([[0, 1, 2], [0, 2, 3]], np.int32))

    parts = [sheet(1.0, 0.2001), sheet(0.5, 0.6), sheet(0.25, 0.05)]
    # The inner sheet is moved off the sides, so that all of it is deep inside.
    parts[2] = TriMesh(parts[2].points * [1.0, 0.5, 1.0] + [0.3, 0.0, 0.0], parts[2].triangles)
    scan = TriMesh(
        np.concatenate([p.points for p in parts]),
        np.concatenate([p.triangles + np.int32(4 * i) for i, p in enumerate(parts)]),
    )
    found = deviation(scan, box, 0.02)
    np.testing.assert_array_equal(np.isnan(found.scan_m), [False] * 4 + [True] * 8)
    lost = 0.5 + 0.125
    assert found.summary.without_partner == pytest.approx(lost / (1.0 + lost))
    assert found.summary.deep_inside == 4
    assert found.summary.count == 4
    assert "4 points of it deep inside" in found.summary.sentence
    # The top's four corners see the scan, the four below do not.
    top = box.points[:, 2] > 0.0
    np.testing.assert_allclose(found.element_m[top], -0.0001, atol=1e-15)
    assert np.isnan(found.element_m[~top]).all()
    assert 0.0 < found.summary.covered < 1.0


def test_numbers_are_weighted_by_area() -> None:
    # Exact: three quarters of the top are scanned coarsely at +0.1 mm, one quarter a hundred times finer at -0.3 mm.
    box = ours(trimesh.creation.box((1.2, 1.2, 0.4)))
    coarse = trimesh.Trimesh(*_grid(4, 4, -0.5, 0.25, 0.2001), process=False)
    fine = trimesh.Trimesh(*_grid(60, 60, 0.25, 0.5, 0.1997), process=False)
    found = deviation(ours(trimesh.util.concatenate([coarse, fine])), box, tolerance_m=0.0002)
    s = found.summary
    assert s.within == pytest.approx(0.75)
    assert s.mean_m == pytest.approx(0.75 * 0.0001 - 0.25 * 0.0003, abs=1e-12)
    assert s.rms_m == pytest.approx(math.sqrt(0.75 * 0.0001**2 + 0.25 * 0.0003**2), abs=1e-12)
    assert s.p95_m == pytest.approx(0.0003, abs=1e-12)
    assert (s.lowest.deviation_m, s.highest.deviation_m) == (pytest.approx(-0.0003), pytest.approx(0.0001))
    assert s.lowest.place[0] >= 0.25
    assert s.highest.place[0] <= 0.25
    h = s.histogram
    np.testing.assert_allclose(h.edges_m, -h.edges_m[::-1], atol=1e-18)
    np.testing.assert_allclose(np.diff(h.edges_m), 0.00005, atol=1e-15)
    assert h.shares.sum() + h.below + h.above == pytest.approx(1.0)
    within = (h.edges_m[1:] <= 0.0002 + 1e-12) & (h.edges_m[:-1] >= -0.0002 - 1e-12)
    assert h.shares[within].sum() == pytest.approx(0.75)


def _grid(nx: int, ny: int, x0: float, x1: float, z: float) -> tuple[np.ndarray, np.ndarray]:
    x, y = (w.ravel() for w in np.meshgrid(np.linspace(x0, x1, nx + 1), np.linspace(-0.5, 0.5, ny + 1), indexing="ij"))
    i = np.arange((nx + 1) * (ny + 1)).reshape(nx + 1, ny + 1)
    a, b, c, d = (v.ravel() for v in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return np.column_stack([x, y, np.full(len(x), z)]), faces


def test_histogram_counts_what_lies_beyond_its_ends() -> None:
    box = ours(trimesh.creation.box((1.2, 1.2, 0.4)))
    high = trimesh.Trimesh(*_grid(2, 2, -0.5, 0.0, 0.205), process=False)
    low = trimesh.Trimesh(*_grid(2, 2, 0.0, 0.5, 0.197), process=False)
    found = deviation(ours(trimesh.util.concatenate([high, low])), box, bin_m=0.0003, limit_m=0.001)
    h = found.summary.histogram
    assert h.edges_m[-1] == pytest.approx(0.0012)
    assert len(h.shares) == 8
    assert (h.below, h.above) == (pytest.approx(0.5), pytest.approx(0.5))
    assert h.shares.sum() == 0.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"reach_m": 0.0}, "reach"),
        ({"tolerance_m": -1.0}, "tolerance"),
        ({"tolerance_m": math.nan}, "tolerance"),
        ({"bin_m": 0.0}, "bin width"),
        ({"limit_m": math.inf}, "limit"),
        ({"bin_m": 1e-7}, "wider"),
    ],
)
def test_impossible_wishes_are_refused(change: dict[str, float], words: str) -> None:
    ball = ours(trimesh.creation.icosphere(2, 0.2))
    with pytest.raises(InputError, match=words):
        deviation(ball, ball, **change)


def test_meshes_that_cannot_be_compared_are_refused() -> None:
    ball = ours(trimesh.creation.icosphere(2, 0.2))
    far = TriMesh(ball.points + 5.0, ball.triangles)
    with pytest.raises(InputError, match="No part of the scan"):
        deviation(far, ball)
    broken = ball.points.copy()
    broken[3, 1] = math.nan
    for scan, element, what in (
        (TriMesh(broken, ball.triangles), ball, "scan"),
        (ball, TriMesh(broken, ball.triangles), "element"),
    ):
        with pytest.raises(InputError, match=what):
            deviation(scan, element)
    for triangles in (ball.triangles[:0], ball.triangles[:, ::-1]):
        with pytest.raises(InputError, match="outwards"):
            deviation(ball, TriMesh(ball.points, triangles))
    with pytest.raises(InputError, match="No part of the scan"):
        deviation(TriMesh(ball.points, ball.triangles[:0]), ball)


def test_a_surface_built_before_gives_the_same_map() -> None:
    ball, scan = ours(trimesh.creation.icosphere(3, 0.2)), ours(trimesh.creation.icosphere(4, 0.2004))
    scan = scan.subset(scan.corners[:, :, 0].min(axis=1) > -0.1)
    plain, built = deviation(scan, ball), deviation(SignedSurface.build(scan), ball)
    np.testing.assert_array_equal(built.scan_m, plain.scan_m)
    np.testing.assert_allclose(built.element_m, plain.element_m, atol=1e-15)
    assert built.summary.sentence == plain.summary.sentence


def test_cavities_are_left_out() -> None:
    # Exact: a hollow ball with a wall of 2 mm, scanned 1.5 mm inside its outer surface, nearer to the cavity.
    outer, inner = trimesh.creation.icosphere(4, 0.2), trimesh.creation.icosphere(4, 0.198)
    inner.invert()
    hollow = ours(trimesh.util.concatenate([outer, inner]))
    scan = ours(trimesh.creation.icosphere(4, 0.1985))
    found, solid = deviation(scan, hollow), deviation(scan, ours(outer))
    np.testing.assert_array_equal(found.scan_m, solid.scan_m)
    assert found.scan_m.max() < -0.0015 + 1e-4
    count = len(outer.vertices)
    np.testing.assert_array_equal(found.element_m[:count], solid.element_m)
    assert np.isnan(found.element_m[count:]).all()
    assert found.summary.covered == pytest.approx(1.0)


def test_summary_comes_back_from_json() -> None:
    ball = ours(trimesh.creation.icosphere(3, 0.2))
    summary = deviation(TriMesh(ball.points * 1.001, ball.triangles), ball).summary
    text = json.dumps(asdict(summary) | {"sentence": summary.sentence}, default=lambda array: array.tolist())
    back = deviation_summary(json.loads(text))
    assert back.sentence == summary.sentence
    assert histogram_svg(back) == histogram_svg(summary)
    np.testing.assert_array_equal(back.lowest.place, summary.lowest.place)


# --- colours --------------------------------------------------------------------------------------------------

# Deuteranopia at full severity, linear sRGB (G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, IEEE Transactions on
# Visualization and Computer Graphics 15(6), 2009, table 1; from memory).
DEUTERANOPIA = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)


def cielab(linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* (ISO/CIE 11664-4), D65, from linear sRGB (IEC 61966-2-1): another space than the scale's own."""
    xyz = linear @ np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]).T
    t = xyz / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > (6.0 / 29.0) ** 3, np.cbrt(t), t / (3.0 * (6.0 / 29.0) ** 2) + 4.0 / 29.0)
    return np.column_stack([116.0 * f[:, 1] - 16.0, 500.0 * (f[:, 0] - f[:, 1]), 200.0 * (f[:, 1] - f[:, 2])])


def test_scale_gets_darker_on_both_arms_alike() -> None:
    size = np.linspace(0.0, 0.001, 201)
    arms = [cielab(deviation_colours(side * size, 0.001)[:, :3]) for side in (1.0, -1.0)]
    for arm in arms:
        assert (np.diff(arm[:, 0]) < 0.0).all()
        assert arm[0, 0] > 90.0
        assert arm[-1, 0] < 45.0
        # Even by a yardstick of its own: CIE76 steps along an arm differ by less than the factor 2.
        steps = np.linalg.norm(np.diff(arm, axis=0), axis=1)
        assert steps.max() / steps.min() < 2.0
    np.testing.assert_allclose(arms[0][:, 0], arms[1][:, 0], atol=6.0)


def test_colours_lie_inside_what_a_screen_can_show() -> None:
    rgba = deviation_colours(np.linspace(-0.002, 0.002, 401), 0.001, 0.0002)
    # A colour cut off at the gamut's edge would be exactly 0 or 1.
    assert rgba[:, :3].min() > 0.0
    assert rgba[:, :3].max() < 1.0
    np.testing.assert_array_equal(rgba[:, 3], 1.0)


def test_sides_stay_apart_for_people_who_do_not_see_red_and_green_apart() -> None:
    size = np.linspace(0.0002, 0.001, 50)[1:]
    seen = [
        cielab(np.clip(deviation_colours(side * size, 0.001, 0.0002)[:, :3] @ DEUTERANOPIA.T, 0.0, 1.0))
        for side in (1.0, -1.0)
    ]
    apart = np.linalg.norm(seen[0] - seen[1], axis=1)
    # A difference of 10 and more is plain to see (2.3 is just noticeable: M. Mahy, L. Van Eycken, A. Oosterlinck,
    # Color Research and Application 19(2), 1994; from memory).
    assert apart.min() > 10.0
    assert apart[-1] > 60.0
    for arm in seen:
        assert (np.diff(arm[:, 0]) < 0.0).all()


def test_tolerance_band_is_flat_and_ends_in_a_step() -> None:
    inside = deviation_colours(np.linspace(-0.0002, 0.0002, 41), 0.001, 0.0002)
    np.testing.assert_array_equal(inside, np.broadcast_to(inside[0], inside.shape))
    # Neutral: no chroma to speak of.
    assert np.abs(cielab(inside[:, :3])[:, 1:]).max() < 1.0
    for side in (1.0, -1.0):
        pair = cielab(deviation_colours(side * np.array([0.0002, 0.000201]), 0.001, 0.0002)[:, :3])
        assert np.linalg.norm(pair[1] - pair[0]) > 10.0


def test_ends_hold_and_unknown_is_grey() -> None:
    rgba = deviation_colours(np.array([0.001, 0.5, np.inf, -0.001, -np.inf, np.nan]), 0.001)
    np.testing.assert_array_equal(rgba[1:3], rgba[[0, 0]])
    np.testing.assert_array_equal(rgba[4], rgba[3])
    lab = cielab(rgba[:, :3])
    assert np.abs(lab[5, 1:]).max() < 1.0
    scale = cielab(deviation_colours(np.linspace(-0.001, 0.001, 400), 0.001)[:, :3])
    assert np.linalg.norm(scale - lab[5], axis=1).min() > 10.0
    assert lab[0, 2] > 20.0 > -20.0 > lab[3, 2]  # outside is warm, inside is cold


def test_screen_values_are_the_encoded_light() -> None:
    off = np.linspace(-0.001, 0.001, 21)
    light, screen = deviation_colours(off, 0.001)[:, :3], deviation_colours(off, 0.001, srgb=True)[:, :3]
    # IEC 61966-2-1, decoded.
    np.testing.assert_allclose(
        np.where(screen <= 0.04045, screen / 12.92, ((screen + 0.055) / 1.055) ** 2.4), light, atol=1e-6
    )


def test_ticks_stand_at_ends_zero_and_tolerance() -> None:
    values, labels = zip(*colour_ticks(0.001, 0.0002), strict=True)
    assert values == pytest.approx((-0.001, -0.0005, -0.0002, 0.0, 0.0002, 0.0005, 0.001))
    assert labels == ("−1", "−0.5", "−0.2", "0", "+0.2", "+0.5", "+1")
    assert [v for v, _ in colour_ticks(0.001, 0.00045)] == pytest.approx([-0.001, -0.00045, 0.0, 0.00045, 0.001])
    for wrong in ((0.001, 0.001), (0.0, 0.0), (math.nan, 0.0), (0.001, -0.1)):
        with pytest.raises(InputError, match="limit"):
            colour_ticks(*wrong)


# --- drawings -------------------------------------------------------------------------------------------------


def rects(svg: str) -> list[dict[str, float]]:
    return [
        {k: float(r.get(k, "nan")) for k in ("x", "y", "width", "height")}
        for r in ElementTree.fromstring(svg).iter("rect")
    ]


def texts(svg: str) -> list[tuple[float, str]]:
    return [(float(t.get("x", "nan")), t.text or "") for t in ElementTree.fromstring(svg).iter("text")]


def test_histogram_is_to_scale_and_says_its_share() -> None:
    box = ours(trimesh.creation.box((1.2, 1.2, 0.4)))
    parts = [
        trimesh.Trimesh(*_grid(4, 4, -0.5, 0.1, 0.2001), process=False),
        trimesh.Trimesh(*_grid(4, 4, 0.1, 0.4, 0.1997), process=False),
        trimesh.Trimesh(*_grid(4, 4, 0.4, 0.5, 0.21), process=False),
    ]
    summary = deviation(ours(trimesh.util.concatenate(parts)), box, tolerance_m=0.0002, bin_m=0.00012).summary
    svg = histogram_svg(summary, "Wing & <plate>")
    band, *bars = rects(svg)
    place = {text: x for x, text in texts(svg)}
    scale = (place["+0.2"] - place["0"]) / 0.2
    assert band["width"] / scale == pytest.approx(0.4, abs=0.002)
    assert band["x"] + 0.5 * band["width"] == pytest.approx(place["0"], abs=0.11)
    # Bars of 60, 30 and 10 % of the area, the last one beyond the end.
    assert len(bars) == 3
    by_place = sorted(bars, key=lambda r: r["x"])
    heights = np.array([r["height"] for r in by_place])
    np.testing.assert_allclose(heights / heights[1], [0.5, 1.0, 1.0 / 6.0], atol=0.002)
    for bar, value in zip(by_place, (-0.3, 0.1), strict=False):
        assert bar["x"] - 0.06 < place["0"] + value * scale < bar["x"] + bar["width"] + 0.06
    assert by_place[2]["x"] > place["0"] + 1e3 * summary.histogram.edges_m[-1] * scale
    assert "60.0 % within ±0.2 mm" in place
    assert "Wing &amp; &lt;plate&gt;" in svg


def test_profile_shows_deviation_tolerance_and_gaps() -> None:
    along = np.linspace(0.0, 300.0, 31)
    off = 0.4 * np.sin(along / 40.0)
    off[10:13] = np.nan
    svg = profile_svg(along, off, 0.25, "Wing")
    (band,) = rects(svg)
    lines = [p.get("d", "") for p in ElementTree.fromstring(svg).iter("path") if p.get("stroke") == "#20292b"]
    assert len(lines) == 2
    drawn = np.array([[float(n) for n in pair.split()] for d in lines for pair in d[1:].split("L")])
    known = ~np.isnan(off)
    middle, per_mm = band["y"] + 0.5 * band["height"], band["height"] / 0.5
    np.testing.assert_allclose((middle - drawn[:, 1]) / per_mm, off[known], atol=0.002)
    np.testing.assert_allclose(np.corrcoef(drawn[:, 0], along[known])[0, 1], 1.0, atol=1e-6)
    share = 100.0 * (np.abs(off[known]) <= 0.25).mean()
    assert f"{share:.1f} % of the points within 0.25 mm" in svg


@pytest.mark.parametrize(
    ("along", "off", "tolerance"),
    [
        ([0.0, 1.0], [0.1], 0.2),
        ([0.0, 1.0], [0.1, 0.2], 0.0),
        ([1.0, 0.0], [0.1, 0.2], 0.2),
        ([0.0, 1.0], [0.1, math.nan], 0.2),
        ([], [], 0.2),
    ],
)
def test_profiles_that_cannot_be_drawn_are_refused(along: list[float], off: list[float], tolerance: float) -> None:
    with pytest.raises(InputError):
        profile_svg(np.array(along), np.array(off), tolerance)
