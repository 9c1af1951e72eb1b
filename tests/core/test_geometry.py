"""Pair distances and the search index, against closed forms and general libraries."""

from __future__ import annotations

import tracemalloc

import fcl
import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear
from scipy.spatial.transform import Rotation

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.index import CHUNK, Forest, TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.geometry.pairs import (
    closest_between_triangles,
    closest_on_triangles,
    triangles_meet,
)

RNG = np.random.default_rng
FLAT = np.array([[[0.0, 0, 0], [2, 0, 0], [0, 2, 0]]])


def soup(count: int, seed: int, size: float = 0.1) -> TriMesh:
    """Triangles anywhere in a unit cube, unconnected."""
    rng = RNG(seed)
    corners = rng.uniform(0, 1, (count, 1, 3)) + rng.normal(0, size, (count, 3, 3))
    return TriMesh(corners.reshape(-1, 3), np.arange(3 * count, dtype=np.int32).reshape(-1, 3))


def simplex_distance(a: np.ndarray, b: np.ndarray) -> float:
    """Distance of two triangles as a bounded least squares problem (scipy's solver), scaled weights sum to one."""
    # Weights of both triangles, each forced to sum to 1 by a heavy extra row.
    heavy = 1e5
    rows = np.vstack([np.hstack([a.T, -b.T]), heavy * np.repeat(np.eye(2), 3, axis=1)])
    w = lsq_linear(rows, np.r_[0, 0, 0, heavy, heavy], (0, np.inf), tol=1e-14, max_iter=500).x
    p, q = w[:3] / w[:3].sum(), w[3:] / w[3:].sum()
    return float(np.linalg.norm(p @ a - q @ b))


def fcl_distance(a: np.ndarray, b: np.ndarray) -> float:
    shapes = []
    for corners in (a, b):
        model = fcl.BVHModel()
        model.beginModel(1, 3)
        model.addSubModel(corners, np.array([[0, 1, 2]]))
        model.endModel()
        shapes.append(fcl.CollisionObject(model))
    return float(fcl.distance(*shapes, fcl.DistanceRequest(), fcl.DistanceResult()))


@pytest.mark.parametrize(
    ("point", "foot"),
    [((0.5, 0.5, 1), (0.5, 0.5, 0)), ((2, 2, 0), (1, 1, 0)), ((-1, -2, 3), (0, 0, 0)), ((1, -4, 0), (1, 0, 0))],
)
def test_point_triangle_exact(point, foot) -> None:
    # Exact geometry on the right triangle with legs of 2: face, long edge, corner, leg.
    assert closest_on_triangles(np.array([point], float), FLAT)[0] == pytest.approx(foot, abs=1e-15)


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        # Exact geometry.
        ([[0, 0, 0.3], [2, 0, 0.3], [0, 2, 0.3]], 0.3),  # parallel above
        ([[0.2, 0.2, 0], [0.6, 0.2, 0], [0.2, 0.6, 0]], 0.0),  # in the plane, inside
        ([[-1, 0.5, 0], [3, 0.5, 0], [3, 0.7, 0]], 0.0),  # in the plane, edges cross, no corner inside
        ([[3, 0, 0], [4, 0, 0], [3, 1, 0]], 1.0),  # in the plane, apart
        ([[0.5, 0.5, -1], [0.5, 0.5, 1], [2, 2, 0]], 0.0),  # cut through
        ([[0.5, 0.5, 0.25], [0.5, 0.5, 0.25], [0.5, 0.5, 0.25]], 0.25),  # no more than a point
        ([[0.5, 0.5, -1], [0.5, 0.5, 1], [0.5, 0.5, 0.5]], 0.0),  # a needle through the face
        ([[0.5, 0.5, 0.1], [0.5, 0.5, 1], [0.5, 0.5, 0.5]], 0.1),  # a needle above it
        ([[2, 0, 0], [3, 0, 1], [3, 0, -1]], 0.0),  # a shared corner
        ([[2, 0, 0], [0, 0, 0], [1, 0, 1]], 0.0),  # a shared edge
    ],
)
def test_triangle_pairs_exact(other, expected) -> None:
    other = np.array([other], float)
    for a, b in ((FLAT, other), (other, FLAT)):
        distance, on_a, on_b = closest_between_triangles(a, b)
        assert distance[0] == pytest.approx(expected, abs=1e-14)
        assert np.linalg.norm(on_a - on_b) == pytest.approx(expected, abs=1e-14)
        assert triangles_meet(a, b)[0] == (expected == 0.0)


