"""The flow run's lattices, cells at walls, and the run in numpy as an engine."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wingfettle.core.errors import InputError
from wingfettle.core.flow.kernel import (
    AIR,
    EDGE,
    NO_WALL,
    ROAD,
    SOLID,
    WALL,
    Boundary,
    RunSetup,
    boundary,
)
from wingfettle.core.flow.reference import ReferenceEngine, ReferenceRun, equilibrium
from wingfettle.core.flow.shaders import (
    answered,
    bytes_per_update,
    force_arrays,
    kinds_texture,
    rows_texture,
    slice_arrays,
    sources,
    texels_of,
)
from wingfettle.core.flow.stencil import Stencil, stencil

PERIODIC = ("periodic",) * 6
LATTICES = ("D2Q9", "D3Q19")


def plane(nx: int, nz: int, **more: Any) -> RunSetup:
    values: dict[str, Any] = {"inlet_velocity": (0.0, 0.0, 0.0), "viscosity": 0.05, "faces": PERIODIC, **more}
    return RunSetup("D2Q9", (nx, 1, nz), **values)


def of_plane(lattice: Stencil, normal: np.ndarray, distance: float) -> np.ndarray:
    """(1, Q) shares at which links from the origin meet the plane behind, ``normal`` off it, ``distance`` away."""
    towards = -(lattice.steps @ normal)
    q = np.where(towards > 0.0, distance / np.where(towards > 0.0, towards, 1.0), NO_WALL)
    return np.where(q <= 1.0, q, NO_WALL)[None]


# --- lattices


@pytest.mark.parametrize("name", LATTICES)
def test_weights_have_the_moments_of_air_at_rest(name: str) -> None:
    """Isotropic to order five with a squared speed of sound of 1/3 (Maxwell's distribution; Qian et al. 1992)."""
    lattice = stencil(name)
    c, w = lattice.velocities.astype(float), lattice.weights
    one = np.eye(len(lattice.axes))
    assert w.sum() == pytest.approx(1.0, abs=1e-15)
    np.testing.assert_allclose(w @ c, 0.0, atol=1e-15)
    np.testing.assert_allclose(np.einsum("i,ia,ib->ab", w, c, c), one / 3.0, atol=1e-15)
    np.testing.assert_allclose(np.einsum("i,ia,ib,ic->abc", w, c, c, c), 0.0, atol=1e-15)
    pairs = np.einsum("ab,cd->abcd", one, one)
    isotropic = (pairs + pairs.transpose(0, 2, 1, 3) + pairs.transpose(0, 3, 2, 1)) / 9.0
    np.testing.assert_allclose(np.einsum("i,ia,ib,ic,id->abcd", w, c, c, c, c), isotropic, atol=1e-15)
    np.testing.assert_allclose(np.einsum("i,ia,ib,ic,id,ie->abcde", w, c, c, c, c, c), 0.0, atol=1e-15)


@pytest.mark.parametrize(("name", "directions", "axes"), [("D2Q9", 9, (0, 2)), ("D3Q19", 19, (0, 1, 2))])
def test_directions_come_in_pairs_of_opposites(name: str, directions: int, axes: tuple[int, ...]) -> None:
    lattice = stencil(name)
    assert lattice.directions == directions == len(np.unique(lattice.steps, axis=0))
    assert lattice.axes == axes
    np.testing.assert_array_equal(lattice.steps[:, axes], lattice.velocities)
    np.testing.assert_array_equal(lattice.steps[lattice.opposite], -lattice.steps)
    np.testing.assert_array_equal(lattice.opposite[lattice.opposite], np.arange(directions))
    assert all(abs(lattice.opposite[i] - i) == 1 for i in range(1, directions))
    np.testing.assert_array_equal(lattice.weights[lattice.opposite], lattice.weights)


@pytest.mark.parametrize("name", LATTICES)
def test_moments_tell_all_distributions(name: str) -> None:
    lattice = stencil(name)
    moments = np.prod(lattice.velocities[None] ** lattice.powers[:, None], axis=2)
    np.testing.assert_array_equal(lattice.rebuild @ moments, np.eye(lattice.directions))


@pytest.mark.parametrize("name", LATTICES)
def test_equilibrium_is_maxwells_to_second_order(name: str) -> None:
    """Product form's moments: density, momentum, pressure 1/3 and momentum's flow; at rest the weights themselves."""
    lattice = stencil(name)
    speed = np.zeros((3, 1))
    speed[list(lattice.axes), 0] = (0.03, -0.05, 0.02)[: len(lattice.axes)]
    f = equilibrium(lattice, np.array([0.02]), speed)[:, 0] + lattice.weights
    c = lattice.steps.astype(float)
    assert f.sum() == pytest.approx(1.02, abs=1e-15)
    np.testing.assert_allclose(c.T @ f, 1.02 * speed[:, 0], atol=1e-15)
    expected = 1.02 * (np.diag(np.isin(range(3), lattice.axes) / 3.0) + speed @ speed.T)
    np.testing.assert_allclose(np.einsum("i,ia,ib->ab", f, c, c), expected, atol=1e-15)
    still = equilibrium(lattice, np.array([0.02]), np.zeros((3, 1)))[:, 0]
    np.testing.assert_allclose(still, 0.02 * lattice.weights, atol=1e-15)


def test_a_lattice_that_is_not_there() -> None:
    with pytest.raises(InputError, match=r"There is no lattice 'D3Q27': choose one of D2Q9, D3Q19\."):
        stencil("D3Q27")


def test_bytes_of_an_update() -> None:
    """A direction in and out of 4 bytes each, and the kind: 9 * 8 + 1 and 19 * 8 + 1."""
    assert bytes_per_update(plane(4, 4)) == 73
    assert bytes_per_update(RunSetup("D3Q19", (4, 4, 4), (0, 0, 0), 0.1)) == 153


# --- cells at walls


def test_a_block_in_a_periodic_plane() -> None:
    """A solid of two by one cells: 10 cells touch it, and each of its 2 cells is met by the links of its neighbours."""
    label = np.zeros((8, 1, 6), np.int8)
    label[3:5, 0, 2] = 1
    edges = boundary(plane(8, 6), label)
    assert edges.parts == 1
    assert (edges.kind == SOLID).sum() == 2
    around = np.zeros((8, 1, 6), bool)
    around[2:6, 0, 1:4] = True
    np.testing.assert_array_equal(edges.kind == EDGE, around & (label == 0))
    np.testing.assert_array_equal(np.sort(edges.cell), np.flatnonzero(edges.kind == EDGE))
    # 16 links lead into two cells that share a face, less the two between them.
    assert ((edges.q == 0.5) & (edges.part == 1)).sum() == 14
    assert ((edges.q == NO_WALL) == (edges.part == 0)).all()
    lattice = stencil("D2Q9")
    for row, cell in enumerate(edges.cell):
        place = np.array(np.unravel_index(cell, (8, 1, 6)))
        for i in range(1, 9):
            assert (label[tuple(place + lattice.steps[i])] == 1) == (edges.part[row, i] == 1)


def test_walls_and_road_at_the_faces() -> None:
    faces = ("periodic", "periodic", "periodic", "periodic", "road", "wall")
    edges = boundary(plane(5, 4, faces=faces, road_speed=0.02))
    z = edges.cell % 4
    assert set(z) == {0, 3}
    assert edges.parts == 0
    down = stencil("D2Q9").steps[:, 2] < 0
    np.testing.assert_array_equal(edges.part[z == 0], np.tile(np.where(down, ROAD, 0), (5, 1)))
    up = stencil("D2Q9").steps[:, 2] > 0
    np.testing.assert_array_equal(edges.part[z == 3], np.tile(np.where(up, WALL, 0), (5, 1)))
    np.testing.assert_allclose(edges.normal[z == 0], np.tile([0.0, 0.0, 1.0], (5, 1)), atol=1e-9)
    np.testing.assert_allclose(edges.distance, 0.5, rtol=1e-9)


def test_a_wall_between_two_cells_of_air() -> None:
    """A plate thinner than a cell has links on both its sides and no solid cell."""
    lattice = stencil("D2Q9")
    up, down = (int(np.flatnonzero((lattice.steps == (0, 0, s)).all(axis=1))[0]) for s in (1, -1))
    q, part = np.full((2, 9), NO_WALL), np.zeros((2, 9), np.int8)
    q[0, up], q[1, down], part[0, up], part[1, down] = 0.3, 0.7, 1, 1
    edges = boundary(plane(6, 6), np.zeros((6, 1, 6), np.int8), np.array([2 * 6 + 2, 2 * 6 + 3]), q, part)
    assert edges.parts == 1
    np.testing.assert_array_equal(edges.cell, [14, 15])
    np.testing.assert_allclose(edges.q[:, [up, down]], [[0.3, NO_WALL], [NO_WALL, 0.7]], rtol=1e-6)
    np.testing.assert_allclose(edges.normal, [[0, 0, -1], [0, 0, 1]], atol=1e-6)
    np.testing.assert_allclose(edges.distance, [0.3, 0.7], rtol=1e-6)


@given(st.sampled_from(LATTICES), st.floats(-1, 1), st.floats(0, 6.28), st.floats(0.05, 0.6))
@settings(max_examples=80, deadline=None)
def test_the_plane_off_which_a_cell_lies_is_found(name: str, height: float, turn: float, distance: float) -> None:
    """Exact for a flat wall that enough links meet, whichever way it leans."""
    lattice = stencil(name)
    level = np.sqrt(1.0 - height**2)
    normal = np.array([level * np.cos(turn), level * np.sin(turn), height])
    if name == "D2Q9":
        normal = np.array([np.cos(turn), 0.0, np.sin(turn)])
    q = of_plane(lattice, normal, distance)
    met = lattice.steps[q[0] <= 1.0]
    if np.linalg.matrix_rank(met) < len(lattice.axes):
        return
    setup = RunSetup(name, (3, 1 if name == "D2Q9" else 3, 3), (0, 0, 0), 0.1, faces=PERIODIC)
    middle = np.array([np.prod(setup.size) // 2])
    edges = boundary(setup, None, middle, q, (q <= 1.0).astype(np.int8))
    row = int(np.flatnonzero(edges.cell == middle[0])[0])
    np.testing.assert_allclose(edges.normal[row], normal, atol=2e-5)
    assert edges.distance[row] == pytest.approx(distance, rel=2e-5)


def links(cell: int, share: float = 0.5) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    q = np.full((1, 9), NO_WALL)
    q[0, 1] = share
    return np.array([cell]), q, (q <= 1.0).astype(np.int8)


@pytest.mark.parametrize(
    ("given_arrays", "sentence"),
    [
        ((np.zeros((4, 1, 5), np.int8),), r"The grid has \(4, 1, 5\) cells, the run \(4, 1, 4\): make them alike\."),
        ((np.ones((4, 1, 4), np.int8),), "no air cell: enlarge the domain or check that the meshes are not inside out"),
        ((None, np.array([1]), np.full((1, 5), 2.0)), "Links of 1 cells in 9 directions do not have the shape"),
        ((None, *links(16)), "A link starts at a cell that is not air"),
        ((np.eye(4, dtype=np.int8)[:, None], *links(0)), "A link starts at a cell that is not air"),
        ((None, *links(3, -0.1)), "negative share of a link"),
        ((None, *links(3, float("nan"))), "negative share of a link"),
    ],
)
def test_grids_that_do_not_fit(given_arrays: tuple[Any, ...], sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        boundary(plane(4, 4), *given_arrays)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"size": (4, 2, 4)}, "A D2Q9 run cannot have .* cells: give x, y, z, in the plane y = 1"),
        ({"size": (0, 1, 4)}, "cannot have"),
        ({"inlet_velocity": (0.08, 0.0, 0.08)}, "Wind or road at 0.113137 cells a step is too fast: set at most 0.1"),
        ({"inlet_velocity": (float("nan"), 0.0, 0.0)}, "too fast"),
        ({"road_speed": -0.2}, "too fast"),
        ({"viscosity": 0.0}, "A viscosity of 0 cells squared a step cannot be run: set it above 0"),
        ({"viscosity": float("inf")}, "cannot be run"),
        ({"smagorinsky": -0.1}, "A Smagorinsky constant of -0.1 cannot be run: set 0 to 0.5"),
        ({"sponge": (-1, 0, 0)}, r"Sponges of \(-1, 0, 0\) cells cannot be laid"),
        ({"faces": ("far",) * 5}, "A domain has six faces, not 5"),
        ({"faces": ("mirror",) + ("far",) * 5}, "The face low x cannot be 'mirror'"),
        ({"faces": ("periodic",) + ("far",) * 5}, "The faces low x and high x are periodic both or neither"),
        ({"faces": ("symmetry", "symmetry") + ("far",) * 4}, "A run has one mirror at most"),
    ],
)
def test_set_ups_that_cannot_be_run(changes: dict[str, Any], sentence: str) -> None:
    values: dict[str, Any] = {"stencil": "D2Q9", "size": (4, 1, 4), "inlet_velocity": (0.05, 0, 0), "viscosity": 0.1}
    with pytest.raises(InputError, match=sentence):
        RunSetup(**{**values, **changes}).checked()


