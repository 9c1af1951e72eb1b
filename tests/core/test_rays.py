"""Rays against closed forms, a general mesh library's ray tester and every pair of ray and triangle."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from trimesh.ray.ray_triangle import RayMeshIntersector

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.index import TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.geometry.rays import any_hit, first_hits

RNG = np.random.default_rng


def unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def mesh_of(body: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.array(body.vertices, float), np.array(body.faces, np.int32))


def soup(count: int, seed: int, size: float = 0.1) -> TriMesh:
    """Triangles anywhere in a unit cube, unconnected."""
    rng = RNG(seed)
    corners = rng.uniform(0, 1, (count, 1, 3)) + rng.normal(0, size, (count, 3, 3))
    return TriMesh(corners.reshape(-1, 3), np.arange(3 * count, dtype=np.int32).reshape(-1, 3))


def all_pairs(mesh: TriMesh, origins: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """(rays, triangles) distance, inf for a miss.

    T. Moeller and B. Trumbore, "Fast, Minimum Storage Ray-Triangle Intersection", 1997 (from memory).
    """
    a, b, c = mesh.corners.transpose(1, 0, 2)
    pq = np.cross(directions[:, None], c - a)
    det = (pq * (b - a)).sum(axis=2)
    run = origins[:, None] - a
    rq = np.cross(run, b - a)
    with np.errstate(divide="ignore", invalid="ignore"):
        u, v = (run * pq).sum(axis=2) / det, (directions[:, None] * rq).sum(axis=2) / det
        t = (rq * (c - a)).sum(axis=2) / det
    return np.where((u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0) & (det != 0), t, np.inf)


def some_rays(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """From in and about a unit cube, aimed at points in it."""
    rng = RNG(seed)
    origins = rng.uniform(-0.5, 1.5, (count, 3))
    return origins, unit(rng.uniform(0, 1, (count, 3)) - origins)


def test_sphere() -> None:
    # Exact: |o + t d| = r. The mesh lies within its sagitta, r (1 - cos(half an edge's angle)), inside the sphere.
    body = trimesh.creation.icosphere(5, 0.7)
    edge = body.edges_unique_length.max()
    rng = RNG(1)
    origins = unit(rng.normal(size=(3000, 3))) * rng.uniform(1.0, 40.0, (3000, 1))
    directions = unit(0.6 * unit(rng.normal(size=(3000, 3))) - origins)
    along = -(origins * directions).sum(axis=1)
    inside = 0.49 - (origins**2).sum(axis=1) + along**2
    assert (inside > 0).all()
    expected = along - np.sqrt(inside)
    distance, face = first_hits(TriangleIndex.build(mesh_of(body)), origins, directions)
    assert (face >= 0).all()
    sagitta = edge**2 / (6 * 0.7)  # of a triangle: its circumradius is edge / sqrt(3)
    slant = np.sqrt(inside) / 0.7  # cosine at the surface
    deeper = (distance - expected) * slant
    assert deeper.min() > -1e-12
    assert deeper.max() < 1.5 * sagitta


def test_box_by_the_exact_faces() -> None:
    # Exact: from the middle of a box, the nearest of the three planes ahead.
    half = np.array([0.3, 0.5, 0.9])
    index = TriangleIndex.build(mesh_of(trimesh.creation.box(2 * half)))
    directions = unit(RNG(2).normal(size=(2000, 3)))
    distance, _ = first_hits(index, np.zeros((2000, 3)), directions)
    assert distance == pytest.approx((half / np.abs(directions)).min(axis=1), rel=1e-14)


def test_plane_square_slanting_and_in_the_plane() -> None:
    sheet = TriMesh(
        np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]), np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    )
    index = TriangleIndex.build(sheet)
    low = np.radians(0.01)
    origins = np.array([[0.3, 0.2, 2], [0.3, 0.2, -2], [-0.5, 0, 1e-5], [-3, 0.1, 0], [0, 0, 1], [5, 0, 1]], float)
    ways = np.array([[0, 0, -1], [0, 0, 1], [np.cos(low), 0, -np.sin(low)], [1, 0, 0], [0, 0, 1], [0, 0, -1]])
    distance, face = first_hits(index, origins, ways)
    # Exact: from above, from below, grazing at 0.01 degrees; along the sheet, away from it and past it: nothing.
    assert distance == pytest.approx([2, 2, 1e-5 / np.sin(low), np.inf, np.inf, np.inf], rel=1e-9)
    assert (face >= 0).tolist() == [True, True, True, False, False, False]


@pytest.mark.parametrize("count", [1, 7, 300])
def test_every_pair(count) -> None:
    mesh = soup(count, 2, 0.3)
    origins, directions = some_rays(1500, 3)
    every = all_pairs(mesh, origins, directions)
    distance, face = first_hits(TriangleIndex.build(mesh), origins, directions)
    nearest = every.min(axis=1)
    assert np.isfinite(nearest).sum() > 20
    np.testing.assert_allclose(distance, nearest, rtol=1e-9)
    hit = face >= 0
    assert (hit == np.isfinite(nearest)).all()
    np.testing.assert_allclose(every[hit, face[hit]], nearest[hit], rtol=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 2**31), st.integers(1, 60), st.floats(-1e3, 1e3), st.floats(1e-3, 1e3), st.floats(0, 1.5),
    st.floats(0, 1),
)  # fmt: skip
def test_every_pair_at_any_place_and_size(seed, count, shift, size, reach, start) -> None:
    small = soup(count, seed)
    mesh = TriMesh(small.points * size + shift, small.triangles)
    origins, directions = some_rays(60, seed)
    origins = origins * size + shift
    every = all_pairs(mesh, origins, directions)
    # Rounding decides about hits nearer to the ends than this.
    slack = 1e-9 * (size + abs(shift))
    ends = [np.abs(every - bound * size) < slack for bound in (reach, start)]
    sure = ~(ends[0] | ends[1]).any(axis=1)
    every[(every > reach * size) | (every <= start * size)] = np.inf
    index = TriangleIndex.build(mesh)
    distance, face = first_hits(index, origins, directions, reach * size, start * size)
    met = any_hit(index, origins, directions, np.full(60, reach * size), start * size)
    nearest = every.min(axis=1)
    near_edge = np.isinf(nearest) != np.isinf(distance)
    assert (near_edge & sure).sum() == 0
    both = sure & np.isfinite(nearest)
    np.testing.assert_allclose(distance[both], nearest[both], atol=slack)
    assert (met == (face >= 0)).all()


def test_general_library() -> None:
    body = trimesh.creation.torus(0.5, 0.2, 60, 40)
    origins, directions = some_rays(1500, 5)
    origins -= 0.5
    theirs = np.full(len(origins), np.inf)
    where, ray, _ = RayMeshIntersector(body).intersects_location(origins, directions)
    np.minimum.at(theirs, ray, np.linalg.norm(where - origins[ray], axis=1))
    distance, face = first_hits(TriangleIndex.build(mesh_of(body)), origins, directions)
    assert np.isfinite(theirs).sum() > 300
    np.testing.assert_allclose(distance, theirs, atol=1e-8)
    assert (any_hit(TriangleIndex.build(mesh_of(body)), origins, directions) == (face >= 0)).all()


def test_labels_do_not_matter() -> None:
    mesh = soup(500, 8)
    origins, directions = some_rays(2000, 9)
    plain = first_hits(TriangleIndex.build(mesh), origins, directions)
    labelled = first_hits(TriangleIndex.build(mesh, RNG(1).integers(-1, 6, 500).astype(np.int32)), origins, directions)
    assert (plain[0] == labelled[0]).all()
    assert (plain[1] == labelled[1]).all()


def test_moved_index() -> None:
    # Exact: rays moved along with the body meet the same faces as far away.
    mesh = soup(800, 11)
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec([0.3, -1.0, 0.4]).as_matrix()
    matrix[:3, 3] = [4.0, -2.0, 0.7]
    origins, directions = some_rays(3000, 12)
    here = first_hits(TriangleIndex.build(mesh), origins, directions)
    there = first_hits(
        TriangleIndex.build(mesh).moved(matrix), origins @ matrix[:3, :3].T + matrix[:3, 3],
        directions @ matrix[:3, :3].T,
    )  # fmt: skip
    np.testing.assert_allclose(there[0], here[0], atol=1e-11)
    assert (there[1] == here[1]).all()


@pytest.mark.parametrize("how", ["as it is", "turned", "rounded"])
def test_no_ray_slips_through_edges_and_corners(how) -> None:
    # Exact: a ray from outside aimed at any point of a closed surface must meet it; here at corners and edges,
    # with every triangle keeping corners of its own, and rounded up or down on their own.
    body = mesh_of(trimesh.creation.icosphere(3, 0.8))
    corners = body.corners
    if how == "rounded":
        corners = np.nextafter(corners, RNG(14).choice([-9.0, 0.0, 9.0], corners.shape))
    mesh = TriMesh(corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3))
    index = TriangleIndex.build(mesh)
    if how == "turned":
        matrix = np.eye(4)
        matrix[:3, :3] = Rotation.from_rotvec([0.3, -1.0, 0.4]).as_matrix()
        matrix[:3, 3] = [3.1, 0.2, -0.6]
        index, corners = index.moved(matrix), corners @ matrix[:3, :3].T + matrix[:3, 3]
    centre = corners.reshape(-1, 3).mean(axis=0)
    rng = RNG(13)
    share = rng.choice([0.0, 0.5, 0.25, rng.uniform()], (len(corners), 3))
    aims = (corners + share[:, :, None] * (np.roll(corners, 1, axis=1) - corners)).reshape(-1, 3)
    origins = centre + 5.0 * unit(aims - centre + rng.normal(0, 0.1, aims.shape))
    far = np.linalg.norm(aims - origins, axis=1)
    distance, face = first_hits(index, origins, (aims - origins) / far[:, None])
    assert (face >= 0).all()
    assert (distance < far + 1e-9).all()
    # From the inside too.
    assert any_hit(index, np.broadcast_to(centre, aims.shape), unit(aims - centre)).all()


def test_along_axes_through_the_corners_of_a_grid() -> None:
    # Exact: square to a flat grid, through each corner and the middle of each edge and diagonal.
    n = 12
    line = np.arange(n, dtype=float) / 8
    x, y = np.meshgrid(line, line, indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(n * n)])
    a = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate([np.column_stack([a, a + n, a + 1]), np.column_stack([a + 1, a + n, a + n + 1])])
    index = TriangleIndex.build(TriMesh(points, faces.astype(np.int32)))
    line = np.arange(2 * n - 1) / 16
    x, y = np.meshgrid(line, line, indexing="ij")
    for side in (1.0, -1.0):
        origins = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, side)])
        distance, _ = first_hits(index, origins, np.tile([0, 0, -side], (x.size, 1)))
        assert (distance == 1.0).all()


def test_along_the_face_of_a_box() -> None:
    # Exact: a ray in the plane of a box's top enters by the edge; above it by any visible amount it passes.
    index = TriangleIndex.build(mesh_of(trimesh.creation.box([2, 2, 2])))
    distance, _ = first_hits(index, np.array([[-3, 0.1, 1.0], [-3, 0.1, 1.0 + 1e-9]]), np.tile([1.0, 0, 0], (2, 1)))
    assert distance.tolist() == [2.0, np.inf]


def test_triangles_without_area() -> None:
    points = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 1], [5, 1, 1], [0, 5, 1]], float)
    needle = np.array([[0, 1, 2], [0, 0, 0], [1, 1, 2]], np.int32)
    ray = np.array([[0.5, 0, 3.0]]), np.array([[0, 0, -1.0]])
    assert not any_hit(TriangleIndex.build(TriMesh(points, needle)), *ray).any()
    # They do not stand before what is behind them.
    more = np.concatenate([needle, [[3, 4, 5]]]).astype(np.int32)
    distance, face = first_hits(
        TriangleIndex.build(TriMesh(points, more)), np.array([[0.5, 1.5, 3.0]]), np.array([[0, 0, -1.0]])
    )
    assert (distance[0], face[0]) == (2.0, 3)


def test_slivers_hold_rays_like_others() -> None:
    # A sheet of slivers, 1 m long and 1 micrometre wide: closed, so no ray comes through.
    n = 400
    x = np.repeat(np.arange(n) * 1e-6, 2)
    points = np.column_stack([x, np.tile([0.0, 1.0], n), np.zeros(2 * n)])
    a = 2 * np.arange(n - 1)
    faces = np.concatenate([np.column_stack([a, a + 2, a + 1]), np.column_stack([a + 1, a + 2, a + 3])])
    rng = RNG(15)
    aims = np.column_stack([rng.uniform(0, x.max(), 3000), rng.uniform(0.01, 0.99, 3000), np.zeros(3000)])
    origins = aims + unit(rng.normal(size=(3000, 3))) * [1, 1, 0] + [0, 0, 0.5]
    far = np.linalg.norm(aims - origins, axis=1)
    distance, _ = first_hits(TriangleIndex.build(TriMesh(points, faces.astype(np.int32))), origins,
                             (aims - origins) / far[:, None])  # fmt: skip
    assert distance == pytest.approx(far, abs=1e-9)


def test_start_and_reach() -> None:
    # Exact: planes x = 1, 2, 3.
    square = np.array([[0, -1, -1], [0, 1, -1], [0, 0, 1]], float)
    points = np.concatenate([square + [k, 0, 0] for k in (1, 2, 3)])
    index = TriangleIndex.build(TriMesh(points, np.arange(9, dtype=np.int32).reshape(3, 3)))
    origins, directions = np.zeros((4, 3)), np.tile([1.0, 0, 0], (4, 1))
    assert first_hits(index, origins, directions, np.array([0.9, 1.0, 1.5, np.inf]))[0].tolist() == [np.inf, 1, 1, 1]
    assert first_hits(index, origins, directions, np.array([0.9, 2.0, 2.9, np.inf]), 1.5)[0].tolist() == [
        np.inf, 2, 2, 2,
    ]  # fmt: skip
    # Starting on the middle one, and a hair beside it on either side.
    origins[:3, 0] = [2.0, 2.0 - 1e-12, 2.0 + 1e-12]
    distance, face = first_hits(index, origins[:3], directions[:3], start_m=1e-9)
    assert distance == pytest.approx([1, 1, 1], abs=1e-11)
    assert face.tolist() == [2, 2, 2]
    assert not any_hit(index, origins[:3], directions[:3], 0.5, 1e-9).any()
    assert not any_hit(index, origins[:1], directions[:1], -1.0).any()


def test_from_far_away() -> None:
    # Exact: rays from 10 km onto a sheet of triangles 20 mm wide; positions hold to a rounding of 10 km.
    body = mesh_of(trimesh.creation.icosphere(5, 0.5))
    aims = body.corners.mean(axis=1)
    outward = unit(aims)
    distance, face = first_hits(TriangleIndex.build(body), aims + 1e4 * outward, -outward)
    assert distance == pytest.approx(1e4, abs=1e-10)
    assert (face == np.arange(len(aims))).all()
    for reach, expected in ((1e4 - 0.01, False), (1e4 + 0.01, True)):
        assert (any_hit(TriangleIndex.build(body), aims + 1e4 * outward, -outward, reach) == expected).all()
    # Beyond the near side the far side is met.
    beyond, _ = first_hits(TriangleIndex.build(body), aims + 1e4 * outward, -outward, start_m=1e4 + 0.01)
    assert beyond == pytest.approx(1e4 + 2 * np.linalg.norm(aims, axis=1), abs=0.01)


def test_no_rays_and_bad_ones() -> None:
    index = TriangleIndex.build(soup(5, 1))
    distance, face = first_hits(index, np.zeros((0, 3)), np.zeros((0, 3)))
    assert distance.shape == face.shape == (0,)
    with pytest.raises(InputError, match="length 2"):
        first_hits(index, np.zeros((2, 3)), np.array([[1.0, 0, 0], [0, 2, 0]]))
    for bad in ((np.nan, 0.0), (np.inf, 0.0)):
        with pytest.raises(InputError, match="numbers"):
            any_hit(index, np.array([[bad[0], 0, 0]]), np.array([[1.0, 0, 0]]))
    with pytest.raises(InputError, match="numbers"):
        any_hit(index, np.zeros((1, 3)), np.array([[1.0, 0, 0]]), np.nan)


def test_memory_stays_as_stated() -> None:
    index = TriangleIndex.build(mesh_of(trimesh.creation.icosphere(6)))
    origins, directions = some_rays(100_000, 20)
    tracemalloc.start()
    first_hits(index, origins - 0.5, directions)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    answers = 12 * len(origins)
    own_copies = 24 * len(origins)  # origins - 0.5 above
    assert peak - answers - own_copies < 20e6 + 200 * len(origins)
