"""From scene to grid, against closed forms, a general library's winding numbers and every pair of link and triangle."""

from __future__ import annotations

import math

import igl
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial.transform import Rotation
from wing_cases import SHAPED

from wingfettle.core.elements.loft import loft
from wingfettle.core.errors import InputError
from wingfettle.core.flow.closing import Closing, suggested
from wingfettle.core.flow.grid import BODY, FlowGrid, Reach, from_flow, plane_grid, space_grid, to_flow
from wingfettle.core.flow.plan import plan_plane, plan_space, plane_gap, space_gap
from wingfettle.core.flow.stencil import stencil
from wingfettle.core.geometry.box import Box
from wingfettle.core.geometry.mesh import TriMesh, join

RNG = np.random.default_rng
STEPS = stencil("D3Q19").steps
ROOM = Box(np.array([-1.0, -1.0, 0.0]), np.array([1.0, 1.0, 2.0]))


def mesh_of(body: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.array(body.vertices, float), np.array(body.faces, np.int32))


def turned(seed: int) -> np.ndarray:
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.random(random_state=seed).as_matrix()
    matrix[:3, 3] = [0.0, 0.0, 1.0] + RNG(seed).uniform(-0.05, 0.05, 3)
    return matrix


def lump(seed: int, rough: float = 0.25) -> TriMesh:
    """A closed star-shaped body with dents, round about (0, 0, 1)."""
    ball = trimesh.creation.icosphere(2)
    wave = RNG(seed).normal(size=(4, 3)) * 3.0
    points = np.array(ball.vertices)
    points *= (0.5 + rough * np.sin(points @ wave.T).mean(axis=1))[:, None]
    return TriMesh(points, np.array(ball.faces, np.int32)).transformed(turned(seed))


def all_cells(grid: FlowGrid) -> np.ndarray:
    return grid.middles(np.arange(grid.label.size, dtype=np.int32))


def first_cuts(mesh: TriMesh, origins: np.ndarray, along: np.ndarray) -> np.ndarray:
    """(n,) share of each link at which it meets a triangle first, 2 where it meets none; every pair is looked at.

    T. Moeller and B. Trumbore, "Fast, Minimum Storage Ray-Triangle Intersection", 1997 (from memory).
    """
    a, b, c = mesh.corners.transpose(1, 0, 2)
    out = np.full(len(origins), 2.0)
    pq = np.cross(along, c - a)
    det = (pq * (b - a)).sum(axis=1)
    safe = np.where(det == 0.0, 1.0, det)
    for n in range(0, len(origins), 2000):
        run = origins[n : n + 2000, None] - a
        rq = np.cross(run, b - a)
        u, v, t = (run * pq).sum(axis=2) / safe, (rq * along).sum(axis=2) / safe, (rq * (c - a)).sum(axis=2) / safe
        slack = 1e-9
        hit = (det != 0.0) & (u >= -slack) & (v >= -slack) & (u + v <= 1 + slack) & (t >= 0.0) & (t <= 1.0)
        out[n : n + 2000] = np.where(hit, t, 2.0).min(axis=1)
    return out


def joined_air(grid: FlowGrid, keep: np.ndarray) -> np.ndarray:
    """Components of the cells of air where ``keep``, joined by links that meet nothing; -1 elsewhere."""
    flat = grid.label.ravel()
    number = np.full(flat.shape, -1)
    chosen = np.flatnonzero(keep.ravel() & (flat == 0))
    number[chosen] = np.arange(len(chosen))
    free = np.ones((flat.size, len(STEPS)), bool)
    free[grid.cell] = grid.q > 1.0
    place = np.stack(np.unravel_index(chosen, grid.size))
    a, b = [], []
    for k, step in enumerate(STEPS):
        end = place + step[:, None]
        inside = ((end >= 0) & (end < np.array(grid.size)[:, None])).all(axis=0) & free[chosen, k]
        other = number[np.ravel_multi_index(tuple(end[:, inside]), grid.size)]
        a.append(number[chosen[inside]][other >= 0])
        b.append(other[other >= 0])
    first, second = np.concatenate(a), np.concatenate(b)
    graph = coo_matrix((np.ones(len(first), bool), (first, second)), shape=(len(chosen), len(chosen)))
    out = np.full(flat.shape, -1)
    out[chosen] = connected_components(graph, directed=False)[1]
    return out.reshape(grid.size)


# --- closed meshes --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", ["sphere", "cylinder", "box"])
def test_volume_converges(shape: str) -> None:
    # Reference: the mesh's own volume after trimesh, itself within its facets of the closed form.
    body = {
        "sphere": trimesh.creation.icosphere(4, 0.6),
        "cylinder": trimesh.creation.cylinder(0.45, 0.9, sections=96),
        "box": trimesh.creation.box((1.0, 0.7, 0.5)),
    }[shape]
    closed_form = {"sphere": 4 / 3 * math.pi * 0.6**3, "cylinder": math.pi * 0.45**2 * 0.9, "box": 0.35}[shape]
    assert body.volume == pytest.approx(closed_form, rel=5e-3)
    widths, errors = [0.16, 0.08, 0.04], []
    for h in widths:
        off = []
        for seed in range(6):
            grid = space_grid([("it", mesh_of(body).transformed(turned(seed)))], None, h, ROOM)
            off.append((grid.label == 1).sum() * h**3 / body.volume - 1.0)
        errors.append(float(np.sqrt(np.mean(np.square(off)))))
    order = np.polyfit(np.log(widths), np.log(errors), 1)[0]
    # Points of a lattice counted in a turned body: between first order (faces along the lattice) and second (round).
    assert order > 1.3, (order, errors)
    assert errors[-1] < 5e-3


