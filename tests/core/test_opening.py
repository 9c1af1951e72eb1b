"""The boot lid opened, against trigonometry and against fine sweeps with python-fcl."""

from __future__ import annotations

from collections.abc import Sequence

import fcl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from wingfettle.core.assembly.part import Part
from wingfettle.core.clearance.opening import (
    LEAST_M,
    LEAST_SHARE,
    Hinge,
    Opening,
    hinge_between,
    hinge_through,
    opening,
)
from wingfettle.core.clearance.surroundings import Surroundings
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.index import TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh, join
from wingfettle.core.scan.scan_mesh import ScanMesh, Zone

NOT_COUNTED = "No allowance is taken off, and bending under load is not counted."
NOTHING = "Nothing was compared: no part rides on the lid past another zone or part, and none stays in its way."
AXIS = Hinge(np.zeros(3), np.array([0.0, 1.0, 0.0]))  # a lid towards -x rises


def block(low: Sequence[float], high: Sequence[float], cuts: int = 0) -> TriMesh:
    """A box between two corners; each cut makes four faces of one."""
    mesh = trimesh.creation.box(bounds=[low, high])
    for _ in range(cuts):
        mesh = mesh.subdivide()
    return TriMesh(np.array(mesh.vertices), np.array(mesh.faces, np.int32))


def ball(centre: Sequence[float], radius: float) -> TriMesh:
    mesh = trimesh.creation.icosphere(5, radius)
    return TriMesh(np.array(mesh.vertices) + centre, np.array(mesh.faces, np.int32))


def flat(corners: Sequence[Sequence[float]]) -> TriMesh:
    """A parallelogram: a corner and its two neighbours."""
    a, b, c = np.array(corners, np.float64)
    return TriMesh(np.array([a, b, b + c - a, c]), np.array([[0, 1, 2], [0, 2, 3]], np.int32))


LID = flat([(0, -0.5, 0), (-1, -0.5, 0), (0, 0.5, 0)])


def car(zones: dict[str, TriMesh], lid: TriMesh = LID) -> Surroundings:
    meshes = [lid, *zones.values()]
    names = ["boot lid", *zones]
    number = np.repeat(np.arange(len(meshes), dtype=np.int32), [len(m.triangles) for m in meshes])
    return Surroundings.build(ScanMesh(join(meshes), tuple(Zone(n, 0.01, "") for n in names), number))


def turned(
    zones: dict[str, TriMesh],
    riding: dict[str, TriMesh] | None = None,
    standing: dict[str, TriMesh] | None = None,
    degrees: float = 90.0,
    hinge: Hinge = AXIS,
    lid: TriMesh = LID,
    **more: object,
) -> Opening:
    riding, standing = riding or {}, standing or {}
    parts = [Part.of(name, mesh) for name, mesh in (riding | standing).items()]
    rides = [True] * len(riding) + [False] * len(standing)
    poses = [None] * len(parts)
    return opening(car(zones, lid), parts, poses, rides, "boot lid", hinge, np.radians(degrees), **more)


def placed(mesh: TriMesh, hinge: Hinge, angle: float) -> np.ndarray:
    """Points turned by scipy's rotation, not by ours."""
    return Rotation.from_rotvec(angle * hinge.axis).apply(mesh.points - hinge.point) + hinge.point


def wall_contact(mesh: TriMesh, wall: float) -> float:
    """First angle at which a point of ``mesh`` turned about the y axis reaches the plane x = wall (trigonometry)."""
    x, _, z = mesh.points.T
    r = np.hypot(x, z)
    reach = r >= wall
    return float((np.arctan2(z[reach], x[reach]) - np.arccos(wall / r[reach])).min())


WALL = flat([(0.25, -2, -1), (0.25, 2, -1), (0.25, -2, 2)])
BAR = block((-0.32, -0.4, 0.38), (-0.28, 0.4, 0.42), cuts=1)


