"""Geometric visibility of lamps against published angles, closed forms and a general library's ray tester."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from trimesh.ray.ray_triangle import RayMeshIntersector

from wingfettle.core.assembly.part import Part
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh, join
from wingfettle.core.sight.lamps import KINDS, MARKETS, RULES, LampRule, LampSight, lamp_sight, rule_for, solid_angles

RNG = np.random.default_rng
STEP = np.radians(2.5)
BEHIND = 0.3  # m from a lamp's middle back to where obstacles stand


def sheet(a: tuple[float, float, float], across: tuple[float, float, float], up: tuple[float, float, float]) -> TriMesh:
    """A parallelogram from corner ``a``."""
    p, u, v = (np.array(k, float) for k in (a, across, up))
    return TriMesh(np.array([p, p + u, p + u + v, p + v]), np.array([[0, 1, 2], [0, 2, 3]], np.int32))


def lens(y: float = 0.6, z: float = 0.9, width: float = 1e-7, height: float = 1e-7, x: float = -2.0) -> TriMesh:
    """A flat lens that faces straight to the rear; like a point when no size is given."""
    return sheet((x, y + 0.5 * width, z - 0.5 * height), (0, -width, 0), (0, 0, height))


def wall(y: tuple[float, float], z: tuple[float, float], behind: float = BEHIND, name: str = "wall") -> Part:
    """An upright sheet across the car behind the lamp ``lens``; y to the left of and z above the lamp's middle."""
    return Part.of(name, sheet((-2.0 - behind, 0.6 + y[0], 0.9 + z[0]), (0, y[1] - y[0], 0), (0, 0, z[1] - z[0])))


def look(lamp: TriMesh, rule: LampRule, *parts: Part, **more) -> LampSight:
    return lamp_sight("tail lamp left", lamp, rule, parts, [None] * len(parts), **more)


def angles(sight: LampSight) -> tuple[np.ndarray, np.ndarray]:
    """(v, h) horizontal and vertical angles."""
    return tuple(np.meshgrid(sight.across_rad, sight.up_rad))


# -- the table -----------------------------------------------------------------------------------

# Degrees inward, outward, up, down and when low, m. UN R48: the rear position lamp as read in clause 6.10.5.1, stop and
# rear fog lamps as read in national texts with the same angles (Road Vehicles Lighting Regulations 1989), others from
# memory, as are EU 1003/2010 for the plate and 49 CFR 571.108.
PUBLISHED = {
    ("UN R48", "rear position"): ("6.10.5", 45, 80, 15, 15, 5, 0.75),
    ("UN R48", "stop"): ("6.7.5", 45, 45, 15, 15, 5, 0.75),
    ("UN R48", "direction indicator"): ("6.5.5", 45, 80, 15, 15, 5, 0.75),
    ("UN R48", "high-level stop"): ("6.7.5", 10, 10, 10, 5, 5, 0),
    ("UN R48", "rear fog"): ("6.11.5", 25, 25, 5, 5, 5, 0),
    ("UN R48", "reversing"): ("6.4.5", 30, 45, 15, 5, 5, 0),
    ("UN R48", "plate"): ("EU 1003/2010", 30, 30, 15, 15, 0, 1.2),
    ("FMVSS 108", "rear position"): ("571.108", 45, 80, 15, 15, 5, 0.75),
    ("FMVSS 108", "stop"): ("571.108", 45, 45, 15, 15, 5, 0.75),
    ("FMVSS 108", "direction indicator"): ("571.108", 45, 80, 15, 15, 5, 0.75),
    ("FMVSS 108", "high-level stop"): ("571.108", 45, 45, 10, 5, 5, 0),
}