def test_walls_of_a_turned_box_are_where_the_closed_form_has_them() -> None:
    # Entry of a line into the slabs of a box: A. Williams et al. 2005 (from memory), in the box's own axes.
    h, half_size = 0.07, np.array([0.5, 0.35, 0.25])
    matrix = turned(3)
    grid = space_grid([("box", mesh_of(trimesh.creation.box(2 * half_size)).transformed(matrix))], None, h, ROOM)
    own = (from_flow(grid.middles(grid.cell)) - matrix[:3, 3]) @ matrix[:3, :3]
    for k, step in enumerate(STEPS[1:], 1):
        along = from_flow(h * step[None].astype(float))[0] @ matrix[:3, :3]
        one, two = (-half_size - own) / along, (half_size - own) / along
        enter, leave = np.minimum(one, two).max(axis=1), np.maximum(one, two).min(axis=1)
        meets = (enter <= leave) & (enter >= 0.0) & (enter <= 1.0)
        expected = np.where(meets, enter, 2.0)
        assert np.abs(grid.q[:, k] - expected).max() < 2e-6  # float32 and the box's own rounding
        np.testing.assert_array_equal(grid.part[:, k], meets)


def test_walls_of_a_sphere_are_where_the_closed_form_has_them() -> None:
    radius, h = 0.6, 0.05
    body = trimesh.creation.icosphere(6, radius)
    body.apply_translation([0.013, 0.007, 1.0])
    grid = space_grid([("ball", mesh_of(body))], None, h, ROOM)
    centre = to_flow(np.array([[0.013, 0.007, 1.0]]))[0]
    row, way = np.nonzero(grid.q <= 1.0)
    wall = grid.middles(grid.cell[row]) + grid.q[row, way, None].astype(float) * h * STEPS[way]
    deep = radius - np.linalg.norm(wall - centre, axis=1)
    sagitta = body.edges_unique_length.max() ** 2 / (6 * radius)  # circumradius of a triangle is its edge / sqrt(3)
    assert deep.min() > -1e-7
    assert deep.max() < 1.2 * sagitta
    # Links that go well into the ball all meet it.
    places = all_cells(grid)[grid.label.ravel() == 0]
    outside = set(np.flatnonzero(grid.label.ravel() == 0)[np.linalg.norm(places - centre, axis=1) < radius + 0.5 * h])
    assert outside <= set(grid.cell.tolist())


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.06, 0.11))
def test_inside_and_walls_of_any_lump(seed: int, h: float) -> None:
    # Inside: winding numbers of libigl. Walls: every pair of link and triangle.
    mesh = lump(seed)
    inside_out = TriMesh(mesh.points, np.ascontiguousarray(mesh.triangles[:, ::-1]))
    grid = space_grid([("lump", mesh)], None, h, ROOM)
    places = from_flow(all_cells(grid))
    winding = igl.winding_number(mesh.points, mesh.triangles.astype(np.int64), places)
    np.testing.assert_array_equal(grid.label.ravel() == 1, (winding > 0.5) & (places[:, 2] > 0))
    air = np.flatnonzero(grid.label.ravel() == 0)
    rows = np.full(grid.label.size, -1)
    rows[grid.cell] = np.arange(len(grid.cell))
    near = air[np.linalg.norm(places[air] - [0, 0, 1], axis=1) < 0.8]
    for k in (1, 4, 5, 8, 14, 17):
        q = np.where(rows[near] >= 0, grid.q[rows[near], k], 2.0)
        expected = first_cuts(mesh, places[near], from_flow(h * STEPS[k][None].astype(float))[0])
        assert np.abs(q - expected).max() < 2e-6
    again = space_grid([("lump", inside_out)], None, h, ROOM)
    np.testing.assert_array_equal(again.label, grid.label)
    np.testing.assert_array_equal(again.q, grid.q)


def test_shells_that_overlap_are_one_solid_and_hollows_are_filled() -> None:
    ball, other = trimesh.creation.icosphere(3, 0.5), trimesh.creation.icosphere(3, 0.4)
    ball.apply_translation([0.0, 0.0, 1.0])
    other.apply_translation([0.35, 0.11, 1.2])
    hollow = trimesh.creation.icosphere(3, 0.3)
    hollow.apply_translation([0.0, 0.0, 1.0])
    hollow.invert()
    mesh = join([mesh_of(ball), mesh_of(other), mesh_of(hollow)])
    grid = space_grid([("both", mesh)], None, 0.061, ROOM)
    places = from_flow(all_cells(grid))
    solid = [igl.winding_number(np.array(b.vertices), np.array(b.faces, np.int64), places) > 0.5 for b in (ball, other)]
    np.testing.assert_array_equal(grid.label.ravel() == 1, solid[0] | solid[1])
    assert grid.notes == ()


