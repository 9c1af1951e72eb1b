"""Bad input: one clear sentence that names what is wrong, and the scene exactly as it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest
import trimesh


def state(scene: bpy.types.Scene) -> dict[str, Any]:
    """Everything that a failed step could leave behind."""
    job = scene.wingfettle
    return {
        "data": {k: sorted(getattr(bpy.data, k).keys()) for k in ("objects", "meshes", "materials", "collections")},
        "points": {m.name: len(m.vertices) for m in bpy.data.meshes},
        "selected": sorted(o.name for o in bpy.context.view_layer.objects if o.select_get()),
        "active": bpy.context.view_layer.objects.active,
        "job": (job.body, job.intake, len(job.zones), len(job.variants), len(job.centre_picks), len(job.pair_picks)),
    }


def refused(scene: bpy.types.Scene, call: Any, *words: str, **options: Any) -> None:
    """The call fails with one sentence that holds ``words``, and changes nothing."""
    before = state(scene)
    with pytest.raises(RuntimeError) as problem:
        call(**options)
    said = str(problem.value).strip().removeprefix("Error: ")
    assert len(said.splitlines()) == 1, said
    assert "Traceback" not in said
    for word in words:
        assert word in said, said
    assert state(scene) == before


@pytest.fixture
def someone_else(scene: bpy.types.Scene) -> bpy.types.Object:
    """An object of the user's own, selected and active, that must come to no harm."""
    mesh = bpy.data.meshes.new("mine")
    mesh.from_pydata([(0, 0, 0), (1, 0, 0), (0, 1, 0)], [], [(0, 1, 2)])
    obj = bpy.data.objects.new("mine", mesh)
    scene.collection.objects.link(obj)
    obj.select_set(True)
    bpy.context.view_layer.objects.active = obj
    return obj


def ball(path: Path, radius: float, spoil: bool = False, **options: Any) -> Path:
    """A sphere of 1280 faces as a PLY file; one coordinate not a number if wanted."""
    mesh = trimesh.creation.icosphere(3, radius)
    if spoil:
        mesh = trimesh.Trimesh(
            np.where(np.arange(len(mesh.vertices))[:, None] == 7, np.nan, mesh.vertices), mesh.faces, process=False
        )
    mesh.export(path, **options)
    return path


@pytest.mark.usefixtures("someone_else")
@pytest.mark.parametrize("suffix", ["stl", "ply", "obj"])
def test_empty_file(scene: bpy.types.Scene, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"nothing.{suffix}"
    path.touch()
    refused(scene, bpy.ops.wingfettle.import_scan, "nothing", "empty", filepath=str(path))


@pytest.mark.usefixtures("someone_else")
@pytest.mark.parametrize("suffix", ["stl", "ply", "obj"])
def test_no_mesh(scene: bpy.types.Scene, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"letter.{suffix}"
    path.write_text("Dear customer, the wing will be ready on Friday.\n" * 40)
    refused(scene, bpy.ops.wingfettle.import_scan, "letter", filepath=str(path))


@pytest.mark.usefixtures("someone_else")
@pytest.mark.parametrize("suffix", ["stl", "ply", "obj"])
def test_one_triangle(scene: bpy.types.Scene, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"flake.{suffix}"
    trimesh.Trimesh([[0, 0, 0], [900, 0, 0], [0, 900, 0]], [[0, 1, 2]]).export(path)
    refused(scene, bpy.ops.wingfettle.import_scan, "flake", "only 1 face", filepath=str(path))


@pytest.mark.usefixtures("someone_else")
@pytest.mark.parametrize("name", ["broken.ply", "broken.stl", "broken.obj", "text.ply", "text.stl"])
def test_coordinates_that_are_no_numbers(scene: bpy.types.Scene, tmp_path: Path, name: str) -> None:
    # Blender's importers set such points to the origin, so the import itself would not fail.
    path = tmp_path / name
    options = {"text.ply": {"encoding": "ascii"}, "text.stl": {"file_type": "stl_ascii"}}.get(name, {})
    ball(path, 900.0, spoil=True, **options)
    refused(scene, bpy.ops.wingfettle.import_scan, name, "not numbers", filepath=str(path))
    ball(path, 900.0, **options)
    assert bpy.ops.wingfettle.import_scan(filepath=str(path)) == {"FINISHED"}


@pytest.mark.usefixtures("someone_else")
def test_metres_taken_for_millimetres(scene: bpy.types.Scene, tmp_path: Path) -> None:
    path = ball(tmp_path / "car.ply", 2.0)
    scene.wingfettle.unit = "mm"
    refused(scene, bpy.ops.wingfettle.import_scan, "car", "4 mm long", "set the scan unit to m", filepath=str(path))
    scene.wingfettle.unit = "m"
    assert bpy.ops.wingfettle.import_scan(filepath=str(path)) == {"FINISHED"}


@pytest.mark.usefixtures("someone_else")
def test_no_file_and_wrong_kind(scene: bpy.types.Scene, tmp_path: Path) -> None:
    refused(scene, bpy.ops.wingfettle.import_scan, "gone.stl", "not there", filepath=str(tmp_path / "gone.stl"))
    path = tmp_path / "scan.txt"
    path.write_text("1 2 3")
    refused(scene, bpy.ops.wingfettle.import_scan, "scan.txt", "STL, PLY, OBJ or glTF", filepath=str(path))


@pytest.mark.usefixtures("someone_else")
def test_no_wing_at_the_place_given(scene: bpy.types.Scene, tmp_path: Path) -> None:
    ops = bpy.ops.wingfettle
    refused(scene, ops.measure, "no box", element="lower")
    ops.add_place(element="lower")
    refused(scene, ops.measure, "no body scan", element="lower")
    ops.import_scan(filepath=str(ball(tmp_path / "ball.ply", 800.0)))
    place = bpy.data.objects["Place of lower"]
    place.location = (5.0, 0.0, 0.0)
    refused(scene, ops.measure, "No wing at the place given", "lower", element="lower")
    place.location, place.scale = (0.0, 0.0, 0.0), (2.0, 2.0, 2.0)
    refused(scene, ops.measure, "lower", element="lower")  # a ball fills the box: its cuts are circles, no sections


@pytest.mark.usefixtures("someone_else")
def test_steps_out_of_order(scene: bpy.types.Scene, tmp_path: Path) -> None:
    ops = bpy.ops.wingfettle
    refused(scene, ops.pose_body, "no body scan")
    refused(scene, ops.place_part, "upper", part="upper")
    refused(scene, ops.settle_part, "upper", part="upper")
    refused(scene, ops.map_deviation, "Select a rebuilt element")
    refused(scene, ops.add_station, "Select a rebuilt element")
    refused(scene, ops.write_section, "Select a rebuilt element", filepath=str(tmp_path / "section.txt"))
    refused(scene, ops.pick_pair, "on the part first", side="BODY")
    refused(scene, ops.new_variant, "as found", name="other")
    refused(scene, ops.turn_over, "no variant", element="lower")
    refused(scene, ops.check_clearance, "no variant")
    refused(scene, ops.estimate_lift, "no variant")
    refused(scene, ops.name_zone, "no body scan", name="boot lid")
    refused(scene, ops.render_variants, "nothing to render", directory=str(tmp_path / "out"))
    refused(scene, ops.write_report, "no variant", directory=str(tmp_path / "out"))
    ops.import_scan(filepath=str(ball(tmp_path / "ball.ply", 800.0)))
    refused(scene, ops.pose_body, "road")  # nothing flat was scanned
