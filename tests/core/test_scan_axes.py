"""Road, centre plane, vehicle axes and seam against poses and planes that are known exactly."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
import trimesh
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from blend_samples.layout import lay_out
from blend_samples.scanner import body
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh, join, moved
from wingfettle.core.scan import pose
from wingfettle.core.scan.mirror import Spread, mirror_half
from wingfettle.core.scan.symmetry import find_mirror_plane

Floats = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])
ACROSS = np.array([0.0, 1.0, 0.0])
NOISE_M = 5e-5


def ours(mesh: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.array(mesh.vertices, float), np.array(mesh.faces, np.int32))


def theirs(mesh: TriMesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.points, mesh.triangles, process=False)


def noisy(mesh: TriMesh, seed: int, noise: float = NOISE_M) -> TriMesh:
    shake = np.random.default_rng(seed).normal(0.0, noise, mesh.points.shape)
    return TriMesh(mesh.points + shake, mesh.triangles)


@cache
def side(seed: int, edge: float = 0.02) -> TriMesh:
    """The left half of an invented car's rear and a strip past the middle, ragged and with holes; exact points.

    The car is the same on both sides of y = 0 and stands upright on z = 0; the seed tells its holes.
    """
    scan = body(lay_out(np.random.default_rng(3)), edge, np.random.default_rng(seed))
    mesh = TriMesh(scan.points, scan.triangles.astype(np.int32))
    x, y, z = middles(mesh).T
    return mesh.subset(x < 1.5 + 0.03 * np.sin(50.0 * z) + 0.03 * np.sin(40.0 * y))


def flipped(mesh: TriMesh) -> TriMesh:
    return TriMesh(mesh.points * [1.0, -1.0, 1.0], mesh.triangles[:, ::-1])


@cache
def whole(seed: int) -> TriMesh:
    """Both sides, each with its own noise and holes."""
    return join([noisy(side(2 * seed), seed), flipped(noisy(side(2 * seed + 1), seed + 1000))])


@cache
def mirrored(seed: int) -> pose.Plane:
    return find_mirror_plane(whole(seed), UP, rng_seed=seed)


def middles(mesh: TriMesh) -> Floats:
    return mesh.corners.mean(axis=1)


def placed(mesh: TriMesh, turn: Rotation, shift: Floats) -> TriMesh:
    return TriMesh(turn.apply(mesh.points) + shift, mesh.triangles)


def anywhere(seed: int) -> tuple[Rotation, Floats]:
    rng = np.random.default_rng(seed)
    return Rotation.random(rng=rng), rng.uniform(-4.0, 4.0, 3)


def errors(plane: pose.Plane, mesh: TriMesh, turn: Rotation, shift: Floats) -> tuple[float, float]:
    """How far the found plane is from the true one: m at the middle of the scan, and radians."""
    at = mesh.points.mean(axis=0) * [1.0, 0.0, 1.0]  # on y = 0
    true = turn.apply(ACROSS)
    angle = math.asin(min(1.0, float(np.linalg.norm(np.cross(plane.normal, true)))))
    return abs(float(plane.normal @ (turn.apply(at) + shift)) - plane.offset), angle


def held(plane: pose.Plane, mesh: TriMesh, turn: Rotation, shift: Floats) -> None:
    """The wanted accuracy at 0.05 mm noise, and an error bar that covers the error (4 sigma)."""
    place, angle = errors(plane, mesh, turn, shift)
    assert place < 2e-4
    assert angle < math.radians(0.01)
    # The middle of the scan is not quite where the plane's own error is told: the turn has a part in it.
    assert place < 4.0 * math.hypot(plane.offset_se_m, 0.3 * plane.turn_se_rad)
    assert angle < 4.0 * math.sqrt(2.0) * plane.turn_se_rad
    # Not flattering, but not useless either.
    assert plane.offset_se_m < 2e-5
    assert plane.turn_se_rad < 2e-5


# -- centre plane of a whole scan ----------------------------------------------------------------


@settings(max_examples=3, deadline=None, derandomize=True, phases=[Phase.generate])
@given(seed=st.integers(0, 2**31), up_known=st.booleans())
def test_mirror_plane_is_found_in_any_pose(seed: int, up_known: bool) -> None:
    true = whole(seed % 3)
    turn, shift = anywhere(seed)
    scan = placed(true, turn, shift)
    scan.points.flags.writeable = scan.triangles.flags.writeable = False
    plane = find_mirror_plane(scan, turn.apply(UP) if up_known else None)
    assert np.linalg.norm(plane.normal) == pytest.approx(1.0)
    held(plane, true, turn, shift)
    assert plane.share > 0.9


def test_residuals_are_those_of_trimesh() -> None:
    # trimesh's own nearest points between the reflected scan and the scan; the areas without a partner left out.
    scan = whole(0)
    plane = mirrored(0)
    points, _ = trimesh.sample.sample_surface(theirs(scan), 600, seed=1)
    image = points - 2.0 * (points @ plane.normal - plane.offset)[:, None] * plane.normal
    distance = trimesh.proximity.closest_point(theirs(scan), image)[1]
    distance = distance[distance < 0.005]
    assert plane.median_m == pytest.approx(float(np.median(distance)), rel=0.2)
    assert plane.p95_m == pytest.approx(float(np.percentile(distance, 95.0)), rel=0.35)
    assert 0.3 * NOISE_M < plane.median_m < 2.0 * NOISE_M


def test_stated_errors_are_those_that_happen() -> None:
    # Squared error over squared standard error sums to chi-square: 3 scans' places. The limits leave room for
    # triangles that differ from side to side, at 1.5 times the stated error.
    found = []
    for seed in range(3):
        plane = mirrored(seed)
        found.append(errors(plane, whole(seed), Rotation.identity(), np.zeros(3))[0] / plane.offset_se_m)
    total = float(np.square(found).sum())
    assert chi2.ppf(0.001, 3) < total < 2.25 * chi2.ppf(0.999, 3)


def damaged(name: str) -> TriMesh:
    scan = whole(1)
    x, y, z = middles(scan).T
    if name == "a wing on one side only":
        wing = ours(trimesh.creation.box((0.25, 0.6, 0.02)).subdivide().subdivide().subdivide().subdivide())
        return join([scan, TriMesh(wing.points + [0.2, 0.35, 1.1], wing.triangles)])
    if name == "a torn corner":
        return scan.subset(~((y < -0.3) & (x < 0.5)))
    if name == "an aerial and a hose":
        mast = trimesh.creation.cylinder(0.006, 0.9, sections=24).subdivide().subdivide()
        hose = trimesh.creation.cylinder(0.03, 1.5, sections=48).subdivide().subdivide()
        hose.apply_transform(trimesh.transformations.rotation_matrix(1.2, [0.0, 1.0, 0.3]))
        return join([scan, *(TriMesh(ours(m).points + [0.9, -0.5, 1.5], ours(m).triangles) for m in (mast, hose))])
    assert name == "one side to the wheel only"
    return scan.subset((y > 0.0) | (x < 0.75))


@pytest.mark.parametrize(
    "name", ["a wing on one side only", "a torn corner", "an aerial and a hose", "one side to the wheel only"]
)
def test_sides_need_not_be_scanned_alike(name: str) -> None:
    scan = damaged(name)
    turn, shift = anywhere(len(name))
    held(find_mirror_plane(placed(scan, turn, shift)), scan, turn, shift)


def test_a_dent_of_one_side_is_not_split_between_them() -> None:
    # A quarter panel pushed in by up to 8 mm: least squares would move the plane by some 0.3 mm.
    scan = whole(2)
    x, y, z = scan.points.T
    dent = 0.008 * np.exp(-(((x - 0.5) / 0.2) ** 2) - ((z - 0.6) / 0.2) ** 2) * (y < -0.5)
    bent = TriMesh(scan.points + dent[:, None] * ACROSS, scan.triangles)
    held(find_mirror_plane(bent, UP), bent, Rotation.identity(), np.zeros(3))


def test_normal_points_to_the_side_with_more_scan() -> None:
    scan = whole(0)
    scan = scan.subset(middles(scan)[:, 1] > -0.75)
    assert find_mirror_plane(flipped(scan)).normal[1] < -0.99


def lump(seed: int) -> TriMesh:
    """A smooth body of car size without any symmetry."""
    rng = np.random.default_rng(seed)
    points = np.array(trimesh.creation.icosphere(5).vertices)
    grow = 1.0 + sum(0.05 * np.sin(points @ (2.5 * rng.normal(size=3)) + rng.uniform(0.0, 6.0)) for _ in range(30))
    return TriMesh(points * grow[:, None] * [1.0, 0.8, 0.5], ours(trimesh.creation.icosphere(5)).triangles)


@pytest.mark.parametrize(("past", "up"), [(0.0, None), (-0.025, UP), (-0.1, None), (-0.3, UP)])
def test_half_a_car_is_refused(past: float, up: Floats | None) -> None:
    # The strip past the middle is symmetric, and may settle anywhere along a smooth deck.
    scan = join([noisy(side(0), 1), flipped(noisy(side(1), 2))])
    half = scan.subset(middles(scan)[:, 1] > past)
    for up in (None, UP):
        with pytest.raises(
            InputError, match=r"No mirror plane found: at best \d+ % .* half the car|this is half a car"
        ):
            find_mirror_plane(half, up)


@pytest.mark.parametrize("seed", range(2))
def test_a_lump_is_refused(seed: int) -> None:
    with pytest.raises(InputError, match="No mirror plane found"):
        find_mirror_plane(noisy(lump(seed), seed))


def test_round_and_doubly_symmetric_bodies_are_refused() -> None:
    vase = trimesh.creation.revolve(np.array([[0.0, 0.0], [0.3, 0.0], [0.5, 0.3], [0.2, 0.9], [0.0, 1.0]]), sections=90)
    for round_one in (trimesh.creation.icosphere(4, 0.6), vase.subdivide()):
        with pytest.raises(InputError, match="as good as round"):
            find_mirror_plane(noisy(ours(round_one), 1))
    box = trimesh.creation.box((1.7, 1.2, 0.8))
    for _ in range(5):
        box = box.subdivide()
    with pytest.raises(InputError, match="as symmetric in a second plane, 90° from the first"):
        find_mirror_plane(noisy(ours(box), 2))
    with pytest.raises(InputError, match="No mirror plane found"):
        find_mirror_plane(noisy(ours(trimesh.creation.box((1.0, 1.3, 0.0))), 3), UP)


# -- centre plane from the cut edge --------------------------------------------------------------


def trimmed(scan: TriMesh, normal: Floats, offset: float) -> TriMesh:
    """``scan`` cut off flat along normal . p = offset, triangle by triangle; what has the greater values is kept."""
    height = scan.points @ normal - offset
    inside = height[scan.triangles] > 0.0
    crossed = inside.any(axis=1) & ~inside.all(axis=1)
    fresh: list[Floats] = []
    faces: list[list[int]] = []
    made: dict[tuple[int, int], int] = {}
    for face in scan.triangles[crossed].tolist():
        ring = []
        for a, b in zip(face, face[1:] + face[:1], strict=True):
            if height[a] > 0.0:
                ring.append(a)
            if (height[a] > 0.0) != (height[b] > 0.0):
                key = (min(a, b), max(a, b))
                if key not in made:
                    made[key] = len(scan.points) + len(fresh)
                    u, v = scan.points[key[0]], scan.points[key[1]]
                    fresh.append(u + height[key[0]] / (height[key[0]] - height[key[1]]) * (v - u))
                ring.append(made[key])
        faces += [[ring[0], ring[k], ring[k + 1]] for k in range(1, len(ring) - 1)]
    triangles = np.concatenate([scan.triangles[inside.all(axis=1)], np.array(faces, np.int32).reshape(-1, 3)])
    mesh = TriMesh(np.concatenate([scan.points, np.array(fresh).reshape(-1, 3)]), triangles)
    return mesh.subset(np.ones(len(triangles), bool))


def floor(low: float, fine: int = 1) -> TriMesh:
    """A floor whose borders are straight, from y = low."""
    m, n = 30 * fine, 40 * fine
    x, y = np.meshgrid(np.linspace(-0.8, -0.1, m), np.linspace(low, 0.9, n), indexing="ij")
    a = (np.arange(m - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate([np.column_stack([a, a + n, a + 1]), np.column_stack([a + n, a + n + 1, a + 1])])
    return TriMesh(np.column_stack([x.ravel(), y.ravel(), 0.0 * x.ravel()]), faces.astype(np.int32))


@settings(max_examples=8, deadline=None, derandomize=True, phases=[Phase.generate])
@given(
    seed=st.integers(0, 2**31),
    off=st.floats(-0.01, 0.02),
    yaw=st.floats(-1.0, 1.0),
    lean=st.floats(-0.5, 0.5),
    right=st.booleans(),
)
def test_plane_of_the_cut_is_found(seed: int, off: float, yaw: float, lean: float, right: bool) -> None:
    scan = join([noisy(side(seed % 3), 5), floor(-0.1)])
    normal = Rotation.from_euler("xz", [lean, yaw], degrees=True).apply(ACROSS)
    cut = trimmed(scan, normal, off)
    if right:
        cut, normal = flipped(cut), normal * [1.0, -1.0, 1.0]
    turn, shift = anywhere(seed)
    posed = placed(cut, turn, shift)
    posed = TriMesh(posed.points.astype(np.float32).astype(float), posed.triangles)  # as a file stores it
    plane = pose.centre_plane_from_edge(posed, turn.apply(UP))
    assert plane.normal @ turn.apply(normal) > math.cos(1e-6)
    at = off * normal + normal[[1, 0, 2]] * [0.8, -0.8, 0.0] + [0.0, 0.0, 0.7]
    at = at - (at @ normal - off) * normal
    # Single precision a few metres out: 2.4e-7 m a point.
    assert plane.normal @ (turn.apply(at) + shift) == pytest.approx(plane.offset, abs=1e-6)
    assert plane.rms_m < 1e-6
    # The cut's own error is not hidden by how flat it is.
    assert plane.offset_se_m == pytest.approx(pose.TRIM_M, rel=0.01)
    assert 2.0 * pose.TRIM_M / 2.7 < plane.turn_se_rad < 2.0 * pose.TRIM_M / 1.2


def test_a_noisy_cut_has_the_errors_that_happen() -> None:
    # 12 cuts whose rims shake by 0.2 mm: errors beyond the cut's own allowance, against chi-square.
    found, stated = [], []
    clean_cut = trimmed(side(0), ACROSS, 0.0)
    on_cut = np.abs(clean_cut.points[:, 1]) < 1e-9
    for seed in range(12):
        shake = np.random.default_rng(seed).normal(0.0, 2e-4, len(clean_cut.points)) * on_cut
        cut = TriMesh(clean_cut.points + shake[:, None] * ACROSS, clean_cut.triangles)
        plane = pose.centre_plane_from_edge(cut, UP)
        at = clean_cut.points[on_cut].mean(axis=0)
        found.append(float(plane.normal @ at) - plane.offset)
        stated.append(plane.offset_se_m**2 - pose.TRIM_M**2)
        assert plane.median_m < plane.rms_m < plane.p95_m < 6e-4
        assert plane.rms_m > 1e-4
    ratio = float(np.square(found).sum() / np.mean(stated))
    assert chi2.ppf(0.001, 12) < ratio < 1.5 * chi2.ppf(0.999, 12)


def test_cuts_that_are_none_are_refused() -> None:
    with pytest.raises(InputError, match=r"is ragged: it scatters by \d+\.\d mm rms about one plane"):
        pose.centre_plane_from_edge(noisy(side(0, 0.006), 1), UP, near=np.array([0.4, -0.02, 0.96]))
    with pytest.raises(InputError, match="has no open edge"):
        pose.centre_plane_from_edge(ours(trimesh.creation.icosphere(3)), UP)
    leaning = placed(trimmed(side(0), ACROSS, 0.0), Rotation.from_euler("x", 2.0, degrees=True), np.zeros(3))
    with pytest.raises(InputError, match=r"leans 2\.0° from upright"):
        pose.centre_plane_from_edge(leaning, UP)
    with pytest.raises(InputError, match="straight edge .* mm high, too little"):
        pose.centre_plane_from_edge(floor(0.0), UP)


def test_of_two_cuts_the_picked_one_is_taken() -> None:
    ahead = np.array([-1.0, 0.0, 0.0])
    cut = trimmed(trimmed(side(1), ACROSS, 0.01), ahead, -1.1)
    with pytest.raises(InputError, match="trimmed in more than one upright plane"):
        pose.centre_plane_from_edge(cut, UP)
    on_deck = np.array([0.4, 0.012, 0.96])
    plane = pose.centre_plane_from_edge(cut, UP, near=on_deck)
    assert plane.normal == pytest.approx(ACROSS, abs=1e-9)
    assert plane.offset == pytest.approx(0.01, abs=1e-9)
    front = pose.centre_plane_from_edge(cut, UP, near=np.array([1.1, 0.4, 1.2]))
    assert front.normal == pytest.approx(ahead, abs=1e-9)
    with pytest.raises(InputError, match="at the place picked"):
        pose.centre_plane_from_edge(cut, UP, near=np.array([0.4, 0.4, 0.96]))


# -- road ----------------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**31), count=st.integers(3, 8))
def test_road_from_picks_has_the_scan_above(seed: int, count: int) -> None:
    turn, shift = anywhere(seed)
    scan = placed(join([side(0), floor(0.0)]), turn, shift)
    rng = np.random.default_rng(seed)
    corners = np.array([[0.0, -0.7, 0.0], [0.0, 0.7, 0.0], [2.5, 0.1, 0.0]])
    picks = np.concatenate([corners, np.column_stack([rng.uniform(-0.5, 2.5, (count - 3, 2)), np.zeros(count - 3)])])
    picks += rng.normal(0.0, 1e-3, picks.shape) * [0.0, 0.0, 1.0]
    road = pose.road_from_picks(turn.apply(picks) + shift, scan)
    # trimesh fits the same plane.
    middle, normal = trimesh.points.plane_fit(turn.apply(picks) + shift)
    assert abs(road.normal @ normal) == pytest.approx(1.0, abs=1e-12)
    assert road.offset == pytest.approx(float(road.normal @ middle), abs=1e-9)
    up = turn.apply(UP)
    assert math.acos(min(1.0, float(road.normal @ up))) < 5.0 * road.turn_se_rad
    assert road.turn_se_rad >= pose.PICK_M / 4.0
    # It leads on to the floor itself.
    exact = pose.road_near(scan, road)
    assert exact.normal @ up == pytest.approx(1.0, abs=1e-12)
    assert exact.offset == pytest.approx(float(up @ shift), abs=1e-9)


def test_picks_that_hold_no_road_are_refused() -> None:
    scan = side(0)
    with pytest.raises(InputError, match="at least three picked points, not 2"):
        pose.road_from_picks(np.zeros((2, 3)), scan)
    with pytest.raises(InputError, match=r"stand within 110 mm, so that a pick 1 mm off leans it by 0\.5°"):
        pose.road_from_picks(np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0], [0.0, 0.05, 0.0]]), scan)
    with pytest.raises(InputError, match="stand in a line within 0 mm"):
        pose.road_from_picks(np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [2.0, 0.0, 0.0]]), scan)
    with pytest.raises(InputError, match=r"cuts through the scan \(\d+ % lies below"):
        pose.road_from_picks(np.array([[0.0, 0.0, 0.7], [1.0, 0.0, 0.7], [1.0, 1.0, 0.7]]), scan)
    with pytest.raises(InputError, match="at least 30 selected faces, not 0"):
        pose.road_near(scan, pose.road_from_picks(np.array([[0.0, 0, 0], [1.0, 0, 0], [1.0, 1.0, 0]]), scan))


def test_road_error_counts_points_not_faces() -> None:
    # Exact: the mean of n independent points scatters by sigma / sqrt(n); a floor of v points has 2 v faces,
    # whose middles share them, and rms / sqrt(2 v) would be 2.4 times too small.
    flat = floor(0.0, 3)
    found, stated = [], []
    for seed in range(40):
        heights = np.random.default_rng(seed).normal(0.0, 1e-4, len(flat.points))
        shaken = TriMesh(flat.points + heights[:, None] * UP, flat.triangles)
        road = pose.road_from_points(middles(shaken), UP)
        found.append(float(road.normal @ flat.points.mean(axis=0)) - road.offset)
        stated.append(road.offset_se_m)
    assert np.mean(stated) == pytest.approx(1e-4 / math.sqrt(len(flat.points)), rel=0.25)
    assert np.std(found) == pytest.approx(np.mean(stated), rel=0.35)


# -- vehicle axes --------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(2))
def test_whole_scan_stands_in_vehicle_axes(seed: int) -> None:
    true = join([whole(0), floor(-0.9)])
    turn, shift = anywhere(seed)
    scan = placed(true, turn, shift)
    road = pose.find_road(scan, seed)
    centre = find_mirror_plane(scan, road.normal)
    rear = turn.apply([0.05, 0.3, 0.6]) + shift
    matrix = pose.vehicle_frame(scan, road, centre, "whole", rear)
    assert np.linalg.det(matrix[:3, :3]) == pytest.approx(1.0)
    band = (true.points[:, 2] > 0.1) & (true.points[:, 2] < 0.7)
    back = true.points - [true.points[band, 0].min(), 0.0, 0.0]
    assert moved(scan.points, matrix)[:, 1:] == pytest.approx(back[:, 1:], abs=2e-4)
    assert moved(scan.points, matrix)[:, 0] == pytest.approx(back[:, 0], abs=1e-3)
    text = pose.sentence(road, centre)
    assert f"{centre.median_m * 1000.0:.2f} mm off it (median), 95 % within {centre.p95_m * 1000.0:.2f} mm" in text
    assert f"±{math.degrees(centre.turn_se_rad):.2g}°" in text


def test_a_leaning_centre_plane_is_set_upright_on_the_body() -> None:
    # The scan's origin lies 5 m below: set upright there, a lean of 0.5° would shift the body by 44 mm.
    scan = TriMesh(side(0).points + [0.0, 0.0, 5.0], side(0).triangles)
    road = pose.Plane(UP, 5.0, 0.0, 0.0, 0.0, 0.0, 0.0, 100)
    at = scan.points.mean(axis=0) * [1.0, 0.0, 1.0]
    normal = Rotation.from_euler("x", 0.5, degrees=True).apply(ACROSS)
    centre = pose.Plane(normal, float(normal @ at), 0.0, 0.0, 0.0, 0.0, 0.0, 100)
    matrix = pose.vehicle_frame(scan, road, centre, "left")
    # What is left is of second order in the lean, for a scan of 1 m width.
    assert matrix[1] == pytest.approx([0.0, 1.0, 0.0, 0.0], abs=1.0 * math.radians(0.5) ** 2)
    assert matrix[2] == pytest.approx([0.0, 0.0, 1.0, -5.0])


def test_frames_that_are_not_told_are_refused() -> None:
    scan = whole(0)
    road = pose.Plane(UP, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 100)
    centre = pose.Plane(ACROSS, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 100)
    with pytest.raises(InputError, match="does not tell which end is the rear"):
        pose.vehicle_frame(scan, road, centre, "whole")
    with pytest.raises(InputError, match="mm from the middle of a scan .* too near to tell the ends apart"):
        pose.vehicle_frame(scan, road, centre, "whole", np.array([0.85, 0.0, 1.0]))
    with pytest.raises(InputError, match="nearly flat on the road"):
        pose.vehicle_frame(scan, road, road, "left")
    ahead = pose.vehicle_frame(scan, road, centre, "whole", np.array([1.6, 0.0, 1.0]))
    assert ahead[:2, :2] == pytest.approx(-np.eye(2), abs=1e-12)


def test_two_picks_are_not_called_certain() -> None:
    road = pose.Plane(UP, 0.0, 0.0, 0.0, 0.0, 1e-5, 1e-5, 100)
    pair = pose.centre_plane_from_points(np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 1.0]]), UP, side(0))
    assert "so few cannot tell how well it is known" in pose.sentence(road, pair)


# -- seam ----------------------------------------------------------------------------------------


def gutter(edge: Floats) -> TriMesh:
    """The left half of a half pipe along x whose lower border stands at y = edge (k,) m at evenly spread x."""
    x = np.linspace(0.0, 1.0, len(edge))
    turn = np.linspace(0.0, 1.0, 21)
    y = edge[:, None] + turn * (0.5 - edge[:, None])
    rows = np.stack([np.broadcast_to(x[:, None], y.shape), y, 0.5 - np.sqrt(np.maximum(0.25 - y * y, 0.0))], axis=-1)
    cell = (np.arange(len(x) - 1)[:, None] * 21 + np.arange(20)).ravel()
    faces = np.concatenate(
        [np.column_stack([cell, cell + 1, cell + 21]), np.column_stack([cell + 1, cell + 22, cell + 21])]
    )
    return TriMesh(rows.reshape(-1, 3), faces.astype(np.int32))


def test_the_seam_is_measured_bridged_and_left() -> None:
    # Over x: a quarter short by 2 mm (bridged), a quarter by 8 mm (left), the rest meets the plane.
    x = np.linspace(0.0, 1.0, 401)
    edge = np.where(x < 0.25, 0.002, np.where(x < 0.5, 0.008, 0.0))
    both, seam = mirror_half(gutter(edge), "left")
    assert seam.bridged_m == pytest.approx(0.25, abs=0.006)
    assert seam.open_m == pytest.approx(0.25, abs=0.006)
    assert seam.joined_m == pytest.approx(0.75, abs=0.006)
    assert seam.gap.max_m == pytest.approx(0.008)
    assert seam.gap.p95_m == pytest.approx(0.008)
    assert (seam.overlap_count, seam.past_m) == (0, 0.0)
    # trimesh finds the border that is left: 2 ends of the pipe round, 2 of its sides, and the gap twice.
    solid = theirs(both)
    rim = solid.edges[trimesh.grouping.group_rows(solid.edges_sorted, require_count=1)]
    middle = both.points[rim].mean(axis=1)
    slot = (np.abs(middle[:, 1]) < 0.02) & (middle[:, 0] > 1e-6) & (middle[:, 0] < 1.0 - 1e-6)
    run = np.abs(np.diff(both.points[rim][slot][:, :, 0], axis=1))
    assert run.sum() == pytest.approx(2.0 * seam.open_m, abs=0.015)
    assert solid.is_winding_consistent
    assert "0.75 m closed (0.25 m of it bridged), 0.25 m left open" in seam.sentence


def test_only_rims_that_face_the_plane_are_moved() -> None:
    # A hole whose near border lies 1 mm from the plane and whose far border lies 2.6 mm from it.
    x = np.linspace(0.0, 1.0, 201)
    strip = gutter(np.zeros(201))
    y = strip.points[:, 1].reshape(201, 21).copy()
    y[:, 1], y[:, 2] = 0.001, 0.0026
    points = strip.points.reshape(201, 21, 3).copy()
    points[:, :, 1], points[:, :, 2] = y, 0.5 - np.sqrt(np.maximum(0.25 - y * y, 0.0))
    mesh = TriMesh(points.reshape(-1, 3), strip.triangles)
    middle = middles(mesh)
    inside = (middle[:, 1] > 0.001) & (middle[:, 1] < 0.0026) & (np.abs(middle[:, 0] - 0.5) < 0.1)
    holed = mesh.subset(~inside)
    both, seam = mirror_half(holed, "left")
    assert seam.joined_m == pytest.approx(1.0, abs=1e-9)
    near = np.abs(both.points[:, 1] - 0.001) < 1e-12
    assert near.sum() == len(x)


@pytest.mark.parametrize("half", ["left", "right"])
def test_overlap_is_the_height_between_scan_and_image(half: str) -> None:
    # Past the middle the scan is 0.3 mm higher than the image: exact for a flat strip along the plane.
    x, y = np.meshgrid(np.linspace(0.0, 1.0, 101), np.linspace(-0.02, 0.5, 105), indexing="ij")
    cell = (np.arange(100)[:, None] * 105 + np.arange(104)).ravel()
    faces = np.concatenate(
        [np.column_stack([cell, cell + 105, cell + 1]), np.column_stack([cell + 105, cell + 106, cell + 1])]
    )
    mesh = TriMesh(
        np.column_stack([x.ravel(), y.ravel(), np.where(y < -1e-9, 3e-4, 0.0).ravel()]), faces.astype(np.int32)
    )
    if half == "right":
        mesh = flipped(mesh)
    seam = mirror_half(mesh, half)[1]
    assert seam.overlap_count == 4 * 101
    assert seam.past_m == pytest.approx(0.02)
    assert (seam.overlap.median_m, seam.overlap.p95_m, seam.overlap.max_m) == pytest.approx((3e-4, 3e-4, 3e-4))
    assert seam.joined_m == pytest.approx(1.0)
    assert seam.open_m == seam.gap.max_m == 0.0
    assert "reached 20 mm past the plane, where it is off the mirror image by 0.30 mm (median)" in seam.sentence


def test_a_car_past_its_middle_meets_its_image_within_the_noise() -> None:
    both, seam = mirror_half(noisy(side(4), 4), "left")
    # Two noisy surfaces: at most the noise of both, times the median of a normal's size (0.67); a quarter more for
    # what facets of 20 mm cut off.
    assert 0.3 * NOISE_M < seam.overlap.median_m < 1.25 * 0.6745 * math.sqrt(2.0) * NOISE_M
    assert 0.02 < seam.past_m < 0.045
    # The centre line over rear, deck, window and roof, less the shut-lines, against trimesh's section.
    cut = theirs(both).section([0.0, 1.0, 0.0], [0.0, 1e-4, 0.0])
    assert seam.joined_m == pytest.approx(cut.length, rel=0.02)


@settings(max_examples=50, deadline=None)
@given(values=st.lists(st.floats(0.0, 1.0), min_size=2, max_size=30), seed=st.integers(0, 1000))
def test_spread_is_that_of_repeated_values(values: list[float], seed: int) -> None:
    weights = np.random.default_rng(seed).integers(1, 5, len(values))
    spread = Spread.of(np.array(values), weights.astype(float))
    # numpy's Hazen quantile of values repeated by their weights bounds ours within one value.
    many = np.sort(np.repeat(values, 50 * weights))
    low, high = np.quantile(
        many, [0.5 - 2.0 / len(values), 0.5 + 2.0 / len(values)].copy() if len(values) > 4 else [0.0, 1.0]
    )
    assert low <= spread.median_m <= high
    assert spread.median_m <= spread.p95_m <= spread.max_m == max(values)


def test_bridge_width_is_checked() -> None:
    mesh = gutter(np.full(101, 0.004))
    with pytest.raises(InputError, match="0 to 30 mm, not over 50 mm"):
        mirror_half(mesh, "left", 0.05)
    assert mirror_half(mesh, "left", 0.0)[1].bridged_m == 0.0
    assert mirror_half(mesh, "left", 0.005)[1].bridged_m == pytest.approx(1.0)
