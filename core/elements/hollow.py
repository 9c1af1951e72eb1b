"""The cavity of a hollow element: its skin set inwards by the wall's thickness."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..errors import InputError
from ..sections.shape import cosine_spaced
from .element import Element
from .quads import Floats, Shell
from .tips import closed_shell

_LEAST_GAP = 0.1  # a cavity begins where it is this share of the skin high
_ROUNDS = 2  # of narrowing down where the cavity's nose and tail lie
_PIECES = 16  # pieces a round
_WAIST = 1e-3  # the least height of a cavity amid its length, over the skin


def cavities(element: Element, eta: Floats, rings: Floats, n: int, rounded: bool) -> list[Shell]:
    """The closed cavities inside a wing's rings, wound so that the material lies outside them.

    In each section the wall is ``skin_m`` over the cosine of the surface's lean across the section plane
    (sweep, taper, dihedral, twist), so that it is ``skin_m`` thick measured square to the outer surface.
    Where the section is thinner than two walls, towards nose and trailing edge, the cavity ends in an edge
    and the material is solid. Flat tips keep a wall of ``skin_m``; rounded ones get a rounded cavity. Where
    tip or middle are too thin, the cavity ends before them, at a ring.

    A cavity is closed all round: a print that traps powder, resin or support needs a drain hole drilled.

    Args:
        element: the element, ``skin_m`` above zero.
        eta: (k,) places of the rings along the half span, rising.
        rings: (k, m, 3) m, as in ``closed_shell``.
        n: the nose's place in a ring; also the cavity's quads from nose to tail on each side.
        rounded: whether the tips beyond the outermost rings are half round.

    Raises:
        InputError: no cavity fits; the message tells the thickness that there is.
    """
    end = float(eta[-1]) if rounded else 1.0 - 2.0 * element.skin_m / element.span_m
    wall = f"a cavity between walls of {1000.0 * element.skin_m:.1f} mm; make its skin thinner or the element solid"
    if end <= 0.0:
        raise InputError(f"Element “{element.name}” spans {1000.0 * element.span_m:.1f} mm, too short for {wall}.")
    at = eta if rounded else np.array([-end, *eta[np.abs(eta) < end - 1e-9], end])
    inner, gap, reach = _inset(element, eta, rings, n, at)
    good = gap > _LEAST_GAP * element.skin_m
    apart = np.maximum(reach[1:, 0], reach[:-1, 0]) >= np.minimum(reach[1:, 1], reach[:-1, 1])
    linked = good[1:] & good[:-1] & ~apart
    if not linked.any():
        thick = 1000.0 * float(np.linalg.norm(rings[:, n - 1 : 0 : -1] - rings[:, n + 1 : 2 * n], axis=2).max())
        raise InputError(f"Element “{element.name}” is at most {thick:.1f} mm thick, too thin for {wall}.")
    edge = np.flatnonzero(np.diff(np.concatenate([[False], linked, [False]]).astype(int)))
    shells = []
    for first, last in edge.reshape(-1, 2):
        ends = ((first, 0), (last, len(at) - 1))
        out = [0.5 * float(gap[i]) if rounded and i == tip else 0.0 for i, tip in ends]
        shell = closed_shell(inner[first : last + 1], n, at[first:last] >= 0.0, (out[0], out[1]))
        shells += [shell.as_cavity()]
    return shells


def _inset(element: Element, eta: Floats, rings: Floats, n: int, at: Floats) -> tuple[Floats, Floats, Floats]:
    """The cavity's rings at places ``at`` (r,), sharp at both ends.

    Returns:
        (r, 2 n, 3) m the rings; (r,) m the cavity's largest height in each, not above zero where there is none;
        (r, 2) m where it begins and ends along the chord.
    """
    i = np.clip(np.searchsorted(eta, at, side="right") - 1, 0, len(eta) - 2)
    before = np.clip(np.searchsorted(eta, at, side="left") - 1, 0, len(eta) - 2)
    share = ((at - eta[i]) / (eta[i + 1] - eta[i]))[:, None, None]
    outer = rings[i] * (1.0 - share) + rings[i + 1] * share

    leading_edge, chord, incidence = element.planform(at)
    cos, sin = np.cos(incidence), np.sin(incidence)
    # Rows: aft and up in the section's own frame, from vehicle x and z.
    frame = np.stack([np.stack([-cos, -sin], axis=1), np.stack([-sin, cos], axis=1)], axis=1)
    local = (outer[..., [0, 2]] - leading_edge[:, None, [0, 2]]) @ frame.transpose(0, 2, 1)
    step = np.diff(rings, axis=0)
    lean = step[..., [0, 2]] / step[:, :1, 1:2]
    leans = np.stack([lean[before], lean[i]]) @ frame.transpose(0, 2, 1)
    width = np.stack([step[before, 0, 1], step[i, 0, 1]])

    skin = element.skin_m
    upper, lower = np.arange(n, -1, -1), np.arange(n, 2 * n + 1) % rings.shape[1]
    flip = np.array([1.0, -1.0])
    # The wall at a blunt trailing edge, whose normal is the chord line and whose quads are warped like the sides'.
    corners = [0, lower[-1]]
    edge = leans[:, :, corners, 0]
    base = skin * np.sqrt(1.0 + np.square(edge).max(axis=(0, 2))) + _off_ruled(edge[..., 1] - edge[..., 0], width)
    farthest = (local[:, corners, 0].min(axis=1) - base)[:, None]

    over = _set_inwards(local[:, upper], leans[:, :, upper], width)
    under = _set_inwards(local[:, lower] * flip, leans[:, :, lower] * flip, width)

    def inside(wall: Floats) -> Callable[[Floats], tuple[Floats, Floats]]:
        """For walls (r,) m: the cavity's middle height at places (r, q) and its whole one, -inf in the wall."""
        above, below = (start + wall[:, None, None] * path for start, path in (over, under))

        def heights(x: Floats) -> tuple[Floats, Floats]:
            up, low = _lowest(above, x), _lowest(below, x)
            solid = np.isinf(up) | np.isinf(low) | (x > farthest)
            up[solid] = low[solid] = 0.0
            return 0.5 * (up - low), np.where(solid, -np.inf, up + low)

        return heights

    places = chord[:, None] * cosine_spaced(2 * n + 1)
    wall = np.full(len(at), skin)
    _, end, _ = _extent(inside(wall), places)
    heights = inside(wall + _astray(outer, end / chord, chord, n))
    begin, end, height = _extent(heights, places)
    x = begin[:, None] + (end - begin)[:, None] * cosine_spaced(n + 1)
    middle, gap = heights(x)
    # A waist between the places looked at must not make the sides cross.
    half = 0.5 * np.maximum(gap, _WAIST * skin)
    half[:, [0, -1]] = 0.0
    sides = [np.stack([x, z], axis=2) for z in (middle + half, middle - half)]
    ring = np.concatenate([sides[0][:, ::-1], sides[1][:, 1:-1]], axis=1) @ frame + leading_edge[:, None, [0, 2]]
    y = np.broadcast_to(outer[:, :1, 1], ring.shape[:2])
    return np.stack([ring[..., 0], y, ring[..., 1]], axis=2), height, np.column_stack([begin, end])


