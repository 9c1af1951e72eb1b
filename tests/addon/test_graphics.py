"""The flow run on the graphics card against the one in numpy, in single precision; what is refused.

Blender 5 computes headless with whatever OpenGL there is, a software renderer too. Blender 4 has no context headless.
"""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import bpy
import gpu
import numpy as np
import pytest
import trimesh

from wingfettle.addon import graphics
from wingfettle.core.errors import InputError
from wingfettle.core.flow.grid import FlowGrid, Reach, plane_grid, space_grid
from wingfettle.core.flow.kernel import NO_WALL, ROAD, Boundary, RunSetup, boundary
from wingfettle.core.flow.reference import ReferenceEngine, ReferenceRun
from wingfettle.core.flow.stencil import stencil
from wingfettle.core.geometry.box import Box
from wingfettle.core.geometry.mesh import TriMesh

PERIODIC = ("periodic",) * 6
HEADLESS_4 = bpy.app.background and not hasattr(gpu, "init")
CLOSE = 3e-6
"""How far single precision may drift in some dozens of steps, of a density of 1 and a velocity of 0.1."""


@pytest.fixture(scope="module")
def card() -> graphics.Card:
    if HEADLESS_4:
        pytest.skip("Blender 4 has no graphics context without a window.")
    return graphics.Card()


def body(setup: RunSetup, middles: list[tuple[float, float, float]], radius: float) -> Boundary:
    """Balls (cylinders in the plane) as parts 1, 2, ..., that links meet at their true distance."""
    lattice = stencil(setup.stencil)
    place = np.stack(np.unravel_index(np.arange(np.prod(setup.size)), setup.size), axis=1)
    label = np.zeros(setup.size, np.int8)
    q = np.full((label.size, lattice.directions), NO_WALL)
    part = np.zeros(q.shape, np.int8)
    for n, middle in enumerate(middles, 1):
        off = (place + 0.5 - np.array(middle)) * np.isin(range(3), lattice.axes)
        out = (off**2).sum(axis=1) - radius**2
        label.ravel()[out <= 0.0] = n
        for i, step in enumerate(lattice.steps[1:].astype(float), 1):
            a, b = step @ step, off @ step
            root = b * b - a * out
            share = np.where(root >= 0.0, (-b - np.sqrt(np.maximum(root, 0.0))) / a, NO_WALL)
            met = (share >= 0.0) & (share <= 1.0) & (share < q[:, i])
            q[met, i], part[met, i] = share[met], n
    near = np.flatnonzero((label.ravel() == 0) & (q <= 1.0).any(axis=1))
    return boundary(setup, label, near, q[near], part[near])


def start_of(setup: RunSetup) -> tuple[np.ndarray, np.ndarray]:
    """Waves along all axes of the lattice."""
    nx, ny, nz = setup.size
    x, y, z = np.meshgrid(np.arange(nx) / nx, np.arange(ny) / ny, np.arange(nz) / nz, indexing="ij")
    density = 1.0 + 0.01 * np.cos(2.0 * np.pi * (x + 2.0 * z + y))
    velocity = np.zeros((3, *setup.size))
    velocity[0] = 0.04 + 0.03 * np.sin(2.0 * np.pi * (z + y))
    velocity[2] = 0.03 * np.cos(2.0 * np.pi * (x - y))
    if len(stencil(setup.stencil).axes) == 3:
        velocity[1] = 0.02 * np.sin(2.0 * np.pi * (x + z))
    return density, velocity


def alike(card: graphics.Card, setup: RunSetup, edges: Boundary, start: bool = False) -> np.ndarray:
    """Hold a run on the card against numpy after 1, 2, 3 and some dozens of steps; the forces of all steps."""
    given = start_of(setup) if start else (None, None)
    truth, run = ReferenceRun(setup, edges, *given), graphics.Run(card, setup)
    run.start(edges, *given)
    forces = []
    for steps in (1, 1, 1, 34):
        expected, got = truth.advance(steps), np.asarray(run.advance(steps))
        if edges.parts:
            largest = max(1e-3, float(np.abs(expected).max()))
            np.testing.assert_allclose(got, expected, atol=20.0 * CLOSE * largest)
        for seen, wanted in zip(run.fields(), truth.fields(), strict=True):
            np.testing.assert_allclose(seen, wanted, atol=CLOSE)
        forces.append(got)
    assert run.steps == truth.steps == 37
    assert np.abs(truth.fields()[1]).max() > 1e-3
    return np.concatenate(forces)


