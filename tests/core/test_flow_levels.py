"""Levels with finer cells: what they hand each other, against exact flows and against even cells."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from wingfettle.core.errors import InputError
from wingfettle.core.flow.grid import BODY, BORDER, FlowGrid, Frame, Reach, finer_frames, plane_grid, space_grid
from wingfettle.core.flow.kernel import AIR, COARSER, FINER, OVERLAP, RunSetup
from wingfettle.core.flow.levels import corner_of, held, levels, run_on, updates
from wingfettle.core.flow.reference import ReferenceEngine, ReferenceLevels
from wingfettle.core.flow.scaling import scaling
from wingfettle.core.flow.slices import MOST_WIDE, flow_slice
from wingfettle.core.flow.stencil import stencil
from wingfettle.core.geometry.box import Box
from wingfettle.core.geometry.mesh import TriMesh

PERIODIC = ("periodic",) * 6


def empty(frame: Frame, *finer: Frame) -> FlowGrid:
    """Air alone on levels."""
    directions = stencil("D2Q9" if frame.size[1] == 1 else "D3Q19").directions
    label = np.zeros(frame.size, np.int8)
    if frame.road:
        label[:, :, 0] = -1
    return FlowGrid(
        frame.spacing, frame.origin, frame.size, label, (), np.zeros(0, np.int32),
        np.zeros((0, directions), np.float32), np.zeros((0, directions), np.int8),
        finer=empty(*finer) if finer else None,
    )  # fmt: skip


def unit_box(n: int, plane: bool, count: int) -> FlowGrid:
    """A box of edge 1 of n cells, with finer levels about its middle."""
    h = 1.0 / n
    frame = Frame(h, np.array([0.0, -0.5 * h if plane else 0.0, 0.0]), (n, 1 if plane else n, n), False, False)
    middle = np.array([0.5, 0.0 if plane else 0.5, 0.5])
    return empty(frame, *finer_frames(frame, middle, middle, [Reach(0.25, 0.25, 0.25), Reach(0.1, 0.1, 0.1)][:count]))


def vortices(grid: FlowGrid, speed: float, decay: float) -> tuple[np.ndarray, np.ndarray]:
    """Density and velocity of Taylor and Green's decaying vortices, one wave over the box, in x and z."""
    x, _, z = grid.middles(np.arange(grid.label.size, dtype=np.int32)).T.reshape(3, *grid.size)
    k, u = 2.0 * np.pi, speed * decay
    velocity = np.stack([u * np.sin(k * x) * np.cos(k * z), 0.0 * x, -u * np.cos(k * x) * np.sin(k * z)])
    return 1.0 + 0.75 * u**2 * (np.cos(2.0 * k * x) + np.cos(2.0 * k * z)), velocity


def off_taylor_green(n: int, count: int, name: str = "D2Q9") -> list[float]:
    """Relative error of the velocity by level, after vortices of one speed and Reynolds number have decayed alike."""
    speed, viscosity = 0.03, 0.01 * n / 32.0
    grid = unit_box(n, name == "D2Q9", count)
    setup = RunSetup(name, grid.size, (0.0, 0.0, 0.0), viscosity, faces=PERIODIC)
    made = levels(setup, grid)
    run = ReferenceLevels(made, starts=[vortices(g, speed, 1.0) for g in grid.levels()])
    steps = 10 * n
    run.advance(steps)
    decay = np.exp(-2.0 * viscosity * (2.0 * np.pi / n) ** 2 * steps)
    found = []
    for one, level, g in zip(run.runs, made, grid.levels(), strict=True):
        exact = vortices(g, speed, float(decay))[1]
        square = ((one.fields()[1] - exact) ** 2).sum(axis=0)[level.edges.kind >= AIR].mean()
        found.append(float(np.sqrt(square / (exact**2).sum(axis=0).mean())))
    return found