def test_every_shader_is_written_for_every_set_up() -> None:
    """Names that nobody sets would stop the driver: each shader's images and textures stand in its text."""
    for name, size in (("D2Q9", (8, 1, 6)), ("D3Q19", (8, 7, 6))):
        for more in ({}, {"wall_function": True, "smagorinsky": 0.1, "sponge": (2, 2, 2), "road_speed": 0.05}):
            setup = RunSetup(name, size, (0.05, 0.0, 0.0), 0.01, symmetry=name == "D3Q19", **more)  # type: ignore[arg-type]
            made = sources(setup, boundary(setup))
            assert set(made) >= {"init", "keep", "step0", "step1", "edge0", "edge1", "reduce", "total", "slice0"}
            for shader in made.values():
                # Eight images are what OpenGL 4.3 grants a compute shader at least.
                assert len(shader.images) <= 8
                for wanted in [image[3] for image in shader.images] + [sampler[2] for sampler in shader.samplers]:
                    assert wanted in shader.source


@pytest.mark.parametrize(
    ("name", "size", "texels"),
    [("D2Q9", (10, 1, 5), (3, 5, 1)), ("D3Q19", (10, 5, 4), (3, 5, 4)), ("D2Q9", (3, 1, 5), (1, 5, 1))],
)
def test_texels_hold_cells_a_quarter_of_the_width_apart(
    name: str, size: tuple[int, int, int], texels: tuple[int, int, int]
) -> None:
    """Each cell's kind and number found where it has to be, and nothing but what is solid beyond."""
    setup = RunSetup(name, size, (0.05, 0.0, 0.0), 0.1)
    label = np.zeros(size, np.int8)
    label[1:3, size[1] // 2, 2] = 1
    edges = boundary(setup, label)
    assert texels_of(setup) == texels
    width, height, layers = texels
    kinds = np.rint(255.0 * kinds_texture(setup, edges)).reshape(layers, height, width, 4)
    rows = rows_texture(setup, edges).reshape(layers, height, width, 4)
    number = {int(cell): row for row, cell in enumerate(edges.cell)}
    for x in range(4 * width):
        for y, z in np.ndindex(size[1:]):
            at = (*((0, z) if layers == 1 else (z, y)), x % width, x // width)
            assert kinds[at] == (edges.kind[x, y, z] if x < size[0] else SOLID)
            if x < size[0] and edges.kind[x, y, z] == EDGE:
                assert rows[at] == number[int(np.ravel_multi_index((x, y, z), size))]


def test_edge_cells_come_by_what_is_at_them_then_as_they_lie_in_the_textures() -> None:
    setup = RunSetup("D3Q19", (9, 7, 6), (0.05, 0.0, 0.0), 0.1, road_speed=0.05)
    label = np.zeros(setup.size, np.int8)
    label[4, 3, 3] = 1
    edges = boundary(setup, label)
    at_part, at_wall = (edges.part > 0).any(axis=1), (edges.part != 0).any(axis=1)
    assert edges.walled == 18
    assert at_part[:18].all()
    assert not at_part[18:].any()
    # The road lies under 9 by 7 cells, of which none has the part's cell as neighbour.
    assert at_wall[: 18 + 63].all()
    assert not at_wall[18 + 63 :].any()
    x, y, z = np.unravel_index(edges.cell, setup.size)
    place = (z * 7 + y) * 9 + x
    for group in (place[:18], place[18:81], place[81:]):
        assert (np.diff(group) > 0).all()


def test_a_run_periodic_along_x_has_whole_texels() -> None:
    setup = plane(6, 5)
    with pytest.raises(InputError, match=r"periodic along x cannot have 6 cells along it: take a multiple of 4 cells"):
        sources(setup, boundary(setup))
    open_ends = plane(6, 5, faces=("inlet", "outlet", *PERIODIC[2:]))
    assert sources(open_ends, boundary(open_ends))


# --- the run in numpy as an engine


def block(setup: RunSetup) -> Boundary:
    label = np.zeros(setup.size, np.int8)
    nx, ny, nz = setup.size
    label[nx // 3 : nx // 3 + 3, ny // 3 : ny // 3 + 3, nz // 3 : nz // 3 + 2] = 1
    return boundary(setup, label)


def test_engine_means_forces_over_its_interval() -> None:
    setup = RunSetup("D2Q9", (16, 1, 12), (0.05, 0.0, 0.0), 0.02)
    edges = block(setup)
    every = ReferenceRun(setup, edges).advance(14)
    engine = ReferenceEngine(setup, 4)
    engine.start(edges)
    got = np.concatenate([engine.advance(3), engine.advance(11)])
    assert engine.steps == 14
    np.testing.assert_allclose(got, every[:12].reshape(3, 4, 1, 3).mean(axis=1), rtol=1e-12)
    np.testing.assert_array_equal(engine.forces(), got[-1])
    assert engine.rate() > 0.0
    assert engine.seconds > 0.0
    assert engine.name == "numpy"


def test_engine_slices_and_means_are_its_fields() -> None:
    setup = RunSetup("D3Q19", (9, 8, 7), (0.05, 0.0, 0.0), 0.02)
    engine = ReferenceEngine(setup)
    edges = block(setup)
    grid = SimpleNamespace(label=np.where(edges.kind == SOLID, 1, 0), cell=None, q=None, part=None, finer=None)
    engine.upload(grid)
    engine.advance(3)
    first = engine.fields()
    engine.average()
    engine.advance(2)
    second = engine.fields()
    engine.average()
    mean = engine.mean_fields()
    for n in range(2):
        np.testing.assert_allclose(mean[n], 0.5 * (first[n] + second[n]), rtol=1e-12, atol=1e-16)
    density, velocity = engine.slice(1, 2)
    assert density.shape == (7, 9)
    assert velocity.shape == (3, 7, 9)
    assert density[6, 8] == second[0][8, 2, 6]
    assert (velocity[:, 6, 8] == second[1][:, 8, 2, 6]).all()
    assert engine.slice(0, 3)[0].shape == (7, 8)
    assert engine.slice(2, 3)[0].shape == (8, 9)
    assert (engine.edges.kind >= AIR).sum() == 9 * 8 * 7 - 18
    assert len(engine.advance_for(0.01)) >= 1


def test_engine_says_what_is_missing() -> None:
    setup = plane(6, 6)
    engine = ReferenceEngine(setup)
    for asked in (lambda: engine.advance(1), engine.fields, engine.forces):
        with pytest.raises(InputError, match="has no grid yet: upload one first"):
            asked()
    engine.start(boundary(setup))
    with pytest.raises(InputError, match="no mean flow yet: let it go on"):
        engine.mean_fields()
    for axis, index in ((1, 1), (1, -1), (0, 0), (3, 0)):
        with pytest.raises(InputError, match=f"no layer {index} of cells across axis {axis}"):
            engine.slice(axis, index)
    with pytest.raises(InputError, match="every 0 steps: give 1 or more"):
        ReferenceEngine(setup, 0)
    with pytest.raises(InputError, match=r"The start has not the run's \(6, 1, 6\) cells"):
        engine.start(boundary(setup), np.ones((6, 1, 5)))


def test_a_run_that_blows_up_says_so() -> None:
    setup = plane(6, 6)
    engine = ReferenceEngine(setup)
    density = np.ones((6, 1, 6))
    density[3, 0, 3] = float("nan")
    engine.start(boundary(setup), density)
    with pytest.raises(InputError, match=r"The run has blown up: set more viscosity, .* or a lower speed\."):
        engine.advance(2)


def test_textures_are_read_whichever_way_their_strides_are_told() -> None:
    """Blender 4 hands out an array's numbers in the order of C and says that they lie in that of Fortran."""
    setup = RunSetup("D2Q9", (5, 1, 3), (0.05, 0.0, 0.0), 0.1)
    told = np.random.default_rng(2).normal(size=(3, 5, 4)).astype(np.float32)
    wrong = np.frombuffer(told.tobytes(), np.float32).reshape(told.shape, order="F")
    for seen, wanted in zip(slice_arrays(setup, wrong), slice_arrays(setup, told), strict=True):
        np.testing.assert_array_equal(seen, wanted)
    assert slice_arrays(setup, told)[1][2, 2, 4] == told[2, 4, 1]
    told[:, :, 3] = 7.0
    wrong = np.frombuffer(told.tobytes(), np.float32).reshape(told.shape, order="F")
    assert answered(wrong, 5, 7.0)
    assert not answered(wrong, 5, 8.0)
    np.testing.assert_array_equal(force_arrays(setup, wrong, 4), force_arrays(setup, told, 4))
