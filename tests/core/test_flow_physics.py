"""The flow run in numpy against exact solutions of the Navier-Stokes equations, tables and balances."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from wingfettle.core.flow.kernel import NO_WALL, Boundary, RunSetup, boundary, inlet_velocities
from wingfettle.core.flow.reference import ReferenceRun
from wingfettle.core.flow.stencil import stencil

PERIODIC = ("periodic",) * 6
Floats = np.ndarray


def order(errors: list[float], cells: tuple[int, int]) -> float:
    """Observed order from the errors on two grids."""
    return float(np.log(errors[0] / errors[1]) / np.log(cells[1] / cells[0]))


def round_body(setup: RunSetup, middle: tuple[float, float, float], radius: float) -> Boundary:
    """Edge cells about a ball, in the plane a cylinder; links meet it where the line meets the circle exactly."""
    lattice = stencil(setup.stencil)
    place = np.stack(np.unravel_index(np.arange(np.prod(setup.size)), setup.size), axis=1)
    off = (place + 0.5 - np.array(middle)) * np.isin(range(3), lattice.axes)
    out = (off**2).sum(axis=1) - radius**2
    q = np.full((len(off), lattice.directions), NO_WALL)
    for i, step in enumerate(lattice.steps[1:].astype(float), 1):
        a, b = step @ step, off @ step
        root = b * b - a * out
        share = np.where(root >= 0.0, (-b - np.sqrt(np.maximum(root, 0.0))) / a, NO_WALL)
        q[:, i] = np.where((share >= 0.0) & (share <= 1.0), share, NO_WALL)
    near = np.flatnonzero((out > 0.0) & (q <= 1.0).any(axis=1))
    label = (out <= 0.0).astype(np.int8).reshape(setup.size)
    return boundary(setup, label, near, q[near], (q[near] <= 1.0).astype(np.int8))


def channel(cells: int, low: float, high: float, viscosity: float, **more: Any) -> tuple[RunSetup, Boundary, Floats]:
    """Three columns of ``cells`` between walls ``low`` below the first and ``high`` above the last middle.

    The third is the height of the middles over the lower wall. The walls are parts 1 and 2.
    """
    lattice = stencil("D2Q9")
    setup = RunSetup("D2Q9", (3, 1, cells + 2), (0.0, 0.0, 0.0), viscosity, faces=PERIODIC, **more)
    label = np.zeros(setup.size, np.int8)
    label[:, 0, 0], label[:, 0, -1] = 1, 2
    rows = [(x * (cells + 2) + z, side, q) for x in range(3) for z, side, q in ((1, -1, low), (cells, 1, high))]
    q = np.array([np.where(lattice.steps[:, 2] == side, q, NO_WALL) for _, side, q in rows])
    part = np.array([np.where(lattice.steps[:, 2] == side, 1 if side < 0 else 2, 0) for _, side, _ in rows])
    return setup, boundary(setup, label, np.array([cell for cell, _, _ in rows]), q, part), np.arange(cells) + low


# --- exact solutions


def test_whirls_in_the_plane_decay() -> None:
    """Taylor & Green's vortices (Taylor, Philosophical Magazine 46, 1923, from memory), at half their speed."""
    errors = []
    for n in (12, 24):
        viscosity, k = 0.05, 2.0 * np.pi / n
        peak = 0.04 * 12 / n
        x, z = (np.arange(n)[:, None, None] + 0.5) * k, (np.arange(n)[None, None, :] + 0.5) * k
        start = peak * np.stack([np.cos(x) * np.sin(z), 0.0 * (x + z), -np.sin(x) * np.cos(z)])
        density = 1.0 - 0.75 * peak**2 * (np.cos(2.0 * x) + np.cos(2.0 * z))
        setup = RunSetup("D2Q9", (n, 1, n), (0.0, 0.0, 0.0), viscosity, faces=PERIODIC)
        run = ReferenceRun(setup, None, density, start)
        steps = round(0.5 * np.log(2.0) / (viscosity * k**2))
        run.advance(steps)
        exact = start * np.exp(-2.0 * viscosity * k**2 * steps)
        errors.append(float(np.linalg.norm(run.fields()[1] - exact) / np.linalg.norm(exact)))
    assert errors[1] < 0.01
    assert 1.8 < order(errors, (12, 24)) < 2.3


