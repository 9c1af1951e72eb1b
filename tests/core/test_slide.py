"""Maps of where else the wing could stand, against closed forms and, place by place, python-fcl."""

from __future__ import annotations

import re
from dataclasses import replace

import fcl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from wingfettle.core.assembly.part import Part
from wingfettle.core.clearance.slide import SlideMap, slide_maps
from wingfettle.core.clearance.surroundings import Surroundings
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.scan.scan_mesh import ScanMesh, Zone

NOT_COUNTED = "No allowance is taken off, and bending under load is not counted."
EXACT_M = 5e-5  # what is promised of room
STEPS = np.linspace(-0.04, 0.04, 9)
TURNS = np.radians(np.linspace(-8.0, 8.0, 7))


def sheet(seed: int, size: int, wave: float, wide: float = 1.0) -> TriMesh:
    """An open, bumpy sheet about the origin."""
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, size), np.linspace(-0.5 * wide, 0.5 * wide, size), indexing="ij")
    k = np.random.default_rng(seed).uniform(3, 9, 4)
    z = wave * (np.sin(k[0] * u + k[1]) * np.cos(k[2] * v + k[3]))
    i = np.arange(size * size).reshape(size, size)
    a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    triangles = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return TriMesh(np.column_stack([u.ravel(), v.ravel(), z.ravel()]), triangles)


def block(size: tuple[float, float, float], centre: tuple[float, float, float]) -> TriMesh:
    made = trimesh.creation.box(size)
    return TriMesh(np.array(made.vertices) + centre, np.array(made.faces, np.int32))


def around(body: TriMesh, labels: np.ndarray, *required: float) -> Surroundings:
    zones = tuple(Zone(f"zone {k}", r, "test") for k, r in enumerate(required))
    return Surroundings.build(ScanMesh(body, zones, labels.astype(np.int32)))


def placing(pivot: np.ndarray, aft: float, up: float, turn: float) -> np.ndarray:
    """The placement by scipy: nose up is a turn about y that lifts what lies ahead (-y, right-handed)."""
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.0, -turn, 0.0]).as_matrix()
    matrix[:3, 3] = pivot - matrix[:3, :3] @ pivot + [-aft, 0.0, up]
    return matrix


def fcl_model(mesh: TriMesh) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.triangles), len(mesh.points))
    model.addSubModel(mesh.points, mesh.triangles)
    model.endModel()
    return fcl.CollisionObject(model)


def fcl_distance(a: fcl.CollisionObject, b: fcl.CollisionObject) -> float:
    if fcl.collide(a, b, fcl.CollisionRequest(), fcl.CollisionResult()):
        return 0.0
    return float(fcl.distance(a, b, fcl.DistanceRequest(), fcl.DistanceResult()))


def moved_to(thing: fcl.CollisionObject, matrix: np.ndarray) -> fcl.CollisionObject:
    thing.setTransform(fcl.Transform(matrix[:3, :3], matrix[:3, 3]))
    return thing


def judged(
    maps: tuple[SlideMap, SlideMap], pivot: np.ndarray, moving: list[tuple[TriMesh, np.ndarray]],
    obstacles: list[TriMesh], required: np.ndarray, allowance: float = 0.0,
) -> None:  # fmt: skip
    """Compare every place of both maps with fcl."""
    still = [fcl_model(mesh) for mesh in obstacles]
    movers = [(fcl_model(mesh), pose) for mesh, pose in moving]
    for m in maps:
        assert m.room_m.shape == m.touches.shape == m.tightest.shape == (len(m.across_values), len(m.along_values))
        for (i, j), room in np.ndenumerate(m.room_m):
            ways = {"aft": 0.0, "up": 0.0, "turn": 0.0, m.across: m.across_values[i], m.along: m.along_values[j]}
            matrix = placing(pivot, **ways)
            apart = np.array([[fcl_distance(moved_to(a, matrix @ pose), b) for b in still] for a, pose in movers])
            rooms = apart - allowance - required
            judge = rooms.min()
            assert room == pytest.approx(judge, abs=EXACT_M + 1e-6)
            touching = apart <= allowance
            if allowance == 0.0 or np.abs(apart - allowance).min() > 1e-6:
                assert m.touches[i, j] == touching.any()
            if abs(judge) > 1e-6:
                assert m.clear[i, j] == (judge >= 0.0 and not m.touches[i, j])
            p, k = m.mover[i, j], m.tightest[i, j]
            if m.touches[i, j]:
                assert apart[p, k] <= allowance + 1e-6
            else:
                assert rooms[p, k] == pytest.approx(judge, abs=2 * EXACT_M + 1e-6)


