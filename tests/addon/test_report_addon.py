"""Pictures and report through the operators: what they show, what they leave out and say, and what they leave alone."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest
import trimesh

from wingfettle.addon import bridge, report, settings
from wingfettle.core.elements.element import Element
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.sections.shape import SectionShape

SHAPE = SectionShape(half_thickness=np.full(6, 0.16), mean_line=np.full(6, 0.1), trailing_edge=0.012)
WING = Element("wing", np.array([0.45, 0.0, 1.0]), 1.2, 0.16, 1.0, 0.0, 0.0, 0.03, 0.0, SHAPE, SHAPE)
DECK = 0.9
SIZE = {"width": 96, "samples": 1}


def solid(scene: bpy.types.Scene, name: str, low: Any, high: Any, parts: int = 0) -> bpy.types.Object:
    made = trimesh.creation.box(np.subtract(high, low))
    for _ in range(parts):
        made = made.subdivide()
    points = made.vertices + 0.5 * np.add(low, high)
    return bridge.new_object(name, scene.collection, TriMesh(points, made.faces.astype(np.int32)))


@pytest.fixture
def car(scene: bpy.types.Scene) -> bpy.types.Scene:
    """A block whose top is the boot lid, a wing over it, and a variant of that with a mount that cuts into the lid."""
    body = solid(scene, "Scan of the body", (0.0, -0.8, 0.5), (1.0, 0.8, DECK), parts=5)
    job = scene.wingfettle
    body.wingfettle.role, job.body, job.posed = "BODY", body, True
    settings.body_changed(scene)
    bridge.select_faces(body, bridge.mesh_of(body).corners[..., 2].min(axis=1) > DECK - 1e-6)
    bpy.ops.wingfettle.name_zone(name="boot lid")
    found = job.variants.add()
    found.name, found.elements = settings.AS_FOUND, bridge.collection(scene, "Wing as found")
    bridge.write_element(bridge.new_object("wing (as found)", found.elements), WING)
    bpy.ops.wingfettle.new_variant(name="trial")
    settings.choose_only(bpy.context, solid(scene, "post", (0.2, -0.05, 0.85), (0.3, 0.05, 1.0), parts=4))
    bpy.ops.wingfettle.add_mount()
    return scene


def pixels(path: Path) -> np.ndarray:
    """(h, w, 3) sRGB, top row first."""
    image = bpy.data.images.load(str(path))
    values = np.array(image.pixels[:]).reshape(image.size[1], image.size[0], -1)[::-1, :, :3]
    bpy.data.images.remove(image)
    return values


def crimson(picture: np.ndarray) -> int:
    """How many points are of that colour."""
    red, green, blue = np.moveaxis(picture, -1, 0)
    return int(((red > green + 0.25) & (blue > green + 0.1)).sum())


def size_of(path: Path) -> tuple[int, int]:
    """Width and height in the header of a PNG file, after ISO/IEC 15948."""
    wide, high = struct.unpack(">II", path.read_bytes()[16:24])
    return wide, high


def state(scene: bpy.types.Scene) -> dict[str, Any]:
    """All of the scene that a picture could depend on and a person could have set."""
    plain = (bool, int, float, str)
    found: dict[str, Any] = {
        "objects": sorted(
            (o.name, o.hide_render, o.hide_viewport, [list(row) for row in o.matrix_world], len(o.material_slots))
            for o in scene.objects
        ),
        "camera": scene.camera and (scene.camera.name, scene.camera.data.lens),
        "world": scene.world and scene.world.name,
        "data": [len(kind) for kind in (bpy.data.cameras, bpy.data.lights, bpy.data.worlds, bpy.data.curves)],
    }
    for owner in (scene.render, scene.render.image_settings, scene.view_settings, scene.cycles):
        for name in owner.bl_rna.properties.keys():
            value = getattr(owner, name)
            if isinstance(value, plain):
                found[f"{owner.bl_rna.identifier}.{name}"] = value
    return found


def own_studio(scene: bpy.types.Scene) -> None:
    """A camera, a light, a world and settings of the user's own, none of them the add-on's."""
    camera = scene.camera = bpy.data.objects.new("Mine", bpy.data.cameras.new("Mine"))
    camera.data.lens, camera.location, camera.rotation_euler = 28.0, (0.3, 0.0, 4.0), (0.0, 0.0, -1.5708)
    light = bpy.data.objects.new("Lamp", bpy.data.lights.new("Lamp", "AREA"))
    for obj in (camera, light):
        scene.collection.objects.link(obj)
    scene.world = bpy.data.worlds.new("Night")
    out = scene.render
    out.engine, out.film_transparent, out.use_stamp, out.filepath = "BLENDER_WORKBENCH", True, True, "//mine"
    out.resolution_x, out.resolution_y, out.resolution_percentage, out.pixel_aspect_x = 300, 400, 50, 1.5
    out.image_settings.file_format = "JPEG"
    scene.view_settings.view_transform, scene.view_settings.exposure = "AgX", 1.0
    scene.view_settings.look = "AgX - Punchy"
    scene.cycles.samples = 77
    bpy.context.view_layer.update()


@pytest.mark.parametrize("fails", [False, True])
@pytest.mark.parametrize(
    ("step", "file"),
    [
        (lambda out: bpy.ops.wingfettle.render_variants(directory=out, **SIZE), "variant-2.png"),
        (lambda out: bpy.ops.wingfettle.render_clearance(directory=out, **SIZE), "clearance-2.png"),
        (lambda out: bpy.ops.wingfettle.render_clearance(directory=out, view="CAMERA", **SIZE), "clearance-2.png"),
    ],
)
def test_scene_is_left_as_it_was(
    car: bpy.types.Scene, tmp_path: Path, step: Callable[[str], Any], file: str, fails: bool
) -> None:
    own_studio(car)
    bpy.ops.wingfettle.check_clearance()
    before = state(car)
    if fails:
        (tmp_path / file).mkdir()  # no file can be written there
        with pytest.raises(RuntimeError, match="There is no picture"):
            step(str(tmp_path))
    else:
        step(str(tmp_path))
        assert (tmp_path / file).read_bytes().startswith(b"\x89PNG")
    assert state(car) == before


def test_no_camera_is_left_where_there_was_none(car: bpy.types.Scene, tmp_path: Path) -> None:
    bpy.ops.wingfettle.render_variants(directory=str(tmp_path), **SIZE)
    assert car.camera is None
    bpy.ops.wingfettle.check_clearance()
    with pytest.raises(RuntimeError, match="no camera"):
        bpy.ops.wingfettle.render_clearance(directory=str(tmp_path), view="CAMERA", **SIZE)


def test_the_scene_s_camera_keeps_its_lens_and_shape(
    car: bpy.types.Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own_studio(car)
    bpy.ops.wingfettle.check_clearance()
    seen = []

    def looked(scene: bpy.types.Scene, path: str) -> None:
        seen.append((scene.camera.name, scene.camera.data.lens))
        real(scene, path)

    real = report.render
    monkeypatch.setattr(report, "render", looked)
    bpy.ops.wingfettle.render_clearance(directory=str(tmp_path), view="CAMERA", **SIZE)
    bpy.ops.wingfettle.render_variants(directory=str(tmp_path), **SIZE)
    assert seen == [("Mine", 28.0)] + [("Wingfettle camera", 45.0)] * 2
    # Points one and a half times as wide as high: 300 x 400 of them are 450 by 400.
    assert size_of(tmp_path / "clearance-2.png") == (96, round(96 * 400 / 450))
    assert size_of(tmp_path / "variant-1.png") == (96, 60)


def test_collisions_show_in_the_clearance_picture(
    car: bpy.types.Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    obj = settings.element_objects(settings.active_variant(car))[0]
    obj.location.z = -0.1
    bpy.context.view_layer.update()
    bpy.ops.wingfettle.check_clearance()
    shown: dict[str, set[str]] = {}
    real = report.render

    def looked(scene: bpy.types.Scene, path: str) -> None:
        for one in scene.objects:
            if one.type == "MESH" and not one.hide_render and one.name.startswith("Clearance of"):
                shown[one.name] = {one.data.materials[p.material_index].name for p in one.data.polygons}
                assert one.matrix_world == bpy.data.objects[one.name.removeprefix("Clearance of ")].matrix_world
        real(scene, path)

    monkeypatch.setattr(report, "render", looked)
    bpy.ops.wingfettle.render_clearance(directory=str(tmp_path), width=320, samples=4)
    # Both the element and the mount wear map and collision mark.
    both = {"Clearance colours", "Collides"}
    assert shown == {"Clearance of wing (trial)": both, "Clearance of post": both}
    assert not any(o.name.startswith("Clearance of") for o in bpy.data.objects)
    # The mark is crimson by its table (0.75, 0, 0.25 in linear light), far from greys and from the map's browns.
    colliding = crimson(pixels(tmp_path / "clearance-2.png"))
    obj.location.z = 0.0
    bpy.context.view_layer.update()
    settings.remove_object(bpy.data.objects["post"])
    bpy.ops.wingfettle.check_clearance()
    bpy.ops.wingfettle.render_clearance(directory=str(tmp_path), width=320, samples=4)
    assert colliding > crimson(pixels(tmp_path / "clearance-2.png")) + 40


def test_borders_are_drawn_to_width(car: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    bpy.ops.wingfettle.check_clearance()
    found = []
    real = report.render

    def looked(scene: bpy.types.Scene, path: str) -> None:
        eye = np.array(scene.camera.matrix_world.translation)
        for one in scene.objects:
            if one.type == "CURVE" and one.name.startswith("Border"):
                places = np.array([p.co[:3] for s in one.data.splines for p in s.points])
                far = np.linalg.norm(places - eye, axis=1).mean()
                # By similar triangles: the picture is 36 mm wide behind a lens of 45 mm.
                found.append((2.0 * one.data.bevel_depth * 45.0 / 36.0 / far * scene.render.resolution_x, far))
        real(scene, path)

    monkeypatch.setattr(report, "render", looked)
    bpy.ops.wingfettle.render_clearance(directory=str(tmp_path), width=800, samples=1)
    widths, far = np.array(found).T
    # The post's border and the lid's, light under dark.
    assert widths == pytest.approx([4.0, 1.8] * 2, rel=0.01)
    assert far[1] < far[0]
    assert far[3] < far[2]


def test_pictures_that_no_longer_fit_are_left_out_and_told(car: bpy.types.Scene, tmp_path: Path) -> None:
    bpy.ops.wingfettle.check_clearance()
    bpy.ops.wingfettle.render_variants(directory=str(tmp_path), **SIZE)
    bpy.ops.wingfettle.render_clearance(directory=str(tmp_path), **SIZE)

    def written() -> tuple[int, list[str]]:
        bpy.ops.wingfettle.write_report(directory=str(tmp_path))
        return (tmp_path / "report.html").read_text(encoding="utf-8").count("data:image/png"), report.left_out(car)

    assert written() == (3, [])
    obj = settings.element_objects(settings.active_variant(car))[0]
    obj.location.z = 0.02
    bpy.context.view_layer.update()
    bpy.ops.wingfettle.check_clearance()
    count, told = written()
    assert count == 1
    assert len(told) == 2
    assert all("“trial”" in words and "render it again" in words for words in told)
    obj.location.z = 0.0
    bpy.context.view_layer.update()
    bpy.ops.wingfettle.check_clearance()
    assert written() == (3, [])
    # A map with another reach has other colours; the plain pictures still fit.
    car.wingfettle.map_reach_mm = 90.0
    assert [words.split("“")[0] for words in written()[1]] == ["The clearance picture of "]
    car.wingfettle.map_reach_mm = 60.0
    # Another picture was written over the file, as a second scene with the same folder does.
    (tmp_path / "variant-1.png").write_bytes((tmp_path / "variant-2.png").read_bytes())
    count, told = written()
    assert count == 2
    assert "“as found”" in told[0]


def test_report_tells_what_there_is(car: bpy.types.Scene, tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="Nothing was worked out"):
        bpy.ops.wingfettle.write_report(directory=str(tmp_path))
    bpy.ops.wingfettle.check_clearance()
    bpy.ops.wingfettle.write_report(directory=str(tmp_path))
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert page.count("No force was estimated.") == 2
    assert page.count("Its clearance was not checked.") == 1
    # The lid is 1.6 of the block's 6.0 - 0.8 = 5.28 m2 by hand: 2 (1.6 + 0.64 + 0.4).
    assert "69.7 % of the body’s area is in no zone" in page
    plain = json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))
    assert [v["name"] for v in plain["variants"]] == ["as found", "trial"]
    assert plain["variants"][1]["zoned_share"] == pytest.approx(1.6 / 5.28, abs=1e-5)
    assert (tmp_path / "wing.stl").is_file()
    assert "not estimated" in (tmp_path / "comparison.txt").read_text(encoding="utf-8")


def test_lamps_that_the_rules_say_nothing_of_are_told(car: bpy.types.Scene, tmp_path: Path) -> None:
    job = car.wingfettle
    rear = bridge.mesh_of(job.body).corners
    for name, left in (("tail lamp left", True), ("number plate", False)):
        y = rear[..., 1] if left else -rear[..., 1]
        bridge.select_faces(job.body, (rear[..., 0].max(axis=1) < 1e-6) & (y.min(axis=1) > 0.6))
        bpy.ops.wingfettle.name_zone(name=name)
    job.market = "FMVSS 108"
    bpy.ops.wingfettle.check_lamps()
    bpy.ops.wingfettle.write_report(directory=str(tmp_path))
    left_out = json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))["variants"][1]["lamps_left_out"]
    assert len(left_out) == 1
    assert "plate" in left_out[0]
    assert "Not judged" in (tmp_path / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("step", ["render_variants", "render_clearance", "write_report"])
@pytest.mark.parametrize(
    ("place", "words"),
    [("", "which folder"), ("  ", "which folder"), ("{file}/in", "Nothing can be written"), ("//x", "save")],
)
def test_folders_that_cannot_be_written_into_are_refused(
    car: bpy.types.Scene, tmp_path: Path, step: str, place: str, words: str
) -> None:
    (tmp_path / "file").write_text("no folder")
    bpy.ops.wingfettle.check_clearance()
    with pytest.raises(RuntimeError, match=words):
        getattr(bpy.ops.wingfettle, step)(directory=place.format(file=tmp_path / "file"))


def test_a_file_in_the_way_is_told(car: bpy.types.Scene, tmp_path: Path) -> None:
    bpy.ops.wingfettle.check_clearance()
    (tmp_path / "report.html").mkdir()
    with pytest.raises(RuntimeError, match="Nothing can be written"):
        bpy.ops.wingfettle.write_report(directory=str(tmp_path))


def test_a_deleted_collection_is_told(car: bpy.types.Scene, tmp_path: Path) -> None:
    bpy.ops.wingfettle.check_clearance()
    bpy.data.collections.remove(settings.variant_named(car, settings.AS_FOUND).elements)
    bpy.ops.wingfettle.render_variants(directory=str(tmp_path), **SIZE)
    assert {f.name for f in tmp_path.glob("*.png")} == {"variant-2.png"}
    bpy.ops.wingfettle.write_report(directory=str(tmp_path))
    plain = json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))
    assert [v["name"] for v in plain["variants"]] == ["trial"]
    assert report.left_out(car) == [f"“{settings.AS_FOUND}” is left out: its collection was deleted."]
    bpy.data.collections.remove(settings.active_variant(car).elements)
    for step in (bpy.ops.wingfettle.render_clearance, bpy.ops.wingfettle.write_report):
        with pytest.raises(RuntimeError, match="deleted"):
            step(directory=str(tmp_path))
