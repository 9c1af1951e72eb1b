"""Clearance of whole meshes, against closed forms, python-fcl, trimesh and igl."""

from __future__ import annotations

import fcl
import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from wingfettle.core.clearance.measure import measure_clearance, per_vertex_clearance
from wingfettle.core.clearance.result import ElementClearance
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.index import TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh, join
from wingfettle.core.geometry.pairs import triangles_meet


def ours(mesh: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.array(mesh.vertices), np.array(mesh.faces, np.int32))


def box(centre=(0, 0, 0), turn=(0, 0, 0)) -> TriMesh:
    """A unit cube, turned by a rotation vector, then moved."""
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    matrix[:3, 3] = centre
    return ours(trimesh.creation.box()).transformed(matrix)


def sphere(centre, radius: float = 1.0, level: int = 4) -> TriMesh:
    mesh = ours(trimesh.creation.icosphere(level, radius))
    return TriMesh(mesh.points + centre, mesh.triangles)


def check(body: TriMesh, element: TriMesh, required: float = 0.01) -> ElementClearance:
    index = TriangleIndex.build(body, np.zeros(len(body.triangles), np.int32))
    return measure_clearance(index, ["deck"], [required], "blade", element)


def fcl_model(mesh: TriMesh) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.triangles), len(mesh.points))
    model.addSubModel(mesh.points, mesh.triangles)
    model.endModel()
    return fcl.CollisionObject(model)


def fcl_distance(a: TriMesh, b: TriMesh) -> float:
    return float(fcl.distance(fcl_model(a), fcl_model(b), fcl.DistanceRequest(), fcl.DistanceResult()))


def sheet(seed: int, height: float, size: int = 25, wave: float = 0.05) -> TriMesh:
    """An open, bumpy sheet of 1 m by 1 m."""
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, size), np.linspace(-0.5, 0.5, size), indexing="ij")
    k = np.random.default_rng(seed).uniform(3, 9, 4)
    z = height + wave * (np.sin(k[0] * u + k[1]) * np.cos(k[2] * v + k[3]))
    i = np.arange(size * size).reshape(size, size)
    a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    triangles = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return TriMesh(np.column_stack([u.ravel(), v.ravel(), z.ravel()]), triangles)


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        # Exact geometry of two unit cubes: face to face, edge to edge, corner to corner, edge to face,
        # corner to face (half the diagonal is sqrt(3)/2), and skew edges 0.5 apart.
        (box((2, 0, 0)), 1.0),
        (box((2, 2, 0)), np.sqrt(2.0)),
        (box((2, 2, 2)), np.sqrt(3.0)),
        (box((2, 0, 0), (0, 0, np.pi / 4)), 1.5 - np.sqrt(0.5)),
        (box((0, 0, 2), Rotation.align_vectors([[0, 0, 1]], [[1, 1, 1]])[0].as_rotvec()), 1.5 - np.sqrt(0.75)),
    ],
)
def test_cubes(other: TriMesh, expected: float) -> None:
    zone = check(box(), other, required=expected + 0.1).zones[0]
    assert zone.distance_m == pytest.approx(expected, abs=1e-12)
    assert np.linalg.norm(zone.on_element - zone.on_body) == pytest.approx(expected, abs=1e-12)
    assert not zone.collides
    assert zone.verdict == "tight"
    assert check(box(), other, required=expected - 0.1).zones[0].verdict == "clear"


def test_skew_edges_of_two_cubes() -> None:
    # Exact: one cube's upper edge along y at height sqrt(1/2), the other's lower edge along x, 0.5 above it.
    low, high = box((0, 0, 0), (0, np.pi / 4, 0)), box((0, 0, 2 * np.sqrt(0.5) + 0.5), (np.pi / 4, 0, 0))
    zone = check(low, high).zones[0]
    assert zone.distance_m == pytest.approx(0.5, abs=1e-12)
    assert zone.on_body == pytest.approx([0, 0, np.sqrt(0.5)], abs=1e-12)


