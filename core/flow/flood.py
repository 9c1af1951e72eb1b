"""Which cells of a block can be reached from which, along its axes and never through a cut link."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..scan.topology import connected, numbered

Bools = NDArray[np.bool_]


def reached(free: Bools, cut: tuple[Bools, Bools, Bools], seeds: Bools) -> Bools:
    """Free cells that the air reaches from free ``seeds``.

    Cells in a row along the last axis go as one run; runs side by side are joined as a graph. Takes some 12 bytes a
    cell.

    Args:
        free: (nx, ny, nz) cells that may be entered.
        cut: for each axis (nx, ny, nz), whether the link to the next cell along it is cut.
        seeds: (nx, ny, nz) where the air comes from.
    """
    begins = free.copy()
    begins[..., 1:] &= ~free[..., :-1] | cut[2][..., :-1]
    run = np.cumsum(begins.ravel(), dtype=np.int32).reshape(free.shape) - np.int32(1)
    a, b = [run[:0].ravel()], [run[:0].ravel()]
    for axis in (0, 1):
        here, there = _pair(axis)
        joined = free[here] & free[there] & ~cut[axis][here]
        # One link is enough for each pair of runs: the first of a stretch.
        fresh = joined.copy()
        fresh[..., 1:] &= ~joined[..., :-1] | begins[here][..., 1:] | begins[there][..., 1:]
        a.append(run[here][fresh])
        b.append(run[there][fresh])
    count = int(run.max(initial=-1)) + 1
    piece, pieces = numbered(connected(np.concatenate(a), np.concatenate(b), count))
    wet = np.zeros(pieces, bool)
    wet[piece[run[seeds & free]]] = True
    out: Bools = free & np.concatenate([wet[piece], [False]])[run]
    return out


def spread(inside: Bools, into: Bools, cut: tuple[Bools, Bools, Bools]) -> Bools:
    """The cells of ``into`` one link that is not cut away from a cell ``inside``."""
    near = np.zeros_like(inside)
    for axis in range(3):
        here, there = _pair(axis)
        free = ~cut[axis][here]
        near[there] |= inside[here] & free
        near[here] |= inside[there] & free
    return near & into


def ends(cut: tuple[Bools, Bools, Bools]) -> Bools:
    """The cells that have a cut link."""
    touched = cut[0] | cut[1] | cut[2]
    for axis in range(3):
        here, there = _pair(axis)
        touched[there] |= cut[axis][here]
    return touched


def widened(cells: Bools, by: int) -> Bools:
    """``cells`` and all within ``by`` cells of them along each axis, corners included."""
    wide = cells
    for axis in range(3):
        for _ in range(by):
            here, there = _pair(axis)
            grown = wide.copy()
            grown[here] |= wide[there]
            grown[there] |= wide[here]
            wide = grown
    return wide


def _pair(axis: int) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    """Index of all cells but the last along an axis, and of their neighbours."""
    every = [slice(None)] * 3
    here, there = every.copy(), every.copy()
    here[axis], there[axis] = slice(None, -1), slice(1, None)
    return tuple(here), tuple(there)