# -- closed forms ----------------------------------------------------------------------------------


def test_a_block_over_a_plate() -> None:
    # Exact: the distance to a plate at z = 0 is the height of the lowest corner, whatever the zone's side.
    plate = sheet(0, 11, 0.0, 2.0)
    side = (plate.corners.mean(axis=1)[:, 1] > 0).astype(int)
    surroundings = around(plate, side, 0.010, 0.030)
    part = Part.of("block", block((0.2, 0.4, 0.02), (0.0, 0.0, 0.06)))
    pivot = np.array([0.05, 0.0, 0.06])
    first, second = slide_maps(surroundings, [part], [None], pivot, aft_m=STEPS, up_m=STEPS, turn_rad=TURNS)
    height = 0.05 + np.broadcast_to(STEPS, (9, 9))
    assert (first.across, first.along, second.across, second.along) == ("aft", "up", "turn", "up")
    assert first.room_m == pytest.approx(height - 0.03, abs=EXACT_M)
    assert (first.tightest == 1).all()
    assert not first.touches.any()
    corners = np.array([[x, z] for x in (-0.1, 0.1) for z in (0.05, 0.07)]) - pivot[[0, 2]]
    lowest = (np.sin(TURNS)[:, None] * corners[:, 0] + np.cos(TURNS)[:, None] * corners[:, 1]).min(axis=1)
    height = 0.06 + lowest[:, None] + STEPS
    assert (second.touches == (height <= 0.0)).all()
    assert second.room_m == pytest.approx(np.maximum(height, 0.0) - 0.03, abs=EXACT_M)
    assert 0 < second.touches.sum() < second.touches.size
    # Room ends 20 mm below today's place, steps are 10 mm.
    assert first.sentence == (
        "From today's place it may be moved aft by 40 mm or more, moved forward by 40 mm or more, raised by 40 mm or "
        "more or lowered by 20 mm (then “block” to “zone 1” is too tight) with everything clear. Tightest today is "
        "“block” to “zone 1”, by 20.0 mm more than asked for. No allowance is taken off, and bending under load is not "
        "counted."
    )
    # Exact: an allowance of 15 mm lowers all room by so much, and what is no farther than that touches.
    first, second = slide_maps(
        surroundings, [part], [None], pivot, aft_m=STEPS, up_m=STEPS, turn_rad=TURNS, allowance_m=0.015
    )
    assert first.room_m == pytest.approx(np.broadcast_to(0.005 + STEPS, (9, 9)), abs=EXACT_M)
    assert (first.touches == (0.05 + STEPS <= 0.015)).all()
    assert (first.touches.sum(), first.allowance_m) == (9, 0.015)
    assert (second.touches == (height <= 0.015)).all()
    assert first.sentence.endswith(
        "An allowance of 15.0 mm is taken off every distance; bending under load is not counted."
    )
    assert "lowered by 5 mm (then" in first.sentence