def test_overlapping_parts_count_for_the_first_and_are_told() -> None:
    ball, box = trimesh.creation.icosphere(3, 0.5), trimesh.creation.box((0.8, 0.3, 0.3))
    for b in (ball, box):
        b.apply_translation([0.013, 0.0, 1.0])
    box.apply_translation([0.4, 0.0, 0.0])
    parts = [("ball", mesh_of(ball)), ("box", mesh_of(box))]
    grid = space_grid(parts, None, 0.053, ROOM)
    alone = [space_grid([p], None, 0.053, ROOM).label == 1 for p in parts]
    np.testing.assert_array_equal(grid.label == 1, alone[0])
    np.testing.assert_array_equal(grid.label == 2, alone[1] & ~alone[0])
    # Half of the box is in the ball: the forces on both are mixed up.
    (fault,) = grid.faults
    assert f"overlap in {(alone[0] & alone[1]).sum()} cells" in fault.text
    assert fault.parts == ("ball", "box")
    assert set(np.unique(grid.part)) == {0, 1, 2}
    # 30 mm let in, a cap of 2 % of the box (pi h^2 (3 r - h) / 3), is good to know and no more.
    box.apply_translation([0.47, 0.0, 0.0])
    wide = Box(np.array([-1.0, -1.0, 0.0]), np.array([1.5, 1.0, 2.0]))
    let_in = space_grid([parts[0], ("box", mesh_of(box))], None, 0.02, wide)
    assert let_in.faults == ()
    assert any("“ball” and “box” overlap in" in note for note in let_in.notes)


def test_surface_through_the_middles_of_cells() -> None:
    h = 0.1
    body = trimesh.creation.box(bounds=[[-0.45, -0.35, 0.55], [0.45, 0.35, 1.25]])
    grid = space_grid([("box", mesh_of(body))], None, h, ROOM)
    # Middles on the surface are solid: 10 x 8 x 8 of them, and the walls of the others lie at their middles.
    assert (grid.label == 1).sum() == 10 * 8 * 8
    for k in range(1, 7):
        assert grid.q[grid.q[:, k] <= 1.0, k] == pytest.approx(1.0)
    assert grid.notes == ()


# --- thin parts -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("thickness", [0.08, 0.02, 0.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_passes_through_a_thin_plate(thickness: float, seed: int) -> None:
    h, matrix = 0.1, turned(seed)
    if thickness:
        plate = mesh_of(trimesh.creation.box((1.1, 1.1, thickness)))
    else:
        plate = TriMesh(
            np.array([[-0.55, -0.55, 0], [0.55, -0.55, 0], [0.55, 0.55, 0], [-0.55, 0.55, 0.0]]),
            np.array([[0, 1, 2], [0, 2, 3]], np.int32),
        )
    wide = Box(np.array([-1.0, -1.0, 0.0]), np.array([1.0, 1.0, 2.2]))
    grid = space_grid([("plate", plate.transformed(matrix))], None, h, wide, road=False)
    own = ((from_flow(all_cells(grid)) - matrix[:3, 3]) @ matrix[:3, :3]).reshape(*grid.size, 3)
    beside = (np.abs(own[..., :2]) < 0.55 - 1.5 * h).all(axis=3) & (np.abs(own[..., 2]) < 0.4)
    group = joined_air(grid, beside)
    over, under = np.unique(group[beside & (own[..., 2] > 0.15)]), np.unique(group[beside & (own[..., 2] < -0.15)])
    assert len(over) == 1
    assert len(under) == 1
    assert over[0] != under[0]
    # Around the rim the two sides are joined, so the test can tell.
    whole = joined_air(grid, np.ones(grid.size, bool))
    assert len(np.unique(whole[beside & (np.abs(own[..., 2]) > 0.15)])) == 1
    # Both faces are met: a link through the plate is cut from either end at its own face.
    row, way = np.nonzero(grid.q <= 1.0)
    wall = grid.middles(grid.cell[row]) + grid.q[row, way, None].astype(float) * h * STEPS[way]
    height = (from_flow(wall) - matrix[:3, 3]) @ matrix[:3, 2]
    flat = np.abs((from_flow(wall) - matrix[:3, 3]) @ matrix[:3, :2]).max(axis=1) < 0.54
    side = np.sign(own.reshape(-1, 3)[grid.cell[row], 2])
    assert np.abs(height - side * 0.5 * thickness)[flat].max() < 1e-6
    assert flat.sum() > 500


def test_wing_with_plates_thinner_than_a_cell() -> None:
    # Winding numbers of libigl; the plates of 4 mm are thinner than cells of 8 mm.
    mesh = loft(SHAPED).triangles()
    box = Box(np.array([-5.0, -1.0, 0.6]), np.array([-3.0, 1.0, 1.9]))
    grid = space_grid([("wing", mesh)], None, 0.008, box, road=False)
    assert grid.notes == ()
    places = from_flow(grid.middles(grid.cell))
    assert places[:, 1].max() > mesh.points[:, 1].max() - 1e-9
    places = from_flow(all_cells(grid))
    low, high = mesh.points.min(axis=0), mesh.points.max(axis=0)
    some = np.flatnonzero(((places > low) & (places < high)).all(axis=1))[::17]
    winding = igl.fast_winding_number(mesh.points, mesh.triangles.astype(np.int64), places[some])
    np.testing.assert_array_equal(winding > 0.5, (grid.label.ravel() == 1)[some])


# --- symmetry and turns ---------------------------------------------------------------------------------------


def walls(grid: FlowGrid) -> np.ndarray:
    """(nx, ny, nz, 19) share of each link, 2 where it meets nothing."""
    out = np.full((grid.label.size, len(STEPS)), 2.0, np.float32)
    out[grid.cell] = grid.q
    return out.reshape(*grid.size, -1)


