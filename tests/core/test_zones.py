"""Zones carried over to the other side of the car, on sheets whose two sides are meshed differently."""

from __future__ import annotations

import time

import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh, face_normals, join
from wingfettle.core.scan.scan_mesh import ZONE_DEFAULTS, mirrored_faces, mirrored_name, share_in_none, zone_named

MIRROR = np.array([1.0, -1.0, 1.0])


def deck(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A height over x and y that is the same left and right."""
    return 0.9 + 0.05 * np.cos(3.0 * x) + 0.1 * np.cos(2.0 * y)


def raised(plan: np.ndarray, seed: int = 0, noise: float = 0.0) -> TriMesh:
    """The deck over plan points (n, 2), triangulated by scipy, with noise along z."""
    z = deck(*plan.T) + np.random.default_rng(seed).normal(0.0, 1.0, len(plan)) * noise
    triangles = Delaunay(plan).simplices.astype(np.int32)
    return TriMesh(np.column_stack([plan, z]), triangles)


def regular(sign: float, n: int = 60) -> np.ndarray:
    x, y = np.meshgrid(np.linspace(0.0, 0.6, n), np.linspace(0.0, 0.6, n), indexing="ij")
    return np.column_stack([x.ravel(), sign * y.ravel()])


def scattered(sign: float, count: int = 5000, seed: int = 1) -> np.ndarray:
    plan = np.random.default_rng(seed).uniform(0.0, 0.6, (count, 2))
    return np.vstack([plan, [[0, 0], [0.6, 0], [0, 0.6], [0.6, 0.6]]]) * [1.0, sign]


def two_sided(noise: float = 0.0) -> TriMesh:
    """Left (y > 0) a grid, right a scatter of points."""
    return join([raised(regular(1.0), 2, noise), raised(scattered(-1.0), 3, noise)])


def disc(mesh: TriMesh, y: float, radius: float) -> np.ndarray:
    middle = mesh.corners.mean(axis=1)
    return np.asarray(np.hypot(middle[:, 0] - 0.3, middle[:, 1] - y) < radius)


def area(mesh: TriMesh, faces: np.ndarray) -> float:
    return float(face_normals(mesh.corners[faces])[1].sum())


def longest(mesh: TriMesh) -> float:
    corners = mesh.corners
    return float(np.linalg.norm(corners - corners[:, [1, 2, 0]], axis=2).max())


@pytest.mark.parametrize("noise", [0.0, 0.0003])
def test_the_image_of_a_disc_is_the_disc_on_the_other_side(noise: float) -> None:
    # Exact: the deck is even in y, so the image of a disc about (0.3, 0.3) is that about (0.3, -0.3); what is chosen
    # ends along faces, so on either side a face near the rim may be in or out.
    mesh = two_sided(noise)
    chosen = disc(mesh, 0.3, 0.15)
    found = mirrored_faces(mesh, chosen)
    rim = longest(mesh.subset(disc(mesh, 0.3, 0.2))) + 0.003
    assert (found >= disc(mesh, -0.3, 0.15 - rim)).all()
    assert (found <= disc(mesh, -0.3, 0.15 + rim)).all()
    assert 0 < disc(mesh, -0.3, 0.15 - rim).sum()
    # Within a row of triangles round the rim; in truth in and out even out.
    row = 2.0 * np.pi * 0.15 * 1.2 * rim
    assert area(mesh, found) == pytest.approx(area(mesh, chosen), abs=row)
    assert area(mesh, found) == pytest.approx(area(mesh, chosen), rel=0.03)


def test_each_face_is_judged_by_what_is_nearest_to_its_image() -> None:
    # libigl finds the nearest face to each mirrored middle over the whole mesh.
    mesh = two_sided(0.0004)
    chosen = disc(mesh, 0.25, 0.1)
    middle = mesh.corners.mean(axis=1) * MIRROR
    square, near, _ = igl.point_mesh_squared_distance(middle, mesh.points, mesh.triangles.astype(np.int64))
    judge = chosen[near] & (np.sqrt(square) < 0.003)
    found = mirrored_faces(mesh, chosen, reach_m=0.003)
    assert judge.sum() > 200
    assert (found == judge).all()
    assert mirrored_faces(mesh, chosen, reach_m=1e-6).sum() < 0.1 * judge.sum()


@settings(max_examples=15, deadline=None)
@given(x=st.floats(0.1, 0.5), y=st.floats(-0.5, 0.5), radius=st.floats(0.03, 0.2), seed=st.integers(0, 5))
def test_where_both_sides_are_meshed_alike_the_image_is_exact(x: float, y: float, radius: float, seed: int) -> None:
    # Exact by making: face i of one side is the mirror image of face i of the other.
    left = raised(scattered(1.0, 800, seed))
    mesh = join([left, TriMesh(left.points * MIRROR, left.triangles[:, ::-1].copy())])
    middle = mesh.corners.mean(axis=1)
    chosen = np.hypot(middle[:, 0] - x, middle[:, 1] - y) < radius
    if not chosen.any():
        return
    assert (mirrored_faces(mesh, chosen) == np.roll(chosen, len(left.triangles))).all()


def test_mirrored_twice_it_is_nearly_the_same() -> None:
    mesh = two_sided(0.0002)
    chosen = disc(mesh, 0.3, 0.15)
    again = mirrored_faces(mesh, mirrored_faces(mesh, chosen))
    assert area(mesh, again != chosen) < 0.08 * area(mesh, chosen)
    # What changed lies along the rim.
    assert (again[disc(mesh, 0.3, 0.13)] == chosen[disc(mesh, 0.3, 0.13)]).all()
    assert not again[~disc(mesh, 0.3, 0.17)].any()


def test_a_zone_across_the_middle_is_its_own_image() -> None:
    mesh = two_sided()
    chosen = disc(mesh, 0.0, 0.2)
    found = mirrored_faces(mesh, chosen)
    assert area(mesh, found != chosen) < 0.1 * area(mesh, chosen)


def test_a_layer_beneath_is_left_out() -> None:
    # A second skin 2 mm under the first is within reach, but the chosen one's neighbour is nearer to its image.
    outer = two_sided()
    inner = TriMesh(outer.points - [0.0, 0.0, 0.002], outer.triangles)
    mesh = join([outer, inner])
    only_outer = np.arange(len(mesh.triangles)) < len(outer.triangles)
    found = mirrored_faces(mesh, disc(mesh, 0.3, 0.15) & only_outer)
    assert area(mesh, found & only_outer) > 0.05
    assert not found[~only_outer].any()


def test_a_side_that_was_not_scanned_gives_no_faces() -> None:
    left = raised(regular(1.0))
    assert not mirrored_faces(left, disc(left, 0.3, 0.15)).any()


def test_coarse_faces_reach_farther() -> None:
    # Half a typical edge (about 50 mm here) covers sides that differ by 20 mm; the least reach does not.
    mesh = join([raised(regular(1.0, 12)), raised(scattered(-1.0, 200))])
    shifted = TriMesh(mesh.points + np.where(mesh.points[:, 1:2] < 0, [[0.0, 0.0, 0.02]], 0.0), mesh.triangles)
    chosen = disc(shifted, 0.3, 0.15)
    assert area(shifted, mirrored_faces(shifted, chosen)) == pytest.approx(area(shifted, chosen), rel=0.4)
    assert not mirrored_faces(shifted, chosen, reach_m=0.003).any()


def test_a_million_faces_take_less_than_half_a_second() -> None:
    n = 500
    x, y = np.meshgrid(np.linspace(0, 2, n), np.linspace(-1, 1, 2 * n), indexing="ij")
    i = np.arange(n * 2 * n).reshape(n, 2 * n)
    a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    mesh = TriMesh(np.column_stack([x.ravel(), y.ravel(), deck(x, y).ravel()]), faces)
    chosen = disc(mesh, 0.4, 0.2)
    assert chosen.sum() > 20_000
    best = np.inf
    for _ in range(3):
        start = time.process_time()
        found = mirrored_faces(mesh, chosen)
        best = min(best, time.process_time() - start)
    assert area(mesh, found) == pytest.approx(area(mesh, chosen), rel=0.01)
    assert best < 0.5


def test_names_change_sides() -> None:
    assert mirrored_name("tail lamp left") == "tail lamp right"
    assert mirrored_name("Right tail lamp") == "Left tail lamp"
    assert mirrored_name("LEFT_lamp") == "RIGHT_lamp"
    assert mirrored_name("left lamp, right half") == "right lamp, left half"
    for name in ("bumper", "cleft", "bright trim", ""):
        with pytest.raises(InputError, match="neither “left” nor “right”"):
            mirrored_name(name)


@given(st.text(max_size=12), st.sampled_from(["left", "right"]), st.text(max_size=12))
@settings(max_examples=50, deadline=None)
def test_a_name_mirrored_twice_is_itself(before: str, side: str, after: str) -> None:
    name = f"{before} {side} {after}"
    assert mirrored_name(name) != name
    assert mirrored_name(mirrored_name(name)) == name


def test_customary_zones_say_why() -> None:
    causes = ("paint and fit-up", "flutter and deflection under load", "lid seal movement", "lamp service access")
    assert {"boot lid", "rear window", "number plate", "bumper", "fuel flap", "aerial"} <= set(ZONE_DEFAULTS)
    for name in ZONE_DEFAULTS:
        assert any(cause in zone_named(name).reason for cause in causes)
    # Both sides ask for the same.
    for name in ZONE_DEFAULTS:
        if "left" in name:
            assert ZONE_DEFAULTS[mirrored_name(name)] == ZONE_DEFAULTS[name]


def test_bad_input_is_refused() -> None:
    mesh = two_sided()
    with pytest.raises(InputError, match="one each"):
        mirrored_faces(mesh, np.ones(3, bool))
    with pytest.raises(InputError, match="nothing to mirror"):
        mirrored_faces(mesh, np.zeros(len(mesh.triangles), bool))
    for reach in (0.0, -1.0, np.nan, np.inf):
        with pytest.raises(InputError, match="a length above 0 mm"):
            mirrored_faces(mesh, disc(mesh, 0.3, 0.1), reach)


def test_the_share_in_no_zone_is_by_area() -> None:
    # Exact: a square of 0.6 m; all but the strip beyond x = 0.45 m is a zone, however finely either part is meshed.
    fine, coarse = np.linspace(0.0, 0.45, 40), np.array([0.45, 0.6])
    plan = [np.column_stack([v.ravel() for v in np.meshgrid(x, np.linspace(0.0, 0.6, 9))]) for x in (fine, coarse)]
    parts = [TriMesh(m.points * [1, 1, 0], m.triangles) for m in map(raised, plan)]
    marks = np.repeat(np.array([0, -1], np.int32), [len(p.triangles) for p in parts])
    areas = face_normals(join(parts).corners)[1]
    assert share_in_none(marks, areas) == pytest.approx(0.25, abs=1e-12)
    assert share_in_none(np.full_like(marks, -1), areas) == 1.0
    assert share_in_none(marks, 0.0 * areas) == 0.0