def test_table() -> None:
    assert {(r.market, r.kind) for r in RULES} == set(PUBLISHED)
    for (market, kind), (paragraph, *degrees, low_m) in PUBLISHED.items():
        rule = rule_for(market, kind)
        assert paragraph in rule.paragraph
        assert ("(from memory)" in rule.paragraph) == ((market, kind) != ("UN R48", "rear position"))
        mine = [rule.inward_rad, rule.outward_rad, rule.up_rad, rule.down_rad, rule.low_down_rad]
        assert np.degrees(mine) == pytest.approx(degrees)
        assert rule.low_m == low_m
        # 12.5 cm2 of lens, agency interpretation of 1994 (the high-mounted lamp's area is not asked from each side).
        assert rule.least_area_m2 == (0.00125 if market == "FMVSS 108" and "high" not in kind else 0.0)


def test_what_is_not_in_the_table() -> None:
    missing = [k for k in KINDS if ("FMVSS 108", k) not in PUBLISHED]
    assert missing == ["rear fog", "reversing", "plate"]
    for kind in missing:
        with pytest.raises(InputError, match=f"No angles of FMVSS 108 .*{kind}.* by the rules of UN R48"):
            rule_for("FMVSS 108", kind)
    with pytest.raises(InputError, match=", ".join(MARKETS)):
        rule_for("the moon", "stop")
    with pytest.raises(InputError, match="direction indicator"):
        rule_for("UN R48", "disco")


# -- where an edge hides a small lamp ------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "edge_mm", "vertical"),
    # Published with the angles: an edge 300 mm behind the lamp's centre, straight behind it (300 mm times the tangent).
    [("high-level stop", 52.898, 10), ("rear position", 80.385, 15), ("rear fog", -26.247, -5)],
)
def test_edge_above_or_below(kind, edge_mm, vertical) -> None:
    for miss_mm, expected in ((0.01, 1.0), (-0.01, 0.0)):
        edge = 1e-3 * (edge_mm + np.sign(vertical) * miss_mm)
        part = wall((-0.5, 0.5), (edge, 2.0) if vertical > 0 else (-2.0, edge))
        sight = look(lens(), rule_for("UN R48", kind), part, step_rad=np.radians(5))
        here = np.flatnonzero(np.abs(sight.across_rad) < 1e-9)
        row = -1 if vertical > 0 else 0
        assert np.degrees(sight.up_rad[row]) == pytest.approx(vertical)
        assert sight.seen[row, here] == expected
        assert sight.blocker[row, here] == (-1 if expected else 0)


@pytest.mark.parametrize(("kind", "edge_mm", "degrees"), [("stop", 300.0, 45), ("rear position", 1701.4, 80)])
def test_edge_beside(kind, edge_mm, degrees) -> None:
    # Published likewise.
    for miss_mm, expected in ((0.1, 1.0), (-0.1, 0.0)):
        edge = 1e-3 * (edge_mm + miss_mm)
        left = look(lens(), rule_for("UN R48", kind), wall((edge, edge + 2.0), (-2.0, 2.0)))
        assert np.degrees(left.across_rad[-1]) == pytest.approx(degrees)
        assert (left.seen[:, -1] == expected).all()
        assert (left.seen[:, :-1] == 1.0).all()
        assert left.verdict == ("clear" if expected else "partly hidden")


@settings(max_examples=20, deadline=None)
@given(st.floats(-0.07, 0.08), st.floats(0.05, 2.0))
def test_half_plane(edge, behind) -> None:
    # Exact: a level edge across the car hides what lies above it, tan(up) / cos(across) > height / distance.
    sight = look(lens(), rule_for("UN R48", "rear position"), wall((-30.0, 30.0), (edge, 30.0), behind))
    across, up = angles(sight)
    slope = np.tan(up) / np.cos(across) - edge / behind
    sure = np.abs(slope) > 1e-5
    assert (sight.seen[sure] == (slope[sure] < 0.0)).all()
    assert ((sight.blocker == 0) == (sight.seen < 1.0)).all()
    weight = solid_angles(sight.across_rad, sight.up_rad)
    assert sight.share == pytest.approx((weight * sight.seen).sum() / weight.sum())