def of_steps(steps: np.ndarray) -> np.ndarray:
    return np.array([int(np.flatnonzero((STEPS == s).all(axis=1))[0]) for s in steps])


def test_half_model_is_half_of_the_full_one() -> None:
    right = lump(5)
    mirror = np.diag([1.0, -1.0, 1.0, 1.0])
    both = join([right, TriMesh(right.transformed(mirror).points, np.ascontiguousarray(right.triangles[:, ::-1]))])
    left, half = (space_grid([("it", both)], None, 0.08, Box(ROOM.low, ROOM.high), half=s) for s in ("left", "right"))
    even = space_grid([("it", both)], None, 0.08, Box(np.array([-1, -0.96, 0]), np.array([1, 0.96, 2.0])))
    keep = half.size[1] - 1
    assert even.size[1] == 2 * keep
    np.testing.assert_array_equal(even.label[:, keep:], half.label[:, :keep])
    np.testing.assert_allclose(walls(even)[:, keep:], walls(half)[:, :keep], atol=1e-6)
    np.testing.assert_array_equal(left.label, half.label)
    np.testing.assert_allclose(walls(left), walls(half), atol=1e-6)
    # And the left half of the full one is its mirror image.
    swap = of_steps(STEPS * [1, -1, 1])
    np.testing.assert_allclose(walls(even)[:, ::-1][..., swap], walls(even), atol=1e-6)


@pytest.mark.parametrize("axis", [0, 2])
def test_a_quarter_turn_turns_the_grid(axis: int) -> None:
    room = Box(np.array([-1.0, -1.0, -1.0]), np.array([1.0, 1.0, 1.0]))
    lower = np.eye(4)
    lower[2, 3] = -1.0
    mesh = lump(11).transformed(lower)
    quarter = np.eye(4)
    quarter[:3, :3] = np.round(Rotation.from_euler("xyz"[axis], 90, degrees=True).as_matrix())
    straight = space_grid([("it", mesh)], None, 0.08, room, road=False)
    turn = space_grid([("it", mesh.transformed(quarter))], None, 0.08, room, road=False)
    in_flow = np.diag([-1, -1, 1]) @ quarter[:3, :3] @ np.diag([-1, -1, 1])
    assert straight.size == (25, 25, 25)
    axes = (1, 2) if axis == 0 else (0, 1)
    sense = next(k for k in (1, 3) if np.array_equal(np.rot90(straight.label, k, axes), turn.label))
    back = of_steps(STEPS @ in_flow.astype(int).T)
    turned_walls = np.empty_like(walls(turn))
    turned_walls[..., back] = np.rot90(walls(straight), sense, axes)
    np.testing.assert_allclose(turned_walls, walls(turn), atol=1e-6)


# --- the open body --------------------------------------------------------------------------------------------


def car(lost: str, seed: int | None = None) -> TriMesh:
    """A block 1.4 m long from x = -0.7, with its underside 0.2 m over the road, or what a scan leaves of it.

    Its rims are wavy, or ragged with loose faces and single faces missing where there is a ``seed``.
    """
    block = trimesh.creation.box(bounds=[[-0.7, -0.5, 0.2], [0.7, 0.5, 1.0]])
    block = block.subdivide_to_size(0.04)
    points, faces = np.array(block.vertices), np.array(block.faces)
    middle = points[faces].mean(axis=1)
    rough = 0.025 + 0.025 * np.sin(middle @ [9.0, 11.0, 7.0])
    if seed is not None:
        rough = RNG(seed).uniform(0.0, 0.05, len(faces))
    gone = np.zeros(len(faces), bool)
    if "floor" in lost:
        gone |= middle[:, 2] < 0.22 + rough
    if "front" in lost:
        gone |= middle[:, 0] > 0.6 + rough
    if "hole" in lost:
        gone |= (np.abs(middle - [0.0, 0.0, 1.0]) < [0.06, 0.06, 0.01]).all(axis=1)
    if "window" in lost:
        gone |= (np.abs(middle - [0.0, 0.5, 0.7]) < [0.3, 0.01, 0.2]).all(axis=1)
    return TriMesh(points, faces[~gone].astype(np.int32))


def body_volume(grid: FlowGrid) -> float:
    return float((grid.label == grid.parts.index(BODY) + 1).sum() * grid.spacing_m**3)


def test_small_holes_are_closed_and_wide_ones_told() -> None:
    whole = space_grid([], car(""), 0.045, ROOM)
    assert body_volume(whole) == pytest.approx(1.4 * 0.8, rel=0.06)
    assert whole.notes == ()
    # Flat holes of 12 cm and of 60 cm, closed by cones: the whole body again.
    for lost in ("hole", "window"):
        holed = space_grid([], car(lost), 0.045, ROOM)
        np.testing.assert_array_equal(whole.label, holed.label)
        np.testing.assert_allclose(walls(whole), walls(holed), atol=1e-5)
    # Without cones, cells close what is narrower than three of them, and the walls elsewhere stay.
    holed = space_grid([], car("hole"), 0.045, ROOM, closing=Closing(hole_m=0.0))
    assert np.count_nonzero(whole.label != holed.label) <= 8
    assert any("closed it" in note for note in holed.notes)
    differs = np.abs(walls(whole) - walls(holed)).max(axis=3) > 1e-6
    far = np.linalg.norm(from_flow(all_cells(whole)).reshape(*whole.size, 3) - [0, 0, 1.0], axis=3) > 0.25
    assert not (differs & far).any()
    wide = space_grid([], car("window"), 0.045, ROOM, closing=Closing(hole_m=0.3))
    assert body_volume(wide) < 0.2
    assert any("Air reaches" in one.text and "m³" in one.text for one in wide.faults)


