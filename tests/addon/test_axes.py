"""The ways to vehicle axes through the panel's operators, and torn parts settled, on scans whose pose is known."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from test_bad_input import refused

from wingfettle.addon import bridge
from wingfettle.core.geometry.mesh import TriMesh, moved

POSE = np.eye(4)
POSE[:3, :3] = Rotation.from_euler("xyz", [0.3, -0.5, 1.1]).as_matrix()
POSE[:3, 3] = [0.8, -0.4, 0.3]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> TriMesh:
    """Both sides of an invented rear over a floor, in vehicle axes, noise 0.05 mm: a body with shoulders and a lid."""
    rng = np.random.default_rng(4)
    x, y = np.meshgrid(np.linspace(0.0, 1.4, 141), np.linspace(-0.8, 0.8, 161), indexing="ij")
    height = (
        0.9 + 0.15 * x - 0.25 * (y / 0.8) ** 4 + 0.03 * np.sin(5.0 * x) * np.cos(4.0 * y) - 0.02 * (np.abs(y) > 0.5)
    )
    deck = _sheet(np.stack([x, y, height], axis=2))
    z, y = np.meshgrid(np.linspace(0.25, 0.85, 61), np.linspace(-0.8, 0.8, 161), indexing="ij")
    tail = _sheet(np.stack([0.04 * np.cos(3.0 * y) + 0.1 * (z - 0.25), y, z], axis=2))
    x, y = np.meshgrid(np.linspace(-0.5, 1.4, 60), np.linspace(-1.2, 1.2, 71), indexing="ij")
    floor = _sheet(np.stack([x, y, np.zeros_like(x)], axis=2))
    body = trimesh.util.concatenate([deck, tail, floor])
    return TriMesh(body.vertices + rng.normal(0.0, 5e-5, body.vertices.shape), np.asarray(body.faces, np.int32))


def _sheet(grid: np.ndarray) -> trimesh.Trimesh:
    n, m = grid.shape[:2]
    i = np.arange(n * m).reshape(n, m)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    return trimesh.Trimesh(
        grid.reshape(-1, 3), np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]), process=False
    )


def taken_in(tmp_path: Path, mesh: TriMesh) -> bpy.types.Object:
    """The scan imported in another pose, mm."""
    scene = bpy.context.scene
    path = tmp_path / "body.ply"
    trimesh.Trimesh(1000.0 * moved(mesh.points, POSE), mesh.triangles, process=False).export(path)
    scene.wingfettle.unit = "mm"
    bpy.ops.wingfettle.import_scan(filepath=str(path))
    return scene.wingfettle.body


def pick(purpose: str, place: list[float]) -> None:
    bpy.context.scene.cursor.location = moved(np.array([place]), POSE)[0]
    bpy.ops.wingfettle.pick_point(purpose=purpose)


def assert_posed(mesh: TriMesh, keep: np.ndarray | None = None) -> None:
    """Every point of ``mesh`` in vehicle axes has a point of the body within 0.3 mm, but for a shift along x."""
    found = bridge.mesh_of(bpy.context.scene.wingfettle.body).points
    want = mesh.points if keep is None else mesh.points[keep]
    # x = 0 is the rearmost point of the bumper, which the noise moves.
    found = found + [want[(want[:, 2] > 0.1)][:, 0].min() - found[found[:, 2] > 0.1][:, 0].min(), 0.0, 0.0]
    near, _ = cKDTree(found).query(want)
    assert np.percentile(near, 99.0) < 3e-4


@pytest.mark.parametrize("road", ["FOUND", "FACES", "PICKS"])
def test_a_whole_scan_by_its_likeness(scene: bpy.types.Scene, tmp_path: Path, whole: TriMesh, road: str) -> None:
    body = taken_in(tmp_path, whole)
    job = scene.wingfettle
    job.half, job.road_from, job.centre_from = "whole", road, "MIRROR"
    if road == "FOUND":
        refused(scene, bpy.ops.wingfettle.pose_body, "rear")
    pick("REAR", [0.0, 0.3, 0.5])
    if road == "FACES":
        middles = moved(bridge.mesh_of(body).corners.mean(axis=1), np.linalg.inv(POSE))
        body.data.polygons.foreach_set("select", np.abs(middles[:, 2]) < 0.01)
    if road == "PICKS":
        refused(scene, bpy.ops.wingfettle.pose_body, "at least three")
        for place in ([0.0, -1.0, 0.0], [0.0, 1.0, 0.0], [1.3, 0.0, 0.0]):
            pick("ROAD", place)
    bpy.ops.wingfettle.pose_body()
    assert job.posed
    assert "Centre plane" in job.intake
    assert_posed(whole)
    refused(scene, bpy.ops.wingfettle.pose_body, "axes are set")
    taken_in(tmp_path, whole)  # a scan imported anew has none yet
    assert not job.posed


def test_a_half_scan_by_its_cut_edge(scene: bpy.types.Scene, tmp_path: Path, whole: TriMesh) -> None:
    # Every sheet has a row of points on the centre plane, off it by the noise.
    taken_in(tmp_path, whole.subset(whole.corners[:, :, 1].mean(axis=1) > 0.0))
    job = scene.wingfettle
    job.half, job.centre_from = "left", "MIRROR"
    refused(scene, bpy.ops.wingfettle.pose_body, "No mirror plane", "cut edge")
    job.centre_from = "EDGE"
    pick("EDGE", [0.7, 0.0, 1.0])
    bpy.ops.wingfettle.pose_body()
    assert "Seam" in job.intake
    assert_posed(whole, whole.points[:, 1] > 0.0)
    points = bridge.mesh_of(job.body).points
    assert points[:, 1].min() == pytest.approx(-points[:, 1].max(), abs=1e-6)


def test_a_part_settles_on_what_it_has_in_common_with_the_body(
    scene: bpy.types.Scene, tmp_path: Path, whole: TriMesh
) -> None:
    body = taken_in(tmp_path, whole)
    posed = bridge.mesh_of(body)
    piece = posed.subset(moved(posed.corners.mean(axis=1), np.linalg.inv(POSE))[:, 2] > 0.3)
    nudge = np.eye(4)
    nudge[:3, :3] = Rotation.from_euler("xyz", [0.4, -0.3, 0.5], degrees=True).as_matrix()
    nudge[:3, 3] = [0.003, -0.002, 0.002]
    part = bridge.new_object("Scan of torn", scene.collection, piece.transformed(nudge))
    part.wingfettle.role, part.wingfettle.element = "PART", "torn"
    bpy.ops.wingfettle.settle_part(part="torn")
    assert bridge.mesh_of(part).points == pytest.approx(piece.points, abs=1e-4)
    line = scene.wingfettle.intake.splitlines()[-1]
    assert "settled" in line
    assert "mm median" in line
    # Moved far off, it has nothing in common and stays where it is.
    far = bridge.mesh_of(part).transformed(np.array([[1, 0, 0, 5], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], float))
    bridge.write_triangles(part.data, far)
    refused(scene, bpy.ops.wingfettle.settle_part, "torn", part="torn")
    assert bridge.mesh_of(part).points == pytest.approx(far.points, abs=1e-5)


def test_picks_are_kept_and_forgotten(scene: bpy.types.Scene) -> None:
    job = scene.wingfettle
    for purpose in ("ROAD", "ROAD", "CENTRE", "EDGE", "EDGE", "REAR", "REAR"):
        pick(purpose, [0.1, 0.2, 0.3])
    assert [len(p) for p in (job.road_picks, job.centre_picks, job.edge_picks, job.rear_picks)] == [2, 1, 1, 1]
    for purpose in ("ROAD", "CENTRE", "EDGE", "REAR"):
        bpy.ops.wingfettle.drop_picks(purpose=purpose)
    assert not any(len(p) for p in (job.road_picks, job.centre_picks, job.edge_picks, job.rear_picks))