def test_strip_and_who_hides_what() -> None:
    # Exact: two bars, seen between them, each over its own range of tangents; the bars end at y = -0.1 and 0.2.
    low, high = wall((-0.1, 0.2), (-0.03, 0.01), name="low bar"), wall((-0.1, 0.2), (0.04, 0.06), name="high bar")
    sight = look(lens(), rule_for("UN R48", "rear position"), low, high)
    across, up = angles(sight)
    aside, height = BEHIND * np.tan(across), BEHIND * np.tan(up) / np.cos(across)
    beside = (aside < -0.1) | (aside > 0.2)
    expected = np.full(across.shape, -1)
    expected[~beside & (height > -0.03) & (height < 0.01)] = 0
    expected[~beside & (height > 0.04) & (height < 0.06)] = 1
    assert (sight.blocker == expected).all()
    assert (sight.seen == (expected < 0)).all()
    assert sight.blockers == ("low bar", "high bar")
    # The most telling of the worst directions: straight behind.
    assert sight.least == 0.0
    assert sight.worst == pytest.approx([0.0, 0.0], abs=1e-12)
    assert "“low bar”, “high bar”" in sight.sentence


def test_poses_move_the_parts() -> None:
    rule = rule_for("UN R48", "stop")
    pose = np.eye(4)
    pose[:3, :3] = [[0.0, -1, 0], [1, 0, 0], [0, 0, 1]]
    pose[:3, 3] = [-2.0, 0.6, 0.9]
    # Turned a quarter, a sheet along the car at y = 0.3 stands across it 0.3 m behind the lamp.
    part = Part.of("plate", sheet((-0.1, BEHIND, 0.02), (0.3, 0, 0), (0, 0, 0.2)))
    moved = lamp_sight("left", lens(), rule, [part], [pose])
    placed = look(lens(), rule, wall((-0.1, 0.2), (0.02, 0.22)))
    assert (moved.seen == placed.seen).all()
    assert placed.least == 0.0


# -- shares --------------------------------------------------------------------------------------


def test_solid_angles_add_up() -> None:
    # Exact: the area of a field of longitude and latitude on a unit ball.
    for low, high, left, right, v, h in [(-15, 15, -45, 80, 13, 51), (-5, 10, -10, 10, 2, 3), (0, 15, -30, 30, 7, 4)]:
        up, across = np.radians(np.linspace(low, high, v)), np.radians(np.linspace(left, right, h))
        weight = solid_angles(across, up)
        assert weight.shape == (v, h)
        assert (weight > 0).all()
        assert weight.sum() == pytest.approx((np.sin(up[-1]) - np.sin(up[0])) * (across[-1] - across[0]), rel=1e-14)
    # The whole ball.
    assert solid_angles(np.linspace(-np.pi, np.pi, 9), np.linspace(-np.pi / 2, np.pi / 2, 5)).sum() == pytest.approx(
        4 * np.pi
    )


def test_share_above_an_angle() -> None:
    # Exact: a round wall about the lamp hides all above one angle; the edge lies half way between two directions.
    rule = rule_for("UN R48", "rear position")
    edge = np.radians(6.25)
    turn = np.linspace(0, 2 * np.pi, 721)
    ring = np.column_stack([-2.0 + np.cos(turn), 0.6 + np.sin(turn)])
    points = np.concatenate([np.column_stack([ring, np.full(721, 0.9 + h)]) for h in (np.tan(edge), 2.0)])
    k = np.arange(720)
    faces = np.concatenate([np.column_stack([k, k + 1, k + 721]), np.column_stack([k + 1, k + 722, k + 721])])
    sight = look(lens(), rule, Part.of("ring", TriMesh(points, faces.astype(np.int32))))
    span = np.sin(rule.up_rad) + np.sin(rule.down_rad)
    assert sight.share == pytest.approx((np.sin(edge) + np.sin(rule.down_rad)) / span, rel=1e-12)


