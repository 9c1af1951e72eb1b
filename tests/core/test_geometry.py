"""The search index, against closed forms and general libraries."""

from __future__ import annotations

import tracemalloc

import fcl
import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.facing import Approach
from wingfettle.core.geometry.forest import Forest
from wingfettle.core.geometry.index import CHUNK, TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.geometry.pairs import closest_between_triangles, closest_on_triangles

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


def rotation(seed: int, shift: float = 1.0) -> np.ndarray:
    """A rigid (4, 4) matrix."""
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.random(random_state=seed).as_matrix()
    matrix[:3, 3] = RNG(seed).normal(0, shift, 3)
    return matrix


def all_distances(a: TriMesh, b: TriMesh) -> np.ndarray:
    """(n, m) m, every pair measured; the pairs themselves are checked in test_pairs."""
    first, second = np.repeat(a.corners, len(b.triangles), axis=0), np.tile(b.corners, (len(a.triangles), 1, 1))
    return closest_between_triangles(first, second)[0].reshape(len(a.triangles), -1)


@pytest.mark.parametrize("shift", [0.1, 1000.0])
def test_moved_as_built_anew(shift: float) -> None:
    mesh, labels = sheet(40, 1e-4), RNG(30).integers(-1, 3, 2 * 39**2).astype(np.int32)
    index, matrix, points = TriangleIndex.build(mesh, labels), rotation(31, shift), RNG(32).uniform(-1, 2, (900, 3))
    # Built far from the origin and brought back, bounds must allow for the digits lost there.
    anew = TriangleIndex.build(mesh.transformed(matrix), labels)
    there = points @ matrix[:3, :3].T + matrix[:3, 3]
    judge = np.sqrt(igl.point_mesh_squared_distance(points, mesh.points, mesh.triangles.astype(np.int64))[0])
    for moved in (index.moved(matrix), index.moved(np.linalg.inv(matrix)).moved(matrix).moved(matrix)):
        distance, face, foot = moved.nearest(there)
        assert distance == pytest.approx(judge, abs=1e-11 * max(shift, 1.0))
        onto = closest_on_triangles(foot, mesh.transformed(matrix).corners[face])
        assert onto == pytest.approx(foot, abs=1e-11 * max(shift, 1.0))
    back = anew.moved(np.linalg.inv(matrix))
    assert back.nearest(points)[0] == pytest.approx(judge, abs=1e-11 * max(shift, 1.0))


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_bounds_of_a_moved_index_hold_its_triangles(seed: int) -> None:
    # Exact: each box and each slab holds all corners below it, also of needles and specks, however far off.
    rng = RNG(seed)
    mesh = soup(int(rng.integers(1, 300)), seed, 10.0 ** rng.uniform(-7, 0))
    mesh = TriMesh(mesh.points * rng.choice([1.0, 1e-3], 3) + rng.choice([0.0, 100.0]), mesh.triangles)
    index = TriangleIndex.build(mesh)
    # float32 digits, such as those of matrices in 3D programs
    matrix = rotation(seed, 10.0).astype(np.float32).astype(np.float64)
    for body in (index, index.moved(matrix), index.moved(matrix).moved(matrix)):
        forest, start = body.forest, 8 * body.forest.leaves
        for slot in np.flatnonzero(forest.below[start:] >= 0):
            group = [forest.below[start + slot]]
            while group[0] >= forest.leaves:
                group = [forest.below[8 * g + k] for g in group for k in range(8) if forest.below[8 * g + k] >= 0]
            lowest = [8 * g + k for g in group for k in range(8) if forest.below[8 * g + k] >= 0]
            corners = body.corners[:, lowest].T.reshape(-1, 3)
            box = forest.boxes.reshape(6, -1)[:, start + slot].astype(np.float64)
            assert (corners >= box[:3]).all()
            assert (corners <= box[3:]).all()
            slab = body.slabs[:, slot].astype(np.float64)
            off = corners - slab[:3]
            height = off @ slab[3:6]
            assert np.abs(height).max() <= slab[6] or not slab[3:6].any()
            assert np.linalg.norm(off - height[:, None] * slab[3:6], axis=1).max() <= slab[7]


