"""Where the links of a lattice are crossed by a surface.

All links of one direction lie on parallel lines through cell middles. In axes sheared along that direction the lines
stand on whole numbers, so a triangle meets those whole numbers that its shadow covers: it is drawn row by row, as on a
screen, instead of asking link by link. A line that passes within ``TOUCH`` of an edge counts as met by the triangles on
both sides, so that none slips through between two of them; a triangle seen edge-on is met by its neighbours only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

TOUCH = 1e-9
"""Cells; far above the rounding of places in a grid of some thousand cells, far below what matters."""
ON = 1e-6
"""A crossing so near to a cell's middle (share of the link) cuts the links on both its sides: which side of the surface
such a middle lies on is below rounding, and lines of other directions might say otherwise."""
_CHUNK = 1 << 19


@dataclass(frozen=True)
class Crossings:
    """Links of one direction that a surface cuts; several entries for a link cut several times.

    Attributes:
        low: (d, k) int32 the cell at the link's start, which may lie outside the grid.
        share: (k,) float64 0..1 how far along the link from there.
    """

    low: Ints
    share: Floats


def triangle_crossings(corners: Floats, direction: tuple[int, ...]) -> Crossings:
    """Links cut by triangles.

    Takes some 100 bytes a triangle beyond the answer and 100 MB.

    Args:
        corners: (3, 3, m) coordinate, corner, triangle; in cells, cell middles on whole numbers.
        direction: (3,) of -1, 0, 1, the first that is not 0 being 1.
    """
    lead, across = _axes(direction)
    t = corners[lead]
    u, v = (corners[k] - direction[k] * t for k in across)
    first, rows = _whole_numbers(v.min(axis=0), v.max(axis=0))
    _, columns = _whole_numbers(u.min(axis=0), u.max(axis=0))
    shadow = (u[1] - u[0]) * (v[2] - v[0]) - (u[2] - u[0]) * (v[1] - v[0])
    wide = np.abs(shadow) > TOUCH * np.maximum(np.ptp(u, axis=0), np.ptp(v, axis=0))
    some = np.flatnonzero((rows > 0) & (columns > 0) & wide)
    found = [(np.zeros((3, 0), np.int32), np.zeros(0))]
    for part in _portions(rows[some] * columns[some]):
        number = some[part]
        t_, u_, v_ = (np.ascontiguousarray(w[:, number]) for w in (t, u, v))
        triangle, row, left, count = _rows(u_, v_, first[number], rows[number])
        of_row, column = _expanded(left, count)
        triangle, row = triangle[of_row], row[of_row]
        du, dv = column - u_[0][triangle], row - v_[0][triangle]
        one = du * (v_[2] - v_[0])[triangle] - dv * (u_[2] - u_[0])[triangle]
        two = dv * (u_[1] - u_[0])[triangle] - du * (v_[1] - v_[0])[triangle]
        rise = one * (t_[1] - t_[0])[triangle] + two * (t_[2] - t_[0])[triangle]
        along = t_[0][triangle] + rise / shadow[number][triangle]
        along = np.clip(along, t_.min(axis=0)[triangle], t_.max(axis=0)[triangle])
        found.append(_on_links(along, (column, row), direction))
    return Crossings(np.concatenate([f[0] for f in found], axis=1), np.concatenate([f[1] for f in found]))


def segment_crossings(ends: Floats, direction: tuple[int, ...]) -> Crossings:
    """Links cut by segments in a plane.

    Args:
        ends: (2, 2, m) coordinate, end, segment; in cells, cell middles on whole numbers.
        direction: (2,) of -1, 0, 1, the first that is not 0 being 1.
    """
    lead, (across,) = _axes(direction)
    t = ends[lead]
    u = ends[across] - direction[across] * t
    first, count = _whole_numbers(u.min(axis=0), u.max(axis=0))
    segment, column = _expanded(first, np.where(np.abs(u[1] - u[0]) > TOUCH, count, 0))
    share = np.clip((column - u[0][segment]) / (u[1] - u[0])[segment], 0.0, 1.0)
    return Crossings(*_on_links(t[0][segment] + share * (t[1] - t[0])[segment], (column,), direction))


def _axes(direction: tuple[int, ...]) -> tuple[int, list[int]]:
    lead = next(k for k, c in enumerate(direction) if c)
    return lead, [k for k in range(len(direction)) if k != lead]


def _whole_numbers(low: Floats, high: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(m,) the first whole number between two numbers, and how many there are."""
    first = np.ceil(low - TOUCH).astype(np.int64)
    return first, np.maximum(np.floor(high + TOUCH).astype(np.int64) - first + 1, 0)


def _portions(size: NDArray[np.int64]) -> Iterator[slice]:
    """Slices of about ``_CHUNK`` of ``size`` in all."""
    after = np.cumsum(size)
    cut = np.searchsorted(after, np.arange(_CHUNK, after[-1] if len(after) else 0, _CHUNK))
    ends = np.unique(np.concatenate([[0], cut, [len(size)]]))
    return (slice(int(a), int(b)) for a, b in zip(ends[:-1], ends[1:], strict=True))


def _expanded(first: NDArray[np.int64], count: NDArray[np.int64]) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Each run of ``count`` whole numbers from ``first`` on, written out: the run's number, the whole number."""
    run = np.repeat(np.arange(len(count)), count)
    begin = np.cumsum(count) - count
    return run, np.arange(len(run)) + (first - begin)[run]


def _rows(
    u: Floats, v: Floats, first: NDArray[np.int64], rows: NDArray[np.int64]
) -> tuple[NDArray[np.intp], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Triangle, row, first column and how many, of each row of each triangle."""
    triangle, row = _expanded(first, rows)
    low, high = np.full(len(row), np.inf), np.full(len(row), -np.inf)
    for a, b in ((0, 1), (1, 2), (2, 0)):
        span = (v[b] - v[a])[triangle]
        above = row - v[a][triangle]
        level = np.abs(span) <= TOUCH  # its ends belong to the other edges too
        share = above / np.where(level, 1.0, span)
        slack = TOUCH / np.where(level, 1.0, np.abs(span))
        met = ~level & (share >= -slack) & (share <= 1.0 + slack)
        place = u[a][triangle] + np.clip(share, 0.0, 1.0) * (u[b] - u[a])[triangle]
        np.minimum(low, place, out=low, where=met)
        np.maximum(high, place, out=high, where=met)
    met = np.flatnonzero(low <= high)
    left, count = _whole_numbers(low[met], high[met])
    some = count > 0
    return triangle[met][some], row[met][some], left[some], count[some]


def _on_links(along: Floats, across: tuple[NDArray[np.int64], ...], direction: tuple[int, ...]) -> tuple[Ints, Floats]:
    """Starts of links (d, k) and shares of places ``along`` the lines ``across``."""
    start = np.floor(along)
    share = along - start
    at_start, at_end = np.flatnonzero(share < ON), np.flatnonzero(share > 1.0 - ON)
    pick = np.concatenate([np.arange(len(along)), at_start, at_end])
    lead = np.concatenate([start, start[at_start] - 1.0, start[at_end] + 1.0]).astype(np.int32)
    share = np.concatenate([share, np.ones(len(at_start)), np.zeros(len(at_end))])
    low = np.empty((len(direction), len(pick)), np.int32)
    axis, others = _axes(direction)
    low[axis] = lead
    for k, place in zip(others, across, strict=True):
        low[k] = place[pick] + direction[k] * lead
    return low, share