def test_lid_against_a_standing_box() -> None:
    # A ray from the hinge meets the lower rear corner of the box: tan = 0.2 / 0.6.
    got = turned({}, standing={"mount": block((-0.6, -0.1, 0.2), (-0.3, 0.1, 0.4))})
    (pair,) = got.pairs
    expected = np.arctan2(0.2, 0.6)
    assert (pair.part, pair.against) == ("mount", "boot lid")
    assert pair.contact_rad == pytest.approx(expected, abs=got.tolerance_rad)
    assert pair.least_m == 0.0
    assert pair.least_rad == pair.contact_rad
    for point in (pair.on_part, pair.on_other):
        np.testing.assert_allclose(point[[0, 2]], [-0.6, 0.2], atol=1e-3)
    # The lid where it then stands: on the ray at that angle.
    assert np.arctan2(pair.on_other[2], -pair.on_other[0]) == pytest.approx(pair.least_rad, abs=1e-6)
    # Before, the corner's distance from the ray; the ray's end is farther off.
    before = got.angles_rad < expected
    np.testing.assert_allclose(
        pair.distance_m[before], np.hypot(0.6, 0.2) * np.sin(expected - got.angles_rad[before]), atol=1e-9
    )
    # The lid cuts the box until it has passed the forward upper corner, 53.1 degrees up.
    through = (got.angles_rad > expected) & (got.angles_rad < np.arctan2(0.4, 0.3))
    assert (pair.distance_m[through] == 0.0).all()
    after = got.angles_rad > np.arctan2(0.4, 0.3)
    np.testing.assert_allclose(
        pair.distance_m[after], 0.5 * np.sin(got.angles_rad[after] - np.arctan2(0.4, 0.3)), atol=1e-9
    )


def test_bar_on_the_lid_meets_a_wall() -> None:
    got = turned({"rear window": WALL}, riding={"upper": BAR})
    (pair,) = got.pairs
    assert (pair.part, pair.against) == ("upper", "rear window")
    expected = wall_contact(BAR, 0.25)
    assert pair.contact_rad == pytest.approx(expected, abs=got.tolerance_rad)
    assert got.first is pair
    assert got.sentence == (
        f"The lid opens to {np.degrees(pair.contact_rad):.1f} degrees; then “upper” touches “rear window”. "
        f"{NOT_COUNTED}"
    )
    free = got.angles_rad < expected
    nearest = [0.25 - placed(BAR, AXIS, t)[:, 0].max() for t in got.angles_rad[free]]
    np.testing.assert_allclose(pair.distance_m[free], nearest, atol=1e-9)


@pytest.mark.parametrize("allowance", [0.003, 0.02, 0.1])
@pytest.mark.parametrize("samples", [2, 7, 46])
def test_allowance_is_taken_off(allowance: float, samples: int) -> None:
    # By trigonometry: with 20 mm taken off, the bar meets the wall as it would meet one 20 mm nearer.
    got = turned({"rear window": WALL}, riding={"upper": BAR}, samples=samples, allowance_m=allowance)
    (pair,) = got.pairs
    expected = wall_contact(BAR, 0.25 - allowance)
    assert pair.contact_rad == pytest.approx(expected, abs=got.tolerance_rad)
    assert (pair.least_m, got.allowance_m) == (0.0, allowance)
    free = got.angles_rad < expected
    nearest = [0.25 - allowance - placed(BAR, AXIS, t)[:, 0].max() for t in got.angles_rad[free]]
    np.testing.assert_allclose(pair.distance_m[free], nearest, atol=1e-9)
    assert got.sentence.endswith(
        f"An allowance of {1000 * allowance:.1f} mm is taken off every distance; bending under load is not counted."
    )


def test_oblique_hinge() -> None:
    # The same scene turned and shifted as a whole must open as far, with its witnesses turned along.
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.4, -0.3, 0.9]).as_matrix()
    matrix[:3, 3] = [0.7, -0.2, 0.5]
    hinge = Hinge(matrix[:3, 3], matrix[:3, 1])
    got = turned(
        {"rear window": WALL.transformed(matrix)},
        riding={"upper": BAR.transformed(matrix)},
        standing={"mount": block((-0.6, -0.1, 0.2), (-0.5, 0.1, 0.3)).transformed(matrix)},
        hinge=hinge,
        lid=LID.transformed(matrix),
    )
    window, between, lid = got.pairs
    assert (between.part, between.against) == ("upper", "mount")
    assert window.contact_rad == pytest.approx(wall_contact(BAR, 0.25), abs=got.tolerance_rad)
    assert lid.contact_rad == pytest.approx(np.arctan2(0.2, 0.6), abs=got.tolerance_rad)
    x, _, z = (np.linalg.inv(matrix) @ [*lid.on_other, 1.0])[:3]
    assert (x, z) == pytest.approx((-0.6, 0.2), abs=1e-3)
    assert got.first is lid