WIND: dict[str, Any] = {"inlet_velocity": (0.06, 0.0, 0.01), "viscosity": 0.004}


@pytest.mark.parametrize(("name", "size"), [("D2Q9", (36, 1, 9)), ("D3Q19", (36, 7, 6)), ("D2Q9", (4, 1, 9))])
def test_air_alone(card: graphics.Card, name: str, size: tuple[int, int, int]) -> None:
    """Every cell plain, sizes that no work group divides, waves that leave on one side and come in on the other."""
    setup = RunSetup(name, size, (0.0, 0.0, 0.0), 0.004, faces=PERIODIC)
    edges = boundary(setup)
    assert len(edges.cell) == 0
    alike(card, setup, edges, start=True)


@pytest.mark.parametrize("more", [{}, {"acceleration": 1e-4}, {"smagorinsky": 0.15}, {"sponge": (5, 6, 4)}])
@pytest.mark.parametrize(("name", "size"), [("D2Q9", (34, 1, 21)), ("D3Q19", (18, 13, 12))])
def test_a_body_in_the_wind(card: graphics.Card, name: str, size: tuple[int, int, int], more: dict[str, Any]) -> None:
    setup = RunSetup(name, size, **WIND, **more)
    edges = body(setup, [(size[0] * 0.4, size[1] / 2.0, size[2] / 2.0 + 0.2)], 3.3)
    met = edges.q[edges.part == 1]
    assert ((met < 0.5).any(), (met > 0.5).any()) == (True, True)
    alike(card, setup, edges)


FACES = [
    ("inlet", "outlet", "symmetry", "far", "road", "far"),
    ("inlet", "outlet", "wall", "wall", "far", "wall"),
    ("far", "far", "far", "symmetry", "symmetry", "outlet"),
    ("wall", "inlet", "periodic", "periodic", "outlet", "road"),
    ("periodic", "periodic", "inlet", "outlet", "wall", "symmetry"),
]


@pytest.mark.parametrize("faces", FACES)
@pytest.mark.parametrize("name", ["D2Q9", "D3Q19"])
def test_faces_of_every_kind(card: graphics.Card, name: str, faces: tuple[str, ...]) -> None:
    plane = name == "D2Q9"
    if faces.count("symmetry") > 1:
        faces = tuple("far" if n == 3 else kind for n, kind in enumerate(faces))
    size = (24, 1, 18) if plane else (16 if faces[0] == "periodic" else 14, 12, 11)
    more: dict[str, Any] = {"sponge": (3, 4, 3), "road_speed": 0.05, "smagorinsky": 0.1}
    if plane:
        faces = (*faces[:2], "periodic", "periodic", *faces[4:])
    setup = RunSetup(name, size, **WIND, faces=faces, **more)
    # Close to a mirror where there is one, so that walls and mirror meet in a cell.
    edges = body(setup, [(size[0] * 0.45, 2.6 if not plane else 0.5, size[2] * 0.55)], 2.7)
    alike(card, setup, edges, start=True)


@pytest.mark.parametrize("name", ["D2Q9", "D3Q19"])
def test_wall_function_on_body_and_road(card: graphics.Card, name: str) -> None:
    """With a viscosity at which it acts, and the slip of a body, of the road, and where both meet in a cell."""
    size = (30, 1, 16) if name == "D2Q9" else (18, 12, 11)
    setup = RunSetup(
        name, size, (0.06, 0.0, 0.0), 1e-4, smagorinsky=0.1, wall_function=True, road_speed=0.06, sponge=(3, 4, 3)
    )
    edges = body(setup, [(size[0] * 0.4, size[1] / 2.0, 4.0)], 3.3)
    assert ((edges.part == ROAD).any(axis=1) & (edges.part == 1).any(axis=1)).any()
    with_function = alike(card, setup, edges)
    without = ReferenceRun(RunSetup(**{**setup.__dict__, "wall_function": False}), edges).advance(37)
    assert abs(with_function[-1, 0, 0] / without[-1, 0, 0] - 1.0) > 1e-3