@pytest.mark.parametrize("kind", ["stop", "high-level stop", "reversing"])
def test_share_beside_an_angle(kind) -> None:
    # Exact: an upright edge cuts off what lies to its left, whatever the height.
    rule = rule_for("UN R48", kind)
    edge = np.radians(3.75)
    sight = look(lens(), rule, wall((BEHIND * np.tan(edge), 5.0), (-5.0, 5.0)))
    assert sight.share == pytest.approx((edge + rule.inward_rad) / (rule.outward_rad + rule.inward_rad), rel=1e-12)


def curved_lens(side: float = 1.0) -> TriMesh:
    """A lens wrapped about the rear corner, from facing straight back to 75 degrees outward, finer at one end."""
    turn, z = np.radians(75) * np.linspace(0, 1, 20) ** 2, np.linspace(-0.06, 0.06, 7)
    turn, z = (a.ravel() for a in np.meshgrid(turn, z, indexing="ij"))
    points = np.column_stack([-2 - 0.15 * np.cos(turn), side * (0.5 + 0.15 * np.sin(turn)), 0.9 + z])
    a = (np.arange(19)[:, None] * 7 + np.arange(6)).ravel()
    faces = np.concatenate([np.column_stack([a, a + 7, a + 1]), np.column_stack([a + 1, a + 7, a + 8])])
    return TriMesh(points, (faces[:, ::-1] if side > 0 else faces).astype(np.int32))


@pytest.mark.parametrize("flat", [True, False])
def test_independent_ray_tracer(flat) -> None:
    # A general library's ray tester, points drawn at random by area, directions at random by solid angle.
    rule = rule_for("UN R48", "rear position")
    lamp = lens(width=0.25, height=0.12) if flat else curved_lens()
    wing = trimesh.creation.icosphere(3)
    wing.apply_scale([0.15, 0.75, 0.03])
    wing.apply_translation([-2.4, 0.0, 0.98])
    strut = trimesh.creation.box([0.2, 0.03, 0.4])
    strut.apply_translation([-2.35, 0.45, 0.8])
    solids = [wing, strut]
    parts = [Part.of(f"part {k}", TriMesh(np.array(s.vertices), np.array(s.faces, np.int32)))
             for k, s in enumerate(solids)]  # fmt: skip
    sight = look(lamp, rule, *parts)
    rng = RNG(3)
    count, choices = 6000, 40
    up = np.arcsin(rng.uniform(np.sin(-rule.down_rad), np.sin(rule.up_rad), count))
    across = rng.uniform(-rule.inward_rad, rule.outward_rad, count)
    ways = np.column_stack([-np.cos(up) * np.cos(across), np.cos(up) * np.sin(across), np.sin(up)])
    theirs = trimesh.Trimesh(lamp.points, lamp.triangles, process=False)
    points, face = trimesh.sample.sample_surface(theirs, count * choices, seed=4)
    looks = np.einsum("ijk,ik->ij", theirs.face_normals[face].reshape(count, choices, 3), ways) > 0.0
    assert looks.any(axis=1).all()
    points = points.reshape(count, choices, 3)[np.arange(count), looks.argmax(axis=1)]
    free = ~RayMeshIntersector(trimesh.util.concatenate(solids)).intersects_any(points, ways)
    share = free.mean()
    assert 0.5 < share < 0.98
    error = np.sqrt(share * (1 - share) / count)
    # Three standard errors of their sampling, and 1 % for the grid and the 64 points.
    assert sight.share == pytest.approx(share, abs=3 * error + 0.01)
    # Also per part, where it hides most.
    for k in range(2):
        assert (sight.blocker == k).any()
    finer = look(lamp, rule, *parts, samples=400, step_rad=np.radians(1.25))
    assert finer.share == pytest.approx(share, abs=3 * error + 0.003)