def _astray(outer: Floats, end: Floats, chord: Floats, n: int) -> Floats:
    """(r,) m: how far the cavity's tail leaves its place between rings, where it lies at other shares of the chord
    in sections that lean otherwise: both run straight, so by a quarter of the product at most, and by as much again
    where the quads are cut into triangles.

    Args:
        outer: (r, m, 3) m, the section at each ring.
        end: (r,) share of the chord where the cavity ends.
    """
    step = np.diff(end) * 0.5 * (chord[1:] + chord[:-1])
    piece = np.clip(np.searchsorted(cosine_spaced(n + 1), end) - 1, 0, n - 1)
    astray = np.zeros(len(step))
    for first, second in ((n - piece, n - piece - 1), (n + piece, (n + piece + 1) % outer.shape[1])):
        for here in (slice(None, -1), slice(1, None)):
            row = np.arange(len(step))[:, None] + np.array([0, 1])
            run = outer[row, second[here, None]] - outer[row, first[here, None]]
            angle = np.arctan2(run[..., 2], -run[..., 0])
            astray = np.maximum(astray, 0.5 * np.abs(step * (angle[:, 1] - angle[:, 0])))
    return np.maximum(np.append(astray, 0.0), np.append(0.0, astray))


def _extent(heights: Callable[[Floats], tuple[Floats, Floats]], x: Floats) -> tuple[Floats, Floats, Floats]:
    """(r,) each: where the cavity begins and ends about its highest place, and how high it is there.

    Args:
        heights: the cavity's middle and whole height at places (r, q), the latter not above zero in the wall.
        x: (r, q) m places to look at first; the ends are then narrowed down between two of them.
    """
    gap = heights(x)[1]
    count = x.shape[1]
    peak = np.clip(np.argmax(gap, axis=1), 1, count - 2)[:, None]
    place, wall, row = np.arange(count), gap <= 0.0, np.arange(len(x))
    start = np.where(wall & (place < peak), place, 0).max(axis=1)
    stop = np.where(wall & (place > peak), place, count - 1).min(axis=1)
    # Columns: in the wall, in the cavity.
    begin, end = (np.column_stack([x[row, a], x[row, b]]) for a, b in ((start, start + 1), (stop, stop - 1)))
    for _ in range(_ROUNDS):
        part = np.linspace(0.0, 1.0, _PIECES + 1)
        first, last = (e[:, :1] + (e[:, 1:] - e[:, :1]) * part for e in (begin, end))
        wall = heights(np.concatenate([first, last[:, ::-1]], axis=1))[1] <= 0.0
        for near, of_near, bracket in (
            (first, wall[:, : _PIECES + 1], begin),
            (last, wall[:, :_PIECES:-1], end),
        ):
            at = np.where(of_near[:, :-1], np.arange(_PIECES), 0).max(axis=1)
            bracket[:] = np.column_stack([near[row, at], near[row, at + 1]])
    return begin[:, 1], end[:, 1], gap[row, peak[:, 0]]


