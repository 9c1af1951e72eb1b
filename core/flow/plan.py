"""What a run will take, before it starts: cells, memory, time a step, and whether the cells are fine enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.box import Box
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh
from .crossings import triangle_crossings
from .fault import Fault
from .grid import BODY, Frame, Reach, Side, box_about, box_in_plane, finer_frames, plane_frame, space_frame

Floats = NDArray[np.float64]

LEAST_IN_GAP = 10
"""Cells across the narrowest gap. Interpolated walls are of second order, so the air through a channel of n cells is
off by the order of 1/n^2: a hundredth here. The number itself is common practice, no source."""
LEAST_ON_CHORD = 240
"""Cells along a chord. Where the air lets go NACA 4412 at 4 degrees has a lift of 0.31, 0.41, 0.66 and 0.82 with 40,
80, 160 and 320 cells; 0.83 was measured (NACA Report 824, from memory; ``tests/bench/flow_results.md``). The number
lies between the last two and was not run itself."""
MOST_BLOCKAGE = 0.05
"""Share of the domain's cross-section; the limit usual for cars in wind tunnels (from memory)."""
TOUCHING_M = 1e-3
"""Parts nearer than this are taken as fixed to each other, which is no gap."""


@dataclass(frozen=True)
class GridPlan:
    """A grid that is not made yet.

    Attributes:
        spacing_m: length of a cell's edge, of the finest.
        size: cells along x, y, z, of the coarsest.
        cells: in all.
        updates: of cells, while the coarsest do one step.
        memory_bytes: that the run takes on the card.
        seconds_per_step: of the coarsest cells; None where the rate is not known.
        cells_on_chord: along the shortest chord.
        gap_m, gap_between: the narrowest gap and the names at it; inf and empty where there is none.
        cells_in_gap: across it.
        blockage: share of the domain's cross-section that the parts fill, seen from ahead.
        faults: what will weaken the run.
    """

    spacing_m: float
    size: tuple[int, int, int]
    cells: int
    updates: int
    memory_bytes: int
    seconds_per_step: float | None
    cells_on_chord: float
    gap_m: float
    gap_between: tuple[str, ...]
    cells_in_gap: float
    blockage: float
    faults: tuple[Fault, ...]


def plan_plane(
    contours: Sequence[tuple[str, Floats]],
    spacing_m: float,
    low: tuple[float, float],
    high: tuple[float, float],
    *,
    chord_m: float,
    bytes_per_cell: float,
    road: bool = False,
    reaches: Sequence[Reach] = (),
    gap_m: float | None = None,
    updates_per_second: float | None = None,
    memory_bytes: float | None = None,
) -> GridPlan:
    """Plan ``grid.plane_grid`` of the same arguments.

    Args:
        chord_m: the shortest chord.
        bytes_per_cell: that the kernel keeps.
        gap_m: the narrowest gap; measured between the contours, and down to the road, where None.
        updates_per_second: of cells, measured on the card.
        memory_bytes: that the card has to give.

    Raises:
        InputError: no contours, a domain without room, or a chord, gap, rate or size a cell that is not above zero.
    """
    frame = plane_frame(spacing_m, low, high, road)
    if not len(contours):
        raise InputError("There is nothing to put into the flow; give at least one contour.")
    placed = [(name, np.asarray(c, np.float64)) for name, c in contours]
    gap, between = (gap_m, ()) if gap_m is not None else plane_gap(placed, road)
    filled = np.zeros(frame.size[2], bool)
    for _, points in placed:
        z = frame.cells(np.column_stack([points[:, 0], np.zeros(len(points)), points[:, 1]]))[:, 2]
        filled[max(int(np.ceil(z.min())), 0) : max(int(np.floor(z.max())) + 1, 0)] = True
    share = float(filled.mean())
    frames = (frame, *finer_frames(frame, *box_in_plane(placed), reaches))
    return _planned(frames, chord_m, bytes_per_cell, gap, between, share, updates_per_second, memory_bytes)


def plan_space(
    parts: Sequence[tuple[str, TriMesh]],
    body: TriMesh | None,
    spacing_m: float,
    domain: Box,
    *,
    chord_m: float,
    bytes_per_cell: float,
    road: bool = True,
    half: Side | None = None,
    reaches: Sequence[Reach] = (),
    gap_m: float | None = None,
    updates_per_second: float | None = None,
    memory_bytes: float | None = None,
) -> GridPlan:
    """Plan ``grid.space_grid`` of the same arguments.

    Args:
        chord_m, bytes_per_cell, updates_per_second, memory_bytes: as in ``plan_plane``.
        gap_m: the narrowest gap; measured between the parts, and to body and road, where None.

    Raises:
        InputError: no parts, a domain without room, or a chord, gap, rate or size a cell that is not above zero.
    """
    frame, turn = space_frame(spacing_m, domain, road, half)
    meshes = [*parts, *([(BODY, body)] if body is not None else [])]
    if not meshes:
        raise InputError("There is nothing to put into the flow; give at least one part.")
    gap, between = (gap_m, ()) if gap_m is not None else space_gap(parts, body, road)
    filled = np.zeros(frame.size[1:], bool)
    for _, mesh in meshes:
        corners = frame.cells(mesh.points * turn)[mesh.triangles].transpose(2, 1, 0)
        y, z = triangle_crossings(np.ascontiguousarray(corners), (1, 0, 0)).low[1:]
        inside = (y >= 0) & (y < frame.size[1]) & (z >= 0) & (z < frame.size[2])
        filled[y[inside], z[inside]] = True
    share = float(filled.mean())
    frames = (frame, *(finer_frames(frame, *box_about(parts, turn), reaches) if len(reaches) else ()))
    return _planned(frames, chord_m, bytes_per_cell, gap, between, share, updates_per_second, memory_bytes)


