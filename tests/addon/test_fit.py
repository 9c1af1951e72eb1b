"""Clearance, movement and sight through the operators, on a made-up deck whose answers follow from trigonometry."""

from __future__ import annotations

import math
from pathlib import Path

import bpy
import numpy as np
import pytest
from deck_case import DECK, HINGE, LOWER, WALL, box, car, lowest, zone

from wingfettle.addon import answers, bridge, clearance, live, settings

__all__ = ["car"]


def test_distance_to_the_deck_and_what_an_allowance_takes(car: bpy.types.Scene) -> None:
    bpy.ops.wingfettle.check_clearance()
    found = zone(clearance.shown(car), "lower", "boot lid")
    # The lowest point of the exact contour; the loft's facets lie inside it by less than 0.1 mm here.
    assert found.distance_m == pytest.approx(lowest(LOWER) - DECK, abs=1e-4)
    car.wingfettle.allowance_mm = 8.0
    assert not clearance.shown(car)
    bpy.ops.wingfettle.check_clearance()
    assert zone(clearance.shown(car), "lower", "boot lid").distance_m == pytest.approx(found.distance_m - 0.008)


def test_a_moved_part_is_followed(car: bpy.types.Scene) -> None:
    bpy.ops.wingfettle.check_clearance()
    before = zone(clearance.shown(car), "lower", "boot lid").distance_m
    job = car.wingfettle
    job.live = job.show_map = True
    bpy.context.view_layer.update()
    obj = settings.element_objects(settings.active_variant(car))[0]
    for drop in (0.02, 0.05, 0.1):
        obj.location.z = -drop
        bpy.context.view_layer.update()
        now = zone(live.results(car), "lower", "boot lid")
        assert now.distance_m == pytest.approx(max(before - drop, 0.0), abs=1e-7)
    assert now.collides
    assert now.verdict == "touches"
    (_, of_lower), (_, of_upper) = clearance.maps(car)
    assert len(of_lower) == len(obj.data.vertices)
    assert of_lower.min() < 0.0 < of_upper.min()
    assert clearance.hit_borders(car)
    assert "touches" in clearance.told(car)[0][2]
    job.live = False
    assert not live.results(car)


def test_scaled_parts_are_refused_and_following_goes_on(car: bpy.types.Scene) -> None:
    car.wingfettle.live = True
    obj = settings.element_objects(settings.active_variant(car))[0]
    obj.scale.z = 1.2
    bpy.context.view_layer.update()
    assert not live.results(car)
    with pytest.raises(RuntimeError, match="scale"):
        bpy.ops.wingfettle.check_clearance()
    obj.scale.z = 1.0
    bpy.context.view_layer.update()
    assert len(live.results(car)) == 2


def test_a_zone_is_mirrored_and_taken_out(car: bpy.types.Scene) -> None:
    job = car.wingfettle
    bpy.ops.wingfettle.mirror_zone(name="tail lamp left")
    assert [z.name for z in job.zones][-1] == "tail lamp right"
    assert job.zones["tail lamp right"].lamps == job.zones["tail lamp left"].lamps
    middles, numbers = bridge.mesh_of(job.body).corners.mean(axis=1), bridge.zones_of(job.body)
    left, right = (middles[numbers == job.zones.find(f"tail lamp {side}")] for side in ("left", "right"))
    assert left[:, 1].min() > 0.5
    assert right[:, 1].max() < -0.5
    assert len(left) == len(right)
    bpy.ops.wingfettle.drop_zone(name="rear window")
    numbers = bridge.zones_of(job.body)
    assert middles[numbers == job.zones.find("tail lamp right")] == pytest.approx(right)
    assert job.body.data.materials[job.zones.find("tail lamp right") + 1].name.startswith("Zone tail lamp right")
    bpy.ops.wingfettle.select_zone(name="tail lamp right")
    assert bridge.selected_faces(job.body).sum() == len(right)
    bpy.ops.wingfettle.check_clearance()


def test_the_lid_opens_until_a_riding_mount_meets_the_window(car: bpy.types.Scene) -> None:
    mount = box(car, (0.5, -0.05, 1.0), (0.6, 0.05, 1.1))
    bpy.ops.wingfettle.add_mount()
    for y in (-0.5, 0.5):
        car.cursor.location = (HINGE, y, DECK)
        bpy.ops.wingfettle.pick_point(purpose="HINGE")
    for obj in settings.active_variant(car).elements.objects:
        obj.wingfettle.rides = True
    bpy.ops.wingfettle.open_lid()
    found = answers.found(car, settings.active_variant(car), "opening")
    pair = next(p for p in found.pairs if (p.part, p.against) == (mount.name, "rear window"))
    # Its upper forward corner goes round the hinge until it is as far ahead of it as the window is.
    back, up = HINGE - 0.6, 1.1 - DECK
    turn = math.acos(-(WALL - HINGE) / math.hypot(back, up)) - math.atan2(up, back)
    assert pair.contact_rad == pytest.approx(turn, abs=math.radians(0.1))
    assert "rear window" in found.sentence
    mount.wingfettle.rides = False
    assert answers.found(car, settings.active_variant(car), "opening") is None