def test_whirls_in_space_decay() -> None:
    """Arnold, Beltrami and Childress' flow is parallel to its own rotation, so it only decays (Dombre et al., Journal
    of Fluid Mechanics 167, 1986, from memory); its pressure is that of Bernoulli."""
    errors = []
    for n in (8, 16):
        viscosity, k = 0.05, 2.0 * np.pi / n
        x, y, z = np.meshgrid(*[(np.arange(n) + 0.5) * k] * 3, indexing="ij")
        whirls = [np.sin(z) + 0.6 * np.cos(y), 0.8 * np.sin(x) + np.cos(z), 0.6 * np.sin(y) + 0.8 * np.cos(x)]
        start = 0.05 * 8 / n * np.stack(whirls)
        energy = 0.5 * (start**2).sum(axis=0)
        setup = RunSetup("D3Q19", (n, n, n), (0.0, 0.0, 0.0), viscosity, faces=PERIODIC)
        run = ReferenceRun(setup, None, 1.0 - 3.0 * (energy - energy.mean()), start)
        steps = round(0.5 / (viscosity * k**2))
        run.advance(steps)
        exact = start * np.exp(-viscosity * k**2 * steps)
        errors.append(float(np.linalg.norm(run.fields()[1] - exact) / np.linalg.norm(exact)))
    assert errors[1] < 0.02
    assert 1.8 < order(errors, (8, 16)) < 2.3


@pytest.mark.parametrize(("low", "high"), [(0.5, 0.5), (0.25, 0.25), (0.75, 0.75), (0.3, 0.8)])
def test_flow_between_two_plates(low: float, high: float) -> None:
    """Poiseuille's parabola. The walls hold what pulls at the cells (the balance); momentum exchange gives the exact
    shear stress where the last cell ends, half a cell beyond its middle, wherever the wall lies."""
    errors, off = [], []
    for n in (6, 12):
        viscosity, peak = 0.15, 0.05 * 6 / n
        height = n - 1 + low + high
        pull = 8.0 * viscosity * peak / height**2
        setup, edges, z = channel(n, low, high, viscosity, acceleration=pull)
        exact = pull / (2.0 * viscosity) * z * (height - z)
        start = np.zeros((3, *setup.size))
        start[0, :, :, 1:-1] = exact
        run = ReferenceRun(setup, edges, None, start)
        force = run.advance(int(1.2 * height**2 / viscosity))[-1]
        errors.append(float(np.abs(run.fields()[1][0, 0, 0, 1:-1] - exact).max() / peak))
        assert force[:, 0].sum() == pytest.approx(3.0 * n * pull, rel=1e-4)
        stress = pull * (0.5 * height - (low - 0.5))
        off.append(abs(float(force[0, 0]) / (3.0 * stress) - 1.0))
    assert errors[1] < 0.03
    assert 1.7 < order(errors, (6, 12)) < 2.4
    assert off[1] < 0.005


@pytest.mark.parametrize("high", [0.1, 0.4, 0.5, 0.9])
def test_a_road_drags_the_air_along(high: float) -> None:
    """Couette's straight profile over a moving road, and the shear stress viscosity * speed / height on the wall above
    it, by momentum exchange; a linear scheme has both exactly wherever the wall lies."""
    n, speed, viscosity = 6, 0.05, 0.15
    lattice = stencil("D2Q9")
    faces = (*PERIODIC[:4], "road", "wall")
    setup = RunSetup("D2Q9", (3, 1, n + 1), (0.0, 0.0, 0.0), viscosity, faces=faces, road_speed=speed)
    label = np.zeros(setup.size, np.int8)
    label[:, 0, -1] = 1
    q = np.tile(np.where(lattice.steps[:, 2] == 1, high, NO_WALL), (3, 1))
    edges = boundary(setup, label, np.arange(3) * (n + 1) + n - 1, q, (q <= 1.0).astype(np.int8))
    run = ReferenceRun(setup, edges)
    force = run.advance(1500)[-1, 0]
    height = n - 0.5 + high
    exact = speed * (1.0 - (np.arange(n) + 0.5) / height)
    np.testing.assert_allclose(run.fields()[1][0, 0, 0, :-1], exact, atol=2e-6 * speed)
    assert force[0] == pytest.approx(3.0 * viscosity * speed / height, rel=1e-4)
    assert force[2] == pytest.approx(0.0, abs=1e-6)


