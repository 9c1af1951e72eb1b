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

from wingfettle.core.assembly.part import Part
from wingfettle.core.clearance.marks import widened
from wingfettle.core.clearance.measure import clearance_map, measure_clearance
from wingfettle.core.clearance.result import PartClearance, ZoneClearance
from wingfettle.core.clearance.surroundings import Surroundings
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh, join
from wingfettle.core.geometry.pairs import triangles_meet
from wingfettle.core.scan.scan_mesh import ScanMesh, Zone

RNG = np.random.default_rng


def ours(mesh: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.array(mesh.vertices), np.array(mesh.faces, np.int32))


def pose(centre=(0, 0, 0), turn=(0, 0, 0)) -> np.ndarray:
    """Turned by a rotation vector, then moved."""
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    matrix[:3, 3] = centre
    return matrix


def box(centre=(0, 0, 0), turn=(0, 0, 0), sides=(1.0, 1.0, 1.0)) -> TriMesh:
    return ours(trimesh.creation.box(sides)).transformed(pose(centre, turn))


def sphere(centre=(0, 0, 0), radius: float = 1.0, level: int = 4) -> TriMesh:
    return ours(trimesh.creation.icosphere(level, radius)).transformed(pose(centre))


def finer(mesh: TriMesh, edge_m: float) -> TriMesh:
    """The same surface with no edge longer than that."""
    return ours(trimesh.Trimesh(mesh.points, mesh.triangles).subdivide_to_size(edge_m, max_iter=20))


def plane(half: float = 5.0) -> TriMesh:
    """A square in z = 0 that faces up."""
    points = half * np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
    return TriMesh(points, np.array([[0, 1, 2], [0, 2, 3]], np.int32))


def sheet(seed: int, height: float = 0.0, size: int = 25, wave: float = 0.05, side: float = 1.0) -> TriMesh:
    """An open, bumpy sheet that faces up."""
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, size), np.linspace(-0.5, 0.5, size), indexing="ij")
    k = RNG(seed).uniform(3, 9, 4)
    z = height + wave * (np.sin(k[0] * u + k[1]) * np.cos(k[2] * v + k[3]))
    i = np.arange(size * size).reshape(size, size)
    a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    triangles = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return TriMesh(np.column_stack([side * u.ravel(), side * v.ravel(), z.ravel()]), triangles)


def around(body: TriMesh, labels: np.ndarray | None = None, required=(0.01,)) -> Surroundings:
    labels = np.zeros(len(body.triangles), np.int32) if labels is None else labels
    zones = tuple(Zone(f"zone {k}", r, "as the test asks") for k, r in enumerate(required))
    return Surroundings.build(ScanMesh(body, zones, labels))


def check(body: TriMesh, part: TriMesh, where: np.ndarray | None = None, required: float = 0.01) -> PartClearance:
    return measure_clearance(around(body, required=(required,)), Part.of("blade", part), where)


def only(body: TriMesh, part: TriMesh, where: np.ndarray | None = None, required: float = 0.01) -> ZoneClearance:
    return check(body, part, where, required).zones[0]


def fcl_model(mesh: TriMesh) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.triangles), len(mesh.points))
    model.addSubModel(mesh.points, mesh.triangles)
    model.endModel()
    return fcl.CollisionObject(model)


def fcl_distance(a: TriMesh, b: TriMesh) -> float:
    return float(fcl.distance(fcl_model(a), fcl_model(b), fcl.DistanceRequest(), fcl.DistanceResult()))


def fcl_pairs(a: TriMesh, b: TriMesh) -> set[tuple[int, int]]:
    found = fcl.CollisionResult()
    fcl.collide(fcl_model(a), fcl_model(b), fcl.CollisionRequest(num_max_contacts=100000), found)
    return {(c.b1, c.b2) for c in found.contacts}


def igl_distance(points: np.ndarray, mesh: TriMesh) -> np.ndarray:
    square = igl.point_mesh_squared_distance(np.atleast_2d(points), mesh.points, mesh.triangles.astype(np.int64))[0]
    return np.sqrt(square)


def igl_signed(points: np.ndarray, mesh: TriMesh) -> np.ndarray:
    """By libigl's own pseudonormals; positive outside."""
    kind = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    return np.asarray(igl.signed_distance(points, mesh.points, mesh.triangles.astype(np.int64), kind)[0])


# --- distances ------------------------------------------------------------------------------------------------


def onto(direction, of=(1.0, 1.0, 1.0)) -> np.ndarray:
    """The rotation vector that turns ``of`` to ``direction``."""
    return Rotation.align_vectors([direction], [of])[0].as_rotvec()


