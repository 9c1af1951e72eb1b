"""Finer cells near the wing: levels of a run, each with cells half as large in a box inside the one before.

A level with cells half as large does two steps while its parent does one; speeds and densities are the same numbers on
both, stresses are not. After a collision only density, velocity and stress are left of the distributions (see
``kernel``), so these three are all that the levels hand each other:

- The outermost cells of the inner level are given: density, velocity and stress of the parent's cells around, quadratic
  along each axis and, for the first of the two steps, half way in time.
- Inside the box the parent goes on for ``OVERLAP`` cells. The next layer is taken from the inner level, cubic along
  each axis. What lies deeper is not run.

Stress left after a collision is that of a Newtonian fluid times (relaxation time - 1), and the strain a step of an
inner level is half its parent's: A. Dupuis and B. Chopard, "Theory and applications of an alternative lattice
Boltzmann grid refinement algorithm", Physical Review E 67, 2003, here for what is left after the collision. No part
but the scanned body may reach into the overlap, where its walls stand on both levels and what is solid on the one may
be air on the other; road and mirror may.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .grid import BODY, BORDER, FlowGrid
from .kernel import COARSER, FINER, OVERLAP, SOLID, Boundary, RunSetup, boundary
from .stencil import stencil

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BEYOND = 2**30
"""Cells, farther than any domain."""
REACHES = "A part reaches to where finer cells end: lay them farther about it."
TOO_THICK = 0.9
"""Relaxation time near to 1, where no stress is left to hand on."""


@dataclass(frozen=True, eq=False)
class Coupling:
    """How a level and the next finer one hand each other the flow.

    Attributes:
        sources: (s,) rows of the edge cells on the coarse level that are read.
        given: (g,) rows of the edge cells on the fine level that are given.
        slot: (g, k) which of the sources each given cell is made of.
        weight: (g, k) their shares, 1 together, or all 0 where there is no air about: air at rest.
        taken: (t,) rows of the edge cells on the coarse level that are taken from the fine one.
        cell: (t, l) flat index of the fine cells that each is made of.
        share: (t, l) their shares, in the same way.
        to_finer: factor of the stress left after a collision; its inverse the other way.
    """

    sources: Ints
    given: Ints
    slot: Ints
    weight: Floats
    taken: Ints
    cell: Ints
    share: Floats
    to_finer: float


@dataclass(frozen=True, eq=False)
class Level:
    """One size of cells.

    Attributes:
        setup, edges: as of a run.
        inner: how it hands on to the next finer level; None for the finest.
    """

    setup: RunSetup
    edges: Boundary
    inner: Coupling | None


def levels(setup: RunSetup, grid: FlowGrid) -> tuple[Level, ...]:
    """The levels of a run on ``grid`` and what it holds, the coarsest first.

    Args:
        setup: of the coarsest.
        grid: the coarsest; its ``finer`` the next.

    Raises:
        InputError: grids that do not fit each other or the set-up, a part that reaches into the overlap, or air too
            thick for levels.
    """
    if grid.finer is not None and setup.acceleration:
        raise InputError("Air that is pushed along cannot be run with finer cells.")
    setups = [setup]
    grids = [grid]
    while grids[-1].finer is not None:
        setups.append(finer_setup(setups[-1], grids[-1]))
        _check_parts(grids[-1])
        grids.append(grids[-1].finer)
    edges = [
        boundary(own, g.label, g.cell, g.q, g.part, None if g.finer is None else hole(g))
        for own, g in zip(setups, grids, strict=True)
    ]
    parts = max(one.parts for one in edges)
    edges = [replace(one, parts=parts) for one in edges]
    joined = [_coupling(setups[k], edges[k], grids[k], setups[k + 1], edges[k + 1]) for k in range(len(grids) - 1)]
    return tuple(Level(*found) for found in zip(setups, edges, [*joined, None], strict=True))


def updates(made: Sequence[Level]) -> int:
    """Cells of air that are worked out while the coarsest level does one step."""
    return sum(int((one.edges.kind != SOLID).sum()) << number for number, one in enumerate(made))


def corner_of(grid: FlowGrid) -> Ints:
    """(3,) where the first cell of ``grid.finer`` lies, in its own cells from the corner of ``grid``."""
    assert grid.finer is not None
    off = (grid.finer.origin_m - grid.origin_m) / grid.finer.spacing_m
    if grid.size[1] == 1:
        off[1] = 0.0
    found = np.rint(off).astype(np.int64)
    if abs(grid.spacing_m / grid.finer.spacing_m - 2.0) > 1e-6 or np.abs(off - found).max() > 1e-3:
        raise InputError("The finer cells are not halves of the coarser ones: lay the grids anew.")
    return found


def hole(grid: FlowGrid) -> tuple[Ints, Ints]:
    """(3,) first cell of ``grid`` in its finer level's box and (3,) the one after the last.

    Where the box shares a face with the domain it reaches far beyond it, for there is no border.
    """
    assert grid.finer is not None
    start, size = corner_of(grid), np.array(grid.finer.size)
    low, high = -(-start // 2), (start + size) // 2
    for axis in range(3):
        below, above = _shared(grid, axis)
        low[axis] = -BEYOND if below else low[axis]
        high[axis] = BEYOND if above else high[axis]
        if (not below and (start[axis] % 2 or low[axis] < BORDER)) or (
            not above and ((start + size)[axis] % 2 or high[axis] > grid.size[axis] - BORDER)
        ):
            raise InputError("Finer cells begin and end with whole coarser ones, some off the domain's faces.")
    return low, high


def held(grid: FlowGrid, points: Floats) -> NDArray[np.bool_]:
    """(n,) whether points (n, 3) m, flow axes, lie in ``grid.finer``, a cell of ``grid`` within its ends at least."""
    low, high = hole(grid)
    place = (points - grid.origin_m) / grid.spacing_m
    return np.asarray(((place >= low + 1) & (place <= high - 1)).all(axis=1))


def run_on(grid: FlowGrid) -> NDArray[np.bool_]:
    """(nx, ny, nz) cells of air, without those that only the finer level has."""
    air = grid.label == 0
    if grid.finer is not None:
        low, high = hole(grid)
        deep = tuple(
            slice(int(max(a + OVERLAP + 1, 0)), int(max(b - OVERLAP - 1, 0))) for a, b in zip(low, high, strict=True)
        )
        air[deep] = False
    return air


def finer_setup(setup: RunSetup, grid: FlowGrid) -> RunSetup:
    """Of the level ``grid.finer``, from that of ``grid``: half the cell, half the step."""
    assert grid.finer is not None
    kinds = list(setup.face_kinds())
    for axis in range(3):
        for side, shared in enumerate(_shared(grid, axis)):
            if not shared:
                kinds[2 * axis + side] = "coarser"
    return replace(
        setup, size=grid.finer.size, viscosity=2.0 * setup.viscosity, faces=tuple(kinds), sponge=(0, 0, 0)
    )  # fmt: skip


def _shared(grid: FlowGrid, axis: int) -> tuple[bool, bool]:
    """Whether the finer level ends with the domain below and above along an axis."""
    assert grid.finer is not None
    if axis == 1 and grid.size[1] == 1:
        return True, True
    start, size = int(corner_of(grid)[axis]), grid.finer.size[axis]
    # A road lies half way between two layers of either size of cells.
    return start <= 1, start + size >= 2 * grid.size[axis] - 1


def _check_parts(grid: FlowGrid) -> None:
    """Raises InputError: the wall of a part other than the body lies where the finer level and this one overlap."""
    assert grid.finer is not None
    finer = grid.finer
    walls = (finer.part > 0) & (finer.part != (finer.parts.index(BODY) + 1 if BODY in finer.parts else 0))
    place = np.unravel_index(finer.cell[walls.any(axis=1)], finer.size)
    for axis, cells in enumerate(place):
        below, above = _shared(grid, axis)
        # What is taken is read up to one cell beyond its own.
        deep = 2 * OVERLAP + 3
        if (not below and (cells < deep).any()) or (not above and (cells >= finer.size[axis] - deep).any()):
            raise InputError(REACHES)


def _coupling(setup: RunSetup, edges: Boundary, grid: FlowGrid, finer: RunSetup, inner: Boundary) -> Coupling:
    taus = [3.0 * one.viscosity + 0.5 for one in (setup, finer)]
    if max(taus) > TOO_THICK:
        raise InputError(
            f"Air of a viscosity of {setup.viscosity:g} cells squared a step is too thick for finer cells."
        )
    start = corner_of(grid)
    given = np.flatnonzero(inner.comes == COARSER)
    row, weight = _around(setup, edges, np.stack(np.unravel_index(inner.cell[given], finer.size), axis=1) + start)
    sources, slot = np.unique(row, return_inverse=True)
    taken = np.flatnonzero(edges.comes == FINER)
    corner = 2 * np.stack(np.unravel_index(edges.cell[taken], setup.size), axis=1) - start
    axes = list(stencil(setup.stencil).axes)
    steps, share = _within(axes)
    if len(axes) == 2:
        corner[:, 1] = 0
    # Beyond road and mirror the nearest cell stands for what is not there.
    last = np.array(finer.size) - 1
    cell, nearest = (
        np.ravel_multi_index(tuple(np.moveaxis(np.clip(corner[:, None] + to, 0, last), -1, 0)), finer.size)
        for to in (steps, np.clip(steps, 0, 1))
    )
    air = inner.kind.ravel()[cell] != SOLID
    shares = _of_air(air, share, 2 ** len(axes))
    cell = np.where(air, cell, nearest)
    return Coupling(
        sources, given, slot.reshape(row.shape), weight, taken, cell, shares, 0.5 * (taus[1] - 1.0) / (taus[0] - 1.0)
    )


def _of_air(air: NDArray[np.bool_], share: Floats, count: int) -> Floats:
    """(t, l) shares of the fine cells that coarse ones are made of.

    Args:
        air: (t, l) which of them are air.
        share: (l,) theirs where the first ``count``, those in the coarse cell, all are.
    """
    inside = air & (np.arange(len(share)) < count)
    # Without air in it, what is air beside it.
    even = np.where(inside.any(axis=1, keepdims=True), inside, air).astype(np.float64)
    even /= np.maximum(even.sum(axis=1, keepdims=True), 1.0)
    return np.where(inside.sum(axis=1, keepdims=True) == count, share, even)


def _around(setup: RunSetup, edges: Boundary, place: Ints) -> tuple[Ints, Floats]:
    """Rows of the coarse edge cells about fine cells, and their shares, (g, 2^d + d) each.

    Linear, less 3/32 of the second difference at the nearest, which is what a parabola differs by a quarter of the way.

    Args:
        place: (g, 3) fine cells, counted from the coarse grid's corner.
    """
    axes = list(stencil(setup.stencil).axes)
    row_of = np.full(edges.kind.size, -1)
    row_of[edges.cell] = np.arange(len(edges.cell))
    size = np.array(setup.size)
    nearest, side = np.zeros((len(place), 3), np.int64), np.zeros((len(place), 3), np.int64)
    nearest[:, axes], side[:, axes] = place[:, axes] // 2, 2 * (place[:, axes] % 2) - 1

    def rows(cell: Ints) -> Ints:
        flat = np.ravel_multi_index(tuple(np.clip(cell, 0, size - 1).T), setup.size)
        return np.where(edges.kind.ravel()[flat] != 0, row_of[flat], -1)

    found, shares = list[Ints](), list[Floats]()
    for step in product((0, 1), repeat=len(axes)):
        cell = nearest.copy()
        cell[:, axes] += np.array(step) * side[:, axes]
        found.append(rows(cell))
        shares.append(np.full(len(place), np.prod(np.where(step, 0.25, 0.75))))
    row, share = np.stack(found, axis=1), np.stack(shares, axis=1)
    # At road and body some of them are not there: the others share what is theirs.
    whole = (row >= 0).all(axis=1)
    share = np.where(row >= 0, share, 0.0)
    total = share.sum(axis=1, keepdims=True)
    share = share / np.where(total > 0.0, total, 1.0)
    # Where none is, the nearest air around counts alone.
    ways = np.array(sorted(product((-1, 0, 1), repeat=len(axes)), key=lambda way: sum((n - 0.25) ** 2 for n in way)))
    for k in np.flatnonzero(total <= 0.0):
        cell = np.repeat(nearest[k : k + 1], len(ways), axis=0)
        cell[:, axes] += ways * side[k, axes]
        there = rows(cell)
        if (there >= 0).any():
            row[k, 0], share[k, 0] = there[there >= 0][0], 1.0
    for n, axis in enumerate(axes):
        ahead = 2 ** (len(axes) - 1 - n)
        cell = nearest.copy()
        cell[:, axis] -= side[:, axis]
        behind = rows(cell)
        bent = np.where(whole & (behind >= 0), 3.0 / 32.0, 0.0)
        share[:, 0] += 2.0 * bent
        share[:, ahead] -= bent
        row, share = np.column_stack([row, behind]), np.column_stack([share, -bent])
    return np.where(row >= 0, row, np.maximum(row.max(axis=1, keepdims=True), 0)), np.asarray(share, np.float64)


def _within(axes: list[int]) -> tuple[Ints, Floats]:
    """Steps (l, 3) from the lowest fine cell in a coarse one, those in it first, and the shares (l,) of cells there.

    The mean of the fine cells in it, less the eighth of the second difference by which a parabola's mean differs.
    """
    count = 2 ** len(axes)
    share: dict[tuple[int, ...], float] = dict.fromkeys(product((0, 1), repeat=len(axes)), 1.0 / count)
    for inside in product((0, 1), repeat=len(axes)):
        for n in range(len(axes)):
            outside = tuple(3 * c - 1 if m == n else c for m, c in enumerate(inside))
            share[inside] += 0.125 / count
            share[outside] = share.get(outside, 0.0) - 0.125 / count
    steps = np.zeros((len(share), 3), np.int64)
    steps[:, axes] = list(share)
    return steps, np.array(list(share.values()))