def test_wind_that_meets_nothing_stays_as_it_is() -> None:
    """Faces of every open kind, with sponges, and a road as fast as the wind leave an even wind alone."""
    for name, size in (("D2Q9", (14, 1, 12)), ("D3Q19", (10, 8, 8))):
        setup = RunSetup(
            name, size, (0.06, 0.0, 0.0), 0.01, smagorinsky=0.1, road_speed=0.06, symmetry=True, sponge=(3, 3, 3)
        )
        run = ReferenceRun(setup)
        run.advance(60)
        density, velocity = run.fields()
        np.testing.assert_allclose(density, 1.0, atol=1e-13)
        np.testing.assert_allclose(velocity[0], 0.06, atol=1e-13)
        np.testing.assert_allclose(velocity[1:], 0.0, atol=1e-13)


# --- forces


@pytest.mark.parametrize(("name", "size"), [("D2Q9", (18, 1, 16)), ("D3Q19", (12, 10, 11))])
@pytest.mark.parametrize("function", [False, True])
def test_what_the_air_loses_the_body_gets(name: str, size: tuple[int, int, int], function: bool) -> None:
    """In a closed domain momentum changes a step by what pulls at the air less the force on the body, to rounding:
    the control volume round the body, wherever its wall cuts the links, with wall function and eddies too."""
    setup = RunSetup(
        name, size, (0.08, 0.0, 0.02), 5e-4, smagorinsky=0.1, wall_function=function, faces=PERIODIC, acceleration=1e-4
    )
    edges = round_body(setup, (size[0] / 2.0, size[1] / 2.0, size[2] / 2.0 + 0.3), 3.2)
    run = ReferenceRun(setup, edges)
    run.advance(20)
    for _ in range(3):
        # Half of the pull is already in the distributions kept: it is the same every step, with the mass.
        before = run.post.reshape(len(run.post), -1).sum(axis=1) @ run.lattice.steps
        force = run.advance(1)[0, 0]
        after = run.post.reshape(len(run.post), -1).sum(axis=1) @ run.lattice.steps
        mass = (run.fields()[0] * (edges.kind > 0)).sum()
        pull = np.array([setup.acceleration * mass, 0.0, 0.0])
        np.testing.assert_allclose(after - before, pull - force, atol=1e-12)
        assert np.abs(force).max() > 1e-3


def off_the_middle(setup: RunSetup, sense: tuple[int, int]) -> Boundary:
    """A ball off the middle; ``sense`` -1 turns it over along y or z."""
    nx, ny, nz = setup.size
    middle = [nx * 0.4, ny / 2.0 + (1.3 if ny > 1 else 0.0) * sense[0], nz / 2.0 + 1.7 * sense[1]]
    return round_body(setup, (middle[0], middle[1], middle[2]), 2.3)


@pytest.mark.parametrize("function", [False, True])
def test_a_mirrored_set_up_has_mirrored_forces(function: bool) -> None:
    setup = RunSetup(
        "D3Q19", (16, 12, 12), (0.06, 0.0, 0.0), 1e-3, smagorinsky=0.1, wall_function=function, sponge=(2, 3, 2)
    )
    first = ReferenceRun(setup, off_the_middle(setup, (1, 1))).advance(25)
    for turned in ((-1, 1), (1, -1)):
        second = ReferenceRun(setup, off_the_middle(setup, turned)).advance(25)
        np.testing.assert_allclose(second * (1, *turned), first, atol=1e-13)
    assert abs(first[-1, 0, 1]) > 1e-4
    assert abs(first[-1, 0, 2]) > 1e-4


def test_half_a_body_at_a_mirror_has_half_the_force() -> None:
    """The whole one between far faces, cut in the plane of symmetry between two layers of cells."""
    values: dict[str, Any] = {"inlet_velocity": (0.06, 0.0, 0.0), "viscosity": 2e-3, "smagorinsky": 0.1}
    whole = RunSetup("D3Q19", (14, 12, 10), sponge=(2, 3, 2), **values)
    half = RunSetup("D3Q19", (14, 6, 10), symmetry=True, sponge=(2, 3, 2), **values)
    both = ReferenceRun(whole, round_body(whole, (6.0, 6.0, 5.3), 2.4)).advance(30)[:, 0]
    one = ReferenceRun(half, round_body(half, (6.0, 0.0, 5.3), 2.4)).advance(30)[:, 0]
    np.testing.assert_allclose(2.0 * one[:, [0, 2]], both[:, [0, 2]], atol=1e-12)
    np.testing.assert_allclose(both[:, 1], 0.0, atol=1e-12)