@pytest.mark.parametrize("fine", [False, True])
def test_points_are_even(fine) -> None:
    # Exact: a wall close by with an edge at any angle hides straight behind it just what it covers.
    lamp = lens(width=0.3, height=0.1)
    if fine:  # much finer at one end, so that a count of faces would mislead
        x, z = np.meshgrid(0.3 * np.linspace(0, 1, 31) ** 3, np.linspace(0, 0.1, 8), indexing="ij")
        points = np.column_stack([np.full(x.size, -2.0), 0.75 - x.ravel(), 0.85 + z.ravel()])
        a = (np.arange(30)[:, None] * 8 + np.arange(7)).ravel()
        faces = np.concatenate([np.column_stack([a, a + 8, a + 1]), np.column_stack([a + 1, a + 8, a + 9])])
        lamp = TriMesh(points, faces.astype(np.int32))
    rule = rule_for("UN R48", "high-level stop")
    for share in (0.1, 0.25, 0.5, 0.6, 0.9):
        beside = look(lamp, rule, wall((-0.15 + 0.3 * share, 1.0), (-1.0, 1.0), 0.001))
        above = look(lamp, rule, wall((-1.0, 1.0), (-0.05 + 0.1 * share, 1.0), 0.001))
        for sight in (beside, above):
            middle = sight.seen[2, 4]
            assert sight.across_rad[4] == pytest.approx(0.0, abs=1e-12)
            assert sight.up_rad[2] == pytest.approx(0.0, abs=1e-12)
            assert middle == pytest.approx(share, abs=0.05)


def test_nothing_in_the_way() -> None:
    for rule in RULES:
        for parts in ((), (wall((-9.0, 9.0), (-1.0, 9.0), behind=-0.4),)):  # none, or one ahead of the lamp
            sight = look(lens(width=0.2, height=0.1), rule, *parts)
            assert (sight.share, sight.least, sight.verdict) == (1.0, 1.0, "clear")
            assert (sight.blocker == -1).all()
            assert "is seen from all of" in sight.sentence
            assert rule.paragraph in sight.sentence
            assert rule.note in sight.sentence
            assert "the code in force where the car is registered decides" in sight.sentence


def test_all_in_the_way() -> None:
    sight = look(lens(), rule_for("UN R48", "stop"), wall((-9.0, 9.0), (-9.0, 9.0)))
    assert (sight.share, sight.least, sight.verdict) == (0.0, 0.0, "hidden")
    assert "seen from nowhere" in sight.sentence


# -- sides, heights, faces -----------------------------------------------------------------------


def test_left_and_right_are_mirror_images() -> None:
    rule = rule_for("UN R48", "rear position")
    bar = sheet((-2.5, -0.7, 0.95), (0.1, 1.5, 0.02), (0, 0, 0.08))
    flip = np.diag([1.0, -1, 1, 1])
    for lamp, slack in ((lens(), 0.0), (curved_lens(), 0.02)):
        left = lamp_sight("left", lamp, rule, [Part.of("bar", bar)], [None])
        right = lamp_sight("right", lamp.transformed(flip), rule, [Part.of("bar", bar.transformed(flip))], [None])
        assert (left.left, right.left) == (True, False)
        assert np.degrees(left.across_rad[[0, -1]]) == pytest.approx([-45, 80])
        assert right.across_rad == pytest.approx(-left.across_rad[::-1])
        assert right.share == pytest.approx(left.share, abs=slack)
        assert 0.3 < left.share < 0.99
        if slack == 0.0:
            assert (right.seen == left.seen[:, ::-1]).all()


def test_middle_lamp_takes_the_wider_side_both_ways() -> None:
    rule = rule_for("UN R48", "rear position")
    for y, ends in ((0.049, [-80, 80]), (-0.049, [-80, 80]), (0.051, [-45, 80]), (-0.051, [-80, 45])):
        assert np.degrees(look(lens(y), rule).across_rad[[0, -1]]) == pytest.approx(ends)