def test_slivers() -> None:
    # Exact: needles of 1 m by 1 nm at right angles, 1 mm apart; and a needle piercing a plate.
    needle = np.array([[[-0.5, 0, 0], [0.5, 0, 0], [0.5, 1e-9, 0]]])
    across = np.array([[[0.1, -0.5, 1e-3], [0.1, 0.5, 1e-3], [0.1 + 1e-9, 0.5, 1e-3]]])
    assert closest_between_triangles(needle, across)[0][0] == pytest.approx(1e-3, abs=1e-12)
    plate = np.array([[[0.2, -1, -1], [0.2, 1, -1], [0.2, 0, 1.0]]])
    assert triangles_meet(needle, plate)[0]
    assert not triangles_meet(needle + [0, 0, 1.1], plate)[0]


def test_triangle_pairs_against_fcl_and_least_squares() -> None:
    rng = RNG(5)
    a, b = (rng.normal(0, 1, (300, 3, 3)) for _ in range(2))
    b[:150] += rng.normal(0, 2, (150, 1, 3))
    distance, on_a, on_b = closest_between_triangles(a, b)
    judge = np.array([fcl_distance(p, q) for p, q in zip(a, b, strict=True)])
    crossing = judge <= 0.0
    assert 20 < crossing.sum() < 280
    assert np.array_equal(distance == 0.0, crossing)
    assert np.array_equal(triangles_meet(a, b), crossing)
    assert distance[~crossing] == pytest.approx(judge[~crossing], abs=1e-6)
    quadratic = [simplex_distance(p, q) for p, q in zip(a[~crossing][:60], b[~crossing][:60], strict=True)]
    assert distance[~crossing][:60] == pytest.approx(quadratic, abs=1e-6)
    # The points lie on their triangles and are that far apart.
    assert np.linalg.norm(on_a - on_b, axis=1) == pytest.approx(distance, abs=1e-12)
    assert np.abs(closest_on_triangles(on_a, a) - on_a).max() < 1e-12
    assert np.abs(closest_on_triangles(on_b, b) - on_b).max() < 1e-12


@pytest.mark.parametrize(("count", "size"), [(1, 0.3), (7, 0.3), (9, 0.1), (500, 0.1), (5000, 0.01)])
def test_nearest_against_igl(count: int, size: float) -> None:
    mesh = soup(count, 1, size)
    points = np.concatenate([RNG(2).uniform(-1, 2, (700, 3)), mesh.corners.mean(axis=1)[:100]])
    distance, face, foot = TriangleIndex.build(mesh).nearest(points)
    judge = igl.point_mesh_squared_distance(points, mesh.points, mesh.triangles.astype(np.int64))[0]
    assert distance == pytest.approx(np.sqrt(judge), abs=1e-9)
    assert np.linalg.norm(points - foot, axis=1) == pytest.approx(distance, abs=1e-15)
    assert np.abs(closest_on_triangles(foot, mesh.corners[face]) - foot).max() < 1e-12


def test_nearest_far_from_the_origin_and_on_the_surface() -> None:
    # Boxes are float32: at 1 km its step is 0.06 mm, larger than the distances asked for.
    mesh = soup(2000, 3, 0.02)
    mesh = TriMesh(mesh.points + 1000.0, mesh.triangles)
    rng = RNG(4)
    points = mesh.corners.mean(axis=1) + rng.normal(0, 2e-5, (2000, 3))
    distance = TriangleIndex.build(mesh).nearest(points)[0]
    judge = igl.point_mesh_squared_distance(points - 1000.0, mesh.points - 1000.0, mesh.triangles.astype(np.int64))[0]
    assert distance == pytest.approx(np.sqrt(judge), abs=1e-9)