SLANT = np.array([1.0, 1.0, 0.0]) / np.sqrt(2.0)


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        # Exact geometry of two unit cubes; from the middle a face is 1/2 off, an edge sqrt(1/2), a corner sqrt(3/4).
        pytest.param(pose((2, 0, 0)), 1.0, id="face to face"),
        pytest.param(pose((2, 0.7, 0.2)), 1.0, id="face to face, shifted"),
        pytest.param(pose((2, 0, 0), (0, 0, np.pi / 4)), 1.5 - np.sqrt(0.5), id="face to edge"),
        pytest.param(pose((0, 0, 2), onto([0, 0, 1])), 1.5 - np.sqrt(0.75), id="face to corner"),
        pytest.param(pose((2, 2, 0)), np.sqrt(2.0), id="edge to edge, parallel"),
        pytest.param(pose(2 * SLANT, Rotation.from_rotvec(np.pi / 2 * SLANT).as_rotvec()), 2 - 2 * np.sqrt(0.5),
                     id="edge to edge, crosswise"),
        pytest.param(pose(2 * SLANT, Rotation.from_rotvec(0.6 * SLANT).as_rotvec()), 2 - 2 * np.sqrt(0.5),
                     id="edge to edge, askew"),
        pytest.param(pose(2 * SLANT, onto(SLANT)), 2 - np.sqrt(0.5) - np.sqrt(0.75), id="edge to corner"),
        pytest.param(pose((2, 2, 2)), np.sqrt(3.0), id="corner to corner"),
        pytest.param(pose((2, 2, 2), 0.7 * np.ones(3)), 2 * np.sqrt(3.0) - 2 * np.sqrt(0.75), id="corner to turned"),
    ],
)  # fmt: skip
def test_cubes(other: np.ndarray, expected: float) -> None:
    for swap in (False, True):
        body, part = (box().transformed(other), box()) if swap else (box(), box())
        zone = only(body, part, None if swap else other, expected + 0.1)
        assert zone.distance_m == pytest.approx(expected, abs=1e-12)
        assert np.linalg.norm(zone.on_part - zone.on_body) == pytest.approx(expected, abs=1e-12)
        assert not zone.collides
        assert zone.verdict == "tight"
        assert zone.depth_m == 0.0
        assert only(body, part, None if swap else other, expected - 0.1).verdict == "clear"


def test_skew_edges_of_two_cubes() -> None:
    # Exact: one cube's upper edge along y at height sqrt(1/2), the other's lower edge along x, 0.5 above it.
    low, high = box((0, 0, 0), (0, np.pi / 4, 0)), box((0, 0, 2 * np.sqrt(0.5) + 0.5), (np.pi / 4, 0, 0))
    zone = only(low, high)
    assert zone.distance_m == pytest.approx(0.5, abs=1e-12)
    assert zone.on_body == pytest.approx([0, 0, np.sqrt(0.5)], abs=1e-12)
    assert zone.on_part == pytest.approx([0, 0, np.sqrt(0.5) + 0.5], abs=1e-12)


def test_sphere_over_plane() -> None:
    # Exact: d - r for the sphere; its tessellation has corners on the sphere and the face sags
    # at most r (1 - cos(a / 2)) for edges of angle a.
    ball = sphere()
    corners = ball.corners
    widest = np.arccos(np.clip((corners * corners[:, [1, 2, 0]]).sum(axis=2), -1, 1)).max()
    found = only(plane(), ball, pose((0, 0, 1.25))).distance_m
    assert 0.25 - 1e-12 <= found <= 0.25 + 2.0 * (1 - np.cos(widest / 2))


def holed(mesh: TriMesh, seed: int) -> TriMesh:
    return mesh.subset(RNG(seed).uniform(size=len(mesh.triangles)) > 0.3)


def inside_out(mesh: TriMesh) -> TriMesh:
    return TriMesh(mesh.points, np.ascontiguousarray(mesh.triangles[:, ::-1]))


def non_manifold(mesh: TriMesh) -> TriMesh:
    """With fins on its edges, faces twice and faces without area."""
    fins = mesh.triangles[::5].copy()
    points = np.concatenate([mesh.points, mesh.points + [0.0, 0.0, 0.013]])
    fins[:, 2] += len(mesh.points)
    flat = mesh.triangles[::9].copy()
    flat[:, 2] = flat[:, 1]
    return TriMesh(points, np.concatenate([mesh.triangles, fins, mesh.triangles[::7], flat]))


def t_junctions(mesh: TriMesh) -> TriMesh:
    """Every other face parted at the middle of an edge that its neighbour keeps whole."""
    split, whole = mesh.triangles[::2], mesh.triangles[1::2]
    middle = np.arange(len(split), dtype=np.int32) + len(mesh.points)
    points = np.concatenate([mesh.points, mesh.points[split[:, :2]].mean(axis=1)])
    first = np.column_stack([split[:, 0], middle, split[:, 2]])
    second = np.column_stack([middle, split[:, 1], split[:, 2]])
    return TriMesh(points, np.concatenate([whole, first, second]))


ROUGH = {
    "open": lambda mesh, seed: mesh,
    "holed": holed,
    "inside out": lambda mesh, seed: inside_out(mesh),
    "non-manifold": lambda mesh, seed: non_manifold(mesh),
    "T-junctions": lambda mesh, seed: t_junctions(mesh),
}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("how", ROUGH)
def test_whole_meshes_against_fcl(how: str, seed: int) -> None:
    turn = pose((0, 0, 0.3), RNG(seed).normal(0, 0.15, 3))
    body, part = ROUGH[how](sheet(seed), seed), ROUGH[how](sheet(seed + 20, size=12), seed + 1)
    result = check(body, part, turn)
    zone, moved = result.zones[0], part.transformed(turn)
    assert zone.distance_m == pytest.approx(fcl_distance(body, moved), abs=1e-6)
    assert zone.distance_m > 0.0
    assert not result.part_hits.any()
    # The two points lie on the surfaces, and no corner is nearer (igl).
    assert igl_distance(zone.on_body, body).max() < 1e-9
    assert igl_distance(zone.on_part, moved).max() < 1e-9
    used = moved.points[np.unique(moved.triangles)]
    assert igl_distance(used, body).min() >= zone.distance_m - 1e-9


