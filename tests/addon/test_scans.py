"""Scans coming in: every kind of file, units, the original kept, a step given up halfway."""

from __future__ import annotations

import time
from pathlib import Path
from types import SimpleNamespace

import bpy
import numpy as np
import pytest
import trimesh
from test_bad_input import refused, state

from wingfettle.addon import bridge, scan
from wingfettle.addon.operator import Snapshot, Steps, aside

KINDS = ("stl", "ply", "obj", "glb")


def saved(path: Path, scale: float = 1.0) -> Path:
    """A closed dented ball, 1.8 units across times ``scale``."""
    ball = trimesh.creation.icosphere(4, 0.9 * scale)
    ball.vertices[:, 0] *= 0.7
    ball.export(path)
    return path


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_file_gives_the_same_body(scene: bpy.types.Scene, tmp_path: Path, kind: str) -> None:
    # glTF is in metres with y up (Khronos glTF 2.0, 3.4: coordinate system and units); the others carry no unit.
    path = saved(tmp_path / f"body.{kind}", 1.0 if kind == "glb" else 1000.0)
    assert bpy.ops.wingfettle.import_scan(filepath=str(path)) == {"FINISHED"}
    body = scene.wingfettle.body
    assert body.wingfettle.unit == ("m" if kind == "glb" else "mm")
    found = bridge.mesh_of(body)
    assert (len(found.points), len(found.triangles)) == (2562, 5120)  # Euler: a closed surface of 20 * 4^4 faces
    assert np.sort(np.ptp(found.points, axis=0)) == pytest.approx([1.26, 1.8, 1.8], abs=2e-3)
    assert "scan units" in scene.wingfettle.intake


@pytest.mark.parametrize("kind", KINDS)
def test_the_imported_object_is_kept_as_it_came(scene: bpy.types.Scene, tmp_path: Path, kind: str) -> None:
    path = saved(tmp_path / f"body.{kind}", 1.0 if kind == "glb" else 1000.0)
    bpy.ops.wingfettle.import_scan(filepath=str(path))
    original = scene.wingfettle.body.wingfettle.original
    assert original.users_collection == (bpy.data.collections[scan.ORIGINALS],)
    assert bpy.data.collections[scan.ORIGINALS].hide_render
    assert np.ptp(bridge.mesh_of(original).points, axis=0).max() == pytest.approx(
        1.8 if kind == "glb" else 1800.0, rel=1e-3
    )


def test_unit_is_guessed_and_can_be_changed(scene: bpy.types.Scene, tmp_path: Path) -> None:
    # 70 units: inches make it 1.78 m, centimetres 0.70 m; both are possible.
    bpy.ops.wingfettle.import_scan(filepath=str(saved(tmp_path / "body.ply", 70.0 / 1.8)))
    body = scene.wingfettle.body
    assert body.wingfettle.unit == "in"
    assert np.ptp(bridge.mesh_of(body).points, axis=0).max() == pytest.approx(70.0 * 0.0254, rel=1e-3)
    bpy.ops.wingfettle.change_unit(object=body.name, unit="cm")
    assert np.ptp(bridge.mesh_of(body).points, axis=0).max() == pytest.approx(0.70, rel=1e-3)
    refused(scene, bpy.ops.wingfettle.change_unit, "no part of a car", object=body.name, unit="mm")
    refused(scene, bpy.ops.wingfettle.change_unit, "no scan", object="nothing", unit="mm")


def test_a_broken_glb_is_refused(scene: bpy.types.Scene, tmp_path: Path) -> None:
    path = saved(tmp_path / "body.glb")
    path.write_bytes(path.read_bytes()[:20_000])
    refused(scene, bpy.ops.wingfettle.import_scan, "body.glb", filepath=str(path))


def test_given_up_halfway_the_scene_is_as_it_was(scene: bpy.types.Scene, tmp_path: Path) -> None:
    path = saved(tmp_path / "body.ply", 1000.0)
    before, snapshot = state(scene), Snapshot(bpy.context)
    steps = scan.WINGFETTLE_OT_import_scan.steps(SimpleNamespace(filepath=str(path), part=""), bpy.context)
    doing = []
    for share, what in steps:
        assert 0.0 <= share <= 1.0
        doing.append(what)
        if share >= 0.4:
            break
    assert len(bpy.data.objects) == 1  # the importer has made its object
    assert any("Reading" in what for what in doing)
    steps.close()
    snapshot.restore(bpy.context)
    assert state(scene) == before


def test_a_task_aside_tells_how_far_it_is_and_can_be_stopped() -> None:
    reached = []

    def task(count: int, tick: object) -> int:
        for k in range(count):
            tick(k / count, "Counting")
            reached.append(k)
            time.sleep(0.01)
        return count

    ended = []

    def counted() -> Steps:
        ended.append((yield from aside(task, 20, low=0.2, high=0.8)))
        return ""

    shares = [share for share, _ in counted()]
    assert ended == [20]
    assert shares == sorted(shares)
    assert 0.2 <= shares[0] <= shares[-1] < 0.8
    steps = aside(task, 1000, low=0.0, high=1.0)
    next(steps)
    steps.close()
    time.sleep(0.1)
    count = len(reached)
    time.sleep(0.1)
    assert len(reached) == count  # it ended at its next tick


def test_what_a_task_aside_raises_comes_through() -> None:
    def task(tick: object) -> None:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        list(aside(task, low=0.0, high=1.0))