def test_poses_move_the_parts_first() -> None:
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_rotvec([0.1, 0.2, 0.3]).as_matrix()
    pose[:3, 3] = [0.3, -0.1, 0.2]
    at_home = BAR.transformed(np.linalg.inv(pose))
    around = car({"rear window": WALL})
    got = opening(around, [Part.of("upper", at_home)], [pose], [True], "boot lid", AXIS, np.pi / 2)
    assert got.pairs[0].contact_rad == pytest.approx(wall_contact(BAR, 0.25), abs=got.tolerance_rad)


def test_ball_on_an_arm_over_a_plane() -> None:
    # A ball of 50 mm at (-0.3, 0, 0.4), 0.5 m from the axis, comes to x = 0.5 cos(t - t0) before the wall at x = 0.6.
    wall = flat([(0.6, -2, -1), (0.6, 2, -1), (0.6, -2, 2)])
    got = turned({"wall": wall}, riding={"ball": ball((-0.3, 0.0, 0.4), 0.05)}, degrees=150.0, samples=16)
    (pair,) = got.pairs
    nearest = np.arctan2(0.4, -0.3)
    # The ball's facets lie within 0.03 mm of it.
    np.testing.assert_allclose(pair.distance_m, 0.55 - 0.5 * np.cos(got.angles_rad - nearest), atol=4e-5)
    assert pair.least_m == pytest.approx(0.05, abs=LEAST_M + 4e-5)
    assert pair.least_rad == pytest.approx(nearest, abs=0.05)
    assert pair.least_m < pair.distance_m.min() - 1e-4  # it lies between the samples
    assert np.isnan(pair.contact_rad)
    assert got.first is None
    assert "nothing touches; “ball” comes nearest to “wall”, 50." in got.sentence


def blade(angle: float, low: float, high: float) -> TriMesh:
    """Without thickness, in a plane through the axis, between two distances from it."""
    way = np.array([-np.cos(angle), 0.0, np.sin(angle)])
    return flat([low * way, high * way, low * way + [0.0, 0.02, 0.0]])


@pytest.mark.parametrize("samples", [2, 3, 10])
@pytest.mark.parametrize("inner", [0.49, 0.500002, 0.503])
def test_blade_passing_a_blade(samples: int, inner: float) -> None:
    # Two blades 0.3 rad apart; the riding one ends 0.5 m from the axis.
    still = blade(0.7123, inner, 0.7)
    got = turned({"fin": still}, riding={"blade": blade(0.4123, 0.3, 0.5)}, samples=samples)
    (pair,) = got.pairs
    if inner < 0.5:
        assert pair.contact_rad == pytest.approx(0.3, abs=got.tolerance_rad)
        assert pair.least_m == 0.0
    else:
        assert np.isnan(pair.contact_rad)
        assert inner - 0.5 - 1e-9 <= pair.least_m <= inner - 0.5 + LEAST_M
        assert pair.least_rad == pytest.approx(0.3, abs=0.01)
    assert (pair.distance_m > 0.0).all()  # no sample falls on the place


def test_falling_from_the_top_of_the_way() -> None:
    # Half way the blade moves along the plate 0.2 m under it; only its way's curvature brings it down, far beyond.
    plate = TriMesh(np.array([(-0.1, -1, 0.3), (-0.1, 1, 0.3), (0.9, 0, 0.3)]), np.array([[0, 1, 2]], np.int32))
    got = turned({"shelf": plate}, riding={"blade": blade(np.radians(20.0), 0.499, 0.5)}, degrees=140.0, samples=2)
    # Its inner end comes down to z = 0.3 first.
    expected = np.pi - np.arcsin(0.3 / 0.499) - np.radians(20.0)
    assert got.pairs[0].contact_rad == pytest.approx(expected, abs=got.tolerance_rad)