def test_decaying_vortices_through_finer_cells() -> None:
    """Exact: Taylor & Green, "Mechanism of the production of small eddies from large ones", 1937. The error falls with
    the square of the cell, and is no more than a third above that of even coarse cells."""
    even = [off_taylor_green(n, 0)[0] for n in (16, 32)]
    one = [max(off_taylor_green(n, 1)) for n in (16, 32)]
    two = max(off_taylor_green(32, 2))
    assert np.log2(one[0] / one[1]) > 1.8
    assert one[1] < 4.0 / 3.0 * even[1] + 0.002
    assert two < 4.0 / 3.0 * even[1] + 0.004
    assert even[1] > 1e-3


def test_decaying_vortices_in_space() -> None:
    assert max(off_taylor_green(16, 1, "D3Q19")) < 1.5 * off_taylor_green(16, 0)[0]


def test_a_stream_goes_through_unchanged() -> None:
    grid = unit_box(24, True, 2)
    setup = RunSetup("D2Q9", grid.size, (0.05, 0.0, 0.02), 1e-3, faces=PERIODIC, smagorinsky=0.1)
    run = ReferenceLevels(levels(setup, grid))
    run.advance(40)
    for one in run.runs:
        density, velocity = one.fields()
        air = one.edges.kind >= AIR
        assert np.abs(density - 1.0).max() < 1e-14
        assert np.abs(velocity[:, air] - np.array([0.05, 0.0, 0.02])[:, None]).max() < 1e-14


