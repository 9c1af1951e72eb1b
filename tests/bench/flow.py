"""Flow run: answers held against published ones, and cell updates a second with their share of the card's limit.

Minutes on a graphics card, hours on a processor; ``--size fast`` is two cases. The card is Blender's own
``gpu`` where that can compute (``--blender 5.2``), else moderngl's. Values from memory say so in their source. A row
holds where ``low <= value <= high``; rows without limits are told for the record.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from wingfettle.core.flow.grid import FlowGrid, plane_grid, space_grid
from wingfettle.core.flow.job import levels_of, reaches_about
from wingfettle.core.flow.kernel import RunSetup, boundary
from wingfettle.core.flow.statistics import Blocks, Mean, settled
from wingfettle.core.geometry.box import Box
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.sections.naca import naca4

COLUMNS = ("name", "size", "value", "low", "high", "source", "steps", "seconds", "updates_per_s", "share")
Row = dict[str, Any]
Floats = Any
SPEED = 0.06
"""Of the wind, cells a step."""
CLINGS = {"smagorinsky": 0.1, "wall_function": True}
LETS_GO = {"smagorinsky": 0.1, "wall_function": False}
WALLS = {"air clings": CLINGS, "air lets go": LETS_GO}
"""With the law of the wall the air clings too long, without it lets go too early: bounds of what it does."""
LEAST_VISCOSITY = 1e-5
PORTION = 1000
"""Steps given to the card at once."""


def rows(size: str) -> list[Row]:
    """All cases, or the small ones; ``size`` is "full" or "fast"."""
    bench = _Bench()
    small = (_cavity, _speed)
    large = (_cylinder, _plate, _sphere, _section, _polar, _near_road, _convergence, _facing_pair, _mirrored, _ahmed)
    cases: tuple[Callable[[_Bench, bool], Iterator[Row]], ...] = small if size == "fast" else (*small, *large)
    found = []
    for case in cases:
        for row in case(bench, size == "full"):
            found.append(row)
            print("  ".join(f"{k}={row[k]:.4g}" if isinstance(row[k], float) else f"{row[k]}" for k in COLUMNS))
            sys.stdout.flush()
    return found


class _Bench:
    """The card, and rows told of runs on it."""

    def __init__(self) -> None:
        from _card import graphics

        self.graphics = graphics()
        self.card = self.graphics.Card()

    def start(self, setup: RunSetup, grid: FlowGrid | None = None, every: int = 1, still: bool = False) -> Any:
        run = self.graphics.Run(self.card, setup, every)
        if grid is not None:
            run.upload(grid)
        elif still:
            run.start(boundary(setup), np.ones(setup.size), np.zeros((3, *setup.size)))
        else:
            run.start(boundary(setup))
        return run

    def row(self, run: Any, name: str, value: float, low: float, high: float, source: str) -> Row:
        cells = " x ".join(str(n) for n in run.setup.size if n > 1)
        cells += f", halved {run.finer} times" if run.finer else ""
        return {
            **{"name": name, "size": cells, "value": float(value), "low": low, "high": high, "source": source},
            **{"steps": run.steps, "seconds": run.seconds, "updates_per_s": 1e6 * run.rate()},
            "share": run.share_of_limit(),
        }


def _advanced(run: Any, steps: int) -> Any:
    """(k, parts, 3) forces, in portions short enough for any driver's patience."""
    found: list[Any] = []
    while steps:
        portion = min(steps, PORTION)
        found += list(run.advance(portion))
        steps -= portion
    return np.asarray(found)


def _means(forces: Any) -> list[Mean]:
    """Of all channels of (k, parts, 3), the start-up left out."""
    values = np.asarray(forces)
    blocks = Blocks(values[0].size)
    blocks.add(values.reshape(len(values), -1))
    return list(settled(blocks).channels)


# --- exact and published cases


_GHIA = {
    100: ((0.9531, 0.68717), (0.8516, 0.23151), (0.6172, -0.13641), (0.5, -0.20581), (0.4531, -0.21090),
          (0.2813, -0.15662), (0.1016, -0.06434), (0.0547, -0.03717)),
    1000: ((0.9531, 0.46604), (0.8516, 0.33304), (0.6172, 0.05702), (0.5, -0.06080), (0.4531, -0.10648),
           (0.2813, -0.27805), (0.1719, -0.38289), (0.0547, -0.18109)),
}  # fmt: skip