def space_gap(
    parts: Sequence[tuple[str, TriMesh]], body: TriMesh | None, road: bool = True
) -> tuple[float, tuple[str, ...]]:
    """The narrowest gap between parts, body and road, m, and the names at it; exact over all triangles.

    Pairs within ``TOUCHING_M`` hang together, and the body's own way to the road is not counted. (inf, ()) where there
    is no gap.
    """
    index = [(name, TriangleIndex.build(mesh)) for name, mesh in parts]
    found: list[tuple[float, tuple[str, ...]]] = [(np.inf, ())]
    if road:
        heights = [(float(mesh.points[mesh.triangles.ravel(), 2].min()), (name, "road")) for name, mesh in parts]
        found.extend(h for h in heights if h[0] > TOUCHING_M)
    if body is not None:
        index.append((BODY, TriangleIndex.build(body)))
    for (one, a), (two, b) in combinations(index, 2):
        distance = b.approaches(a, reach_m=min(found)[0])[0].distance_m
        if distance > TOUCHING_M:
            found.append((distance, (one, two)))
    return min(found)


def plane_gap(contours: Sequence[tuple[str, Floats]], road: bool = False) -> tuple[float, tuple[str, ...]]:
    """The same between closed contours (n, 2), m, of which the last point is joined to the first."""
    found: list[tuple[float, tuple[str, ...]]] = [(np.inf, ())]
    if road:
        heights = [(float(points[:, 1].min()), (name, "road")) for name, points in contours]
        found.extend(h for h in heights if h[0] > TOUCHING_M)
    for (one, a), (two, b) in combinations(contours, 2):
        distance = min(_to_sides(a, b), _to_sides(b, a))
        if distance > TOUCHING_M:
            found.append((distance, (one, two)))
    return min(found)


def _to_sides(points: Floats, contour: Floats) -> float:
    """Least distance of points from a closed contour's sides."""
    start, run = contour, np.roll(contour, -1, axis=0) - contour
    square = np.maximum((run * run).sum(axis=1), 1e-300)
    apart = points[:, None] - start
    share = np.clip((apart * run).sum(axis=2) / square, 0.0, 1.0)
    return float(np.sqrt(((apart - share[..., None] * run) ** 2).sum(axis=2).min()))


def _planned(
    frames: Sequence[Frame],
    chord_m: float,
    bytes_per_cell: float,
    gap_m: float,
    between: tuple[str, ...],
    blockage: float,
    rate: float | None,
    memory_bytes: float | None,
) -> GridPlan:
    numbers = {"chord": chord_m, "gap": gap_m, "size of a cell in memory": bytes_per_cell, "rate": rate}
    for what, value in numbers.items():
        if value is not None and not value > 0.0:
            raise InputError(f"The {what} is {value:g}; give a number above zero.")
    h = frames[-1].spacing
    each = [int(np.prod(frame.size, dtype=np.int64)) for frame in frames]
    cells, updates = sum(each), sum(count << number for number, count in enumerate(each))
    memory = int(np.ceil(cells * bytes_per_cell))
    faults = []
    if gap_m / h < LEAST_IN_GAP:
        where = f" between “{between[0]}” and “{between[1]}”" if between else ""
        said = (
            f"The gap of {1e3 * gap_m:.3g} mm{where} has {gap_m / h:.1f} cells; {LEAST_IN_GAP} are the fewest that can "
            f"be trusted, which takes cells of {1e3 * gap_m / LEAST_IN_GAP:.3g} mm."
        )
        faults.append(Fault(said, between))
    if chord_m / h < LEAST_ON_CHORD:
        said = (
            f"The shortest chord has {chord_m / h:.0f} cells; {LEAST_ON_CHORD} are the fewest that can be trusted, "
            f"which takes cells of {1e3 * chord_m / LEAST_ON_CHORD:.3g} mm."
        )
        faults.append(Fault(said))
    if blockage > MOST_BLOCKAGE:
        said = (
            f"The parts fill {blockage:.1%} of the domain seen from ahead, so the air is squeezed past them; make it "
            f"wider or higher, until they fill {MOST_BLOCKAGE:.0%}."
        )
        faults.append(Fault(said))
    if memory_bytes is not None and memory > memory_bytes:
        said = (
            f"The run takes {memory / 1e9:.2g} GB and the card has {memory_bytes / 1e9:.2g} GB to give; make the cells "
            "larger or the domain smaller."
        )
        faults.append(Fault(said))
    return GridPlan(
        h, frames[0].size, cells, updates, memory, None if rate is None else updates / rate, chord_m / h, gap_m,
        between, gap_m / h, blockage, tuple(faults),
    )  # fmt: skip