def test_the_plane_is_space_without_width() -> None:
    """A cylinder in space, periodic along itself, has the plane's force on each layer but for the lattices' own
    error, which the same order has in both."""
    forces = []
    for name, wide in (("D2Q9", 1), ("D3Q19", 2)):
        faces = ("inlet", "outlet", "periodic", "periodic", "far", "far")
        setup = RunSetup(name, (26, wide, 20), (0.06, 0.0, 0.0), 0.02, faces=faces, sponge=(4, 6, 4))
        flat = round_body(RunSetup("D2Q9", (26, 1, 20), (0.06, 0.0, 0.0), 0.02, faces=faces), (10.0, 0.5, 10.2), 3.6)
        label = np.repeat((flat.kind == 0).astype(np.int8), wide, axis=1)
        lattice = stencil(name)
        if wide == 1:
            edges = flat
        else:
            q = np.full((*label.shape, lattice.directions), NO_WALL)
            for row, cell in enumerate(flat.cell):
                x, z = divmod(int(cell), 20)
                for i, step in enumerate(lattice.steps):
                    along = np.flatnonzero((stencil("D2Q9").steps == (step[0], 0, step[2])).all(axis=1))[0]
                    if flat.part[row, along] == 1:
                        q[x, :, z, i] = flat.q[row, along]
            near = np.flatnonzero((q <= 1.0).any(axis=-1).ravel() & (label.ravel() == 0))
            near_q = q.reshape(-1, lattice.directions)[near]
            edges = boundary(setup, label, near, near_q, (near_q <= 1.0).astype(np.int8))
        forces.append(ReferenceRun(setup, edges).advance(250)[-1, 0] / wide)
    assert forces[1][0] == pytest.approx(forces[0][0], rel=0.02)


# --- tables


GHIA_ALONG_Z = """0.9766 0.84123  0.9688 0.78871  0.9609 0.73722  0.9531 0.68717  0.8516 0.23151  0.7344 0.00332
0.6172 -0.13641  0.5 -0.20581  0.4531 -0.21090  0.2813 -0.15662  0.1719 -0.10150  0.1016 -0.06434  0.0547 -0.03717"""
GHIA_ALONG_X = """0.9688 -0.05906  0.9609 -0.07391  0.9531 -0.08864  0.9453 -0.10313  0.9063 -0.16914  0.8594 -0.22445
0.8047 -0.24533  0.5 0.05454  0.2344 0.17527  0.2266 0.17507  0.1563 0.16077  0.0938 0.12317  0.0625 0.09233"""