def test_contact_that_is_left_again() -> None:
    # A bar 0.5 m from the axis passes through a plate that reaches down to 0.45 m, straight above the hinge.
    plate = flat([(0, -1, 0.45), (0, 1, 0.45), (0, -1, 0.8)])
    bar = block((-0.5, -0.1, -0.02), (-0.46, 0.1, 0.02))
    got = turned({"plate": plate}, riding={"bar": bar}, degrees=150.0, samples=61)
    (pair,) = got.pairs
    # The first of the bar's corners to stand over the hinge, among those higher than the plate's edge; all are.
    x, _, z = bar.points.T
    over = np.pi / 2 - np.arctan2(z, -x)
    assert pair.contact_rad == pytest.approx(over.min(), abs=got.tolerance_rad)
    inside = (got.angles_rad > over.min()) & (got.angles_rad < over.max())
    assert (pair.distance_m[inside] == 0.0).all()
    after = got.angles_rad > over.max()
    last = np.array([min(placed(bar, AXIS, t)[:, [0, 2]].tolist()) for t in got.angles_rad[after]])
    facing = last[:, 1] > 0.45  # still in front of the plate, not below its edge
    assert facing.sum() > 3
    np.testing.assert_allclose(pair.distance_m[after][facing], last[facing, 0], atol=1e-9)
    assert (pair.distance_m[after] > 0.0).all()


def test_touching_when_closed() -> None:
    # The foot stands on the window's plane at x = 0.25 and is turned away from it; the bar meets it later.
    foot = block((0.15, -0.1, -0.4), (0.25, 0.1, -0.3))
    got = turned({"rear window": WALL}, riding={"foot": foot, "upper": BAR}, degrees=75.0)
    pair = got.pairs[0]
    assert pair.contact_rad == 0.0
    assert pair.least_m == 0.0
    assert pair.least_rad == 0.0
    assert got.first is pair
    np.testing.assert_allclose(
        pair.distance_m, [max(0.25 - placed(foot, AXIS, t)[:, 0].max(), 0.0) for t in got.angles_rad], atol=1e-9
    )
    assert (pair.distance_m[1:] > 0.0).all()
    assert got.sentence == (
        "“foot” touches “rear window” with the lid closed. The lid opens to "
        f"{np.degrees(wall_contact(BAR, 0.25)):.1f} degrees; then “upper” touches “rear window”. {NOT_COUNTED}"
    )


def test_grazing_at_the_hinge() -> None:
    # A drum about the axis keeps 0.2 mm from a plate under it all the way, while the part reaches 0.6 m out.
    # Only bounds by direction get past it in reasonable time.
    drum = trimesh.creation.cylinder(
        0.05, 0.4, sections=720, transform=trimesh.geometry.align_vectors([0, 0, 1], AXIS.axis)
    )
    part = join(
        [TriMesh(np.array(drum.vertices), np.array(drum.faces, np.int32)), block((-0.6, -0.2, -0.01), (0, 0.2, 0.01))]
    )
    plate = flat([(-0.1, -1, -0.0502), (0.2, -1, -0.0502), (-0.1, 1, -0.0502)])
    got = turned({"window": plate}, riding={"arm": part}, degrees=75.0)
    (pair,) = got.pairs
    assert np.isnan(pair.contact_rad)
    np.testing.assert_allclose(pair.distance_m, 0.0002, atol=2e-6)  # 720 sides: 0.5 um within the round
    assert 0.0002 - 1e-9 <= pair.least_m <= 0.0003


def test_never_near() -> None:
    got = turned({"bumper": block((-1.2, -0.5, -0.5), (-1.1, 0.5, -0.2))}, riding={"upper": BAR}, degrees=40.0)
    assert got.first is None
    assert (np.diff(got.pairs[0].distance_m) > 0.0).all()
    assert got.pairs[0].least_rad == 0.0
    assert got.sentence.startswith(
        "The lid opens to 40.0 degrees and nothing touches; “upper” comes nearest to “bumper”"
    )
    alone = turned({"bumper": WALL}, degrees=40.0)
    assert alone.pairs == ()
    assert alone.sentence == NOTHING
    # A riding part with no zone but the lid, and no part that stays, has nothing to meet either.
    assert turned({}, riding={"upper": BAR}, degrees=40.0).sentence == NOTHING


def test_a_part_that_cuts_the_lid_it_rides_on_is_told() -> None:
    far = block((-1.2, -0.5, -0.5), (-1.1, 0.5, -0.2))
    low = BAR.transformed(np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, -0.4], [0, 0, 0, 1.0]]))  # half way through
    foot = block((-0.5, -0.1, 0.0), (-0.4, 0.1, 0.1))  # stands on it
    got = turned({"bumper": far}, riding={"low": low, "foot": foot, "upper": BAR}, degrees=20.0)
    assert got.on_lid == ("low", "foot")
    assert {pair.against for pair in got.pairs} == {"bumper"}
    assert got.first is None
    assert (
        "“low” rides on the lid and cuts or touches it. “foot” rides on the lid and cuts or touches it." in got.sentence
    )
    assert turned({}, riding={"low": low}).sentence == f"{NOTHING} “low” rides on the lid and cuts or touches it."