def _set_inwards(side: Floats, leans: Floats, width: Floats) -> tuple[Floats, Floats]:
    """The upper side of a section set inwards: (r, n + 1, 2) m where a wall of no thickness ends, and the path of
    its points over the thickness measured square to the surface.

    With the thickness the chain of points may fold back where the nose is sharp.

    Args:
        side: (r, n + 1, 2) m, aft and up, from nose to tail.
        leans: (2, r, n + 1, 2) how the points run aft and up over y, in the strips right and left.
        width: (2, r) m, those strips.
    """
    run = np.diff(side, axis=1)
    length = np.hypot(run[..., 0], run[..., 1])
    normal = run[..., ::-1] * np.array([1.0, -1.0]) / length[..., None]
    slopes = [
        leans[:, :, s, 0] * normal[..., 0] + leans[:, :, s, 1] * normal[..., 1]
        for s in (slice(None, -1), slice(1, None))
    ]
    over_cosine = np.sqrt(1.0 + np.maximum(*(np.square(s).max(axis=0) for s in slopes)))
    more = _off_ruled(slopes[1] - slopes[0], width[..., None])
    ahead, behind = _at_points(normal)
    factor = np.maximum(*_at_points(over_cosine))
    # The cavity's chords cut across hollow corners, by at most a quarter of turn times length.
    turn = behind[..., 1] * ahead[..., 0] - behind[..., 0] * ahead[..., 1]
    fixed = np.maximum(*_at_points(more)) + 0.25 * np.maximum(turn, 0.0) * np.maximum(*_at_points(length))
    inwards = (ahead + behind) / (1.0 + (ahead * behind).sum(axis=2))[..., None]
    return side + fixed[..., None] * inwards, factor[..., None] * inwards


def _off_ruled(turn: Floats, width: Floats) -> Floats:
    """How far the two triangles that a quad is cut into leave its ruled surface: up to a quarter of its warp.

    The cavity's do so too, towards the same hand, but not at the same places.

    Args:
        turn: (2, ...) how much more one end of the quad leans over y than the other, in the strips right and left.
        width: (2, ...) m, those strips.
    """
    return np.asarray(0.25 * (np.abs(turn) * width).max(axis=0))


def _at_points(of_pieces: Floats) -> tuple[Floats, Floats]:
    """At each point of a chain, from its pieces (r, n, ...): that of the piece ahead, and of the one behind."""
    return (
        np.concatenate([of_pieces[:, :1], of_pieces], axis=1),
        np.concatenate([of_pieces, of_pieces[:, -1:]], axis=1),
    )


def _lowest(chains: Floats, x: Floats) -> Floats:
    """(r, q): height of the lowest piece of each chain (r, p, 2) over rising places ``x`` (r, q); infinite beside."""
    start, end = chains[:, :-1], chains[:, 1:]
    swap = start[..., :1] > end[..., :1]
    start, end = np.where(swap, end, start), np.where(swap, start, end)
    # One search for all rows: each lies beyond the one before.
    row = 4.0 * np.abs(chains[..., 0]).max() + 4.0 * np.abs(x).max()
    shift = row * np.arange(len(x))[:, None]
    keys = (x + shift).ravel()
    first = np.searchsorted(keys, (start[..., 0] + shift).ravel(), side="left")
    count = np.searchsorted(keys, (end[..., 0] + shift).ravel(), side="right") - first
    piece = np.repeat(np.arange(len(first)), count)
    place = np.arange(len(piece)) + np.repeat(first - (np.cumsum(count) - count), count)
    start, run = start.reshape(-1, 2), (end - start).reshape(-1, 2)
    rise = np.divide(run[:, 1], run[:, 0], out=np.zeros(len(run)), where=run[:, 0] > 0.0)
    lowest = np.full(x.size, np.inf)
    np.minimum.at(lowest, place, start[piece, 1] + rise[piece] * (x.ravel()[place] - start[piece, 0]))
    return lowest.reshape(x.shape)