def test_gaps_one_cell_wide(card: graphics.Card) -> None:
    """Two plates with one layer of air between them, met at other shares above and below."""
    setup = RunSetup("D2Q9", (24, 1, 14), **WIND, sponge=(3, 4, 3))
    label = np.zeros(setup.size, np.int8)
    label[8:15, 0, 5], label[8:15, 0, 7] = 1, 2
    lattice = stencil("D2Q9")
    cell = np.array([x * 14 + 6 for x in range(8, 15)])
    up, down = lattice.steps[:, 2] > 0, lattice.steps[:, 2] < 0
    q = np.tile(np.where(up, 0.8, np.where(down, 0.3, NO_WALL)), (len(cell), 1))
    part = np.tile(np.where(up, 2, np.where(down, 1, 0)), (len(cell), 1))
    alike(card, setup, boundary(setup, label, cell, q, part))


def test_plates_thinner_than_a_cell(card: graphics.Card) -> None:
    setup = RunSetup("D2Q9", (24, 1, 14), **WIND, sponge=(3, 4, 3), wall_function=True)
    lattice = stencil("D2Q9")
    rows = [(x * 14 + z, side, share) for x in range(8, 15) for z, side, share in ((6, 1, 0.35), (7, -1, 0.65))]
    q = np.array([np.where(lattice.steps[:, 2] == side, share, NO_WALL) for _, side, share in rows])
    edges = boundary(setup, None, np.array([cell for cell, _, _ in rows]), q, (q <= 1.0).astype(np.int8))
    assert (edges.kind > 0).all()
    alike(card, setup, edges)


def test_forces_of_several_parts(card: graphics.Card) -> None:
    setup = RunSetup("D2Q9", (44, 1, 30), **WIND, sponge=(3, 4, 3))
    edges = body(setup, [(10.0, 0.5, 9.0), (21.3, 0.5, 20.0), (30.2, 0.5, 8.0)], 3.1)
    assert edges.parts == 3
    forces = alike(card, setup, edges)
    assert len({round(float(drag), 6) for drag in forces[-1, :, 0]}) == 3


def test_more_cells_at_walls_than_a_row_holds(card: graphics.Card) -> None:
    setup = RunSetup(
        "D2Q9", (1500, 1, 8), (0.05, 0.0, 0.0), 0.01, faces=(*PERIODIC[:4], "road", "wall"), road_speed=0.05
    )
    edges = boundary(setup)
    assert len(edges.cell) == 3000
    alike(card, setup, edges, start=True)


# --- a run as the pilot uses it


def small(**more: Any) -> tuple[RunSetup, Boundary]:
    setup = RunSetup("D3Q19", (16, 11, 9), **WIND, sponge=(2, 3, 2), **more)
    return setup, body(setup, [(6.0, 5.5, 4.6)], 2.3)


def test_slices_means_and_intervals_are_those_of_numpy(card: graphics.Card) -> None:
    setup, edges = small()
    grid = SimpleNamespace(
        label=np.where(edges.kind == 0, 1, 0), cell=edges.cell, q=edges.q, part=edges.part, finer=None
    )
    run, truth = graphics.Run(card, setup, 4), ReferenceEngine(setup, 4)
    for engine in (run, truth):
        engine.upload(grid)
    assert run.name == card.name
    for steps in (3, 6, 9, 2):
        got, expected = run.advance(steps), truth.advance(steps)
        assert len(got) == len(expected)
        if len(got):
            np.testing.assert_allclose(np.asarray(got), expected, atol=2e-5)
            np.testing.assert_allclose(run.forces(), truth.forces(), atol=2e-5)
        run.average()
        truth.average()
    for seen, wanted in zip(run.mean_fields(), truth.mean_fields(), strict=True):
        np.testing.assert_allclose(seen, wanted, atol=CLOSE)
    for axis, index in ((0, 0), (0, 6), (1, 5), (1, 10), (2, 4)):
        for seen, wanted in zip(run.slice(axis, index), truth.slice(axis, index), strict=True):
            assert seen.shape == wanted.shape
            np.testing.assert_allclose(seen, wanted, atol=CLOSE)
    for axis, index in ((0, 16), (1, -1), (3, 0)):
        with pytest.raises(InputError, match=f"no layer {index} of cells across axis {axis}"):
            run.slice(axis, index)