def test_sound_goes_in_and_out_without_an_echo() -> None:
    """Where a pulse has gone on over even cells it leaves still air; so it does, to a hundredth, over finer ones."""
    n = 96
    found = []
    for count in (0, 1):
        grid = unit_box(n, True, count)
        setup = RunSetup("D2Q9", grid.size, (0.0, 0.0, 0.0), 1e-3, faces=PERIODIC)
        starts = []
        for g in grid.levels():
            x = (g.origin_m[0] + g.spacing_m * (np.arange(g.size[0]) + 0.5))[:, None, None] + np.zeros(g.size)
            pulse = 0.01 * np.exp(-(((x - 0.12) * n / 8.0) ** 2))
            # One that runs to the right: speed of sound times its strength.
            starts.append((1.0 + pulse, np.stack([pulse / np.sqrt(3.0), 0.0 * x, 0.0 * x])))
        run = ReferenceLevels(levels(setup, grid), starts=starts)
        run.advance(int(0.8 * n * np.sqrt(3.0)))
        found.append(run.runs[0].fields()[0])
    quiet = np.abs(found[0] - 1.0) < 5e-5
    quiet[n // 4 : -n // 4, :, n // 4 : -n // 4] = False
    assert found[0].max() > 1.005
    assert quiet.sum() > 0.15 * quiet.size
    assert np.abs(found[1] - 1.0)[quiet].max() < 0.015 * 0.01


def circle(n: int = 240) -> np.ndarray:
    turn = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    return np.column_stack([0.5 * np.cos(turn), 0.5 * np.sin(turn)])


def test_force_on_a_cylinder_is_that_on_even_fine_cells() -> None:
    """Started at once at Re 40; both see the start-up and the growing wake alike."""
    n, speed = 16, 0.08
    low, high = (-3.0, -3.0), (5.0, 3.0)
    even = plane_grid([("cylinder", circle())], 1.0 / n, low, high)
    nested = plane_grid([("cylinder", circle())], 2.0 / n, low, high, reaches=[Reach(0.7, 1.2, 0.7)])
    assert nested.finer is not None
    forces = []
    for grid, per in ((nested, 0.5), (even, 1.0)):
        sponge = int(n * per)
        setup = RunSetup("D2Q9", grid.size, (speed, 0.0, 0.0), speed * n * per / 40.0, sponge=(sponge, sponge, sponge))
        engine = ReferenceEngine(setup, int(n * per))
        engine.upload(grid)
        found = engine.advance(int(3.0 * n * per / speed))[:, 0]
        # Over dynamic pressure and diameter; each unit of force is one of its own cells.
        forces.append(found / (0.5 * speed**2 * n * per))
    late = [f[len(f) // 2 :, 0] for f in forces]
    assert late[1].mean() > 1.0
    np.testing.assert_allclose(late[0].mean(), late[1].mean(), rtol=0.025)
    assert abs(forces[0][:, 2]).max() < 0.02


def test_kinds_of_cells_where_levels_meet() -> None:
    grid = unit_box(32, True, 1)
    setup = RunSetup("D2Q9", grid.size, (0.0, 0.0, 0.0), 0.01, faces=PERIODIC)
    outer, inner = levels(setup, grid)
    assert tuple(corner_of(grid)) == (16, 0, 16)
    across = outer.edges.kind[:, 0, 16]
    # From outside: plain, two layers that the inner level reads, two inside that it reads too, the one taken, none.
    np.testing.assert_array_equal(across[:13], [1] * 6 + [2] * 4 + [2, 0, 0])
    assert (outer.edges.comes == FINER).sum() == 4 * (16 - 2 * OVERLAP) - 4
    assert (inner.edges.comes == COARSER).sum() == 4 * 32 - 4
    assert inner.setup.viscosity == pytest.approx(0.02)
    assert inner.setup.face_kinds() == ("coarser", "coarser", "periodic", "periodic", "coarser", "coarser")
    assert outer.inner is not None
    np.testing.assert_allclose(outer.inner.weight.sum(axis=1), 1.0)
    np.testing.assert_allclose(outer.inner.share.sum(axis=1), 1.0)
    hollow = (16 - 2 * OVERLAP - 2) ** 2
    assert updates((outer, inner)) == 32 * 32 - hollow + 2 * 32 * 32


def test_parabolas_are_handed_on_exactly() -> None:
    grid = unit_box(32, True, 1)
    outer, inner = levels(RunSetup("D2Q9", grid.size, (0.0, 0.0, 0.0), 0.01, faces=PERIODIC), grid)
    joined = outer.inner
    assert joined is not None
    assert grid.finer is not None

    def parabola(g: FlowGrid, cell: np.ndarray) -> np.ndarray:
        x, _, z = g.middles(cell).T
        return 1.0 + 2.0 * x - z + 3.0 * x * x - 2.0 * z * z + x * z

    given = parabola(grid, outer.edges.cell[joined.sources])[joined.slot]
    np.testing.assert_allclose(
        (given * joined.weight).sum(axis=1), parabola(grid.finer, inner.edges.cell[joined.given])
    )
    taken = (parabola(grid.finer, joined.cell.ravel()).reshape(joined.cell.shape) * joined.share).sum(axis=1)
    np.testing.assert_allclose(taken, parabola(grid, outer.edges.cell[joined.taken]))


def test_finer_cells_end_with_road_and_mirror() -> None:
    frame = Frame(0.1, np.array([0.0, 0.0, -0.1]), (40, 20, 21), True, True)
    low, high = np.array([1.5, 0.0, 0.3]), np.array([2.0, 0.5, 0.5])
    (inner,) = finer_frames(frame, low, high, [Reach(0.6, 0.6, 0.6)])
    assert inner.road
    assert inner.half
    np.testing.assert_allclose(inner.origin, [0.9, 0.0, -0.05])
    grid = empty(frame, inner)
    outer, finer = levels(RunSetup("D3Q19", frame.size, (0.05, 0, 0), 1e-3, road_speed=0.05, symmetry=True), grid)
    assert finer.setup.face_kinds() == ("coarser", "coarser", "symmetry", "coarser", "road", "coarser")
    run = ReferenceLevels((outer, finer))
    run.advance(12)
    for one in run.runs:
        density, velocity = one.fields()
        air = one.edges.kind >= AIR
        # A road that goes with the wind changes nothing.
        assert np.abs(velocity[0][air] - 0.05).max() < 1e-12
        assert np.abs(density - 1.0).max() < 1e-12


def test_what_cannot_be_nested() -> None:
    frame = Frame(0.1, np.zeros(3), (40, 1, 40), False, False)
    near = np.array([0.3, 0.0, 2.0])
    with pytest.raises(InputError, match=r"too near the ends of the cells of level 1; make the domain larger"):
        finer_frames(frame, near, near, [Reach(0.5, 0.5, 0.5)])
    middle = np.array([2.0, 0.0, 2.0])
    with pytest.raises(InputError, match=r"too near the ends of the cells of level 1"):
        finer_frames(frame, middle - 0.5, middle + 0.5, [Reach(0.1, 0.1, 0.1)])
    grid = unit_box(32, True, 1)
    with pytest.raises(InputError, match="too thick for finer cells"):
        levels(RunSetup("D2Q9", grid.size, (0.0, 0.0, 0.0), 0.08, faces=PERIODIC), grid)
    assert BORDER > OVERLAP


@pytest.mark.parametrize("n", [40, MOST_WIDE // 2])
def test_slice_of_all_levels_shows_one_field(n: int) -> None:
    """A field that rises evenly is one field in the picture of all levels, finer ones told by means where need be."""
    grid = unit_box(n, True, 2)
    layers = []
    for g in grid.levels():
        x = g.origin_m[0] + g.spacing_m * (np.arange(g.size[0]) + 0.5)
        z = g.origin_m[2] + g.spacing_m * (np.arange(g.size[2]) + 0.5)
        rising = 0.02 + 0.03 * x[None, :] + 0.02 * z[:, None]
        layers.append((np.ones_like(rising), np.stack([rising, 0.0 * rising, 0.0 * rising])))
    cut = flow_slice(grid, scaling(1.0 / n, 0.2, 30.0, 1.2, 1e-3, lattice_speed=0.1), layers)
    assert len(cut.x_m) == n * min(4, MOST_WIDE // n)
    shown = -cut.velocity_m_s[0] / 300.0
    exact = 0.02 - 0.03 * cut.x_m[None, :] + 0.02 * cut.z_m[:, None]
    # Where a coarse cell shows, by half its edge; in the finer levels by less.
    assert np.abs(shown - exact).max() <= 0.5 * 0.05 / n + 1e-12
    high, wide = exact.shape
    middle = np.s_[high // 2 - 8 : high // 2 + 8, wide // 2 - 8 : wide // 2 + 8]
    assert np.abs(shown - exact)[middle].max() < 1e-9
    assert not cut.solid.any()


def test_part_of_a_slice_is_that_part_and_as_fine_as_its_columns_allow() -> None:
    n = MOST_WIDE // 2
    grid, made = unit_box(n, True, 2), np.random.default_rng(3)
    layers = [
        (1.0 + 0.001 * made.random((g.size[2], g.size[0])), 0.05 * made.random((3, g.size[2], g.size[0])))
        for g in grid.levels()
    ]
    scale = scaling(1.0 / n, 0.2, 30.0, 1.2, 1e-3, lattice_speed=0.1)
    whole = flow_slice(grid, scale, layers)
    middle_x, middle_z = -whole.x_m.mean(), whole.z_m.mean()
    for reach in (0.1, 0.4):
        ends = np.array([-middle_x, 0.0, middle_z]), np.array([reach, 0.0, reach])
        part = flow_slice(grid, scale, layers, Box(ends[0] - ends[1], ends[0] + ends[1]))
        assert abs(part.x_m.mean() + middle_x) < 1.0 / n
        assert np.ptp(part.x_m) == pytest.approx(2.0 * reach, abs=2.0 / n)
        assert len(part.x_m) <= MOST_WIDE
        for name in ("speed_m_s", "pressure"):
            shown = getattr(part, name)
            times = round((whole.x_m[0] - whole.x_m[1]) / (part.x_m[0] - part.x_m[1]))
            column = int(np.abs(whole.x_m - part.x_m[:times].mean()).argmin())
            row = int(np.abs(whole.z_m - part.z_m[:times].mean()).argmin())
            high, wide = shown.shape[0] // times, shown.shape[1] // times
            same = getattr(whole, name)[row : row + high, column : column + wide]
            assert times == (1 if reach > 0.25 else 2)  # half the columns leave room for a level more
            if times == 1:
                assert np.array_equal(shown, same)
            elif name == "pressure":  # linear in what is averaged
                means = shown.reshape(high, times, wide, times).mean(axis=(1, 3))
                middle = np.s_[high // 2 - 8 : high // 2 + 8, wide // 2 - 8 : wide // 2 + 8]
                np.testing.assert_allclose(means[middle], same[middle], atol=1e-9)


# --- a body that reaches through the ends of finer cells ------------------------------------------------------


ROOM = Box(np.array([-1.6, -1.2, 0.0]), np.array([1.6, 1.2, 1.8]))
NEAR = [Reach(0.4, 0.4, 0.4)]


def box(low: list[float], high: list[float], tilt: float = 0.0) -> TriMesh:
    """A box between two corners, pitched about its middle."""
    mesh = trimesh.creation.box(bounds=[low, high])
    mesh.apply_transform(trimesh.transformations.rotation_matrix(tilt, [0.0, 1.0, 0.0], mesh.centroid))
    return TriMesh(np.array(mesh.vertices), np.array(mesh.faces, np.int32))


WING = box([-0.2, -0.3, 0.6], [0.2, 0.3, 0.8])
BLOCK = box([-1.0, -0.4, -0.1], [1.0, 0.4, 0.4])


def at_rest(grid: FlowGrid, density: float, steps: int) -> tuple[ReferenceLevels, np.ndarray]:
    """A run of still air of a density in a closed room, and the last force on each part, by the coarsest cells."""
    plane = grid.size[1] == 1
    sides = ("periodic",) * 2 if plane or not grid.half else ("symmetry", "wall")
    faces = ("periodic", "periodic", *sides, "road" if grid.label[0, 0, 0] else "wall", "wall")
    setup = RunSetup("D2Q9" if plane else "D3Q19", grid.size, (0.0, 0.0, 0.0), 1e-3, faces=faces, road_speed=0.0)
    made = levels(setup, grid)
    still = [(np.full(o.setup.size, density), np.zeros((3, *o.setup.size))) for o in made]
    run = ReferenceLevels(made, starts=still)
    forces = run.advance(steps)
    for one in run.runs:
        found, velocity = one.fields()
        assert np.abs(found - density)[one.edges.kind >= AIR].max() < 1e-14
        assert np.abs(velocity).max() < 1e-14
    return run, forces[-1]


@pytest.mark.parametrize("half", [None, "left"])
def test_even_pressure_on_a_body_is_counted_once(half: str | None) -> None:
    """Pressure times area of the top, in closed form. Links from beside the block's foot into the road meet the block
    too, which adds a sixth of the cells around it; finer ones there are half as large, as far as the fine level counts.
    """
    grid = space_grid([("wing", WING)], BLOCK, 0.1, ROOM, half=half, reaches=NEAR)
    assert grid.finer is not None
    length = 0.5 * grid.finer.size[0] - 2.0
    around = 2.0 * (20 + 8 - length) + 0.5 * 2.0 * length
    _, forces = at_rest(grid, 1.01, 4)
    per_cell = 0.01 / 3.0
    sides = 0.5 if half else 1.0
    assert forces[1, 2] == pytest.approx(-per_cell * sides * (20 * 8 + around / 6.0), rel=1e-9)
    np.testing.assert_allclose(forces[0, [0, 2]], 0.0, atol=1e-12)
    assert forces[1, 0] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("tilt", [0.15, -0.4])
def test_still_air_about_a_tilted_body_stays_still(tilt: float) -> None:
    """Where a coarse cell is air and the fine ones in it are not, and the other way."""
    body = box([-1.0, -0.43, 0.13], [1.0, 0.43, 0.38], tilt)
    run, _ = at_rest(space_grid([("wing", WING)], body, 0.1, ROOM, half="left", reaches=NEAR), 1.01, 6)
    (inner, _) = run._inner
    assert inner is not None
    np.testing.assert_allclose(inner.weight.sum(axis=1), 1.0)
    np.testing.assert_allclose(inner.share.sum(axis=1), 1.0)
    assert len(np.unique(inner.share, axis=0)) > 1


def test_forces_with_a_body_are_those_on_even_fine_cells() -> None:
    """Started at once, in air so thick that the nose of the body, which stays coarse, is well known too."""
    body = box([-1.0, -0.2, -0.1], [1.0, 0.2, 0.3])
    found = []
    for reaches, per in ((NEAR, 1), ([], 2), ([], 1)):
        grid = space_grid([("wing", WING)], body, 0.1 / per, ROOM, half="left", reaches=reaches)
        setup = RunSetup(
            "D3Q19", grid.size, (0.08, 0.0, 0.0), 0.03 * per, road_speed=0.08, symmetry=True, sponge=(2 * per,) * 3
        )
        engine = ReferenceEngine(setup, 20 * per)
        engine.upload(grid)
        found.append(engine.advance(40 * per)[-1] / per**2)
    nested, fine, coarse = found
    assert nested[0, 0] == pytest.approx(fine[0, 0], rel=0.025)
    assert coarse[0, 0] > 1.05 * fine[0, 0]
    assert nested[0, 2] == pytest.approx(fine[0, 2], abs=0.01 * fine[0, 0])
    assert nested[1, 0] == pytest.approx(fine[1, 0], rel=0.04)


def pocket(on: str) -> FlowGrid:
    """Two levels in the plane on one of which a body fills a piece where they meet."""
    grid = unit_box(32, True, 1)
    assert grid.finer is not None
    coarse, fine = grid.label.copy(), grid.finer.label.copy()
    if on == "coarse":
        coarse[4:13, 0, 12:20] = 1
    else:
        fine[0:12, 0, 12:20] = 1
    return replace(grid, label=coarse, parts=(BODY,), finer=replace(grid.finer, label=fine, parts=(BODY,)))


@pytest.mark.parametrize("on", ["coarse", "fine"])
def test_cells_without_air_on_the_other_level_are_given_air_at_rest(on: str) -> None:
    run, _ = at_rest(pocket(on), 1.0, 10)
    (inner, _) = run._inner
    assert inner is not None
    for shares in (inner.weight, inner.share):
        total = shares.sum(axis=1)
        assert (np.isclose(total, 1.0) | (total == 0.0)).all()
    assert (inner.weight.sum(axis=1) == 0.0).any() == (on == "coarse")
    assert (inner.share.sum(axis=1) == 0.0).any() == (on == "fine")


def test_only_the_body_may_have_walls_where_levels_meet() -> None:
    grid = unit_box(32, True, 1)
    assert grid.finer is not None
    setup = RunSetup("D2Q9", grid.size, (0.0, 0.0, 0.0), 0.01, faces=PERIODIC)
    size = grid.finer.size
    for deep, refused in ((2 * OVERLAP + 2, True), (2 * OVERLAP + 3, False)):
        for place in ((deep, 0, 16), (16, 0, size[2] - 1 - deep)):
            cell = np.array([np.ravel_multi_index(place, size)], np.int32)
            shares, walls = np.full((1, 9), 0.5, np.float32), np.ones((1, 9), np.int8)
            wall = replace(grid.finer, cell=cell, q=shares, part=walls, parts=("wing",))
            if refused:
                with pytest.raises(InputError, match="A part reaches to where finer cells end"):
                    levels(setup, replace(grid, finer=wall))
            else:
                levels(setup, replace(grid, finer=wall))
            levels(setup, replace(grid, finer=replace(wall, parts=(BODY,))))


def test_which_level_tells_of_a_place() -> None:
    grid = unit_box(32, True, 1)
    edge, h = 0.25, 1.0 / 32
    at = np.array([[edge + 0.9 * h, 0.0, 0.5], [edge + 1.1 * h, 0.0, 0.5], [0.5, 0.0, 1.0 - edge - 0.9 * h]])
    np.testing.assert_array_equal(held(grid, at), [False, True, False])
    made = levels(RunSetup("D2Q9", grid.size, (0.0, 0.0, 0.0), 0.01, faces=PERIODIC), grid)
    for one, g in zip(made, grid.levels(), strict=True):
        np.testing.assert_array_equal(run_on(g), one.edges.kind >= AIR)