@pytest.mark.parametrize("seed", [None, 4])
@pytest.mark.parametrize("missing", ["floor", "front", "floor front", "floor front hole"])
def test_missing_floor_and_front_are_closed_down_to_planes(missing: str, seed: int | None) -> None:
    h = 0.047  # so that no link passes just through an edge of the box
    closing = Closing(0.2 if "floor" in missing else None, 0.6 if "front" in missing else None)
    scan = car(missing, seed)
    grid = space_grid([], scan, h, ROOM, closing=closing)
    length = 1.3 if "front" in missing else 1.4
    ends = [[-0.7, -0.5, 0.2], [length - 0.7, 0.5, 1.0]]
    truth = space_grid([("box", mesh_of(trimesh.creation.box(bounds=ends)))], None, h, ROOM)
    # The closed form of the closed body: a box. Only cells at the hole and where single faces are missing may differ.
    holed = "hole" in missing or seed is not None
    assert np.count_nonzero((grid.label > 0) != (truth.label > 0)) <= (4 if holed else 0)
    if not holed:
        np.testing.assert_array_equal(grid.cell, truth.cell)
        tell = (grid.q <= 1.0) & (truth.q <= 1.0)
        # A link may cut the corner between the two planes from air to air.
        differs = grid.cell[((grid.q <= 1.0) != (truth.q <= 1.0)).any(axis=1)]
        assert (np.abs(from_flow(grid.middles(differs))[:, [0, 2]] - [0.6, 0.2]) < h).all()
        edge = np.abs(grid.q - truth.q)[tell] > 1e-5  # a link past the edge of two planes meets either
        assert edge.mean() < 0.02
    assert any("closed it" in note for note in grid.notes)
    if "floor" in missing:
        opened = space_grid([], scan, h, ROOM, closing=Closing(None, closing.front_m))
        assert body_volume(opened) < 0.1 * body_volume(grid)
        assert any("Air reaches" in one.text for one in opened.faults)


def test_planes_are_suggested_where_the_rims_run() -> None:
    assert suggested(car("")) == Closing()
    assert suggested(car("hole")) == Closing()
    both = suggested(car("floor front", 2))
    assert both.floor_m == pytest.approx(0.24, abs=0.03)
    assert both.front_m == pytest.approx(0.6, abs=0.05)
    assert suggested(car("floor")).front_m is None
    assert suggested(car("front")).floor_m is None


def test_half_a_scan_will_do_for_a_half_model() -> None:
    scan = car("floor front")
    left = scan.subset(scan.corners[:, :, 1].max(axis=1) > -0.03)
    closing = Closing(0.2, 0.6)
    grid = space_grid([], left, 0.05, ROOM, half="left", closing=closing)
    full = space_grid([], scan, 0.05, ROOM, half="left", closing=closing)
    np.testing.assert_array_equal(grid.label, full.label)
    assert body_volume(grid) == pytest.approx(0.5 * 1.3 * 0.8, rel=0.08)
    right = space_grid([], left, 0.05, ROOM, half="right", closing=closing)
    assert body_volume(right) < 0.1 * body_volume(grid)


def test_scanned_road_is_road() -> None:
    road = mesh_of(trimesh.creation.box(bounds=[[-0.9, -0.9, -0.001], [0.9, 0.9, 0.002]]))
    grid = space_grid([], join([car(""), road]), 0.05, ROOM)
    np.testing.assert_array_equal(grid.cell, space_grid([], car(""), 0.05, ROOM).cell)


def test_a_closed_body_that_stands_on_the_road_is_solid() -> None:
    """Its underside goes with the scanned road, and no air comes up through that."""
    for low in (-0.1, 0.0, 0.005):
        block = mesh_of(trimesh.creation.box(bounds=[[-0.4, -0.3, low], [0.4, 0.3, 0.5]]))
        assert body_volume(space_grid([], block, 0.05, ROOM)) == pytest.approx(0.8 * 0.6 * 0.5)


def test_road_lies_half_way_under_the_first_layer_and_counts_beside_a_part() -> None:
    block = mesh_of(trimesh.creation.box(bounds=[[-0.33, -0.33, -0.1], [0.33, 0.33, 0.42]]))
    grid = space_grid([("block", block)], None, 0.1, ROOM)
    assert (grid.label[:, :, 0] == -1).all()
    assert grid.origin_m[2] == pytest.approx(-0.1)
    low = grid.cell % grid.size[2] == 1
    down = of_steps(np.array([[0, 0, -1]]))[0]
    assert low.any()
    assert (grid.q[low, down] == 0.5).all()
    assert (grid.part[low, down] == -1).all()
    top = grid.cell % grid.size[2] == 5
    assert (grid.part[~low & ~top, down] == 0).all()


# --- finer cells near a part over the body -------------------------------------------------------------------


SMALL = mesh_of(trimesh.creation.box((0.07, 0.1, 0.05)))