def test_nearest_with_reach_and_labels() -> None:
    mesh = soup(3000, 6, 0.02)
    labels = RNG(7).integers(-1, 3, 3000).astype(np.int32)
    index = TriangleIndex.build(mesh, labels)
    points = RNG(8).uniform(-0.5, 1.5, (400, 3))
    whole = index.nearest(points)[0]
    for labelled_only, keep in ((False, labels >= -1), (True, labels >= 0)):
        judge = np.sqrt(igl.point_mesh_squared_distance(points, mesh.points, mesh.triangles[keep].astype(np.int64))[0])
        distance, face, foot = index.nearest(points, 0.1, labelled_only)
        near = judge < 0.1
        assert 10 < near.sum() < 390
        assert np.array_equal(np.isfinite(distance), near)
        assert distance[near] == pytest.approx(judge[near], abs=1e-9)
        assert (face[~near] == -1).all()
        assert np.isnan(foot[~near]).all()
        assert keep[face[near]].all()
    assert not np.array_equal(whole, index.nearest(points, labelled_only=True)[0])


def sheet(side: int, noise: float) -> TriMesh:
    """A bumpy square of 2 (side - 1)^2 triangles."""
    u, v = (w.ravel() for w in np.meshgrid(*[np.linspace(0, 1, side)] * 2, indexing="ij"))
    i = np.arange(side * side).reshape(side, side)
    a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    points = np.column_stack([u, v, 0.1 * np.sin(4 * u) * v]) + RNG(20).normal(0, noise, (side * side, 3))
    return TriMesh(points, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32))


@pytest.mark.parametrize(("side", "count"), [(12, 20000), (80, 5000), (80, 200)])
@pytest.mark.parametrize("height", [0.0, 0.003, 0.3])
@pytest.mark.parametrize("reach", [0.01, np.inf])
def test_nearest_of_dense_and_sparse_points_against_igl(side: int, count: int, height: float, reach: float) -> None:
    # Dense points are searched for together, sparse ones singly; the answer and the order of points are one.
    mesh, rng = sheet(side, 1e-4), RNG(21)
    points = mesh.corners[rng.integers(0, len(mesh.triangles), count)]
    points = (points * rng.dirichlet([1.0, 1.0, 1.0], count)[:, :, None]).sum(axis=1)
    points[:, 2] += height + rng.normal(0, 1e-4, count)
    # A few far off, and many on one another.
    points[:10], points[10:60] = rng.uniform(-3, 3, (10, 3)), points[60]
    labels = rng.integers(-1, 3, len(mesh.triangles)).astype(np.int32)
    index = TriangleIndex.build(mesh, labels)
    mix = rng.permutation(count)
    for labelled_only, keep in ((False, labels >= -1), (True, labels >= 0)):
        judge = np.sqrt(igl.point_mesh_squared_distance(points, mesh.points, mesh.triangles[keep].astype(np.int64))[0])
        distance, face, foot = index.nearest(points, reach, labelled_only)
        near = judge <= reach
        assert np.array_equal(np.isfinite(distance), near)
        assert distance[near] == pytest.approx(judge[near], abs=1e-9)
        assert np.abs(closest_on_triangles(foot[near], mesh.corners[face[near]]) - foot[near]).max(initial=0.0) < 1e-12
        assert keep[face[near]].all()
        assert index.nearest(points[mix], reach, labelled_only)[0] == pytest.approx(distance[mix], abs=1e-12)


def test_nearest_next_to_a_far_finer_surface_against_igl() -> None:
    # The crowd's nearest triangle is coarse, thousands of fine ones are as near.
    fine, coarse = sheet(120, 1e-6), sheet(2, 0.0)
    fine = TriMesh(0.01 * fine.points + [0.3, 0.3, 0.02], fine.triangles)
    mesh = TriMesh(
        np.concatenate([coarse.points, fine.points]),
        np.concatenate([coarse.triangles, fine.triangles + np.int32(len(coarse.points))]),
    )
    points = RNG(22).uniform([0.28, 0.28, 0.0], [0.33, 0.33, 0.03], (4000, 3))
    judge = igl.point_mesh_squared_distance(points, mesh.points, mesh.triangles.astype(np.int64))[0]
    assert TriangleIndex.build(mesh).nearest(points)[0] == pytest.approx(np.sqrt(judge), abs=1e-9)