def test_sphere_over_plane() -> None:
    # Exact: d - r for the sphere; its tessellation has corners on the sphere and the face sags
    # at most r (1 - cos(a / 2)) for edges of angle a.
    ball = sphere((0, 0, 1.25))
    square = np.array([[-5.0, -5, 0], [5, -5, 0], [5, 5, 0], [-5, 5, 0]])
    plane = TriMesh(square, np.array([[0, 1, 2], [0, 2, 3]], np.int32))
    corners = ball.corners - [0, 0, 1.25]
    widest = np.arccos(np.clip((corners * corners[:, [1, 2, 0]]).sum(axis=2), -1, 1)).max()
    found = check(plane, ball).zones[0].distance_m
    assert 0.25 - 1e-12 <= found <= 0.25 + 2.0 * (1 - np.cos(widest / 2))


def test_crossing_spheres_are_flagged_along_their_circle() -> None:
    # Exact: unit spheres with centres 1 apart cut in the circle x = 0.5 of radius sqrt(3)/2.
    a, b = sphere((0, 0, 0), level=3), sphere((1, 0, 0), level=3)
    result = check(a, b)
    assert result.zones[0].collides
    assert result.zones[0].verdict == "touches"
    assert result.zones[0].distance_m == 0.0
    on_body, on_element = a.corners[result.body_hits], b.corners[result.element_hits]
    longest = np.linalg.norm(a.corners - a.corners[:, [1, 2, 0]], axis=2).max()
    for corners in (on_body, on_element):
        assert len(corners) >= 2 * np.pi * np.sqrt(0.75) / longest
        centre = corners.mean(axis=1)
        assert np.abs(centre[:, 0] - 0.5).max() < longest
        assert np.abs(np.hypot(centre[:, 1], centre[:, 2]) - np.sqrt(0.75)).max() < longest
    assert np.linalg.norm(result.zones[0].on_body[1:]) == pytest.approx(np.sqrt(0.75), abs=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_collisions_against_all_pairs_and_fcl(seed: int) -> None:
    body, element = sheet(seed, 0.0), sheet(seed + 50, 0.02 * seed)
    result = check(body, element)
    contacts = fcl.CollisionResult()
    fcl.collide(fcl_model(body), fcl_model(element), fcl.CollisionRequest(num_max_contacts=100000), contacts)
    pairs = {(c.b1, c.b2) for c in contacts.contacts}
    assert len(pairs) > 20
    # fcl lists every pair that properly crosses.
    assert {p for p, _ in pairs} <= set(result.body_hits.tolist())
    assert {q for _, q in pairs} <= set(np.flatnonzero(result.element_hits).tolist())
    # Each of ours crosses some face, tried one against all.
    for face in result.body_hits[::7]:
        against = np.repeat(body.corners[face][None], len(element.triangles), axis=0)
        assert triangles_meet(against, element.corners).any()
    assert abs(len({p for p, _ in pairs}) - len(result.body_hits)) <= 2


@pytest.mark.parametrize("seed", range(6))
def test_whole_meshes_against_fcl(seed: int) -> None:
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_rotvec(np.random.default_rng(seed).normal(0, 0.15, 3)).as_matrix()
    body, element = sheet(seed, 0.0), sheet(seed + 20, 0.5, 12).transformed(turn)
    zone = check(body, element).zones[0]
    assert zone.distance_m == pytest.approx(fcl_distance(body, element), abs=1e-6)
    assert zone.distance_m > 0.0
    # The two points lie on the surfaces (igl).
    for point, mesh in ((zone.on_body, body), (zone.on_element, element)):
        square = igl.point_mesh_squared_distance(point[None], mesh.points, mesh.triangles.astype(np.int64))[0]
        assert np.sqrt(square).max() < 1e-9


def test_each_zone_has_its_own_minimum() -> None:
    body, element = sheet(1, 0.0, 60), sheet(2, 0.2, 20)
    middle = body.corners.mean(axis=1)
    labels = (middle[:, 0] > 0).astype(np.int32) + 2 * (middle[:, 1] > 0).astype(np.int32) - 1
    names = ["boot lid", "rear window", "bumper"]
    result = measure_clearance(TriangleIndex.build(body, labels), names, [0.01] * 3, "blade", element)
    assert [z.zone for z in result.zones] == names
    judge = [fcl_distance(body.subset(labels == k), element) for k in range(3)]
    assert [z.distance_m for z in result.zones] == pytest.approx(judge, abs=1e-6)
    assert len({round(j, 6) for j in judge}) == 3


def test_faces_in_no_zone_are_ignored() -> None:
    near, far = box((0, 0, 1.2)), box((0, 0, -3))
    body = join([near, far])
    labels = np.repeat(np.array([-1, 0], np.int32), 12)
    index = TriangleIndex.build(body, labels)
    element = box((0, 0, 0.4))
    result = measure_clearance(index, ["bumper"], [0.01], "blade", element)
    # Exact: from z = -0.1 to z = -2.5.
    assert result.zones[0].distance_m == pytest.approx(2.4, abs=1e-12)
    assert not result.element_hits.any()
    assert len(result.body_hits) == 0
    assert per_vertex_clearance(index, element, 10.0).min() == pytest.approx(2.4, abs=1e-12)


def test_coplanar_duplicate_and_empty_faces() -> None:
    # Exact: the cube's upper face lies on the plate's plane; a second copy and a face without area change nothing.
    cube = box()
    extra = TriMesh(cube.points, np.concatenate([cube.triangles, cube.triangles, [[0, 0, 1]]]).astype(np.int32))
    touching = check(extra, box((0, 0, 1))).zones[0]
    assert touching.distance_m == 0.0
    assert touching.collides
    above = check(extra, box((0, 0, 1.001))).zones[0]
    assert above.distance_m == pytest.approx(0.001, abs=1e-12)
    assert not above.collides


def test_map_against_igl() -> None:
    body, element = sheet(3, 0.0, 80), sheet(4, 0.15, 40)
    index = TriangleIndex.build(body)
    judge = np.sqrt(igl.point_mesh_squared_distance(element.points, body.points, body.triangles.astype(np.int64))[0])
    found = per_vertex_clearance(index, element, 0.15)
    near = judge < 0.15
    assert 50 < near.sum() < len(near) - 50
    assert found[near] == pytest.approx(judge[near], abs=1e-9)
    assert np.isinf(found[~near]).all()


@settings(max_examples=20, deadline=None)
@given(turn=st.tuples(*[st.floats(-3, 3)] * 3), shift=st.tuples(*[st.floats(-4, 4)] * 3))
def test_rigid_motion_changes_no_clearance(turn, shift) -> None:
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    matrix[:3, 3] = shift
    body, element = sheet(5, 0.0, 12), sheet(6, 0.3, 12)
    still, moved = check(body, element), check(body.transformed(matrix), element.transformed(matrix))
    assert moved.zones[0].distance_m == pytest.approx(still.zones[0].distance_m, abs=1e-12)


def test_inputs_are_left_alone() -> None:
    body, element = sheet(7, 0.0), sheet(8, 0.02)
    for mesh in (body, element):
        mesh.points.setflags(write=False)
        mesh.triangles.setflags(write=False)
    result = check(body, element)
    assert result.element_hits.any()


def test_bad_input_is_refused() -> None:
    index = TriangleIndex.build(box(), np.zeros(12, np.int32))
    blade = box((3, 0, 0))
    with pytest.raises(InputError, match="“tail lamp left” holds no faces"):
        measure_clearance(index, ["bumper", "tail lamp left"], [0.0, 0.0], "blade", blade)
    with pytest.raises(InputError, match="1 zones but 2"):
        measure_clearance(index, ["bumper"], [0.0, 0.0], "blade", blade)
    with pytest.raises(InputError, match="“bumper” must be a length"):
        measure_clearance(index, ["bumper"], [float("nan")], "blade", blade)
    with pytest.raises(InputError, match="“blade” holds no faces"):
        measure_clearance(index, ["bumper"], [0.0], "blade", TriMesh(blade.points, blade.triangles[:0]))
    with pytest.raises(InputError, match="reach"):
        per_vertex_clearance(index, blade, 0.0)