def over(height: float, x: float = 0.0) -> TriMesh:
    """A small block whose middle is at x and that height."""
    return TriMesh(SMALL.points + [x, 0.013, height], SMALL.triangles)


def beside(fine: FlowGrid, even: FlowGrid) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Labels of ``even`` cells where ``fine`` ones lie, and walls of both there, without those of the outermost."""
    start = np.rint((fine.origin_m - even.origin_m) / fine.spacing_m).astype(int)
    box = tuple(slice(a, a + n) for a, n in zip(start, fine.size, strict=True))
    inner = (slice(1, -1),) * 3
    return even.label[box], walls(fine)[inner], walls(even)[box][inner]


@pytest.mark.parametrize("half", [None, "left"])
@pytest.mark.parametrize("seed", [1, 5])
def test_a_closed_body_is_the_same_on_finer_cells_in_a_box(seed: int, half: str | None) -> None:
    """However the box cuts it, every level has the labels and walls of even cells of its size."""
    body, h = lump(seed), 0.08
    parts = [("block", over(1.75))]
    room = Box(np.array([-1.0, -1.0, 0.0]), np.array([1.0, 1.0, 2.56]))
    reaches = [Reach(0.4, 0.5, 0.45), Reach(0.2, 0.2, 0.2)]
    grid = space_grid(parts, body, h, room, half=half, reaches=reaches)
    assert len(grid.levels()) == 3
    for fine in grid.levels()[1:]:
        even = space_grid(parts, body, fine.spacing_m, room, half=half)
        label, found, truth = beside(fine, even)
        np.testing.assert_array_equal(fine.label, label)
        np.testing.assert_allclose(found, truth, atol=1e-5)
    crossed = grid.levels()[1].label == 2
    assert crossed.any()
    assert crossed[:, :, :4].any()
    assert not crossed.all()
    assert plan_space(parts, body, h, room, chord_m=0.07, bytes_per_cell=1.0, half=half, reaches=reaches).cells == sum(
        one.label.size for one in grid.levels()
    )


def test_what_the_coarser_cells_close_stays_closed_on_finer_ones() -> None:
    """A hole of 12 cm, not three of the coarse cells wide and more than five of the fine, in the roof of a block."""
    closing, h = Closing(hole_m=0.0), 0.045
    parts = [("block", over(1.2))]
    reaches = [Reach(0.25, 0.3, 0.25)]
    holed = space_grid(parts, car("hole"), h, ROOM, closing=closing, reaches=reaches).finer
    whole = space_grid(parts, car(""), h, ROOM, reaches=reaches).finer
    assert holed is not None
    assert whole is not None
    leaky = space_grid(parts, car("hole"), whole.spacing_m, ROOM, closing=closing)
    assert (beside(whole, leaky)[0] == 2).sum() < 0.5 * (whole.label == 2).sum()
    differs = np.flatnonzero((holed.label != whole.label).ravel()).astype(np.int32)
    # Within the hole's own half width of it.
    away = np.abs(from_flow(holed.middles(differs)) - [0.0, 0.0, 1.0])
    assert (away < [0.09, 0.09, 0.07]).all()


def test_a_body_without_floor_and_front_has_its_planes_on_finer_cells_too() -> None:
    closing, h = Closing(0.2, 0.6), 0.094
    parts = [("block", over(1.25, 0.45))]
    reaches = [Reach(0.48, 0.5, 0.48)]
    room = Box(np.array([-1.5, -1.5, 0.0]), np.array([1.5, 1.5, 2.0]))
    grid = space_grid(parts, car("floor front", 4), h, room, closing=closing, reaches=reaches)
    ends = [[-0.7, -0.5, 0.2], [0.6, 0.5, 1.0]]
    truth = space_grid(parts, mesh_of(trimesh.creation.box(bounds=ends)), h, room, reaches=reaches)
    assert grid.finer is not None
    assert truth.finer is not None
    assert np.count_nonzero(grid.finer.label != truth.finer.label) <= 4
    assert (grid.finer.label == 2).any()
    assert sum("closed it" in note for note in grid.notes) == 1


def test_finer_cells_lie_about_parts() -> None:
    reaches = [Reach(0.3, 0.3, 0.3)]
    with pytest.raises(InputError, match="Finer cells lie about the parts of the wing; give one"):
        space_grid([], car(""), 0.05, ROOM, reaches=reaches)
    # A body that does not come near them is known on the coarse cells alone.
    far = TriMesh(SMALL.points + [-0.7, -0.7, 0.2], SMALL.triangles)
    grid = space_grid([("block", over(1.3))], far, 0.05, ROOM, reaches=reaches)
    assert grid.finer is not None
    assert not (grid.finer.label == 2).any()
    assert (grid.label == 2).any()


# --- the plane ------------------------------------------------------------------------------------------------


def even_odd(polygon: np.ndarray, places: np.ndarray) -> np.ndarray:
    """W. R. Franklin's crossing count (from memory)."""
    inside = np.zeros(len(places), bool)
    for (xa, za), (xb, zb) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        with np.errstate(divide="ignore", invalid="ignore"):
            right = places[:, 0] < (xb - xa) * (places[:, 1] - za) / (zb - za) + xa
        inside ^= ((za > places[:, 1]) != (zb > places[:, 1])) & right
    return inside


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_polygons(seed: int, backwards: bool) -> None:
    rng = RNG(seed)
    angle = np.sort(rng.uniform(0.0, 2 * np.pi, 17))
    polygon = rng.uniform(0.3, 0.9, (17, 1)) * np.column_stack([np.cos(angle), np.sin(angle)])
    h = 0.083
    contour = polygon[::-1] if backwards else polygon
    grid = plane_grid([("it", contour)], h, (-1.0, -1.0), (1.0, 1.0))
    assert grid.size[1] == 1
    places = all_cells(grid)[:, [0, 2]]
    solid = grid.label.ravel() == 1
    inside = even_odd(polygon, places)
    assert solid[inside].all()
    plane = stencil("D2Q9")
    rows = np.full(grid.label.size, -1)
    rows[grid.cell] = np.arange(len(grid.cell))
    place = np.stack(np.unravel_index(np.arange(grid.label.size), grid.size))
    start, run = polygon, np.roll(polygon, -1, axis=0) - polygon
    for k, step in enumerate(plane.velocities[1:], 1):
        # Cramer's rule on every pair of link and side.
        d = h * step.astype(float)
        det = d[0] * run[:, 1] - d[1] * run[:, 0]
        off = start - places[:, None]
        t = (off[..., 0] * run[:, 1] - off[..., 1] * run[:, 0]) / det
        s = (off[..., 0] * d[1] - off[..., 1] * d[0]) / det
        expected = np.where((t >= 0) & (t <= 1) & (s >= 0) & (s <= 1), t, 2.0).min(axis=1)
        end = np.clip(place + plane.steps[k][:, None], 0, np.array(grid.size)[:, None] - 1)
        to_solid = solid[np.ravel_multi_index(tuple(end), grid.size)]
        # A pocket that the air cannot reach along the axes is solid too: behind a cut link or another such cell.
        assert ((expected <= 1.0) | to_solid)[solid & ~inside].all() or k > 4
        q = np.where(rows >= 0, grid.q[rows, k], 2.0)
        pocket = (expected > 1.0) & to_solid
        assert (q == 0.5)[~solid & pocket].all()
        assert np.abs(q - expected)[~solid & ~pocket].max() < 1e-6