def test_a_slice_of_the_plane(card: graphics.Card) -> None:
    setup = RunSetup("D2Q9", (20, 1, 12), **WIND)
    run, truth = graphics.Run(card, setup), ReferenceEngine(setup)
    for engine in (run, truth):
        engine.start(body(setup, [(8.0, 0.5, 6.2)], 2.6))
        engine.advance(5)
    for seen, wanted in zip(run.slice(), truth.slice(), strict=True):
        assert seen.shape == wanted.shape
        np.testing.assert_allclose(seen, wanted, atol=CLOSE)
    with pytest.raises(InputError, match="no layer 0 of cells across axis 2"):
        run.slice(2, 0)


def test_forces_of_more_steps_than_the_card_keeps(card: graphics.Card, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(graphics, "HISTORY", 16)
    setup = RunSetup("D2Q9", (12, 1, 9), (0.05, 0.0, 0.0), 0.05)
    edges = body(setup, [(5.0, 0.5, 4.6)], 1.7)
    run = graphics.Run(card, setup)
    run.start(edges)
    steps = graphics.HISTORY + 7
    np.testing.assert_allclose(np.asarray(run.advance(steps)), ReferenceRun(setup, edges).advance(steps), atol=2e-5)


def test_a_slice_of_time(card: graphics.Card) -> None:
    setup, edges = small()
    run = graphics.Run(card, setup)
    run.start(edges)
    first = len(run.advance_for(0.05))
    assert first >= 1
    assert run.steps == first
    run.advance_for(0.05)
    assert run.steps > first
    assert run.seconds > 0.0
    assert run.rate() == pytest.approx((edges.kind > 0).sum() * run.steps / run.seconds / 1e6)


def test_a_run_begins_anew(card: graphics.Card) -> None:
    setup, edges = small()
    run = graphics.Run(card, setup)
    run.start(edges)
    first = np.asarray(run.advance(5))
    run.start(edges)
    np.testing.assert_array_equal(np.asarray(run.advance(5)), first)


@pytest.mark.parametrize("with_part", [True, False])
def test_a_run_that_blows_up_is_stopped(card: graphics.Card, with_part: bool) -> None:
    setup = RunSetup("D2Q9", (16, 1, 12), **WIND, faces=PERIODIC)
    edges = body(setup, [(6.0, 0.5, 5.2)], 2.3) if with_part else boundary(setup)
    density, velocity = start_of(setup)
    density[12, 0, 9] = float("nan")
    run = graphics.Run(card, setup)
    run.start(edges, density, velocity)
    with pytest.raises(InputError, match=r"The run has blown up: set more viscosity, .* or a lower speed\."):
        run.advance(16)


@pytest.mark.parametrize("function", [False, True])
def test_a_stalled_plate_at_a_high_reynolds_number_runs_on(card: graphics.Card, function: bool) -> None:
    """24 cells of chord at 20 degrees, Re 144,000: nothing may grow. The domain is narrow, so that only the least drag
    is known: that of a free streamline behind the plate, normal force 2 pi sin(a) / (4 + pi sin(a)) (Rayleigh 1876,
    from memory)."""
    chord, viscosity, turn = 24, 1e-5, np.radians(20.0)
    setup = RunSetup(
        "D2Q9", (120, 1, 72), (0.06, 0, 0), viscosity, smagorinsky=0.1, wall_function=function, sponge=(8, 20, 8)
    )
    x, z = np.arange(120)[:, None, None] + 0.5 - 40.0, np.arange(72)[None, None, :] + 0.5 - 36.3
    along, across = x * np.cos(turn) - z * np.sin(turn), x * np.sin(turn) + z * np.cos(turn)
    label = ((np.abs(along) < chord / 2) & (np.abs(across) < 1.0)).astype(np.int8)
    run = graphics.Run(card, setup, 8)
    run.start(boundary(setup, label))
    forces = np.asarray(run.advance(2400))[60:, 0] / (0.5 * 0.06**2 * chord)
    assert np.abs(run.fields()[1]).max() < 0.2
    early, late = np.abs(forces[:120]).max(axis=0), np.abs(forces[120:]).max(axis=0)
    assert (late[[0, 2]] < 1.5 * early[[0, 2]]).all()
    assert forces[:, 0].mean() > 2.0 * np.pi * np.sin(turn) / (4.0 + np.pi * np.sin(turn)) * np.sin(turn)


def refused(card: graphics.Card) -> list[tuple[Callable[[], Any], str]]:
    setup, edges = small()
    wide = RunSetup("D2Q9", (card.largest[0] + 4, 1, 2), (0.05, 0.0, 0.0), 0.05, faces=PERIODIC)
    high = RunSetup("D3Q19", (4, 2, card.largest[1] // 4 + 1), (0.05, 0.0, 0.0), 0.05, faces=PERIODIC)
    return [
        (lambda: graphics.Run(card, setup, 0), "every 0 steps: give 1 or more"),
        (lambda: graphics.Run(card, RunSetup("D2Q9", (4, 2, 4), (0, 0, 0), 0.1)), "give x, y, z, in the plane y = 1"),
        (lambda: graphics.Run(card, wide).start(boundary(wide)), "more than the graphics card takes"),
        (lambda: graphics.Run(card, high).start(boundary(high)), "use larger cells or a smaller domain"),
        (lambda: graphics.Run(card, setup).advance(1), "has no grid yet: upload one first"),
        (lambda: graphics.Run(card, setup).fields(), "has no grid yet: upload one first"),
        (lambda: graphics.Run(card, setup).forces(), "has no grid yet: upload one first"),
        (lambda: graphics.Run(card, setup).mean_fields(), "no mean flow yet: let it go on"),
        (
            lambda: graphics.Run(card, setup).upload(
                SimpleNamespace(label=edges.kind[:-1], cell=None, q=None, part=None, finer=None)
            ),
            "make them alike",
        ),
    ]


@pytest.mark.parametrize("n", range(9))
def test_what_cannot_be_run_is_refused(card: graphics.Card, n: int) -> None:
    asked, sentence = refused(card)[n]
    with pytest.raises(InputError, match=sentence):
        asked()


def test_a_shader_that_the_driver_refuses(card: graphics.Card) -> None:
    setup, edges = small()
    source = graphics.sources(setup, edges)["step0"]
    broken = graphics.ShaderSource(**{**source.__dict__, "source": "void main() { nothing(); }"})
    with pytest.raises(InputError, match=r"refuses the flow run's shader step0 .*update its driver\."):
        card.shader(broken)


def test_a_card_that_is_lost_says_so(card: graphics.Card, monkeypatch: pytest.MonkeyPatch) -> None:
    setup, edges = small()
    run = graphics.Run(card, setup)
    run.start(edges)

    def lost(*_: Any) -> None:
        raise RuntimeError("context lost")

    monkeypatch.setattr(graphics.gpu, "compute", SimpleNamespace(dispatch=lost))
    with pytest.raises(InputError, match=r"lost during the flow run \(context lost\): start it again\."):
        run.advance(1)


def test_bandwidth_is_measured_once(card: graphics.Card, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(graphics, "COPIED", (128, 512))
    monkeypatch.setattr(graphics, "COPY_SECONDS", 0.02)
    monkeypatch.setattr(card, "_bandwidth", 0.0)
    seen = card.bandwidth()
    assert 1e7 < seen < 1e14
    assert card.bandwidth() == seen


@pytest.mark.skipif(not HEADLESS_4, reason="This Blender computes without a window.")
def test_without_a_context_one_sentence_says_why() -> None:
    with pytest.raises(
        InputError, match=r"^The flow run finds no graphics card to compute on \(.*\): Open the file in a"
    ):
        graphics.Card()


def test_a_card_that_gives_up_without_a_word_is_noticed(card: graphics.Card, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever number is read back from where nothing was written."""
    setup = RunSetup("D2Q9", (24, 1, 16), (0.05, 0.0, 0.0), 0.02)
    run = graphics.Run(card, setup)
    run.start(body(setup, [(8.0, 0.5, 8.0)], 3.0))
    run.advance(3)
    (level,) = run._levels
    real = level._dispatch

    def idle(name: str, *more: Any, **values: Any) -> None:
        if name != "total":
            real(name, *more, **values)

    monkeypatch.setattr(level, "_dispatch", idle)
    with pytest.raises(InputError, match=r"lost during the flow run \(it gave no answer\): start it again\."):
        run.advance(3)


def ball(name: str, finer: int, body: bool) -> FlowGrid:
    """A disc in the plane or a ball in space over a road, with so many levels of finer cells, and in space with a block
    under it that reaches through their ends."""
    reaches = [Reach(0.34, 0.4, 0.34), Reach(0.12, 0.15, 0.12)][:finer]
    if name == "D2Q9":
        turn = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
        contour = np.column_stack([0.1 * np.cos(turn), 0.5 + 0.1 * np.sin(turn)])
        return plane_grid([("disc", contour)], 0.04, (-0.9, 0.0), (1.1, 1.3), road=True, reaches=reaches)
    mesh = trimesh.creation.icosphere(subdivisions=2, radius=0.1)
    placed = TriMesh(np.asarray(mesh.vertices) + [0.0, 0.0, 0.42], np.asarray(mesh.faces, np.int32))
    domain = Box(np.array([-0.9, -0.6, 0.0]), np.array([0.8, 0.6, 1.0]))
    block = None
    if body:
        cut = trimesh.creation.box((1.1, 0.3, 0.2))
        cut.apply_transform(trimesh.transformations.rotation_matrix(0.13, [0.0, 1.0, 0.0]))
        block = TriMesh(np.asarray(cut.vertices) + [0.0, 0.0, 0.14], np.asarray(cut.faces, np.int32))
    return space_grid([("ball", placed)], block, 0.05, domain, road=True, half="left", reaches=reaches)


@pytest.mark.parametrize(("name", "finer", "body"), [("D2Q9", 2, False), ("D3Q19", 1, False), ("D3Q19", 1, True)])
def test_levels_with_finer_cells(card: graphics.Card, name: str, finer: int, body: bool) -> None:
    """What levels hand each other, with a road, a mirror, slip and eddy viscosity; forces of coarse steps."""
    grid = ball(name, finer, body)
    setup = RunSetup(
        name, grid.size, (0.06, 0.0, 0.0), 2e-4, smagorinsky=0.1, wall_function=True, road_speed=0.06,
        symmetry=name == "D3Q19", sponge=(3, 4, 3),
    )  # fmt: skip
    truth, run = ReferenceEngine(setup, 2), graphics.Run(card, setup, 2)
    truth.upload(grid)
    run.upload(grid)
    for steps in (2, 3, 9):
        expected, got = truth.advance(steps), np.asarray(run.advance(steps))
        np.testing.assert_allclose(got, expected, atol=20.0 * CLOSE * max(1e-3, float(np.abs(expected).max())))
        for level in range(finer + 1):
            for seen, wanted in zip(run.fields(level), truth.fields(level), strict=True):
                np.testing.assert_allclose(seen, wanted, atol=CLOSE)
    assert len(got) == 5
    assert got.shape[1] == len(grid.parts)
    assert np.abs(got[:, :, 0]).max(axis=0).min() > 1e-3
    assert run.rate() > 0.0
    run.average()
    truth.average()
    for seen, wanted in zip(run.mean_slice(1, 0, finer), truth.mean_slice(1, 0, finer), strict=True):
        np.testing.assert_allclose(seen, wanted, atol=CLOSE)