@pytest.mark.parametrize("how", ROUGH)
def test_collisions_against_all_pairs_and_fcl(how: str) -> None:
    for seed in range(3):
        body, part = ROUGH[how](sheet(seed), seed), ROUGH[how](sheet(seed + 50), seed + 1)
        where = pose((0, 0, 0.02 * seed), (0.05, 0.02, 0.3))
        moved = part.transformed(where)
        result = check(body, part, where)
        pairs = fcl_pairs(body, moved)
        assert len(pairs) > 20
        # fcl lists every pair that properly crosses, but takes two faces in one plane, as those without area are
        # with any, for apart or not as rounding has it.
        real = np.linalg.norm(np.cross(*np.moveaxis(np.diff(moved.corners, axis=1), 1, 0)), axis=1) > 0.0
        solid = np.linalg.norm(np.cross(*np.moveaxis(np.diff(body.corners, axis=1), 1, 0)), axis=1) > 0.0
        pairs = {(p, q) for p, q in pairs if solid[p] and real[q]}
        assert {p for p, _ in pairs} <= set(result.body_hits.tolist())
        assert {q for _, q in pairs} <= set(np.flatnonzero(result.part_hits).tolist())
        assert abs(len({p for p, _ in pairs}) - solid[result.body_hits].sum()) <= 2
        # Each of ours crosses some face, tried one against all.
        for face in result.body_hits[::9]:
            against = np.repeat(body.corners[face][None], len(moved.triangles), axis=0)
            assert triangles_meet(against, moved.corners).any()
        # The place shown is one of the crossing: on both surfaces (igl).
        zone = result.zones[0]
        assert zone.collides
        assert zone.distance_m == 0.0
        np.testing.assert_allclose(zone.on_part, zone.on_body, atol=1e-12)
        assert max(igl_distance(zone.on_body, body).max(), igl_distance(zone.on_part, moved).max()) < 1e-9


def test_crossing_spheres_are_flagged_along_their_circle() -> None:
    # Exact: unit spheres with centres 1 apart cut in the circle x = 0.5 of radius sqrt(3)/2.
    a, b = sphere(level=3), sphere(level=3)
    result = check(a, b, pose((1, 0, 0)))
    zone = result.zones[0]
    assert zone.collides
    assert zone.verdict == "touches"
    assert zone.distance_m == 0.0
    on_body, on_part = a.corners[result.body_hits], b.corners[result.part_hits] + [1, 0, 0]
    longest = np.linalg.norm(a.corners - a.corners[:, [1, 2, 0]], axis=2).max()
    for corners in (on_body, on_part):
        assert len(corners) >= 2 * np.pi * np.sqrt(0.75) / longest
        centre = corners.mean(axis=1)
        assert np.abs(centre[:, 0] - 0.5).max() < longest
        assert np.abs(np.hypot(centre[:, 1], centre[:, 2]) - np.sqrt(0.75)).max() < longest
    for place in (zone.on_body, zone.on_part):
        assert place[0] == pytest.approx(0.5, abs=0.01)
        assert np.linalg.norm(place[1:]) == pytest.approx(np.sqrt(0.75), abs=0.02)


def test_each_zone_has_its_own_minimum() -> None:
    body, part = sheet(1, 0.0, 60), sheet(2, 0.2, 20)
    middle = body.corners.mean(axis=1)
    labels = (middle[:, 0] > 0).astype(np.int32) + 2 * (middle[:, 1] > 0).astype(np.int32) - 1
    result = measure_clearance(around(body, labels, [0.01, 0.02, 0.03]), Part.of("blade", part))
    assert [z.zone for z in result.zones] == ["zone 0", "zone 1", "zone 2"]
    assert [z.required_m for z in result.zones] == [0.01, 0.02, 0.03]
    judge = [fcl_distance(body.subset(labels == k), part) for k in range(3)]
    assert [z.distance_m for z in result.zones] == pytest.approx(judge, abs=1e-6)
    assert len({round(j, 6) for j in judge}) == 3


def test_faces_in_no_zone_are_ignored() -> None:
    body = join([box((0, 0, 1.2)), box((0, 0, -3))])
    near = around(body, np.repeat(np.array([-1, 0], np.int32), 12))
    part = Part.of("blade", box((0, 0, 0.4)))
    result = measure_clearance(near, part)
    # Exact: from z = -0.1 to z = -2.5, though a box that is no zone is crossed.
    assert result.zones[0].distance_m == pytest.approx(2.4, abs=1e-12)
    assert not result.part_hits.any()
    assert len(result.body_hits) == 0
    assert clearance_map(near, part, reach_m=10.0).min() == pytest.approx(2.4, abs=1e-12)