def test_area_of_a_circle_converges() -> None:
    angle = np.linspace(0.0, 2 * np.pi, 720, endpoint=False)
    errors, widths = [], [0.1, 0.05, 0.025, 0.0125]
    for h in widths:
        off = []
        for seed in range(20):
            middle = RNG(seed).uniform(-0.1, 0.1, 2)
            circle = middle + 0.7 * np.column_stack([np.cos(angle), np.sin(angle)])
            grid = plane_grid([("it", circle)], h, (-1.0, -1.0), (1.0, 1.0))
            off.append((grid.label == 1).sum() * h**2 / (np.pi * 0.49) - 1.0)
        errors.append(float(np.sqrt(np.mean(np.square(off)))))
    # Gauss's circle problem with a random middle: the error falls with h^1.5 (Kendall 1948, from memory).
    assert np.polyfit(np.log(widths), np.log(errors), 1)[0] == pytest.approx(1.5, abs=0.35)


# --- bad input ------------------------------------------------------------------------------------------------


def test_bad_input_is_refused_in_words() -> None:
    ball = mesh_of(trimesh.creation.icosphere(2, 0.5))
    low, far = np.eye(4), np.eye(4)
    low[2, 3], far[:3, 3] = 1.0, [0.0, 0.8, 1.0]
    good = ball.transformed(low)
    with pytest.raises(InputError, match="“wing” reaches 0.3 m left of the domain"):
        space_grid([("wing", ball.transformed(far))], None, 0.1, ROOM)
    with pytest.raises(InputError, match="nothing to put into the flow"):
        space_grid([], None, 0.1, ROOM)
    with pytest.raises(InputError, match="one name"):
        space_grid([("a", good), ("a", good)], None, 0.1, ROOM)
    with pytest.raises(InputError, match="not numbers"):
        space_grid([("a", TriMesh(good.points * np.nan, good.triangles))], None, 0.1, ROOM)
    with pytest.raises(InputError, match="no room"):
        space_grid([("a", good)], None, 0.1, Box(ROOM.low, ROOM.low))
    with pytest.raises(InputError, match="too many"):
        space_grid([("a", good)], None, 0.0005, ROOM)
    with pytest.raises(InputError, match="give numbers"):
        space_grid([("a", good)], None, -1.0, ROOM)
    with pytest.raises(InputError, match="ahead of its front plane"):
        space_grid([], good, 0.1, ROOM, closing=Closing(front_m=-5.0))
    with pytest.raises(InputError, match="too many to tell apart"):
        space_grid([(str(n), good) for n in range(127)], None, 0.1, ROOM)
    square = np.array([[0.0, 0.0], [0.5, 0.0], [0.5, 0.5]])
    with pytest.raises(InputError, match="“up” reaches 0.5 m above"):
        plane_grid([("up", square + [0.0, 1.0])], 0.1, (-1, -1), (1, 1))
    with pytest.raises(InputError, match="three or more points"):
        plane_grid([("line", square[:2])], 0.1, (-1, -1), (1, 1))
    far = np.diag([0.5, 0.5, 0.5, 1.0])
    far[:3, 3] = [0.0, 0.5, 1.0]
    away = space_grid([("a", good), ("b", ball.transformed(far))], None, 0.1, ROOM, half="right")
    assert any("“b” lies wholly on the side" in note for note in away.notes)
    assert set(np.unique(away.label)) == {-1, 0, 1}