def test_air_in_a_box_under_a_moving_lid() -> None:
    """Re 100: Ghia, Ghia & Shin, Journal of Computational Physics 48, 1982, tables I and II (from memory). The box
    stands on its head, its lid is the road. Over 16, 24 and 32 cells 0.032, 0.014 and 0.009 of the lid's speed were
    the greatest differences seen; 0.02 is asked for with 24."""
    n, speed = 24, 0.1
    faces = ("wall", "wall", "periodic", "periodic", "road", "wall")
    setup = RunSetup("D2Q9", (n, 1, n), (0.0, 0.0, 0.0), speed * n / 100.0, faces=faces, road_speed=speed)
    run = ReferenceRun(setup)
    run.advance(3000)
    u, w = (run.fields()[1][[0, 2], :, 0, :]) / speed
    place = np.concatenate([[0.0], (np.arange(n) + 0.5) / n, [1.0]])
    along_z = np.concatenate([[1.0], u[n // 2 - 1 : n // 2 + 1].mean(axis=0), [0.0]])
    along_x = np.concatenate([[0.0], w[:, n // 2 - 1 : n // 2 + 1].mean(axis=1), [0.0]])
    at, value = np.array(GHIA_ALONG_Z.split(), float).reshape(-1, 2).T
    np.testing.assert_allclose(np.interp(1.0 - at, place, along_z), value, atol=0.02)
    at, value = np.array(GHIA_ALONG_X.split(), float).reshape(-1, 2).T
    np.testing.assert_allclose(-np.interp(at, place, along_x), value, atol=0.02)


def test_a_cylinder_in_a_channel_at_re_20() -> None:
    """Schaefer & Turek, "Benchmark computations of laminar flow around a cylinder", 1996, case 2D-1 (from memory):
    drag 5.57 to 5.59, lift 0.0104 to 0.0110. With 10 and 20 cells on the diameter the whole channel gave 5.87 and
    5.74. At half the speed 10 cells gave 5.79, so 0.10 of both is the Mach number's, if it goes with its square; the
    rest falls from 0.19 to 0.07, an observed order of 1.5. The band was set after that: 10 cells, in a channel that
    ends 5 diameters behind, have to be 3 to 7 % high."""
    cells, speed = 10, 0.05
    faces = ("inlet", "outlet", "periodic", "periodic", "wall", "wall")
    setup = RunSetup("D2Q9", (70, 1, 41), (speed, 0.0, 0.0), speed * cells / 20.0, faces=faces, parabolic=True)
    start = np.broadcast_to(inlet_velocities(setup).T[:, None, None, :], (3, *setup.size))
    run = ReferenceRun(setup, round_body(setup, (20.0, 0.5, 20.0), 5.0), None, start)
    coefficients = run.advance(4000)[-1000:, 0].mean(axis=0) / (0.5 * speed**2 * cells)
    assert 1.03 * 5.58 < coefficients[0] < 1.07 * 5.58
    assert 0.0 < coefficients[2] < 0.03


@pytest.mark.parametrize("degrees", [0.0, 5.0, 10.0, 26.0, 45.0, 63.0])
def test_a_wall_passes_on_the_law_s_friction_however_it_lies(degrees: float) -> None:
    """Werner & Wengle 1991, the law of the power 1/7 with the factor 8.3: what an even wind along a plane wall loses in
    a step is the law's shear stress, to a thousandth of what a wall takes that holds the air fast. Off an oblique wall
    only the sum meets it, for the cells differ."""
    turn, speed, viscosity = np.radians(degrees), 0.06, 1e-5
    along, normal = np.array([np.cos(turn), 0.0, np.sin(turn)]), np.array([-np.sin(turn), 0.0, np.cos(turn)])
    size = (240, 1, 240)
    setup = RunSetup(
        "D2Q9",
        size,
        tuple(speed * along),
        viscosity,
        wall_function=True,
        faces=("far", "far", "periodic", "periodic", "far", "far"),
    )
    lattice = stencil("D2Q9")
    place = np.stack(np.unravel_index(np.arange(np.prod(size)), size), axis=1) - [120.0, 0.0, 120.0]
    height = place @ normal + (0.5 if degrees == 0.0 else 0.31)
    drop = -lattice.steps @ normal
    q = np.where(drop > 1e-9, height[:, None] / np.where(drop > 1e-9, drop, 1.0), NO_WALL)
    cell = np.flatnonzero((height > 0.0) & (q <= 1.0).any(axis=1))
    q = np.where(q[cell] <= 1.0, q[cell], NO_WALL)
    middle = np.abs(place[cell] @ along) < 60.0
    part = np.where(middle[:, None], 1, 2) * (q <= 1.0)
    label = np.where(height <= 0.0, 2, 0).reshape(size)
    edges = boundary(setup, label, cell, q, part)
    force = ReferenceRun(setup, edges).advance(1)[0, 0]
    local = speed * 0.5 / viscosity
    law = speed**2 * (8.3 * local ** (1.0 / 7.0)) ** (-2.0 / (1.0 + 1.0 / 7.0))
    held = ReferenceRun(replace(setup, wall_function=False), edges).advance(1)[0, 0]
    assert held @ along / 120.0 > 1000.0 * law
    assert force @ along / 120.0 == pytest.approx(
        law, rel=0.01 if degrees == 0.0 else 0.2, abs=0.001 * (held @ along) / 120.0
    )
    # A part as thin as a trailing edge holds the air as before.
    sheet = boundary(setup, np.zeros(size, int), cell, q, part)
    assert not sheet.slips[(sheet.part == 1).any(axis=1)].any()