def test_coplanar_duplicate_and_empty_faces() -> None:
    # Exact: the cube's upper face lies on the plate's plane; a second copy and a face without area change nothing.
    cube = box()
    extra = TriMesh(cube.points, np.concatenate([cube.triangles, cube.triangles, [[0, 0, 1]]]).astype(np.int32))
    touching = only(extra, box(), pose((0, 0, 1)))
    assert touching.distance_m == 0.0
    assert touching.collides
    assert touching.verdict == "touches"
    assert touching.depth_m == pytest.approx(0.0, abs=1e-12)
    assert igl_distance(touching.on_part, cube).max() < 1e-12
    above = only(extra, box(), pose((0, 0, 1.001)))
    assert above.distance_m == pytest.approx(0.001, abs=1e-12)
    assert not above.collides


@settings(max_examples=20, deadline=None)
@given(
    turn=st.tuples(*[st.floats(-3, 3)] * 3), shift=st.tuples(*[st.floats(-4, 4)] * 3), gap=st.sampled_from([0.3, 0.0])
)
def test_rigid_motion_changes_no_clearance(turn, shift, gap) -> None:
    matrix = pose(shift, turn)
    body, part = sheet(5, 0.0, 12), sheet(6, gap, 12)
    still, moved = check(body, part).zones[0], check(body.transformed(matrix), part, matrix).zones[0]
    assert moved.collides == still.collides == (gap == 0.0)
    assert moved.distance_m == pytest.approx(still.distance_m, abs=1e-12)
    assert moved.depth_m == pytest.approx(still.depth_m, rel=0.03)
    if not still.collides:
        np.testing.assert_allclose(moved.on_part, matrix[:3, :3] @ still.on_part + shift, atol=1e-6)


@pytest.mark.parametrize("gap", [0.0, 0.2, 0.4])
def test_a_pose_is_as_good_as_a_moved_mesh(gap: float) -> None:
    body, part = around(sheet(9, size=40)), finer(box(sides=(0.5, 0.2, 0.02)), 0.05)
    where = pose((0.05, 0.1, gap), (0.1, 0.2, 0.3))
    posed = measure_clearance(body, Part.of("blade", part), where)
    meshed = measure_clearance(body, Part.of("blade", part.transformed(where)))
    assert posed.zones[0].collides == (gap == 0.0)
    assert posed.zones[0].distance_m == pytest.approx(meshed.zones[0].distance_m, abs=1e-12)
    assert posed.zones[0].depth_m == pytest.approx(meshed.zones[0].depth_m, rel=0.03)
    np.testing.assert_array_equal(posed.part_hits, meshed.part_hits)
    np.testing.assert_array_equal(posed.body_hits, meshed.body_hits)
    maps = [clearance_map(body, Part.of("blade", m), w) for m, w in ((part, where), (part.transformed(where), None))]
    np.testing.assert_allclose(*maps, atol=1e-12)


def test_allowance_and_verdicts() -> None:
    # Exact: 30 mm between the faces of two cubes; with 10 mm allowed for movement 20 mm are left.
    near, part, where = around(box(), required=(0.025,)), Part.of("blade", box()), pose((0, 0, 1.03))
    for allowance, room, verdict in ((0.0, 0.03, "clear"), (0.01, 0.02, "tight"), (0.03, 0.0, "touches"),
                                     (0.05, 0.0, "touches")):  # fmt: skip
        result = measure_clearance(near, part, where, allowance)
        zone = result.zones[0]
        assert result.allowance_m == allowance
        assert zone.distance_m == pytest.approx(room, abs=1e-12)
        assert zone.verdict == verdict or (allowance == 0.03 and zone.distance_m < 1e-12)
        assert not zone.collides
        assert zone.depth_m == 0.0
        assert np.linalg.norm(zone.on_part - zone.on_body) == pytest.approx(0.03, abs=1e-12)
    # Just as much as is asked for is clear.
    assert only(plane(), box((0, 0, 1.0)), required=0.5).verdict == "clear"


# --- behind the surface ---------------------------------------------------------------------------------------


def sky_side(mesh: TriMesh, outside_in: bool) -> TriMesh:
    return inside_out(mesh) if outside_in else mesh


@pytest.mark.parametrize("outside_in", [False, True])
@pytest.mark.parametrize("height", [0.05, -0.05, -0.3])
def test_a_part_wholly_behind_an_open_shell_touches(height: float, outside_in: bool) -> None:
    # Exact: an open deck at z = 0 that looks up, a bar whose face is 50 or 300 mm off on either side of it. Which way
    # the scan's faces are wound as a whole makes no difference.
    deck = sky_side(sheet(0, size=21, wave=0.0), outside_in)
    bar = box((0, 0, height + np.sign(height) * 0.01), sides=(0.5, 0.1, 0.02))
    found = check(deck, bar)
    zone = found.zones[0]
    assert zone.behind == (height < 0.0)
    assert zone.verdict == ("touches" if height < 0.0 else "clear")
    assert zone.distance_m == pytest.approx(abs(height), abs=1e-12)
    assert (zone.collides, zone.depth_m) == (False, 0.0)
    assert not found.part_hits.any()