def test_open_part_is_told() -> None:
    ball = trimesh.creation.icosphere(3, 0.5)
    ball.apply_translation([0, 0, 1.0])
    mesh = mesh_of(ball)
    cup = mesh.subset(mesh.corners[:, :, 2].max(axis=1) < 1.1)
    closed = space_grid([("cup", cup)], None, 0.02, ROOM, closing=Closing(hole_m=1.1))
    # A ball of 0.5 m up to 0.1 m over its middle: pi h^2 (3 r - h) / 3 with h = 0.6; the rim is a facet lower.
    assert (closed.label == 1).sum() * 0.02**3 == pytest.approx(math.pi * 0.36 * 0.9 / 3, rel=0.1)
    grid = space_grid([("cup", cup)], None, 0.05, ROOM, closing=Closing(hole_m=0.3))
    assert [one.parts for one in grid.faults if "“cup” is open" in one.text] == [("cup",)]
    assert any("“cup” is open" in note for note in closed.notes)  # a hole that a cone closes
    assert closed.faults == ()
    assert (grid.label == 1).sum() < 200
    assert len(grid.cell) > 1000


# --- the plan -------------------------------------------------------------------------------------------------


def test_plan_tells_what_a_run_takes() -> None:
    one = mesh_of(trimesh.creation.box(bounds=[[-0.2, -0.5, 0.8], [0.2, 0.5, 0.9]]))
    two = mesh_of(trimesh.creation.box(bounds=[[-0.2, -0.5, 0.93], [0.2, 0.5, 1.0]]))
    mount = mesh_of(trimesh.creation.box(bounds=[[-0.01, -0.01, 0.3], [0.01, 0.01, 0.8]]))
    body = mesh_of(trimesh.creation.box(bounds=[[-0.3, -0.5, 0.1], [0.3, 0.5, 0.3]]))
    parts = [("one", one), ("two", two), ("mount", mount)]
    gap, between = space_gap(parts, body)
    assert gap == pytest.approx(0.03)  # the mount touches both, which is no gap
    assert set(between) == {"one", "two"}
    plan = plan_space(parts, body, 0.02, ROOM, chord_m=0.4, bytes_per_cell=100.0, updates_per_second=1e8,
                      memory_bytes=1e7)  # fmt: skip
    grid = space_grid(parts, body, 0.02, ROOM)
    assert plan.size == grid.size
    assert plan.cells == grid.label.size == 100 * 100 * 101
    assert plan.memory_bytes == 100 * plan.cells
    assert plan.seconds_per_step == pytest.approx(plan.cells / 1e8)
    assert plan.cells_on_chord == pytest.approx(20.0)
    assert plan.cells_in_gap == pytest.approx(1.5)
    # Seen from ahead: 1 m x (0.1 + 0.07 + 0.2) m and the mount, 20 mm x 0.5 m, of 2 m x 2 m and a layer of road.
    assert plan.blockage == pytest.approx((0.37 + 0.01) / 4.04, abs=0.01)
    assert sum("gap of 30 mm between “one” and “two” has 1.5 cells" in one.text for one in plan.faults) == 1
    assert sum("chord has 20 cells" in one.text for one in plan.faults) == 1
    assert sum("of the domain seen from ahead" in one.text for one in plan.faults) == 1
    assert sum("the card has 0.01 GB" in one.text for one in plan.faults) == 1
    wide = Box(np.array([-0.5, -3, 0.0]), np.array([0.5, 3, 3.0]))
    fine = plan_space(parts, body, 0.003, wide, chord_m=0.8, bytes_per_cell=100.0)
    assert fine.faults == ()
    assert fine.seconds_per_step is None
    with pytest.raises(InputError, match="chord is 0"):
        plan_space(parts, body, 0.02, ROOM, chord_m=0.0, bytes_per_cell=1.0)


def test_plan_of_the_plane() -> None:
    square = np.array([[0.0, 0.0], [0.5, 0.0], [0.5, 0.1], [0.0, 0.1]])
    diamond = np.array([[0.25, 0.14], [0.3, 0.19], [0.25, 0.24], [0.2, 0.19]])
    contours = [("one", square), ("two", diamond)]
    assert plane_gap(contours)[0] == pytest.approx(0.04)
    raised = [(name, c + [0.0, 0.02]) for name, c in contours]
    assert plane_gap(raised, road=True) == (pytest.approx(0.02), ("one", "road"))
    plan = plan_plane(contours, 0.004, (-1, -2), (2, 2), chord_m=0.5, bytes_per_cell=80.0)
    assert plan.cells == 750 * 1000
    assert plan.size == (750, 1, 1000)
    assert plan.cells_in_gap == pytest.approx(10.0)
    assert plan.blockage == pytest.approx(0.2 / 4.0, abs=0.001)
    assert plan_plane(contours, 0.02, (-1, -2), (2, 2), chord_m=0.5, bytes_per_cell=80.0, gap_m=0.3).gap_m == 0.3


def test_axes() -> None:
    # x aft, y right, z up from ISO 8855's x forward, y left, z up.
    assert to_flow(np.array([[1.0, 2.0, 3.0]])).tolist() == [[-1.0, -2.0, 3.0]]
    points = RNG(0).normal(size=(5, 3))
    np.testing.assert_array_equal(from_flow(to_flow(points)), points)