def test_boxes_stand_along_a_curve_whose_neighbours_touch() -> None:
    # Exact: a Hilbert curve visits every cell of a cube once, each next to the last.
    cell = np.stack([axis.ravel() for axis in np.meshgrid(*[np.arange(16, dtype=np.float32)] * 3)])
    forest = Forest.over(cell, cell)
    order = forest.below[: 8 * forest.leaves]
    assert np.array_equal(np.sort(order), np.arange(4096))
    assert (np.abs(np.diff(cell[:, order], axis=1)).sum(axis=0) == 1.0).all()


def test_nearest_keeps_its_memory_bounded() -> None:
    # What it promises: 150 bytes a point beyond the answers (44 bytes), and 20 MB.
    mesh = sheet(40, 1e-4)
    index = TriangleIndex.build(mesh)
    points = RNG(23).uniform([0, 0, -0.1], [1, 1, 0.2], (20 * CHUNK, 3))
    for place in (points, points * [1.0, 1.0, 0.0] + [0.0, 0.0, 40.0]):
        tracemalloc.start()
        index.nearest(place)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 20e6 + (44 + 150) * len(place)


def test_nearest_of_one_place_everywhere() -> None:
    # Exact: every triangle of a sphere's tessellation is about as near to the centre; nothing can be left out early.
    directions = RNG(9).normal(size=(4000, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    corners = directions[:, None] + np.array([[0, 0, 0], [1e-9, 0, 0], [0, 1e-9, 0]])
    mesh = TriMesh(corners.reshape(-1, 3), np.arange(12000, dtype=np.int32).reshape(-1, 3))
    assert TriangleIndex.build(mesh).nearest(np.zeros((3, 3)))[0] == pytest.approx(1.0, abs=1e-8)


@settings(max_examples=25, deadline=None)
@given(
    turn=st.tuples(*[st.floats(-3, 3)] * 3),
    shift=st.tuples(*[st.floats(-5, 5)] * 3),
)
def test_rigid_motion_changes_no_distance(turn, shift) -> None:
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    matrix[:3, 3] = shift
    a, b = soup(60, 11), soup(60, 12)
    b = TriMesh(b.points + [1.5, 0.2, 0.1], b.triangles)
    still = TriangleIndex.build(a)
    moved = TriangleIndex.build(a.transformed(matrix))
    before, after = (i.approaches(TriangleIndex.build(m))[0] for i, m in ((still, b), (moved, b.transformed(matrix))))
    assert after.distance_m == pytest.approx(before.distance_m, abs=1e-12)
    points = b.points[:50]
    assert moved.nearest(points @ matrix[:3, :3].T + shift)[0] == pytest.approx(still.nearest(points)[0], abs=1e-12)


def test_inputs_are_left_alone() -> None:
    mesh, labels, points = soup(300, 13), np.zeros(300, np.int32), RNG(14).normal(size=(50, 3))
    for array in (mesh.points, mesh.triangles, labels, points):
        array.setflags(write=False)
    index = TriangleIndex.build(mesh, labels)
    index.nearest(points)
    index.crossings(TriangleIndex.build(mesh))
    corners = mesh.corners
    corners.setflags(write=False)
    closest_between_triangles(corners, corners[::-1])
    triangles_meet(corners, corners[::-1])


def test_bad_input_is_refused() -> None:
    mesh = soup(5, 15)
    with pytest.raises(InputError, match="no faces"):
        TriangleIndex.build(TriMesh(mesh.points, mesh.triangles[:0]))
    with pytest.raises(InputError, match="not numbers"):
        TriangleIndex.build(TriMesh(np.full_like(mesh.points, np.nan), mesh.triangles))
    with pytest.raises(InputError, match="3 labels"):
        TriangleIndex.build(mesh, np.zeros(3, np.int32))
    with pytest.raises(InputError, match="numbers"):
        TriangleIndex.build(mesh).nearest(np.array([[np.nan, 0, 0]]))
    with pytest.raises(InputError, match="No face"):
        TriangleIndex.build(mesh, np.full(5, -1, np.int32)).nearest(np.zeros((1, 3)), labelled_only=True)