def test_room_to_move_ends_where_the_deck_is_too_near(car: bpy.types.Scene) -> None:
    job = car.wingfettle
    job.slide_steps, job.slide_up_mm, job.slide_aft_mm = 4, 120.0, 40.0
    bpy.ops.wingfettle.search_room()
    (map_, _), names = answers.found(car, settings.active_variant(car), "slides")
    middle = map_.room_m[4]
    free = lowest(LOWER) - DECK - 0.001 * job.zones["boot lid"].required_mm
    for up, room, touches in zip(map_.along_values, middle, map_.touches[4], strict=True):
        if not touches:
            assert room == pytest.approx(min(free + up, room), abs=2e-4)
        assert touches == (lowest(LOWER) + up < DECK)
    assert names[:1] == ("boot lid",)


def test_lamps_mirror_outline_and_edges_answer(car: bpy.types.Scene) -> None:
    job, variant = car.wingfettle, settings.active_variant(car)
    bpy.ops.wingfettle.check_lamps()
    lamps, _ = answers.found(car, variant, "lamps")
    assert {s.zone for s in lamps} == {"tail lamp left"}
    assert all(s.verdict == "clear" for s in lamps)
    for purpose, place in (("EYE", (2.0, 0.36, 1.15)), ("MIRROR", (2.5, 0.0, 1.2))):
        car.cursor.location = place
        bpy.ops.wingfettle.pick_point(purpose=purpose)
    bpy.ops.wingfettle.look_back()
    view = answers.found(car, variant, "mirror")
    assert 0.0 <= view.by_parts <= 1.0
    picture = bpy.data.images["Mirror view"]
    assert tuple(picture.size) == view.picture.shape[1::-1]
    top_left = np.array(picture.pixels[:]).reshape(*view.picture.shape[:2], 4)[-1, 0, :3]
    assert top_left == pytest.approx(view.picture[0, 0] / 255.0, abs=0.003)
    bpy.ops.wingfettle.check_outline()
    outline, edges = answers.found(car, variant, "outline")
    assert {o.part for o in outline} == {"lower", "upper"}
    # The end plates' sheet of 4 mm has square edges.
    assert next(e for e in edges if e.part == "upper").length_m > 4 * 0.13
    job.market = "FMVSS 108"
    assert answers.found(car, variant, "lamps") is None


def test_bent_elements_come_nearer(car: bpy.types.Scene) -> None:
    job = car.wingfettle
    job.bending = True
    with pytest.raises(RuntimeError, match="Estimate the lift"):
        bpy.ops.wingfettle.check_clearance()
    bpy.ops.wingfettle.estimate_lift()
    for obj in settings.element_objects(settings.active_variant(car)):
        obj.wingfettle.mounts_mm, obj.wingfettle.wall_mm, obj.wingfettle.modulus_gpa = 100.0, 0.5, 3.0
    bpy.ops.wingfettle.estimate_lift()
    bpy.ops.wingfettle.check_clearance()
    results = clearance.shown(car)
    assert len(results) == 4
    assert sum("bent" in c.part for c in results) == 2


def test_picture_of_the_clearance_leaves_the_scene_as_it_was(car: bpy.types.Scene, tmp_path: Path) -> None:
    bpy.ops.wingfettle.check_clearance()
    objects = {o.name for o in bpy.data.objects}
    obj = settings.element_objects(settings.active_variant(car))[0]
    slots = [p.material_index for p in obj.data.polygons]
    looks = list(obj.data.materials)
    bpy.ops.wingfettle.render_clearance(directory=str(tmp_path), width=96, samples=1)
    assert (tmp_path / "clearance-2.png").read_bytes().startswith(b"\x89PNG")
    assert {o.name for o in bpy.data.objects} - objects <= {"Camera", "Sun"}
    assert [p.material_index for p in obj.data.polygons] == slots
    assert list(obj.data.materials) == looks


@pytest.mark.parametrize(
    ("step", "options", "words"),
    [
        ("mirror_zone", {"name": "boot lid"}, "left"),
        ("mirror_zone", {"name": "nowhere"}, "nowhere"),
        ("open_lid", {}, "hinge"),
        ("fit_hinge", {}, "hinge"),
        ("look_back", {}, "eyes"),
        ("add_mount", {}, "mount"),
        ("render_clearance", {"directory": "nowhere"}, "Check the clearance"),
        ("drop_zone", {"name": "nowhere"}, "nowhere"),
    ],
)
def test_what_cannot_be_done_is_said(car: bpy.types.Scene, step: str, options: dict[str, str], words: str) -> None:
    bridge.select_faces(car.wingfettle.body, np.zeros(len(car.wingfettle.body.data.polygons), bool))
    before = {o.name for o in bpy.data.objects}, [z.name for z in car.wingfettle.zones]
    with pytest.raises(RuntimeError, match=words):
        getattr(bpy.ops.wingfettle, step)(**options)
    assert ({o.name for o in bpy.data.objects}, [z.name for z in car.wingfettle.zones]) == before