def test_who_meets_whom() -> None:
    got = turned(
        {"rear window": WALL, "bumper": block((-1.2, -0.5, -0.5), (-1.1, 0.5, -0.2))},
        riding={"upper": BAR, "lower": block((-0.5, -0.4, 0.1), (-0.3, 0.4, 0.12))},
        standing={"mount": block((-0.9, 0.6, 0.0), (-0.8, 0.7, 0.4))},
        degrees=10.0,
        samples=5,
    )
    assert [(pair.part, pair.against) for pair in got.pairs] == [
        ("upper", "rear window"),
        ("upper", "bumper"),
        ("upper", "mount"),
        ("lower", "rear window"),
        ("lower", "bumper"),
        ("lower", "mount"),
        ("mount", "boot lid"),
    ]
    assert all(len(pair.distance_m) == 5 for pair in got.pairs)


def fcl_model(mesh: TriMesh) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.triangles), len(mesh.points))
    model.addSubModel(mesh.points, mesh.triangles)
    model.endModel()
    return fcl.CollisionObject(model)


def fcl_sweep(
    moving: TriMesh, still: TriMesh, hinge: Hinge, angles: np.ndarray, every: int = 10
) -> tuple[np.ndarray, np.ndarray]:
    """Whether they collide, and every so manieth distance, by python-fcl."""
    a, b = fcl_model(moving), fcl_model(still)
    hit, distance = np.zeros(len(angles), bool), np.full(len(angles), np.nan)
    for k, angle in enumerate(angles):
        turn = Rotation.from_rotvec(angle * hinge.axis).as_matrix()
        a.setTransform(fcl.Transform(turn, hinge.point - turn @ hinge.point))
        hit[k] = fcl.collide(a, b, fcl.CollisionRequest(), fcl.CollisionResult()) > 0
        if k % every == 0 and not hit[k]:
            distance[k] = fcl.distance(a, b, fcl.DistanceRequest(), fcl.DistanceResult())
    return hit, distance


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_random_obstacles(seed: int) -> None:
    """Against a sweep by 0.05 degrees with python-fcl: no contact missed, none made up, no distance missed."""
    rng = np.random.default_rng(seed)
    axis = rng.normal(size=3)
    hinge = Hinge(rng.uniform(-0.3, 0.3, 3), axis / np.linalg.norm(axis))

    def tumbled(reach: float) -> TriMesh:
        matrix = np.eye(4)
        matrix[:3, :3] = Rotation.random(random_state=int(rng.integers(2**31))).as_matrix()
        matrix[:3, 3] = rng.uniform(-reach, reach, 3)
        return block(-0.5 * (size := rng.uniform(0.01, 0.4, 3)), 0.5 * size, cuts=1).transformed(matrix)

    moving, still = join([tumbled(0.6), tumbled(0.6)]), tumbled(0.6)
    allowance = 0.01 * (seed % 3)
    got = turned({"post": still}, riding={"wing": moving}, hinge=hinge, degrees=80.0, samples=9, allowance_m=allowance)
    (pair,) = got.pairs
    step = np.radians(0.05)
    angles = np.arange(0.0, got.angles_rad[-1] + 1e-9, step)
    hit, distance = fcl_sweep(moving, still, hinge, angles, 1 if allowance else 10)
    distance -= allowance
    hit |= distance <= 0.0
    if hit.any():
        assert pair.contact_rad <= angles[hit.argmax()] + got.tolerance_rad
    at, gap = fcl_sweep(moving, still, hinge, np.array([pair.least_rad]))
    gap -= allowance
    if np.isfinite(pair.contact_rad):
        assert not hit[angles < pair.contact_rad - got.tolerance_rad].any()
        assert (pair.least_m, pair.least_rad) == (0.0, pair.contact_rad)
        assert at[0] or gap[0] <= 2e-6
    else:
        assert pair.least_m == pytest.approx(gap[0], abs=1e-6)
        assert pair.least_m <= np.nanmin(distance) + max(LEAST_M, LEAST_SHARE * pair.least_m)
    for angle, own in zip(got.angles_rad, pair.distance_m, strict=True):
        at, gap = fcl_sweep(moving, still, hinge, np.array([angle]))
        assert own == pytest.approx(0.0 if at[0] else max(gap[0] - allowance, 0.0), abs=2e-6)