def test_only_the_nearest_zone_is_behind() -> None:
    # Exact: two open decks side by side, 20 and 60 mm over a bar.
    body = join([sheet(0, 0.02, 11, 0.0), sheet(0, 0.06, 11, 0.0).transformed(pose((1, 0, 0)))])
    labels = np.repeat(np.array([0, 1], np.int32), len(body.triangles) // 2)
    bar = box((0.5, 0, -0.01), sides=(0.9, 0.1, 0.02))
    found = measure_clearance(around(body, labels, (0.01, 0.01)), Part.of("bar", bar))
    assert [z.distance_m for z in found.zones] == pytest.approx([0.02, 0.06], abs=1e-12)
    assert [z.behind for z in found.zones] == [True, False]
    assert [z.verdict for z in found.zones] == ["touches", "clear"]


@pytest.mark.parametrize("place", [(0.6, 0, 0.0), (0.6, 0, -0.03), (0.55, 0.55, 0.0), (0.53, 0, -0.02)])
def test_beside_a_rim_nothing_is_behind(place) -> None:
    # A small ball past the border of an open deck at x, y = 0.5 is seen from the border at less than 45 degrees.
    ball = sphere(place, 0.005, 2)
    zone = only(sheet(0, size=21, wave=0.0), ball)
    assert not zone.behind
    assert zone.verdict == "clear"
    # Where the zone ends and the body goes on is such a border as well.
    deck = sheet(0, size=41, wave=0.0, side=3.0)
    inside = (np.abs(deck.corners.mean(axis=1)[:, :2]) < 0.5).all(axis=1)
    rest = np.where(inside, 0, -1).astype(np.int32)
    edge = np.abs(deck.corners[inside][..., 0]).max()
    zone = measure_clearance(around(deck, rest), Part.of("ball", ball), pose((edge - 0.5, 0, 0))).zones[0]
    assert not zone.behind


def test_what_stands_outside_a_wall_in_no_zone_is_not_behind_the_deck() -> None:
    # Exact: the deck is the upper face of a box, the one zone. A ball outside the wall, far below the deck's border,
    # sees the deck from below; one as far below inside the box does lie behind it.
    body = finer(box(), 0.1)
    labels = np.where(body.corners[..., 2].min(axis=1) > 0.5 - 1e-9, 0, -1).astype(np.int32)
    near, ball = around(body, labels), Part.of("ball", sphere(radius=0.005, level=2))
    for x, behind in ((0.52, False), (0.48, True), (0.0, True)):
        zone = measure_clearance(near, ball, pose((x, 0, 0.22))).zones[0]
        assert zone.distance_m == pytest.approx(np.hypot(max(x - 0.5, 0.0), 0.28) - 0.005, abs=1e-4)
        assert zone.behind == behind
    assert not measure_clearance(near, ball, pose((0.0, 0, 0.6))).zones[0].behind


def test_a_part_that_crosses_is_behind_nothing() -> None:
    # Exact: a tube through one of two decks, under the other.
    body = join([sheet(0, 0.0, 11, 0.0), sheet(0, 0.6, 11, 0.0).transformed(pose((1, 0, 0)))])
    labels = np.repeat(np.array([0, 1], np.int32), len(body.triangles) // 2)
    bar = box((0.5, 0, 0.01), sides=(0.9, 0.1, 0.04))
    found = measure_clearance(around(body, labels, (0.01, 0.01)), Part.of("bar", bar))
    assert [z.collides for z in found.zones] == [True, False]
    assert not any(z.behind for z in found.zones)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_behind_is_inside_a_closed_body(seed: int) -> None:
    # trimesh tells by rays whether a small block lies inside a closed body; ours by its nearest point alone.
    rng = RNG(seed)
    body = [box(sides=(1.0, 0.7, 0.4)), sphere(radius=0.5, level=3)][seed % 2]
    body = holed(body, seed) if seed % 3 == 0 and seed % 2 else body
    where = pose(rng.uniform(-0.6, 0.6, 3), rng.normal(0, 1, 3))
    block = box(sides=(0.1, 0.06, 0.02))
    zone = only(body, block, where)
    whole = box(sides=(1.0, 0.7, 0.4)) if seed % 2 == 0 else sphere(radius=0.5, level=3)
    inside = trimesh.Trimesh(whole.points, whole.triangles).contains(block.transformed(where).points)
    if not zone.collides and len(body.triangles) == len(whole.triangles):
        assert inside.all() or not inside.any()
        assert zone.behind == inside.all()
    elif not zone.collides and zone.behind:
        assert inside.any()
    assert not (zone.collides and zone.behind)


def test_asking_for_other_clearances_builds_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    near, part = around(sheet(1, 0.0, 30), required=(0.01,)), Part.of("blade", sheet(2, 0.2, 10))
    room = measure_clearance(near, part).zones[0].distance_m

    def build(*_: object) -> None:
        raise AssertionError

    monkeypatch.setattr("wingfettle.core.clearance.surroundings.TriangleIndex.build", build)
    monkeypatch.setattr("wingfettle.core.clearance.surroundings.SignedSurface.over", build)
    monkeypatch.setattr("wingfettle.core.clearance.surroundings.is_inside_out", build)
    other = near.asking((Zone("lid", 2.0 * room, "more"),))
    zone = measure_clearance(other, part).zones[0]
    assert (zone.zone, zone.required_m, zone.verdict) == ("lid", 2.0 * room, "tight")
    assert zone.distance_m == room
    assert other.index is near.index
    assert other.surface is near.surface
    assert near.scan.zones[0].required_m == 0.01
    with pytest.raises(InputError, match="marked with 1 zone, but 2 are given"):
        near.asking((Zone("a", 0.0, ""), Zone("b", 0.0, "")))
    with pytest.raises(InputError, match="must be a length"):
        near.asking((Zone("a", -1.0, ""),))


# --- depth ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("height", [0.99, 0.7, 0.0, -0.6])
@pytest.mark.parametrize("body", [plane(), sheet(0, size=61, wave=0.0, side=6.0)], ids=["two faces", "many faces"])
def test_depth_of_a_sphere_in_a_plane(body: TriMesh, height: float) -> None:
    # Exact: r - h for the sphere's lowest point, here for the lowest corner of its tessellation.
    ball = sphere()
    zone = only(body, ball, pose((0.1, 0.2, height)))
    assert zone.collides
    assert zone.depth_m == pytest.approx(-(ball.points[:, 2].min() + height), rel=0.02)
    assert zone.depth_m == pytest.approx(1.0 - height, rel=0.02, abs=0.005)


def test_depth_of_a_plane_in_a_sphere() -> None:
    # Exact: a small flat sheet through the middle of a closed sphere lies a radius deep in it; the sphere is no less
    # deep behind the sheet. With the sphere open at one side there is no inside of it.
    ball, flat = sphere(radius=0.5), sheet(0, size=41, wave=0.0, side=3.0)
    assert only(flat, ball, pose((0, 0, 0.2))).depth_m == pytest.approx(0.5 - 0.2, rel=0.03)
    assert only(flat, inside_out(ball), pose((0, 0, 0.45))).depth_m == pytest.approx(0.05, rel=0.1)
    assert only(ball, flat, pose((0, 0, 0.0))).depth_m == pytest.approx(0.5, rel=0.03)


@pytest.mark.parametrize("edge", [None, 0.1])
def test_depth_of_a_box_in_a_box(edge: float | None) -> None:
    # Exact: unit cubes half a side apart, sides in common planes: the middle of a face lies in the other's middle.
    cube = box() if edge is None else finer(box(), edge)
    assert only(cube, cube, pose((0.5, 0, 0))).depth_m == pytest.approx(0.5, rel=0.03)
    # Exact: a slender box stuck 0.2 into a face; its end's corners are the deepest, whichever of the two moves.
    peg = box(sides=(0.1, 0.1, 1.0)) if edge is None else finer(box(sides=(0.1, 0.1, 1.0)), edge)
    assert only(cube, peg, pose((0.1, 0.05, 0.8))).depth_m == pytest.approx(0.2, abs=1e-9)
    assert only(peg, cube, pose((-0.1, -0.05, -0.8))).depth_m == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("caps", [True, False])
def test_depth_of_a_cylinder_through_a_sheet(caps: bool) -> None:
    # Exact: the lower end of a cylinder 1 m long lies 0.7 m below a flat sheet that it passes through.
    tube = finer(ours(trimesh.creation.cylinder(0.1, 1.0, sections=48)), 0.05)
    if not caps:
        tube = tube.subset(np.ptp(tube.corners[..., 2], axis=1) > 1e-9)
    result = check(sheet(0, size=81, wave=0.0, side=3.0), tube, pose((0.11, 0.02, -0.2)))
    assert result.zones[0].depth_m == pytest.approx(0.7, rel=0.02)
    # Turned over, the sheet has its other side behind.
    turned = check(inside_out(sheet(0, size=81, wave=0.0, side=3.0)), tube, pose((0.11, 0.02, -0.2)))
    assert turned.zones[0].depth_m == pytest.approx(0.3, rel=0.02)


def test_depth_counts_what_hangs_together_with_the_crossing() -> None:
    # Exact: one leg of a bridge is 20 mm in a sheet; the other hangs 0.4 m down past the sheet's border.
    legs = [box((-0.2, 0, 0.23), sides=(0.04, 0.04, 0.5)), box((0.54, 0, 0.05), sides=(0.04, 0.04, 0.9))]
    bridge = box((0.17, 0, 0.5), sides=(0.78, 0.04, 0.04))
    part = join([finer(m, 0.02) for m in (*legs, bridge)])
    zone = only(sheet(0, size=41, wave=0.0, side=1.0), part)
    assert zone.collides
    assert zone.depth_m == pytest.approx(0.02, rel=0.05)


def test_parts_without_area_touch_at_depth_nought() -> None:
    # Exact: a point on a plane, and a line through it that ends 0.2 below.
    point = TriMesh(np.zeros((3, 3)), np.array([[0, 1, 2]], np.int32))
    line = TriMesh(np.array([[0.0, 0, 0.3], [0, 0, -0.2]]), np.array([[0, 1, 1]], np.int32))
    for part, depth in ((point, 0.0), (line, 0.2)):
        zone = only(plane(), part, pose((0.3, 0.1, 0.0)))
        assert zone.collides
        assert zone.depth_m == pytest.approx(depth, abs=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_depth_against_all_points_of_both(seed: int) -> None:
    # igl's signed distance at every corner and on a grid of each face: what is asked for, without leaving any out.
    rng = RNG(seed)
    body = finer(box(sides=(1.0, 0.8, 0.4)), 0.05) if seed % 2 else sphere(radius=0.5, level=4)
    part = finer(box(sides=(0.6, 0.2, 0.1)), 0.03)
    where = pose(rng.uniform(-0.1, 0.1, 3) + [0.42, 0, 0.1], rng.normal(0, 1, 3))
    moved = part.transformed(where)
    zone = only(body, part, where)
    exact = max(-igl_signed(moved.points, body).min(), -igl_signed(body.points, moved).min(), 0.0)
    assert zone.collides == bool(fcl_pairs(body, moved))
    assert zone.collides
    assert 0.93 * exact - 0.002 <= zone.depth_m <= exact + 0.02
    # The same with the part's faces turned over: a closed one has its inside all the same.
    assert only(body, inside_out(part), where).depth_m == pytest.approx(zone.depth_m, rel=1e-6)


def test_each_zone_has_its_own_depth() -> None:
    # Exact: a bar across two zones of a flat sheet, its underside slanting from 10 mm above to 30 mm below.
    body = sheet(0, size=81, wave=0.0)
    labels = (body.corners.mean(axis=1)[:, 0] > 0.2).astype(np.int32)
    bar = finer(box(sides=(0.8, 0.02, 0.2)), 0.02)
    bar = TriMesh(bar.points + np.outer(0.09 - 0.05 * (bar.points[:, 0] + 0.4), [0, 0, 1]), bar.triangles)
    found = measure_clearance(around(body, labels, (0.01, 0.01)), Part.of("bar", bar)).zones
    # At x the underside is at -0.01 - 0.05 (x + 0.4).
    assert [z.depth_m for z in found] == pytest.approx([0.01 + 0.05 * 0.6, 0.01 + 0.05 * 0.8], rel=0.05)


# --- map ------------------------------------------------------------------------------------------------------


def test_map_of_a_sheet_against_igl() -> None:
    body, part = sheet(3, 0.0, 80), sheet(4, 0.1, 40)
    judge = igl_distance(part.points, body)
    found = clearance_map(around(body), Part.of("blade", part), reach_m=0.12)
    near = judge < 0.12
    assert 50 < near.sum() < len(near) - 50
    assert np.abs(found[near]) == pytest.approx(judge[near], abs=1e-9)
    assert np.isinf(found[~near]).all()
    assert not np.isnan(found).any()


def test_map_inside_and_outside_a_sphere() -> None:
    # Exact: |p| - r, less by no more than a facet of the ball sags; the sign and number against igl.
    ball = sphere(radius=0.5, level=5)
    part = finer(box(sides=(1.6, 0.2, 0.2)), 0.05)
    found = clearance_map(around(ball), Part.of("bar", part), reach_m=np.inf)
    exact = np.linalg.norm(part.points, axis=1) - 0.5
    sag = np.linalg.norm(ball.corners.mean(axis=1), axis=1).min()
    assert (found - exact).min() >= -1e-12
    assert (found - exact).max() <= 0.5 - sag + 1e-12
    assert (found < 0.0).any()
    np.testing.assert_allclose(found, igl_signed(part.points, ball), atol=1e-12)


def test_map_inside_and_outside_a_box() -> None:
    # Exact: |max(q, 0)| + min(max q, 0) with q = |p| - h for a box with half sides h.
    half = np.array([0.5, 0.3, 0.05])
    body, part = finer(box(sides=2.0 * half), 0.1), TriMesh(RNG(0).uniform(-0.8, 0.8, (3000, 3)) * [1, 1, 0.2],
                                                          np.arange(3000, dtype=np.int32).reshape(-1, 3))  # fmt: skip
    where = pose((0.02, 0.01, 0.03), (0.3, 0.2, 0.5))
    q = np.abs(part.transformed(where).points) - half
    exact = np.linalg.norm(np.maximum(q, 0.0), axis=1) + np.minimum(q.max(axis=1), 0.0)
    found = clearance_map(around(body), Part.of("soup", part), where, reach_m=0.2)
    np.testing.assert_allclose(found[exact < 0.2], exact[exact < 0.2], atol=1e-12)
    assert np.isinf(found[exact > 0.2]).all()


def points_only(places) -> Part:
    places = np.array(places, float)
    return Part.of("points", TriMesh(places, np.arange(len(places), dtype=np.int32).repeat(3).reshape(-1, 3)))


def test_map_at_borders_behind_shells_and_over_turned_faces() -> None:
    # Exact, off a flat sheet of 1 m: over and under it signed, also 0.4 m deep; beside its border the plain distance.
    part = points_only([[0, 0, 0.1], [0.1, 0.2, -0.4], [0.6, 0, 0.05], [0.6, 0, -0.05], [0.5, 0, -0.1]])
    body = sheet(0, size=21, wave=0.0)
    beside = np.hypot(0.1, 0.05)
    found = clearance_map(around(body), part, reach_m=1.0)
    np.testing.assert_allclose(found, [0.1, -0.4, beside, beside, -0.1], atol=1e-12)
    # A patch whose faces are turned over turns the sign over it, and nothing else.
    middle = body.corners.mean(axis=1)
    patch = (np.abs(middle[:, :2]) < 0.08).all(axis=1)
    triangles = body.triangles.copy()
    triangles[patch] = triangles[patch][:, ::-1]
    turned = TriMesh(body.points, triangles)
    found = clearance_map(around(turned), part, reach_m=1.0)
    np.testing.assert_allclose(found, [-0.1, -0.4, beside, beside, -0.1], atol=1e-12)
    above = box((0, 0, 0.6), sides=(0.2, 0.2, 1.0))
    assert only(turned, above).distance_m == pytest.approx(only(body, above).distance_m, abs=1e-12)
    # Where a zone ends and the body goes on is a border as well; the other zone has no side there.
    labels = np.where(middle[:, 0] > 0.0, 0, -1).astype(np.int32)
    found = clearance_map(
        around(body, labels), points_only([[-0.1, 0, 0.05], [-0.1, 0, -0.05], [0.1, 0, -0.05]]), None, 1.0
    )
    np.testing.assert_allclose(found, [beside, beside, -0.05], atol=1e-12)


def test_map_of_rough_bodies_has_igls_distance() -> None:
    for how, rough in ROUGH.items():
        body = rough(sheet(7, size=30), 1)
        part = sheet(8, 0.01, 30)
        found = clearance_map(around(body), Part.of("blade", part), reach_m=np.inf)
        np.testing.assert_allclose(np.abs(found), igl_distance(part.points, body), atol=1e-9, err_msg=how)


# --- marks, input ---------------------------------------------------------------------------------------------


def test_marks_grow_along_the_surface_only() -> None:
    # Exact: a flat grid of 1/40; one face and the rings of faces that share a point with it.
    mesh = sheet(0, size=41, wave=0.0)
    hits = np.zeros(len(mesh.triangles), bool)
    assert widened(mesh, hits, 0.1).sum() == 0
    hits[820] = True
    edge = (2 + np.sqrt(2)) / 3 / 40
    for rings, faces in ((0, 1), (1, 13), (2, 37)):
        assert widened(mesh, hits, rings * edge * 0.999).sum() == faces
    assert not np.shares_memory(widened(mesh, hits, 0.1), hits)
    apart = join([mesh, mesh.transformed(pose((0, 0, 0.001)))])
    far = np.concatenate([hits, np.zeros(len(hits), bool)])
    assert not widened(apart, far, 0.2)[len(hits) :].any()


def test_inputs_are_left_alone() -> None:
    body, part = sheet(7), sheet(8, 0.02)
    for mesh in (body, part):
        mesh.points.setflags(write=False)
        mesh.triangles.setflags(write=False)
    result = check(body, part, pose())
    assert result.part_hits.any()
    assert (clearance_map(around(body), Part.of("blade", part), pose()) < 0.0).any()


def test_bad_input_is_refused() -> None:
    body = box()
    labels = np.zeros(12, np.int32)
    near, blade = around(body), Part.of("blade", box((3, 0, 0)))
    with pytest.raises(InputError, match="no zones yet"):
        around(body, labels, [])
    with pytest.raises(InputError, match="“zone 1” holds no faces"):
        around(body, labels, [0.0, 0.0])
    with pytest.raises(InputError, match="zone number 1, but only 1"):
        around(body, np.repeat(np.array([0, 1], np.int32), 6))
    with pytest.raises(InputError, match="marked on 5 faces but the body has 12"):
        around(body, labels[:5])
    with pytest.raises(InputError, match="“zone 0” must be a length"):
        around(body, labels, [float("nan")])
    twice = (Zone("lid", 0.01, ""), Zone("lid", 0.01, ""))
    with pytest.raises(InputError, match="Two zones are called “lid”"):
        Surroundings.build(ScanMesh(body, twice, np.repeat(np.array([0, 1], np.int32), 6)))
    with pytest.raises(InputError, match="“blade” holds no faces"):
        Part.of("blade", TriMesh(body.points, body.triangles[:0]))
    with pytest.raises(InputError, match="“blade” has points whose coordinates"):
        Part.of("blade", TriMesh(np.full_like(body.points, np.nan), body.triangles))
    for wrong in (np.diag([2.0, 2, 2, 1]), np.diag([-1.0, 1, 1, 1]), np.eye(3), np.full((4, 4), np.nan)):
        with pytest.raises(InputError, match="only turn and shift"):
            measure_clearance(near, blade, wrong)
        with pytest.raises(InputError, match="only turn and shift"):
            clearance_map(near, blade, wrong)
    for allowance in (-0.001, np.inf, np.nan):
        with pytest.raises(InputError, match="allowance"):
            measure_clearance(near, blade, None, allowance)
    for reach in (0.0, -1.0, np.nan):
        with pytest.raises(InputError, match="reach"):
            clearance_map(near, blade, None, reach)