def test_behind_a_wall_fore_and_aft_count() -> None:
    # Exact: an upright wall 30 mm ahead of the block's nose, one 25 mm behind its tail.
    ahead, behind = block((0.01, 2.0, 2.0), (0.135, 0.0, 0.0)), block((0.01, 2.0, 2.0), (-0.13, 0.0, 0.0))
    part = Part.of("block", block((0.2, 0.4, 0.02), (0.0, 0.0, 0.0)))
    surroundings = around(ahead, np.zeros(12), 0.012)
    first, _ = slide_maps(
        surroundings, [part], [None], np.zeros(3), aft_m=STEPS, up_m=STEPS, turn_rad=np.zeros(1),
        standing=[(Part.of("frame", behind), None, 0.005)],
    )  # fmt: skip
    to_ahead, to_behind = np.maximum(0.03 + STEPS, 0.0) - 0.012, np.maximum(0.025 - STEPS, 0.0) - 0.005
    # The block is thinner than a step: past the wall's face it may stand inside, so look at the near side only.
    near = (STEPS > -0.03) & (STEPS < 0.025)
    judge = np.minimum(to_ahead, to_behind)[near]
    assert first.room_m[near] == pytest.approx(np.tile(judge[:, None], (1, 9)), abs=EXACT_M)
    assert (first.tightest[near] == (to_behind < to_ahead)[near][:, None]).all()
    assert "moved aft by 20 mm (then “block” to “frame” is too tight)" in first.sentence
    assert "moved forward by 18 mm (then “block” to “zone 0” is too tight)" in first.sentence
    assert "Tightest today is “block” to “zone 0”, by 18.0 mm more than asked for." in first.sentence


def test_what_touches_today_counts_as_joined() -> None:
    # Exact: the post stands on the deck and carries the block; moved alone, the block has the deck 50 mm below it.
    plate = sheet(0, 11, 0.0, 2.0)
    surroundings = around(plate, np.zeros(len(plate.triangles)), 0.010)
    part = Part.of("block", block((0.2, 0.4, 0.02), (0.0, 0.0, 0.06)))
    post = Part.of("post", block((0.02, 0.02, 0.04), (0.0, 0.0, 0.03)))  # its top is the block's underside
    beside = Part.of("fin", block((0.02, 0.02, 0.2), (0.0, 0.218, 0.11)))  # 8 mm from the block's end
    axes = {"aft_m": STEPS, "up_m": STEPS, "turn_rad": np.zeros(1)}
    first, second = slide_maps(
        surroundings, [part], [None], np.zeros(3), **axes, standing=[(post, None, 0.005), (beside, None, 0.005)]
    )
    assert first.joined == (("block", "post"),)
    judge = np.minimum(np.maximum(0.05 + STEPS, 0.0) - 0.010, 0.003)
    assert first.room_m[4] == pytest.approx(judge, abs=EXACT_M)
    assert not first.touches.any()
    assert "“post” touches “block” today, so the two count as joined." in first.sentence
    assert "joined" not in second.sentence
    # Moved together, nothing is joined: they keep their places to each other.
    first, _ = slide_maps(surroundings, [part, post], [None, None], np.zeros(3), **axes)
    assert first.joined == ()
    assert first.obstacles == ("zone 0",)
    assert first.movers == ("block", "post")
    assert (first.mover[~first.touches] == 1).all()
    assert first.room_m[4, 4] == pytest.approx(0.0, abs=EXACT_M)


def test_words_name_what_touches_rather_than_what_is_tightest() -> None:
    # The block cuts a step of zone 0, which asks for nothing, and is 10 mm above zone 1, which asks for 40 mm.
    body = [block((0.02, 0.02, 0.02), (0.0, 0.0, 0.06)), block((1.0, 1.0, 0.01), (0.0, 0.0, 0.035))]
    mesh = TriMesh(np.concatenate([b.points for b in body]), np.concatenate([body[0].triangles, body[1].triangles + 8]))
    part = Part.of("block", block((0.2, 0.4, 0.02), (0.0, 0.0, 0.06)))
    first, _ = slide_maps(
        around(mesh, np.repeat([0, 1], 12), 0.0, 0.04), [part], [None], np.zeros(3),
        aft_m=STEPS, up_m=np.array([-0.001, 0.0, 0.001]), turn_rad=np.zeros(1),
    )  # fmt: skip
    assert first.sentence.startswith("Today's place touches (“block” to “zone 0”), and no place on the map is clear.")