def test_the_body_is_indexed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    around = car({"rear window": WALL, "deck": block((-1, -1, -0.4), (1, 1, -0.3), cuts=4)})
    worked_on = []
    build, shift = TriangleIndex.build, TriangleIndex.moved

    def built(mesh: TriMesh, labels: np.ndarray | None = None) -> TriangleIndex:
        worked_on.append(len(mesh.triangles))
        return build(mesh, labels)

    def shifted(index: TriangleIndex, matrix: np.ndarray) -> TriangleIndex:
        worked_on.append(int((index.forest.below[: 8 * index.forest.leaves] >= 0).sum()))
        return shift(index, matrix)

    parts = [Part.of("upper", BAR), Part.of("mount", block((-0.6, -0.1, 0.2), (-0.3, 0.1, 0.4)))]
    monkeypatch.setattr(TriangleIndex, "build", staticmethod(built))
    monkeypatch.setattr(TriangleIndex, "moved", shifted)
    got = opening(around, parts, [None, None], [True, False], "boot lid", AXIS, 1.0)
    assert len(got.pairs) == 4
    assert 0 < max(worked_on) <= len(BAR.triangles) < len(around.scan.mesh.triangles) / 10


def test_progress_is_told_and_may_stop_it() -> None:
    told: list[float] = []
    turned({"rear window": WALL}, riding={"upper": BAR}, tick=lambda share, _doing: told.append(share))
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) > 50

    class StopError(Exception):
        pass

    def stop(_share: float, _doing: str) -> None:
        raise StopError

    with pytest.raises(StopError):
        turned({"rear window": WALL}, riding={"upper": BAR}, tick=stop)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"lid": "bonnet"}, "no zone “bonnet”"),
        ({"largest_rad": 0.0}, "cannot open by 0.0 degrees"),
        ({"largest_rad": 3.2}, "up to 180"),
        ({"largest_rad": np.nan}, "cannot open by"),
        ({"samples": 1}, "at least 2 samples"),
        ({"tolerance_rad": 0.0}, "tolerance"),
        ({"rides": [True, False]}, "1 parts need a pose each"),
        ({"hinge": Hinge(np.zeros(3), np.array([0.0, 2.0, 0.0]))}, "axis of length 1"),
        ({"poses": [2.0 * np.eye(4)]}, "“upper”"),
        ({"allowance_m": -0.001}, "allowance must be a length"),
        ({"allowance_m": np.inf}, "allowance must be a length"),
    ],
)
def test_what_cannot_open(change: dict[str, object], words: str) -> None:
    given_: dict[str, object] = {
        "around": car({"rear window": WALL}),
        "parts": [Part.of("upper", BAR)],
        "poses": [None],
        "rides": [True],
        "lid": "boot lid",
        "hinge": AXIS,
        "largest_rad": 1.0,
    }
    with pytest.raises(InputError, match=words):
        opening(**(given_ | change))


@pytest.mark.parametrize("swap", [False, True])
def test_hinge_between_points_raises_the_lid(swap: bool) -> None:
    ends = [np.array([0.1, -0.5, 0.9]), np.array([0.1, 0.5, 0.9])]
    hinge = hinge_between(*(ends[::-1] if swap else ends), LID.points + [0.0, 0.0, 0.95])
    np.testing.assert_allclose(hinge.axis, [0.0, 1.0, 0.0], atol=1e-12)
    assert hinge.rms_m == 0.0
    assert placed(LID, hinge, 0.01)[:, 2].mean() > LID.points[:, 2].mean()
    # The matrix is scipy's rotation about the point.
    turn = hinge.opened(0.7)
    np.testing.assert_allclose(LID.points @ turn[:3, :3].T + turn[:3, 3], placed(LID, hinge, 0.7), atol=1e-12)


