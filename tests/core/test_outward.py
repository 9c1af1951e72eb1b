"""The outside of scans told by the sky, on bodies whose outside is known by construction or by trimesh."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.index import TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh, face_normals, join
from wingfettle.core.scan.outward import is_inside_out, turned_outward

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def over(mesh: TriMesh, which: Bools | bool = True) -> TriMesh:
    """``mesh`` with the faces ``which`` wound the other way round."""
    which = np.broadcast_to(which, len(mesh.triangles))[:, None]
    return TriMesh(mesh.points, np.where(which, mesh.triangles[:, ::-1], mesh.triangles))


def strip(profile: list[tuple[float, float]], half_width: float = 0.8, finer: int = 3) -> TriMesh:
    """A profile (x, z) drawn out across the car; with x falling and z level it looks up."""
    x, z = np.array(profile).T
    points = np.concatenate([np.column_stack([x, np.full(len(x), y), z]) for y in (half_width, -half_width)])
    k = np.arange(len(x) - 1)
    n = len(x)
    faces = np.concatenate([np.column_stack([k, k + 1, k + n + 1]), np.column_stack([k, k + n + 1, k + n])])
    made = trimesh.Trimesh(points, faces, process=False)
    for _ in range(finer):
        made = made.subdivide()
    return TriMesh(np.array(made.vertices), np.array(made.faces, np.int32))


REAR = [(2.0, 1.3), (1.2, 1.35), (0.6, 0.95), (0.05, 0.95), (0.0, 0.9), (0.0, 0.4)]
"""Roof, window, deck, and the rear down to the bumper: open below, ahead and at both sides; hollow at the deck."""


def looks_out(mesh: TriMesh) -> float:
    """Share of the area that looks up or to the rear, as all of ``REAR`` does."""
    normal, area = face_normals(mesh.corners)
    return float(area[normal @ np.array([-0.3, 0.0, 1.0]) > 0.0].sum() / area.sum())


def same(one: TriMesh, other: TriMesh) -> bool:
    return bool((face_normals(one.corners)[0] * face_normals(other.corners)[0]).sum(axis=1).min() > 0.99)


CASES = {
    "rear": strip(REAR),
    "left half": strip(REAR).subset(strip(REAR).corners[:, :, 1].min(axis=1) > -1e-9),
    "deck before the window": strip(REAR[1:4]),
    "deck alone": strip(REAR[2:4]),
    "rear over a floor": join([strip(REAR), strip([(3.0, 0.0), (-1.0, 0.0)], 2.0)]),
}


@pytest.mark.parametrize("case", CASES)
def test_open_scans_look_to_the_sky(case: str) -> None:
    scan = CASES[case]
    assert looks_out(scan) == pytest.approx(1.0)
    kept, count = turned_outward(scan)
    assert count == 0
    assert kept is scan
    back, count = turned_outward(over(scan))
    assert count == len(scan.triangles)
    assert same(back, scan)
    for mesh, inside_out in ((scan, False), (over(scan), True)):
        assert is_inside_out(mesh, TriangleIndex.build(mesh)) == inside_out


def test_each_loose_piece_is_judged_by_itself() -> None:
    wide, plate = strip(REAR), strip([(0.4, 1.2), (0.3, 1.21), (0.2, 1.2)], 0.3, 1)
    body = join([wide, plate])
    first = np.arange(len(body.triangles)) < len(wide.triangles)
    for which in (first, ~first):
        back, count = turned_outward(over(body, which))
        assert count == which.sum()
        assert same(back, body)
    # Two halves that share points but are wound unlike along their seam.
    half = np.asarray(wide.corners.mean(axis=1)[:, 1] > 0.0)
    back, count = turned_outward(over(wide, half))
    assert count == half.sum()
    assert same(back, wide)


def test_faces_that_share_no_points_go_together() -> None:
    scan = strip(REAR)
    soup = TriMesh(scan.corners.reshape(-1, 3), np.arange(3 * len(scan.triangles), dtype=np.int32).reshape(-1, 3))
    back, count = turned_outward(over(soup))
    assert count == len(soup.triangles)
    assert same(back, soup)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_closed_bodies_have_the_outside_that_trimesh_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
    made = [trimesh.creation.box((2.0, 1.0, 0.4)), trimesh.creation.icosphere(3, 0.7), trimesh.creation.torus(0.8, 0.3),
            trimesh.creation.capsule(1.0, 0.3)][seed % 4].apply_transform(turn)  # fmt: skip
    mesh = TriMesh(np.array(made.vertices), np.array(made.faces, np.int32))
    mesh = over(mesh) if rng.random() < 0.5 else mesh
    back, count = turned_outward(mesh)
    judge = trimesh.Trimesh(mesh.points, mesh.triangles, process=False)
    assert count == (len(mesh.triangles) if judge.volume < 0.0 else 0)
    assert trimesh.Trimesh(back.points, back.triangles, process=False).volume > 0.0


def test_what_tells_no_side_is_left_as_it_is() -> None:
    # An upright sheet sees as much sky from either side.
    sheet = strip([(0.0, 1.0), (0.0, 0.2)])
    for mesh in (sheet, over(sheet)):
        assert turned_outward(mesh)[0] is mesh
        assert not is_inside_out(mesh, TriangleIndex.build(mesh))
    point = TriMesh(np.zeros((3, 3)), np.array([[0, 1, 2]], np.int32))
    assert turned_outward(point) == (point, 0)


def test_input_is_left_alone_and_checked() -> None:
    scan = over(strip(REAR))
    scan.points.setflags(write=False)
    scan.triangles.setflags(write=False)
    assert turned_outward(scan)[1] == len(scan.triangles)
    with pytest.raises(InputError, match="no faces"):
        turned_outward(TriMesh(scan.points, scan.triangles[:0]))
    with pytest.raises(InputError, match="not numbers"):
        turned_outward(TriMesh(np.full_like(scan.points, np.nan), scan.triangles))
