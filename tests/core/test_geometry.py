"""The search index, against closed forms and general libraries."""

from __future__ import annotations

import tracemalloc

import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.index import CHUNK, Forest, TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.geometry.pairs import closest_on_triangles

RNG = np.random.default_rng


def soup(count: int, seed: int, size: float = 0.1) -> TriMesh:
    """Triangles anywhere in a unit cube, unconnected."""
    rng = RNG(seed)
    corners = rng.uniform(0, 1, (count, 1, 3)) + rng.normal(0, size, (count, 3, 3))
    return TriMesh(corners.reshape(-1, 3), np.arange(3 * count, dtype=np.int32).reshape(-1, 3))


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