# -- every place against fcl -------------------------------------------------------------------------


@pytest.mark.parametrize(("seed", "height"), [(0, 0.13), (1, 0.09), (2, 0.05), (3, 0.2)])
def test_every_place_against_fcl(seed: int, height: float) -> None:
    rng = np.random.default_rng(seed)
    body = sheet(seed, 26, 0.05, 1.4)
    middle = body.corners.mean(axis=1)
    labels = (middle[:, 0] > 0.1).astype(int) + (middle[:, 1] > 0.2) - (np.abs(middle[:, 1] + 0.5) < 0.1)
    required = np.array([0.010, 0.025, 0.015, 0.004])
    surroundings = around(body, labels, *required[:3])
    blade, flap = sheet(seed + 10, 14, 0.02, 0.8), block((0.1, 0.5, 0.01), (0.0, 0.0, 0.0))
    post = block((0.03, 0.03, 0.3), (0.0, 0.0, 0.0))
    moving = [
        (blade, placing(np.zeros(3), 0.0, height, 0.1 * rng.normal())),
        (flap, placing(np.zeros(3), 0.5, height + 0.03, 0.3)),
    ]
    stand = placing(np.zeros(3), -0.56, height, 0.0)
    pivot = np.array([0.1, 0.0, height])
    maps = slide_maps(
        surroundings, [Part.of(str(k), mesh) for k, (mesh, _) in enumerate(moving)], [pose for _, pose in moving],
        pivot, aft_m=STEPS, up_m=STEPS, turn_rad=TURNS, standing=[(Part.of("post", post), stand, 0.004)],
    )  # fmt: skip
    judged(maps, pivot, moving, [*(body.subset(labels == k) for k in range(3)), post.transformed(stand)], required)
    if height < 0.1:
        assert maps[0].touches.any()


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), height=st.floats(0.02, 0.3), lean=st.floats(-0.4, 0.4))
def test_random_places_against_fcl(seed: int, height: float, lean: float) -> None:
    body, blade = sheet(seed, 14, 0.04), sheet(seed + 1, 9, 0.02, 0.5)
    pose, pivot = placing(np.zeros(3), 0.1, height, lean), np.array([-0.2, 0.0, height])
    labels, allowance = np.arange(len(body.triangles)) % 3, 0.03 * (seed % 3)
    steps, turns = np.array([-0.05, -0.01, 0.0, 0.03]), np.array([-0.2, 0.0, 0.05])
    maps = slide_maps(
        around(body, labels, 0.0, 0.02, 0.01), [Part.of("blade", blade)], [pose], pivot,
        aft_m=steps, up_m=steps, turn_rad=turns, allowance_m=allowance,
    )  # fmt: skip
    zones, required = [body.subset(labels == k) for k in range(3)], np.array([0.0, 0.02, 0.01])
    judged(maps, pivot, [(blade, pose)], zones, required, allowance)


def test_a_finer_grid_holds_the_coarser_one() -> None:
    body, blade = sheet(5, 20, 0.05), sheet(6, 10, 0.02, 0.6)
    surroundings, part = around(body, np.zeros(len(body.triangles)), 0.02), Part.of("blade", blade)
    pose, pivot = placing(np.zeros(3), 0.0, 0.12, 0.05), np.array([0.1, 0.0, 0.12])
    fine = np.linspace(-0.04, 0.04, 9)
    coarse = [slide_maps(surroundings, [part], [pose], pivot, aft_m=s, up_m=s, turn_rad=s) for s in (fine, fine[::2])]
    for a, b in zip(*coarse, strict=True):
        assert a.room_m[::2, ::2] == pytest.approx(b.room_m, abs=2 * EXACT_M)
        assert (a.touches[::2, ::2] == b.touches).all()
        assert (a.clear[::2, ::2] == b.clear).all()
    # Both maps share today's column.
    first, second = coarse[0]
    assert (first.room_m[4] == second.room_m[4]).all()