LID = 0.05


def _cavity(bench: _Bench, full: bool) -> Iterator[Row]:
    """The lid lies below here: the road, turned over."""
    for reynolds, n in ((100, 48), (100, 64), (100, 128), (1000, 64), (1000, 128)) if full else ((100, 48),):
        faces = ("wall", "wall", "periodic", "periodic", "road", "wall")
        setup = RunSetup("D2Q9", (n, 1, n), (0.0, 0.0, 0.0), LID * n / reynolds, road_speed=LID, faces=faces)
        run = bench.start(setup, still=True)
        _advanced(run, int((40 if reynolds == 100 else 120) * n / LID))
        velocity = run.fields()[1][0, :, 0, :]
        middle = 0.5 * (velocity[n // 2 - 1] + velocity[n // 2]) / LID
        heights = 1.0 - (np.arange(n) + 0.5) / n
        found = np.interp([y for y, _ in _GHIA[reynolds]], heights[::-1], middle[::-1])
        worst = float(np.abs(found - [u for _, u in _GHIA[reynolds]]).max())
        source = "Ghia, Ghia & Shin 1982, table I (from memory): 0"
        yield bench.row(run, f"cavity Re {reynolds}, worst u", worst, 0.0, 0.012, source)


def _circle(x: float, z: float, radius: float) -> Floats:
    turn = np.linspace(0.0, 2.0 * math.pi, 721)[:-1]
    return np.column_stack([x + radius * np.cos(turn), z + radius * np.sin(turn)])


def _cylinder(bench: _Bench, full: bool) -> Iterator[Row]:
    """Channel of 2.2 by 0.41 m, cylinder of 0.1 m at (0.2, 0.2)."""
    faces = ("inlet", "outlet", "periodic", "periodic", "wall", "wall")
    fine = ((20, 0.05), (20, 0.025), (40, 0.05), (40, 0.025), (80, 0.025))
    for reynolds, runs in ((20, fine), (100, fine[2:])):
        for n, mean in runs:
            grid = plane_grid([("cylinder", _circle(0.2, 0.2, 0.05))], 0.1 / n, (0.0, 0.0), (2.2, 0.41))
            setup = RunSetup("D2Q9", grid.size, (mean, 0.0, 0.0), mean * n / reynolds, faces=faces, parabolic=True)
            run = bench.start(setup, grid, every=5)
            passing = int(22 * n / mean)
            forces = _advanced(run, 8 * passing)
            coefficients = 2.0 * forces[-(2 * passing // 5) :, 0] / (mean**2 * n)
            source = "Schaefer & Turek 1996"
            if reynolds == 20:
                drag, lift = coefficients[-1, 0], coefficients[-1, 2]
                yield bench.row(run, f"cylinder Re 20, drag at speed {mean:g}", drag, 5.57, 5.59, source)
                yield bench.row(run, f"cylinder Re 20, lift at speed {mean:g}", lift, 0.0104, 0.0110, source)
            else:
                waves = _means(forces[len(forces) // 2 :])
                strouhal = n / (mean * 5.0 * waves[2].period)
                yield bench.row(
                    run, f"cylinder Re 100, peak drag at speed {mean:g}", coefficients[:, 0].max(), 3.22, 3.24, source
                )
                yield bench.row(
                    run, f"cylinder Re 100, peak lift at speed {mean:g}", coefficients[:, 2].max(), 0.99, 1.01, source
                )
                yield bench.row(
                    run, f"cylinder Re 100, Strouhal number at speed {mean:g}", strouhal, 0.295, 0.305, source
                )


def _air(grid: FlowGrid, reynolds: float, chord: float, sponge: float = 1.0, **more: Any) -> RunSetup:
    """A run in the wind past shapes of ``chord`` of the finest cells; what the viscosity cannot hold at a lower one."""
    coarser = 2 ** (len(grid.levels()) - 1)
    viscosity = max(SPEED * chord / reynolds, LEAST_VISCOSITY) / coarser
    lattice = "D2Q9" if grid.size[1] == 1 else "D3Q19"
    width = int(sponge * chord / coarser)
    return RunSetup(lattice, grid.size, (SPEED, 0.0, 0.0), viscosity, sponge=(width, width, width), **more)


def _blown(
    bench: _Bench, grid: FlowGrid, setup: RunSetup, chord: float, chords: float, leave: float
) -> tuple[Any, Any]:
    """A run of so many chords of wind; forces over dynamic pressure and chord, (k, parts, 3), without the first."""
    chord /= 2 ** (len(grid.levels()) - 1)
    every = max(1, int(chord / SPEED / 50))
    run = bench.start(setup, grid, every)
    forces = _advanced(run, int(chords * chord / SPEED))
    return run, 2.0 * forces[int(leave * chord / SPEED / every) :] / (SPEED**2 * chord)


def _about(n: int, shapes: list[tuple[str, Floats]], low: tuple[float, float], high: tuple[float, float],
           road: bool = False) -> FlowGrid:  # fmt: skip
    """Levels as the add-on lays them, ``n`` of the finest cells on a chord of 1."""
    levels = levels_of(n)
    return plane_grid(shapes, 2.0**levels / n, low, high, road=road, reaches=reaches_about(1.0, 1.0 / n, levels))


def _plate(bench: _Bench, full: bool) -> Iterator[Row]:
    """A plate along the wind: friction with the next term for its ends."""
    exact = {re: 2.0 * (1.328 / math.sqrt(re) + 2.67 / re**0.875) for re in (100, 1000)}
    for reynolds, drag in exact.items():
        for n in (50, 100):
            plate = np.array([[0.0, 0.001], [1.0, 0.001], [1.0, -0.001], [0.0, -0.001]]) / [1.0, 2.0]
            grid = plane_grid([("plate", plate + [0.0, 0.003])], 1.0 / n, (-6.0, -6.0), (9.0, 6.0))
            run, forces = _blown(bench, grid, _air(grid, reynolds, n), n, 40.0, 30.0)
            source = "Kuo 1953: 1.328 / sqrt(Re) + 2.67 / Re^(7/8) a side (from memory), 8 %"
            yield bench.row(
                run, f"thin plate Re {reynolds}, drag", forces[:, 0, 0].mean(), 0.92 * drag, 1.08 * drag, source
            )


def _sphere(bench: _Bench, full: bool) -> Iterator[Row]:
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.5)
    mesh = TriMesh(np.asarray(ball.vertices, np.float64), np.asarray(ball.faces, np.int32))
    for n in (12, 16, 20):
        domain = Box(np.array([-11.0, -5.0, -5.0]), np.array([6.0, 5.0, 5.0]))
        grid = space_grid([("sphere", mesh)], None, 1.0 / n, domain, road=False)
        setup = _air(grid, 100.0, n)
        run = bench.start(setup, grid, 10)
        forces = _advanced(run, int(50 * n / SPEED))
        drag = 8.0 * forces[-50:, 0, 0].mean() / (math.pi * SPEED**2 * n**2)
        source = "Johnson & Patel 1999, about 1.08-1.10; Schiller & Naumann 1.09 (from memory), 4 %"
        yield bench.row(run, "sphere Re 100, drag", drag, 1.05, 1.13, source)


# --- sections and pairs


def _naca(name: str, chord: float, degrees: float, over: bool, x: float, z: float, points: int = 120) -> Floats:
    """A contour with its middle of the chord at (x, z); nose up by ``degrees`` before it is turned over."""
    upper, lower = naca4(int(name[0]) / 100, int(name[1]) / 10, int(name[2:]) / 100, points)
    contour = np.concatenate([upper[::-1], lower[1:]]) - [0.5, 0.0]
    a = math.radians(degrees)
    turned = contour @ np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    return turned * [chord, -chord if over else chord] + [x, z]


def _section(bench: _Bench, full: bool) -> Iterator[Row]:
    lifts = {}
    for n in (60,):
        for degrees in (0.0, 4.0, 10.0):
            contour = _naca("0012", 1.0, degrees, False, 0.0, 0.0)
            grid = plane_grid([("section", contour)], 1.0 / n, (-10.0, -8.0), (14.0, 8.0))
            run, forces = _blown(bench, grid, _air(grid, 1000.0, n), n, 90.0, 40.0)
            lifts[n, degrees] = forces[:, 0, 2].mean()
            drag, lift = forces[:, 0, 0].mean(), lifts[n, degrees]
            of = f"NACA 0012 Re 1000, {degrees:g} degrees"
            if degrees == 0.0:
                yield bench.row(
                    run, f"{of}, drag", drag, 0.110, 0.130, "about 0.12 in several computations (from memory)"
                )
                yield bench.row(run, f"{of}, lift", lift, -0.003, 0.003, "symmetry: 0")
            elif degrees == 10.0:
                source = "about 0.36-0.45 and 0.16-0.18 in several computations (from memory)"
                yield bench.row(run, f"{of}, lift", lift, 0.33, 0.48, source)
                yield bench.row(run, f"{of}, drag", drag, 0.15, 0.19, source)
            else:
                yield bench.row(
                    run, f"{of}, lift", lift, 0.12, 0.24, "about 0.16-0.2 in several computations (from memory)"
                )


_MEASURED = {
    "4412": {-4.0: -0.01, 0.0: 0.41, 4.0: 0.83, 8.0: 1.21, 12.0: 1.48},
    "0012": {0.0: 0.0, 4.0: 0.44, 8.0: 0.87},
}
"""Lift of sections at Re 3e6, NACA Report 824 (from memory, read off curves to 0.03)."""
_STALLED = ("4412", 18.0)
"""Beyond its greatest lift of 1.65 at 14 degrees; the same report, from memory: about 1.5."""
FINE = 320


def _polar(bench: _Bench, full: bool) -> Iterator[Row]:
    """The form that the add-on runs, against measured sections: whether the two kinds of wall bracket them."""
    for n in (40, 80, 160):
        for walls in WALLS:
            yield from section_rows(bench, "4412", 4.0, n, walls)
    for name, points in _MEASURED.items():
        for degrees in points:
            for walls in WALLS:
                yield from section_rows(bench, name, degrees, FINE, walls)
    for walls in WALLS:
        yield from section_rows(bench, *_STALLED, FINE, walls)
        yield from section_rows(bench, "4412", 4.0, 2 * FINE, walls)


def section_rows(bench: _Bench, name: str, degrees: float, n: int, walls: str) -> Iterator[Row]:
    contour = _naca(name, 1.0, degrees, False, 0.0, 0.0)
    grid = _about(n, [("section", contour)], (-8.0, -7.0), (12.0, 7.0))
    run, forces = _blown(bench, grid, _air(grid, 3e6, n, **WALLS[walls]), n, 40.0, 20.0)
    lift = _MEASURED[name].get(degrees)
    measured = "1.5, stalled" if lift is None else f"{lift:g}"
    off = 9.0 if lift is None or n < FINE else 0.05 + (0.25 if walls == "air clings" else 0.1) * abs(lift)
    words, source = f"NACA {name}, {degrees:g} degrees, {n} cells, {walls}", "NACA Report 824, Re 3e6 (from memory)"
    yield bench.row(
        run, f"{words}, lift", forces[:, 0, 2].mean(), (lift or 0.0) - off, (lift or 0.0) + off, f"{source}: {measured}"
    )
    yield bench.row(run, f"{words}, drag", forces[:, 0, 0].mean(), -9.0, 9.0, "measured 0.006 where not stalled")


HEIGHTS = (2.0, 1.0, 0.6, 0.4, 0.3, 0.2, 0.15, 0.1, 0.06)


def _near_road(bench: _Bench, full: bool) -> Iterator[Row]:
    """A section turned over above a moving road: downforce rises as it sinks, peaks and falls."""
    found = [next(road_rows(bench, height)) for height in HEIGHTS]
    yield from found
    downforce = [row["value"] for row in found]
    peak = int(np.argmax(downforce))
    trend = float(0 < peak < len(HEIGHTS) - 1 and downforce[peak] > 1.05 * max(downforce[0], downforce[-1]))
    source = "Zerihan & Zhang 2000: rise, peak, fall: 1"
    yield {**found[peak], "name": f"inverted section, peak at {HEIGHTS[peak]:g} c", "value": trend, "low": 1.0,
           "high": 1.0, "source": source}  # fmt: skip


def road_rows(bench: _Bench, height: float, n: int = 160) -> Iterator[Row]:
    contour = _naca("4412", 1.0, 4.0, True, 0.0, 0.0)
    contour = contour - [0.0, contour[:, 1].min() - height]
    grid = _about(n, [("section", contour)], (-8.0, 0.0), (12.0, 8.0), road=True)
    run, forces = _blown(bench, grid, _air(grid, 5e5, n, road_speed=SPEED, **LETS_GO), n, 40.0, 20.0)
    words = f"inverted section, height {height:g} c, downforce"
    yield bench.row(run, words, -forces[:, 0, 2].mean(), -9.0, 9.0, "for the trend")


UPPER = ("4412", 1.0, 6.0, True)
LOWER = ("4412", 0.7, 4.0, False)
"""An element turned over above a smaller upright one: section, chord, incidence, turned over."""
GAPS = (2.0, 1.5, 1.0, 0.7, 0.5, 0.38, 0.3, 0.2, 0.15, 0.1, 0.07, 0.05)


def _pair(gap: float | None, n: int, which: str = "both", reach: float = 1.0) -> FlowGrid:
    """The facing pair, least clear height between them ``gap`` chords of the upper."""
    upper, lower = _naca(*UPPER, 0.0, 0.0), _naca(*LOWER, 0.0, 0.0)
    between = np.linspace(-0.3, 0.3, 61)
    facing = np.array([upper[np.abs(upper[:, 0] - x) < 0.03, 1].min() for x in between])
    below = np.array([lower[np.abs(lower[:, 0] - x) < 0.03, 1].max() for x in between])
    lower = lower + [0.0, (facing - below).min() - (gap or 0.0)]
    shapes = {"both": [("upper", upper), ("lower", lower)], "upper": [("upper", upper)], "lower": [("lower", lower)]}
    return _about(n, shapes[which], (-10.0 * reach, -8.0 * reach), (14.0 * reach, 8.0 * reach))


def _facing_pair(bench: _Bench, full: bool) -> Iterator[Row]:
    for walls in WALLS:
        alone = {}
        for gap in (None, *GAPS):
            for which in ("both",) if gap else ("upper", "lower"):
                for row in pair_rows(bench, gap, FINE, which, walls):
                    name = row["name"].split()[0]
                    alone.setdefault(name, row["value"])
                    yield {**row, "name": f"{row['name']}, {100.0 * row['value'] / alone[name]:.0f} % kept"}


def pair_rows(bench: _Bench, gap: float | None, n: int, which: str, walls: str, reach: float = 1.0) -> Iterator[Row]:
    grid = _pair(gap or 0.5, n, which, reach)
    run, forces = _blown(bench, grid, _air(grid, 5e5, n, **WALLS[walls]), n, 40.0, 20.0)
    means = _means(forces)
    for k, name in enumerate(grid.parts):
        lift = means[3 * k + 2]
        place = f"at gap {gap:g} c" if gap else "alone"
        words = f"{name} {place}, {n} cells, domain {reach:g}, {walls}, lift (+-{lift.half_width:.2g})"
        yield bench.row(run, words, lift.value, -9.0, 9.0, "the project's own curve")


def _convergence(bench: _Bench, full: bool) -> Iterator[Row]:
    """Grid and domain, where the air lets go."""
    for n, reach in ((80, 1.0), (160, 1.0), (320, 1.0), (640, 1.0), (160, 0.5), (160, 2.0)):
        yield from pair_rows(bench, 0.38, n, "both", "air lets go", reach)


def _mirrored(bench: _Bench, full: bool) -> Iterator[Row]:
    n, found = 60, []
    for over in (False, True):
        grid = plane_grid([("section", _naca("4412", 1.0, 4.0, over, 0.0, 0.0))], 1.0 / n, (-8.0, -6.0), (12.0, 6.0))
        run, forces = _blown(bench, grid, _air(grid, 2000.0, n), n, 90.0, 40.0)
        found.append(forces[:, 0, 2].mean())
    yield bench.row(run, "turned over, lift over that before", found[1] / found[0], -1.02, -0.98, "symmetry: -1")


def _ahmed(bench: _Bench, full: bool) -> Iterator[Row]:
    """Half of it over a moving road, its stilts left out; a coarse band, for the nose's curve alone has 10 cells."""
    h, speed = 0.010, SPEED
    for slant, low, high in ((25.0, 0.23, 0.40), (35.0, 0.20, 0.36)):
        domain = Box(np.array([-4.2, -0.95, 0.0]), np.array([1.6, 0.95, 1.5]))
        grid = space_grid([("body", _ahmed_body(slant))], None, h, domain, road=True, half="right")
        length = 1.044 / h
        viscosity = max(speed * length / 4.29e6, LEAST_VISCOSITY)
        setup = RunSetup(
            *("D3Q19", grid.size, (speed, 0.0, 0.0), viscosity),
            **{"road_speed": speed, "symmetry": True, "sponge": (20, 40, 20), **CLINGS},
        )
        run = bench.start(setup, grid, 20)
        mean = _means(_advanced(run, int(10 * length / speed)))[0]
        scale = 4.0 / (speed**2 * 0.389 * 0.288 / h**2)
        source = "SAE 840300: 0.285 and 0.26 at Re 4.3e6 (from memory), coarse band"
        words = f"Ahmed body, slant {slant:g}, drag ({scale * mean.half_width:.2g})"
        yield bench.row(run, words, scale * mean.value, low, high, source)


def _ahmed_body(slant: float) -> TriMesh:
    """1044 x 389 x 288 mm, nose rounded with 100 mm, slant 222 mm long, 50 mm over the road; nose at x = 0."""
    import trimesh
    from scipy.spatial import ConvexHull

    length, width, height, radius, clear = 1.044, 0.389, 0.288, 0.100, 0.050
    ball = np.asarray(trimesh.creation.icosphere(subdivisions=4, radius=radius).vertices)
    half, top = 0.5 * width - radius, height - radius
    front = np.concatenate([ball + [-radius, y, z] for y in (-half, half) for z in (radius, top)])
    front = front[front[:, 0] > -radius - 1e-9]
    a = math.radians(slant)
    run, fall = 0.222 * math.cos(a), 0.222 * math.sin(a)
    rear = [(-length, s * 0.5 * width, z) for s in (-1, 1) for z in (0.0, height - fall)] + [
        (-length + run, s * 0.5 * width, height) for s in (-1, 1)
    ]
    sides = [(-radius, s * 0.5 * width, z) for s in (-1, 1) for z in (0.0, height)]
    points = np.concatenate([front, rear, sides]) + [0.0, 0.0, clear]
    hull = ConvexHull(points)
    return TriMesh(points, np.asarray(hull.simplices, np.int32))


# --- speed


def _speed(bench: _Bench, full: bool) -> Iterator[Row]:
    """Large grids, nothing in them but a small solid, so that all kinds of cells are there."""
    source = f"{bench.card.name}: {bench.card.bandwidth() / 1e9:.0f} GB/s copied, in and out; aim 0.6 of it"
    sizes = (
        ((1100, 1, 520), (4096, 1, 2048), (128, 96, 64), (512, 320, 256)) if full else ((1100, 1, 520), (96, 64, 64))
    )
    for size in sizes:
        plane = size[1] == 1
        label = np.zeros(size, np.int16)
        middle = tuple(slice(n // 2 - n // 20, n // 2 + n // 20) if n > 1 else slice(None) for n in size)
        label[middle] = 1
        setup = RunSetup("D2Q9" if plane else "D3Q19", size, (SPEED, 0.0, 0.0), 1e-3, sponge=(8, 8, 8), **CLINGS)
        run = bench.graphics.Run(bench.card, setup, 10)
        run.start(boundary(setup, label))
        run.advance(10)
        run.steps, run.seconds = 0, 0.0
        begun = time.perf_counter()
        while time.perf_counter() - begun < 2.0:
            run.advance(100 if full else 10)
        name = f"speed in {'the plane' if plane else 'space'}, share of the limit"
        yield bench.row(run, name, run.share_of_limit(), 0.0, 9.0, source)