def test_low_lamps() -> None:
    # The rear position lamp needs 5 degrees down, not 15, below 750 mm; by its middle.
    rule = rule_for("UN R48", "rear position")
    for z, down in ((0.751, -15), (0.749, -5)):
        sight = look(lens(z=z, height=0.1, width=0.1), rule)
        assert np.degrees(sight.up_rad[[0, -1]]) == pytest.approx([down, 15])
        assert sight.height_m == pytest.approx(z - 0.05)
        assert ("lower than 0.75 m" in sight.sentence) == (down == -5)
    assert np.degrees(look(lens(z=0.3), rule_for("UN R48", "high-level stop")).up_rad[0]) == pytest.approx(-5)


def test_grid_holds_both_ends_and_no_wider_steps() -> None:
    rule = rule_for("UN R48", "rear position")
    for step in (0.7, 2.5, 4.0, 200.0):
        sight = look(lens(), rule, step_rad=np.radians(step), samples=3)
        for angle, low, high in ((sight.across_rad, -45, 80), (sight.up_rad, -15, 15)):
            assert np.degrees(angle[[0, -1]]) == pytest.approx([low, high])
            assert np.degrees(np.diff(angle)).max() <= step + 1e-9
            assert len(angle) == max(round(np.ceil((high - low) / step)), 1) + 1


def test_directions_the_lamp_does_not_face() -> None:
    # Exact: a flat lens turned outward by 61.25 degrees faces what lies within 90 degrees of that: from
    # 28.75 inward on, half way between two directions.
    turn = np.radians(61.25)
    lamp = sheet((-2.0, 0.6, 0.85), (0.2 * np.sin(turn), 0.2 * np.cos(turn), 0), (0, 0, 0.1))
    sight = look(lamp, rule_for("UN R48", "rear position"))
    across, up = angles(sight)
    faces = np.cos(up) * np.cos(across - turn) > 0.0
    assert (np.isnan(sight.seen) == ~faces).all()
    assert (sight.share, sight.least, sight.verdict) == (1.0, 1.0, "clear")
    part = (45.0 - 28.75) / 125.0
    assert f"Toward {100 * part:.1f} % of the field no face of the lamp itself looks" in sight.sentence


@pytest.mark.parametrize("turned", ["all", "some", "loose"])
def test_faces_turned_the_wrong_way(turned) -> None:
    rule = rule_for("UN R48", "rear position")
    lamp, bar = curved_lens(), wall((-0.6, 0.1), (0.0, 0.1))
    faces = lamp.triangles.copy()
    wrong = np.ones(len(faces), bool) if turned == "all" else RNG(6).uniform(size=len(faces)) < 0.4
    faces[wrong] = faces[wrong][:, ::-1]
    other = TriMesh(lamp.points, faces)
    if turned == "loose":  # every face keeps corners of its own
        other = TriMesh(other.corners.reshape(-1, 3), np.arange(3 * len(faces), dtype=np.int32).reshape(-1, 3))
    right, same = look(lamp, rule, bar), look(other, rule, bar)
    assert 0.3 < right.share < 0.95
    assert (np.isnan(same.seen) == np.isnan(right.seen)).all()
    np.testing.assert_allclose(same.seen, right.seen, atol=0.12)
    assert same.share == pytest.approx(right.share, abs=0.01)