def test_where_it_turns_tight_is_exact() -> None:
    # Exact: over a plate that leans by 25 degrees room changes by cos(25) a way up. Heights of 0.02 mm a step are far
    # below what room may be interpolated to, yet whether a place is clear must not suffer.
    lean, up, half = np.radians(25.0), np.linspace(-0.001, 0.001, 101), 5e-4
    plate = sheet(0, 3, 0.0, 2.0).transformed(placing(np.zeros(3), 0.0, 0.0, lean))
    needle = Part.of("needle", block((2.0 * half, 2.0 * half, 0.1), (0.0, 0.0, 0.1)))
    height = np.cos(lean) * (0.05 + up) - np.sin(lean) * half
    for last in (13, 40, 62):
        required = float(height[last] + 1e-6)
        first, _ = slide_maps(
            around(plate, np.zeros(len(plate.triangles)), required), [needle], [None], np.zeros(3),
            aft_m=np.array([0.0]), up_m=up, turn_rad=np.array([0.0]),
        )  # fmt: skip
        assert (first.clear[0] == (np.arange(101) > last)).all()
        assert first.room_m[0] == pytest.approx(height - required, abs=EXACT_M)


def test_few_places_need_a_search() -> None:
    # Room over a level plate follows from the column's ends: far fewer parts are moved than there are places.
    class Counted(Part):
        placings = 0

        def placed(self, pose):  # type: ignore[no-untyped-def]
            Counted.placings += 1
            return super().placed(pose)

    plate, made = sheet(0, 11, 0.0, 2.0), Part.of("block", block((0.2, 0.4, 0.02), (0.0, 0.0, 0.2)))
    part = Counted(made.name, made.mesh, made.index)
    maps = slide_maps(
        around(plate, np.zeros(len(plate.triangles)), 0.01), [part], [None], np.array([0.0, 0.0, 0.2]),
        aft_m=STEPS, up_m=STEPS, turn_rad=TURNS,
    )  # fmt: skip
    assert 0 < Counted.placings < 0.3 * sum(m.room_m.size for m in maps)


# -- words -------------------------------------------------------------------------------------------


def tilted(gain_across: float, gain_along: float, today: float, across: str = "aft") -> SlideMap:
    """A map whose room is a plane, with steps of 10 mm."""
    i, j = np.meshgrid(STEPS, STEPS, indexing="ij")
    room = today + gain_across * i + gain_along * j
    return SlideMap(across, "up", STEPS, STEPS, room, np.zeros(room.shape, bool), np.zeros(room.shape, np.intp))


def test_words_tell_where_room_ends() -> None:
    # Exact: 12 mm of room, lost at 0.5 a way to the rear and at 0.8 downwards: 24 mm and 15 mm.
    said = tilted(-0.5, 0.8, 0.012).sentence
    assert said == (
        "From today's place it may be moved aft by 24 mm, moved forward by 40 mm or more, raised by 40 mm or more or "
        f"lowered by 15 mm with everything clear. {NOT_COUNTED}"
    )
    # Rounded down to a tenth of a step: 12 / 0.7 = 17.14.
    assert "moved aft by 17 mm" in tilted(-0.7, 0.8, 0.012).sentence


def test_words_of_turns_are_degrees_and_leave_heights_to_the_other_map() -> None:
    turned = replace(tilted(1.0, 1.0, 0.012, "turn"), across_values=np.radians(10.0 * STEPS / 0.04))
    assert turned.sentence == (
        "From today's place it may be turned nose up by 10° or more or turned nose down by 3° with everything clear."
    )


