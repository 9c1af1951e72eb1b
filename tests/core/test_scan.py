"""A scan taken in, cleaned, mirrored and placed, against exact geometry and general libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from mesh_cases import moebius
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial.transform import Rotation

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh, check_mesh, join, moved
from wingfettle.core.scan import align, pose
from wingfettle.core.scan.intake import check_size, clean, guess_unit, take_in
from wingfettle.core.scan.mirror import mirror_half
from wingfettle.core.scan.scan_mesh import ZONE_DEFAULTS, zone_named
from wingfettle.core.scan.topology import connected, consistent, edge_pairs, pieces

Floats = NDArray[np.float64]


def ours(mesh: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.array(mesh.vertices, float), np.array(mesh.faces, np.int32))


def theirs(mesh: TriMesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.points, mesh.triangles, process=False)


def ball(level: int = 3, radius: float = 0.5) -> TriMesh:
    return ours(trimesh.creation.icosphere(level, radius))


def frozen(mesh: TriMesh) -> TriMesh:
    """The same mesh in arrays that refuse to be written to."""
    points, triangles = mesh.points.copy(), mesh.triangles.copy()
    points.flags.writeable = triangles.flags.writeable = False
    return TriMesh(points, triangles)


# -- intake --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "metres"), [("mm", 0.001), ("cm", 0.01), ("m", 1.0), ("in", 0.0254)]
)  # inch: exact by definition
def test_units_are_guessed_and_set(unit: str, metres: float) -> None:
    rear = ball(3, 0.9)
    scan = frozen(TriMesh(rear.points / metres, rear.triangles))
    assert guess_unit(scan.points) == unit
    assert take_in(scan, unit, "The scan").points == pytest.approx(rear.points, abs=1e-12)


def test_no_unit_fits_a_mountain() -> None:
    assert guess_unit(np.array([[0.0, 0.0, 0.0], [1e6, 0.0, 0.0]])) is None


@pytest.mark.parametrize(
    ("extent", "unit", "message"),
    [
        (4.0, "mm", "Taken as mm, The scan is 4 mm long, which is no part of a car. It looks like m: set"),
        (4000.0, "m", "is 4e\\+06 mm long.*It looks like mm: set the scan unit to mm"),
        (72.0, "m", "It looks like in: set"),
        (1e6, "mm", "No usual unit fits it"),
        (1e-3, "m", "No usual unit fits it"),
    ],
)
def test_a_wrong_size_is_refused(extent: float, unit: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        check_size(np.array([[0.0, 0.0, 0.0], [0.1 * extent, extent, 0.0]]), unit, "The scan")


@pytest.mark.parametrize(("extent", "unit"), [(4000.0, "mm"), (4.0, "m"), (300.0, "mm"), (72.0, "in")])
def test_a_right_size_passes(extent: float, unit: str) -> None:
    check_size(np.array([[0.0, 0.0, 0.0], [0.1 * extent, extent, 0.0]]), unit, "The scan")


def test_what_is_no_mesh_is_refused() -> None:
    whole = ball()
    with pytest.raises(InputError, match="“rear.ply” holds no faces"):
        take_in(TriMesh(np.zeros((0, 3)), np.zeros((0, 3), np.int32)), "mm", "“rear.ply”")
    with pytest.raises(InputError, match="“rear.ply” holds only 1 face; a scan has thousands"):
        take_in(TriMesh(np.eye(3), np.array([[0, 1, 2]], np.int32)), "mm", "“rear.ply”")
    with pytest.raises(InputError, match="“rear.ply” holds only 99 faces;"):
        check_mesh(TriMesh(whole.points, whole.triangles[:99]), "“rear.ply”")
    points = whole.points.copy()
    points[17, 1] = np.nan
    with pytest.raises(InputError, match="has 1 point whose coordinates are not numbers.*number 17"):
        take_in(TriMesh(points, whole.triangles), "m", "“rear.ply”")
    points[19, 2] = np.inf
    with pytest.raises(InputError, match="has 2 points whose"):
        take_in(TriMesh(points, whole.triangles), "m", "“rear.ply”")


def test_damage_is_counted_and_mended_exactly() -> None:
    rng = np.random.default_rng(4)
    whole = ball(4)  # 5120 faces
    specks = [ball(0, 0.004).transformed(trimesh.transformations.translation_matrix([2.0 + k, 0, 0])) for k in range(3)]
    mesh = join([whole, *specks])  # 3 specks of 20 faces
    triangles = mesh.triangles.copy()
    flipped = rng.choice(5120, 400, replace=False)
    triangles[flipped] = triangles[flipped][:, ::-1]
    copies = triangles[rng.choice(5120, 30, replace=False)]
    copies[::2] = np.roll(copies[::2], 1, axis=1)
    copies[1::4] = copies[1::4][:, ::-1]
    points = np.vstack(
        [mesh.points, [[0.0, 0.0, 3.0], [0.1, 0.3, 3.7], [0.3, 0.9, 5.1]]]
    )  # on one line, thirds inexact
    n = len(mesh.points)
    empty = np.array([[5, 5, 9], [7, 8, 7], [3, 3, 3], [n, n + 1, n + 2]], np.int32)
    every = np.concatenate([triangles, copies, empty]).astype(np.int32)
    damaged = frozen(TriMesh(points, every))
    mended, kept, counts = clean(damaged)
    assert (counts.specks, counts.speck_pieces, counts.duplicates, counts.without_area) == (60, 3, 30, 4)
    assert (counts.turned, counts.open_edges) == (400, 0)
    for text in ("60 faces in 3 specks", "30 duplicate", "4 empty", "turned 400", "0 open edges"):
        assert text in counts.sentence
    assert np.array_equal(np.sort(kept), np.arange(5120))
    # trimesh decides what is closed and which way it faces; the volume is the undamaged ball's.
    solid = theirs(mended)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert solid.volume == pytest.approx(theirs(whole).volume)
    again, _, nothing = clean(mended)
    assert np.array_equal(again.triangles, mended.triangles)
    assert (nothing.specks, nothing.duplicates, nothing.without_area, nothing.turned) == (0, 0, 0, 0)


def test_holes_are_left_alone() -> None:
    whole = ball(4)
    keep = whole.corners.mean(axis=1)[:, 2] < 0.3
    holed, _, counts = clean(whole.subset(keep))
    rim = theirs(holed)
    assert counts.open_edges == len(trimesh.grouping.group_rows(rim.edges_sorted, require_count=1)) > 0
    assert len(holed.triangles) == keep.sum()


def test_a_scan_of_specks_only_is_refused() -> None:
    with pytest.raises(InputError, match="fewer than 200 faces"):
        clean(ball(1, 0.005))


def test_a_long_strip_of_few_faces_is_no_speck() -> None:
    # The base of a trailing edge, 100 mm by 2 mm in 20 quads; the ball beside it is a speck of 80 faces.
    x = np.linspace(0.0, 0.1, 21)
    points = np.concatenate([np.column_stack([x, np.full(21, z), np.zeros(21)]) for z in (0.0, 0.002)])
    i = np.arange(20)
    strip = np.concatenate([np.column_stack([i, i + 1, i + 22]), np.column_stack([i, i + 22, i + 21])])
    body, speck = ball(3), ball(1, 0.005)
    mesh = join([body, TriMesh(points + 2.0, strip.astype(np.int32)), TriMesh(speck.points - 2.0, speck.triangles)])
    cleaned, _, counts = clean(mesh)
    assert (counts.specks, counts.speck_pieces) == (80, 1)
    assert len(cleaned.triangles) == len(body.triangles) + 40


# -- topology ------------------------------------------------------------------------------------


def test_components_are_those_of_scipy() -> None:
    rng = np.random.default_rng(1)
    for links in (0, 1, 300, 900, 4000):
        a, b = rng.integers(0, 1000, (2, links)).astype(np.int32)
        mine = connected(a, b, 1000)
        count, label = connected_components(coo_matrix((np.ones(links), (a, b)), (1000, 1000)), directed=False)
        assert len(np.unique(mine)) == count
        # One name on our side for each on theirs: the pairs are as many as the components.
        assert len(np.unique(np.column_stack([mine, label]), axis=0)) == count
    chain = np.arange(999, dtype=np.int32)[rng.permutation(999)]
    assert (connected(chain, chain + 1, 1000) == 0).all()


def test_pieces_and_edges_are_those_of_trimesh() -> None:
    mesh = join([ball(2), ball(1), ours(trimesh.creation.box())])
    piece = pieces(mesh.triangles, len(mesh.points))
    assert sorted(np.bincount(piece)) == sorted(len(p.faces) for p in theirs(mesh).split(only_watertight=False))
    torn = TriMesh(mesh.points, mesh.triangles[::2])
    first, second, agree, rim = edge_pairs(torn.triangles)
    library = theirs(torn)
    pairs = {tuple(sorted(p)) for p in library.face_adjacency.tolist()}
    assert {tuple(sorted(p)) for p in np.column_stack([first, second]).tolist()} == pairs
    assert agree.all()
    single = library.edges[trimesh.grouping.group_rows(library.edges_sorted, require_count=1)]
    assert {tuple(e) for e in rim.tolist()} == {tuple(e) for e in single.tolist()}


def test_each_piece_keeps_the_side_most_of_it_had() -> None:
    mesh = join([ball(2), ball(2, 0.2).transformed(trimesh.transformations.translation_matrix([2.0, 0.0, 0.0]))])
    half = len(mesh.triangles) // 2
    inward = mesh.triangles.copy()
    inward[half:] = inward[half:][:, ::-1]
    damaged = inward.copy()
    turned = np.concatenate([np.arange(0, half, 3), half + np.arange(0, half, 4)])
    damaged[turned] = damaged[turned][:, ::-1]
    mended, count = consistent(mesh.points, damaged)
    assert count == len(turned)
    assert theirs(TriMesh(mesh.points, mended)).is_winding_consistent
    outer, inner = (theirs(TriMesh(mesh.points, t)) for t in (mended[:half], mended[half:]))
    assert outer.volume > 0.0 > inner.volume


def test_a_one_sided_strip_is_left_with_one_seam() -> None:
    # A Moebius band cannot face one way all round (exact): at least one edge must disagree.
    strip = moebius(40)
    mended, _ = consistent(strip.points, strip.triangles)
    agree = edge_pairs(mended)[2]
    assert 1 <= (~agree).sum() <= 2


# -- mirror --------------------------------------------------------------------------------------


@pytest.mark.parametrize("half", ["left", "right"])
@pytest.mark.parametrize("cut_at", [-0.07, -0.2])
def test_half_a_sphere_becomes_a_closed_one(half: str, cut_at: float) -> None:
    side = 1.0 if half == "left" else -1.0
    whole = ball(4)
    rng = np.random.default_rng(7)
    turned = TriMesh(whole.points @ Rotation.random(rng=rng).as_matrix().T, whole.triangles)
    part = frozen(turned.subset((side * turned.corners[:, :, 1]).min(axis=1) > cut_at))
    both, _ = mirror_half(part, half)
    solid = theirs(both)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert len(solid.split(only_watertight=True)) == 1
    # Exact: the volume of the ball, less what 5120 facets cut off.
    assert solid.volume == pytest.approx(4.0 / 3.0 * math.pi * 0.125, rel=5e-3)
    assert len(np.unique(both.points, axis=0)) == len(both.points)
    images = {tuple(p) for p in np.round(both.points * [1.0, -1.0, 1.0], 9) + 0.0}
    assert images == {tuple(p) for p in np.round(both.points, 9) + 0.0}


def test_points_near_the_plane_are_welded() -> None:
    # A half box whose open rim stands 0.01 mm off the plane on alternate sides, within scanner noise.
    box = ours(trimesh.creation.box().subdivide().subdivide())
    right = box.subset(box.corners[:, :, 1].max(axis=1) <= 0.0)
    rim = np.flatnonzero(right.points[:, 1] == 0.0)
    right.points[rim, 1] = 1e-5 * (-1.0) ** np.arange(len(rim))
    solid = theirs(mirror_half(right, "right")[0])
    assert solid.is_watertight
    assert solid.volume == pytest.approx(1.0)


def test_nothing_to_mirror_is_refused() -> None:
    aside = TriMesh(ball().points + [0.0, 2.0, 0.0], ball().triangles)
    with pytest.raises(InputError, match="None of the scan lies right of the centre plane"):
        mirror_half(aside, "right")
    with pytest.raises(InputError, match="not “upper”"):
        mirror_half(aside, "upper")
    assert len(mirror_half(aside, "left")[0].triangles) == 2 * len(aside.triangles)


# -- pose ----------------------------------------------------------------------------------------


def parked(noise: float, rng: np.random.Generator) -> TriMesh:
    """Half a body (left half of an ellipsoid) over a patch of floor at z = 0, in vehicle axes."""
    body = ours(trimesh.creation.icosphere(5))
    body = TriMesh(body.points * [1.0, 0.8, 0.45] + [1.0, 0.0, 0.6], body.triangles)
    body = body.subset(body.corners[:, :, 1].min(axis=1) > 0.0)
    grid = np.stack(np.meshgrid(np.linspace(-0.2, 1.6, 60), np.linspace(0.1, 1.4, 50), indexing="ij"), -1).reshape(
        -1, 2
    )
    k = (np.arange(59)[:, None] * 50 + np.arange(49)).ravel()
    floor = TriMesh(
        np.column_stack([grid, np.zeros(len(grid))]),
        np.concatenate([np.column_stack([k, k + 50, k + 1]), np.column_stack([k + 50, k + 51, k + 1])]).astype(
            np.int32
        ),
    )
    mesh = join([body, floor])
    return TriMesh(mesh.points + rng.normal(0.0, noise, mesh.points.shape), mesh.triangles)


@pytest.mark.parametrize("seed", range(8))
def test_road_and_frame_are_found_in_any_pose(seed: int) -> None:
    rng = np.random.default_rng(seed)
    true = parked(5e-5, rng)
    turn, shift = Rotation.random(rng=rng), rng.uniform(-5.0, 5.0, 3)
    scan = frozen(TriMesh(turn.apply(true.points) + shift, true.triangles))
    road = pose.find_road(scan)
    up = turn.apply([0.0, 0.0, 1.0])
    assert np.linalg.norm(road.normal) == pytest.approx(1.0)
    assert road.normal @ up > math.cos(2e-4)
    assert road.offset == pytest.approx(up @ shift, abs=2e-4)
    assert road.count > 5000
    # Middles of faces average three points: noise over the square root of three.
    assert road.rms_m == pytest.approx(5e-5 / math.sqrt(3.0), rel=0.15)
    picks = turn.apply(np.array([[0.0, 0.0, 0.7], [0.7, 0.0, 1.0], [1.3, 0.0, 0.9]])) + shift
    centre = pose.centre_plane_from_points(picks, road.normal, scan)
    matrix = pose.vehicle_frame(scan, road, centre, "left")
    assert matrix[:3, :3] @ matrix[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1.0)
    placed = moved(scan.points, matrix)
    # Exact but for noise: the same points, shifted so that the rearmost of the body or floor is x = 0.
    band = (true.points[:, 2] > 0.1) & (true.points[:, 2] < 0.7)
    assert placed == pytest.approx(true.points - [true.points[band, 0].min(), 0.0, 0.0], abs=1e-3)
    assert "Centre plane from 3 places: they lie" in pose.sentence(road, centre)


def test_the_right_half_lies_to_the_right() -> None:
    true = parked(0.0, np.random.default_rng(0))
    right = TriMesh(true.points * [1.0, -1.0, 1.0], true.triangles[:, ::-1])
    road = pose.find_road(right)
    centre = pose.centre_plane_from_points(np.array([[0.0, 0.0, 0.7], [1.3, 0.0, 0.9]]), road.normal, right)
    placed = moved(right.points, pose.vehicle_frame(right, road, centre, "right"))
    assert placed[:, 1] == pytest.approx(right.points[:, 1], abs=1e-9)
    assert np.ptp(placed[:, 0] - right.points[:, 0]) < 1e-9


def test_road_is_the_plane_that_scipy_finds_among_outliers() -> None:
    rng = np.random.default_rng(2)
    flat = np.column_stack([rng.uniform(-1.0, 1.0, (2000, 2)), rng.normal(0.0, 1e-4, 2000)])
    stones = np.column_stack([rng.uniform(-1.0, 1.0, (200, 2)), rng.uniform(0.001, 0.02, 200)])
    points = Rotation.from_euler("xy", [0.3, -0.2]).apply(np.concatenate([flat, stones])) + [0.0, 0.0, 1.0]
    points.flags.writeable = False
    road = pose.road_from_points(points, np.array([0.0, 0.0, 1.0]))
    # z = a x + b y + c, robust loss by scipy; slopes give the normal.
    start = np.linalg.lstsq(np.column_stack([points[:, :2], np.ones(2200)]), points[:, 2], rcond=None)[0]
    found = least_squares(
        lambda p: points[:, :2] @ p[:2] + p[2] - points[:, 2], start, loss="cauchy", f_scale=1e-4, xtol=1e-14
    ).x
    normal = np.array([-found[0], -found[1], 1.0]) / math.sqrt(1.0 + found[0] ** 2 + found[1] ** 2)
    assert math.acos(min(1.0, road.normal @ normal)) < 3e-5
    assert road.offset == pytest.approx(normal[2] * found[2], abs=1e-5)
    assert road.rms_m == pytest.approx(1e-4, rel=0.1)
    # Textbook: the mean of n points scatters by sigma over sqrt(n).
    assert road.offset_se_m == pytest.approx(1e-4 / math.sqrt(road.count), rel=0.1)
    below = pose.road_from_points(points, np.array([0.0, 0.0, -1.0]))
    assert below.normal == pytest.approx(-road.normal, abs=1e-12)


def test_centre_plane_errors_are_those_of_a_straight_line() -> None:
    # The turn's standard error of a fitted straight line: sigma / sqrt(sum of squared runs); 300 trials.
    rng = np.random.default_rng(9)
    x = np.linspace(0.0, 2.0, 8)
    body, up = ball(), np.array([0.0, 0.0, 1.0])
    body = TriMesh(body.points + [1.0, 0.6, 0.0], body.triangles)
    planes = [
        pose.centre_plane_from_points(np.column_stack([x, rng.normal(0.0, 1e-3, 8), rng.normal(0.8, 0.1, 8)]), up, body)
        for _ in range(300)
    ]
    for plane in planes:
        assert plane.normal[1] > 0.99
        assert plane.normal @ up == pytest.approx(0.0, abs=1e-12)
    turn = np.array([plane.normal[0] for plane in planes])
    expected = 1e-3 / math.sqrt(((x - x.mean()) ** 2).sum())
    assert turn.std() == pytest.approx(expected, rel=0.15)
    assert np.sqrt(np.mean([plane.turn_se_rad**2 for plane in planes])) == pytest.approx(expected, rel=0.15)
    # Two points meet exactly: what they leave open is not called certain.
    pair = pose.centre_plane_from_points(np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 1.0]]), up, body)
    assert math.isinf(pair.turn_se_rad)


def test_poses_that_cannot_be_found_are_refused() -> None:
    up = np.array([0.0, 0.0, 1.0])
    round_one = ball(4)
    with pytest.raises(InputError, match="No road plane found"):
        pose.find_road(round_one)
    with pytest.raises(InputError, match="at least 30 selected faces, not 29"):
        pose.road_from_points(np.zeros((29, 3)), up)
    with pytest.raises(InputError, match="at least two picked points, not 1"):
        pose.centre_plane_from_points(np.zeros((1, 3)), up, round_one)
    with pytest.raises(InputError, match="nearer than 100 mm"):
        pose.centre_plane_from_points(np.array([[0.0, 0.0, 0.0], [0.01, 0.0, 0.9]]), up, round_one)
    road = pose.Plane(up, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 100)
    centre = pose.Plane(np.array([0.0, 1.0, 0.0]), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3)
    with pytest.raises(InputError, match="not “both”"):
        pose.vehicle_frame(round_one, road, centre, "both")
    high = TriMesh(round_one.points + [0.0, 0.0, 9.0], round_one.triangles)
    with pytest.raises(InputError, match="between 0.1 m and 0.7 m"):
        pose.vehicle_frame(high, road, centre, "left")


# -- align ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [3, 4, 12])
def test_rigid_motion_is_that_of_scipy(count: int) -> None:
    rng = np.random.default_rng(count)
    for _ in range(20):
        source = rng.uniform(-1.0, 1.0, (count, 3))
        turn, shift = Rotation.random(rng=rng), rng.uniform(-3.0, 3.0, 3)
        target = turn.apply(source) + shift + rng.normal(0.0, 1e-3, (count, 3))
        source.flags.writeable = target.flags.writeable = False
        matrix, left = align.rigid_from_pairs(source, target)
        found, rssd = Rotation.align_vectors(target - target.mean(axis=0), source - source.mean(axis=0))
        assert matrix[:3, :3] == pytest.approx(found.as_matrix(), abs=1e-6)
        assert np.sqrt((left**2).sum()) == pytest.approx(rssd, rel=1e-6)
        assert moved(source.mean(axis=0)[None], matrix)[0] == pytest.approx(target.mean(axis=0))
        assert matrix[3].tolist() == [0.0, 0.0, 0.0, 1.0]


def test_a_mirror_image_is_met_by_a_turn_not_a_reflection() -> None:
    source = np.random.default_rng(3).uniform(-1.0, 1.0, (8, 3))
    matrix, left = align.rigid_from_pairs(source, source * [1.0, -1.0, 1.0])
    assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1.0)
    assert left.max() > 0.1


def test_pairs_that_hold_no_pose_are_refused() -> None:
    line = np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 0.0], [2.0, 2.0, 0.0]])
    with pytest.raises(InputError, match="lie on one line"):
        align.rigid_from_pairs(line, line)
    with pytest.raises(InputError, match="lie on one line"):
        align.rigid_from_pairs(np.ones((3, 3)), line)
    with pytest.raises(InputError, match="at least three pairs of points; there are 2"):
        align.rigid_from_pairs(line[:2], line[:2])
    with pytest.raises(InputError, match="3 are picked on the part, 2 where it goes"):
        align.rigid_from_pairs(line, line[:2])


def test_mirrored_picks_and_the_sentence() -> None:
    points = np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]])
    points.flags.writeable = False
    found = align.with_mirror_images(points, np.array([False, True]))
    assert found.tolist() == [[1.0, 2.0, 3.0], [4.0, -5.0, 6.0]]
    # Root mean square of 3 and 4 mm: sqrt(12.5) = 3.54.
    assert align.sentence("upper", np.array([0.003, 0.004])) == (
        "“upper” placed by 2 pairs that meet within 3.54 mm rms, 4.00 mm at most."
    )


# -- zones ---------------------------------------------------------------------------------------


def test_zones_have_a_clearance_and_a_reason() -> None:
    for name, (required, reason) in ZONE_DEFAULTS.items():
        zone = zone_named(name)
        assert (zone.name, zone.required_m, zone.reason) == (name, required, reason)
        assert 0.005 <= required <= 0.05
    assert zone_named("tow eye").name == "tow eye"
    assert zone_named("tow eye").required_m == 0.015