@pytest.mark.parametrize(
    "matrix",
    [
        np.diag([1.0, 1.0, 1.001, 1.0]),
        np.diag([-1.0, 1.0, 1.0, 1.0]),
        np.eye(3),
        np.full((4, 4), np.nan),
        np.eye(4) + np.eye(4)[[1, 2, 3, 0]],
    ],
)
def test_only_rigid_motion_is_taken(matrix) -> None:
    with pytest.raises(InputError, match="moved and turned"):
        TriangleIndex.build(soup(20, 33)).moved(matrix)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_two_soups_against_every_pair(seed: int) -> None:
    rng = RNG(seed)
    a = soup(int(rng.integers(1, 150)), seed, 10.0 ** rng.uniform(-5, -0.7))
    b = soup(int(rng.integers(1, 150)), seed + 1, 10.0 ** rng.uniform(-5, -0.7))
    a = TriMesh(a.points + [rng.choice([0.0, 0.9, 1.5, 40.0]), 0.1, 0.0], a.triangles)
    labels = rng.integers(-1, 3, len(b.triangles)).astype(np.int32)
    labels[0] = 0
    matrix = rotation(seed)
    index, moving = TriangleIndex.build(b.transformed(matrix), labels), TriangleIndex.build(a).moved(matrix)
    distance = all_distances(a, b)
    count = labels.max() + 1
    least = np.array([distance[:, labels == k].min(initial=np.inf) for k in range(count)])
    theirs, ours, label, near = index.meets(moving)
    touch = (distance <= 1e-11) & (labels >= 0)
    assert sorted(zip(theirs.tolist(), ours.tolist(), strict=True)) == [(i, j) for i, j in np.argwhere(touch).tolist()]
    assert np.array_equal(label, labels[ours])
    for each, pairs in zip(index.crossings(moving), (theirs, ours, label), strict=True):
        assert np.array_equal(each, pairs)
    for found in (near, index.approaches(moving)):
        assert set(found) == set(np.unique(labels[labels >= 0]).tolist())
        for k, approach in found.items():
            assert approach.distance_m == pytest.approx(least[k], abs=1e-11)
            assert np.linalg.norm(approach.on_other - approach.on_body) == pytest.approx(least[k], abs=1e-11)
    # Reaches around the true distances, one label left out.
    reach = least * rng.choice([0.999, 1.001], count)
    reach[0] = -1.0
    within = {k for k in near if least[k] <= reach[k]}
    assert {k for k, v in index.approaches(moving, reach).items() if np.isfinite(v.distance_m)} == within
    assert index.nearer(moving, reach) == within
    seen = {
        (i, j) for f, s, _, _ in index.near_pairs(moving, reach) for i, j in zip(f, index.forest.below[s], strict=True)
    }
    wanted = (distance <= np.where(labels >= 0, reach[labels], -1.0)) & (labels >= 0)
    assert {(i, j) for i, j in np.argwhere(wanted).tolist()} <= seen


def test_known_answers_are_handed_on() -> None:
    mesh = soup(200, 40, 0.02)
    labels = (np.arange(200) % 3).astype(np.int32)
    index, other = TriangleIndex.build(mesh, labels), TriangleIndex.build(soup(50, 41, 0.02))
    known = {1: Approach(0.25, np.zeros(3), np.ones(3))}
    found = index.approaches(other, known=known)
    assert found[1] is known[1]
    assert found[0].distance_m == index.approaches(other)[0].distance_m
    nothing = index.approaches(other.moved(rotation(42, 100.0)), 1.0)
    assert all(v.distance_m == np.inf and np.isnan(v.on_body).all() for v in nothing.values())
    with pytest.raises(InputError, match="No face"):
        TriangleIndex.build(mesh, np.full(200, -1, np.int32)).meets(other)


def fcl_between(a: TriMesh, b: TriMesh) -> tuple[float, set[tuple[int, int]]]:
    """Distance and colliding faces by python-fcl."""
    objects = []
    for mesh in (a, b):
        model = fcl.BVHModel()
        model.beginModel(len(mesh.triangles), len(mesh.points))
        model.addSubModel(mesh.points, mesh.triangles)
        model.endModel()
        objects.append(fcl.CollisionObject(model))
    request, result = fcl.CollisionRequest(num_max_contacts=10**6), fcl.CollisionResult()
    fcl.collide(*objects, request, result)
    pairs = {(c.b1, c.b2) for c in result.contacts}
    return float(fcl.distance(*objects, fcl.DistanceRequest(), fcl.DistanceResult())), pairs


@pytest.mark.parametrize("gap", [0.1, 2e-3, 2e-4, 0.0])
@pytest.mark.parametrize("lean", [0.0, 0.002, 0.3])
def test_side_by_side_and_grazing_against_fcl(gap: float, lean: float) -> None:
    # Surfaces that follow each other are as near everywhere: hardest to search.
    body, over = sheet(60, 5e-5), sheet(25, 0.0)
    over = TriMesh(over.points + [0.0, 0.0, gap] + over.points[:, :1] * [0.0, 0.0, lean], over.triangles)
    labels = (body.corners.mean(axis=1)[:, 0] > 0.5).astype(np.int32)
    index = TriangleIndex.build(body, labels)
    theirs, ours, label, near = index.meets(TriangleIndex.build(over))
    for k in range(2):
        faces = np.flatnonzero(labels == k)
        distance, pairs = fcl_between(over, TriMesh(body.points, body.triangles[faces]))
        own = label == k
        assert {(i, j) for i, j in zip(theirs[own], ours[own], strict=True)} == {(i, faces[j]) for i, j in pairs}
        assert near[k].distance_m == pytest.approx(max(distance, 0.0), abs=1e-9)


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