def test_words_where_today_is_not_clear() -> None:
    # Exact: room = -25 mm + height: 30 mm up is the nearest place of the grid.
    assert tilted(0.0, 1.0, -0.025).sentence == (
        f"Today's place is too near by 25.0 mm; the nearest clear place on the map is 30 mm up. {NOT_COUNTED}"
    )
    # The nearest place with 1 x forward + 1 x up above 35 mm: 20 and 20 rather than 40 and 0.
    said = tilted(-1.0, 1.0, -0.035).sentence
    assert f"the nearest clear place on the map is 20 mm forward and 20 mm up. {NOT_COUNTED}" in said
    hopeless = tilted(0.0, 0.0, -0.001)
    assert hopeless.sentence == f"Today's place is too near by 1.0 mm, and no place on the map is clear. {NOT_COUNTED}"
    touching = replace(tilted(0.0, 1.0, -0.015), touches=np.broadcast_to(STEPS <= 0.02, (9, 9)))
    assert touching.sentence == f"Today's place touches; the nearest clear place on the map is 30 mm up. {NOT_COUNTED}"


@settings(max_examples=40, deadline=None)
@given(a=st.floats(-1, 1), b=st.floats(-1, 1), today=st.floats(0.0, 0.05))
def test_words_never_promise_more_than_there_is(a: float, b: float, today: float) -> None:
    for gain, way in ((a, "moved aft"), (-a, "moved forward"), (b, "raised"), (-b, "lowered")):
        said = re.search(rf"{way} by ([\d.]+) mm( or more)?", tilted(a, b, today).sentence)
        assert said is not None
        far = float(said[1]) / 1000.0
        assert today + gain * far > -1e-5
        if said[2]:
            assert far == pytest.approx(0.04)
        else:
            assert today + gain * (far + 0.001) < 1e-5


# -- ways of use ---------------------------------------------------------------------------------------


def test_ticks_rise_and_may_stop_the_search() -> None:
    plate = sheet(0, 5, 0.0)
    surroundings = around(plate, np.zeros(len(plate.triangles)), 0.01)
    part = Part.of("block", block((0.1, 0.1, 0.1), (0.0, 0.0, 0.3)))
    axes = {"aft_m": STEPS, "up_m": STEPS, "turn_rad": TURNS}
    told: list[float] = []
    slide_maps(surroundings, [part], [None], np.zeros(3), **axes, tick=lambda share, _: told.append(share))
    assert told == sorted(told)
    assert told[0] == 0.0
    assert told[-1] == 1.0
    assert len(told) > 100

    def stop(share: float, _doing: str) -> None:
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        slide_maps(surroundings, [part], [None], np.zeros(3), **axes, tick=stop)


def test_bad_input_is_refused() -> None:
    plate = sheet(0, 5, 0.0)
    surroundings = around(plate, np.zeros(len(plate.triangles)), 0.01)
    part = Part.of("block", block((0.1, 0.1, 0.1), (0.0, 0.0, 0.3)))
    good = {
        "parts": [part], "poses": [None], "pivot": np.zeros(3), "aft_m": STEPS, "up_m": STEPS, "turn_rad": TURNS,
    }  # fmt: skip
    for change, words in (
        ({"parts": [], "poses": []}, "at least one"),
        ({"poses": []}, "a pose each"),
        ({"pivot": np.array([0.0, np.nan, 0.0])}, "turn about"),
        ({"aft_m": STEPS[::-1]}, "fore-aft places to try must be numbers that rise"),
        ({"up_m": STEPS + 0.001}, "heights to try must hold 0"),
        ({"turn_rad": np.array([])}, "incidences to try"),
        ({"up_m": np.array([0.0, np.nan])}, "heights"),
        ({"standing": [(part, None, -1.0)]}, "asked for at “block”"),
        ({"poses": [np.diag([2.0, 1.0, 1.0, 1.0])]}, "block"),
        ({"poses": [np.eye(3)]}, "block"),
        ({"allowance_m": -0.001}, "allowance must be a length"),
        ({"allowance_m": np.nan}, "allowance must be a length"),
    ):
        with pytest.raises(InputError, match=words):
            slide_maps(surroundings, **{**good, **change})  # type: ignore[arg-type]