@pytest.mark.parametrize(
    ("first", "second", "lid", "words"),
    [
        ((0, 0, 0), (0, 5e-4, 0), LID.points, "1 mm"),
        ((0, 0, np.nan), (0, 1, 0), LID.points, "three numbers"),
        ((-0.5, -1, 1), (-0.5, 1, 1), LID.points, "straight above or below"),
        ((0, 0, 0), (0, 0, 1), LID.points, "upright"),
        ((0, 0, 0), (0, 1, 0), np.zeros((0, 3)), "lid"),
    ],
)
def test_what_is_no_hinge(first: tuple, second: tuple, lid: np.ndarray, words: str) -> None:
    with pytest.raises(InputError, match=words):
        hinge_between(np.array(first, float), np.array(second, float), lid)


def pin(degrees: float, noise: float, seed: int, radius: float = 0.006, length: float = 0.06) -> TriMesh:
    """Part of a cylinder about the y axis with normal noise on each point along the radius."""
    around, along = max(int(degrees / 6), 2), 41
    u, v = np.meshgrid(np.linspace(0.0, np.radians(degrees), around), np.linspace(-0.5, 0.5, along), indexing="ij")
    r = radius + noise * np.random.default_rng(seed).normal(size=u.size)
    points = np.column_stack([r * np.cos(u.ravel()), length * v.ravel(), r * np.sin(u.ravel())])
    i = np.arange(u.size).reshape(u.shape)
    a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    triangles = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return TriMesh(points, triangles)


def in_place(mesh: TriMesh) -> tuple[TriMesh, np.ndarray, np.ndarray]:
    """Turned off the axes and moved away from 0; the axis' point and direction."""
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.2, -0.5, 0.3]).as_matrix()
    matrix[:3, 3] = [-1.9, 0.4, 1.1]
    return mesh.transformed(matrix), matrix[:3, 3], matrix[:3, 1]


@pytest.mark.parametrize("degrees", [120.0, 200.0, 354.0])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_hinge_of_a_noisy_pin(degrees: float, seed: int) -> None:
    mesh, point, axis = in_place(pin(degrees, 5e-5, seed))
    hinge = hinge_through(mesh, LID.points + point + [-0.1, 0.0, 0.1])
    off = np.cross(hinge.point - point, axis)
    # Some 850 points and more with 0.05 mm each: the axis to a few hundredths of a millimetre, and 0.02 mm over half
    # the pin's length in direction.
    assert np.linalg.norm(off) < 5e-5
    assert np.linalg.norm(np.cross(hinge.axis, axis)) < 1e-3
    assert hinge.rms_m == pytest.approx(5e-5, rel=0.1)
    assert np.linalg.norm(hinge.axis) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("degrees", [60.0, 120.0])
def test_hinge_of_an_exact_pin(degrees: float) -> None:
    mesh, point, axis = in_place(pin(degrees, 0.0, 0))
    lid = TriMesh(LID.points + point + [-0.1, 0.0, 0.1], LID.triangles)
    hinge = hinge_through(mesh, lid.points)
    assert np.linalg.norm(np.cross(hinge.point - point, axis)) < 1e-10
    assert np.linalg.norm(np.cross(hinge.axis, axis)) < 1e-10
    assert hinge.rms_m < 1e-10
    assert placed(lid, hinge, 0.01)[:, 2].mean() > lid.points[:, 2].mean()


SIDES = block((0, 0, 0), (0.01, 0.01, 0.1), cuts=2)
# Two sides of a box: an angle bar, whose normals lie square to a line although it is no cylinder.
ANGLE = SIDES.subset((SIDES.corners[:, :, :2] == 0.0).all(axis=1).any(axis=1))


@pytest.mark.parametrize(
    ("faces", "words"),
    [
        (flat([(0, 0, 0), (1, 0, 0), (0, 1, 0)]), "at least 12 faces round its pin, not 2"),
        (pin(30.0, 0.0, 0), "one way"),
        (ball((0, 0, 0), 0.01), "every way"),
        (SIDES, "no cylinder|every way"),
        (ANGLE, "no cylinder"),
        (TriMesh(pin(120.0, 0.0, 0).points * np.nan, pin(120.0, 0.0, 0).triangles), "not numbers"),
        (TriMesh(np.zeros((9, 3)), pin(120.0, 0.0, 0).triangles[:20] % 9), "no area"),
    ],
)
def test_what_is_no_pin(faces: TriMesh, words: str) -> None:
    with pytest.raises(InputError, match=words):
        hinge_through(faces, LID.points)