def test_turned_faces_keep_their_area() -> None:
    # Exact: 100 cm2 show cos(10 degrees) squared of that at the corner of the field, if every face looks to the rear.
    y, z = (a.ravel() for a in np.meshgrid(0.55 + np.linspace(0, 0.1, 9), 0.85 + np.linspace(0, 0.1, 9)))
    a = (np.arange(8)[:, None] * 9 + np.arange(8)).ravel()
    faces = np.concatenate([np.column_stack([a, a + 9, a + 1]), np.column_stack([a + 1, a + 9, a + 10])])
    wrong = RNG(7).uniform(size=len(faces)) < 0.4
    faces[wrong] = faces[wrong][:, ::-1]
    lamp = TriMesh(np.column_stack([np.full(81, -2.0), y, z]), faces.astype(np.int32))
    for asked, words in ((96.9, "is seen from everywhere in it"), (97.1, "less than the 97.1 cm² of lens asked for")):
        rule = replace(rule_for("UN R48", "high-level stop"), least_area_m2=asked * 1e-4)
        assert words in look(lamp, rule).sentence


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_piece_at_the_side_of_the_car_looks_outward(side) -> None:
    # Exact: of a lens straight behind and one along the car's side, the field's outward end sees the latter almost all.
    back = sheet((-2.0, side * 0.6, 0.85), (0, side * 0.1, 0), (0, 0, 0.1))
    beside = sheet((-2.0, side * 0.7, 0.85), (0.1, 0, 0), (0, 0, 0.1))
    for faces in ([[0, 1, 2], [0, 2, 3]], [[0, 2, 1], [0, 3, 2]]):
        lamp = join([back, TriMesh(beside.points, np.array(faces, np.int32))])
        sight = look(lamp, replace(rule_for("UN R48", "rear position"), least_area_m2=99.9e-4), samples=100)
        # 100 cm2 (cos + sin) of the angle outward, 100 cm2 cos of that inward.
        across, up = angles(sight)
        out = side * across
        area = 100 * np.cos(up) * (np.cos(out) + np.sin(out).clip(0))
        weight = solid_angles(sight.across_rad, sight.up_rad)
        small = 100 * (weight * (area < 99.9)).sum() / weight.sum()
        assert f"From {small:.1f} % of the field less" in sight.sentence
        assert 30 < small < 60


# -- lens area -----------------------------------------------------------------------------------


def test_least_area() -> None:
    # Exact: a flat lens of 26 cm2 shows 26 cm2 cos(across) cos(up), half of it hidden: half of that.
    rule = rule_for("FMVSS 108", "rear position")
    lamp = lens(width=0.052, height=0.05)
    sight = look(lamp, rule, wall((0.0, 0.3), (-0.3, 0.3), 1e-6))
    across, up = angles(sight)
    weight = solid_angles(sight.across_rad, sight.up_rad)
    shown = np.cos(across) * np.cos(up)
    alone = 100 * (weight * (26 * shown < 12.5)).sum() / weight.sum()
    words = sight.sentence
    assert "less than the 12.5 cm² of lens asked for" in words
    past = 100 * (weight * (13 * shown < 12.5)).sum() / weight.sum()
    assert f"From {past:.1f} % of the field less" in words
    assert f"from {alone:.1f} % without the parts" in words
    assert 10 < alone < past
    assert "is seen from everywhere in it" in look(lens(width=0.1, height=0.1), rule_for("FMVSS 108", "stop")).sentence
    assert "cm²" not in look(lamp, rule_for("UN R48", "stop")).sentence


# -- words and refusals --------------------------------------------------------------------------


def test_ticks_rise_to_the_end() -> None:
    told: list[float] = []
    look(lens(), rule_for("UN R48", "rear position"), wall((0, 1), (0, 1)), wall((0, 1), (1, 2)), samples=400,
         tick=lambda share, _doing: told.append(share))  # fmt: skip
    assert told == sorted(told)
    assert (told[0], told[-1]) == (0.0, 1.0)
    assert len(told) > 6


def test_refusals() -> None:
    rule = rule_for("UN R48", "stop")
    flat = lens(width=0.1, height=0.1)
    with pytest.raises(InputError, match="“tail lamp left” holds no faces"):
        look(TriMesh(flat.points, np.zeros((0, 3), np.int32)), rule)
    with pytest.raises(InputError, match="not numbers"):
        look(TriMesh(flat.points * np.nan, flat.triangles), rule)
    with pytest.raises(InputError, match="no area"):
        look(TriMesh(flat.points * [1, 1, 0], flat.triangles), rule)
    with pytest.raises(InputError, match="step between directions"):
        look(flat, rule, step_rad=0.0)
    level = sheet((-2, 0.6, 0.9), (0.1, 0, 0), (0, 0.1, 0))
    with pytest.raises(InputError, match="looks toward the field"):
        look(level, replace(rule, up_rad=0.0, down_rad=0.0, low_down_rad=0.0))
