"""Label boxes laid out near what they name, none over another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

Floats = NDArray[np.float64]


def spread(anchors: Floats, sizes: Floats, frame: Floats, gap: float) -> Floats:
    """Places for label boxes, near their anchors, in the frame and clear of each other.

    A box goes to the right of its anchor, to the left where the frame ends. Boxes in each other's way are pushed up
    and down as little as keeps their order; where a pile is taller than the frame, each in turn takes the nearest free
    place; where that leaves one over, all are set in rows. Boxes that fit in rows therefore never overlap. Of those
    that do not, and of boxes larger than the frame, some lie over others or stand out.

    Args:
        anchors: (n, 2) px, what each box names; up to some 40.
        sizes: (n, 2) px, width and height of each box.
        frame: (2,) px, width and height of the picture; its lower left corner is (0, 0).
        gap: px between boxes, and from anchor to box.

    Returns:
        (n, 2) px, lower left corner of each box; the same for the same input.

    Raises:
        InputError: numbers that are not finite, shapes that do not belong together, or a size or gap below zero.
    """
    at, size = np.asarray(anchors, np.float64).reshape(-1, 2), np.asarray(sizes, np.float64).reshape(-1, 2)
    frame = np.asarray(frame, np.float64)
    if at.shape != size.shape or frame.shape != (2,):
        raise InputError(f"There are {len(at)} places to label and {len(size)} label sizes; give one each and a frame.")
    if not (np.isfinite(at).all() and np.isfinite(size).all() and np.isfinite(frame).all() and np.isfinite(gap)):
        raise InputError("A label's place, its size, the frame or the gap is no number; give all in picture points.")
    if (size < 0.0).any() or gap < 0.0:
        raise InputError("A label's size or the gap between labels is below zero; give lengths.")
    if not len(at):
        return at
    room = np.maximum(frame - size, 0.0)
    wanted = np.column_stack([at[:, 0] + gap, at[:, 1] - 0.5 * size[:, 1]])
    left = at[:, 0] - gap - size[:, 0]
    wanted[:, 0] = np.where((wanted[:, 0] > room[:, 0]) & (left >= 0.0), left, wanted[:, 0])
    wanted = np.clip(wanted, 0.0, room)
    for lay in (_pushed, _nearest_free, _in_rows):
        placed = lay(wanted, size, frame, gap)
        if placed is not None:
            return placed
    return wanted


def _pushed(wanted: Floats, size: Floats, frame: Floats, gap: float) -> Floats | None:
    """Boxes pushed along y only, in order of height; halfway between pushing all up and pushing all down.

    Both satisfy the same linear inequalities, hence so does their mean.
    """
    order = np.lexsort([np.arange(len(wanted)), wanted[:, 0], wanted[:, 1] + 0.5 * size[:, 1]])
    x, y, (w, h) = wanted[order, 0], wanted[order, 1], size[order].T
    beside = (x[:, None] < (x + w + gap)[None]) & (x[None] < (x + w + gap)[:, None])

    def risen(low: Floats) -> Floats:
        out = low.copy()
        for i in range(1, len(out)):
            below = beside[i, :i]
            out[i] = max(out[i], (out[:i] + h[:i] + gap)[below].max(initial=-np.inf))
        return out

    def sunk(high: Floats) -> Floats:
        out = high.copy()
        for i in range(len(out) - 2, -1, -1):
            above = beside[i, i + 1 :]
            out[i] = min(out[i], out[i + 1 :][above].min(initial=np.inf) - h[i] - gap)
        return out

    top = np.maximum(frame[1] - h, 0.0)
    up, down = sunk(np.minimum(risen(y), top)), risen(np.maximum(sunk(y), 0.0))
    if up.min() < -1e-9 or (down - top).max() > 1e-9:
        return None
    placed = wanted.copy()
    placed[order, 1] = np.clip(0.5 * (up + down), 0.0, top)
    return placed


def _nearest_free(wanted: Floats, size: Floats, frame: Floats, gap: float) -> Floats | None:
    """Each box in turn, the largest first, at the nearest place that touches no box before it."""
    placed, done = wanted.copy(), np.zeros(len(wanted), bool)
    for i in np.lexsort([np.arange(len(wanted)), -size.prod(axis=1)]):
        low, high = placed[done] - gap - size[i], placed[done] + size[done] + gap
        # Rounded, places beside boxes that stand in line are one; a hundred millionth of a point is no overlap.
        xs, ys = (np.unique(np.round([wanted[i, k], *low[:, k], *high[:, k]], 8)) for k in (0, 1))
        tried = np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1).reshape(-1, 2)
        tried = tried[((tried >= 0.0) & (tried <= np.maximum(frame - size[i], 0.0))).all(axis=1)]
        tried = tried[np.argsort(((tried - wanted[i]) ** 2).sum(axis=1), kind="stable")]
        for some in np.split(tried, np.arange(64, len(tried), 64)):
            free = ~((some[:, None] > low + 2e-8) & (some[:, None] < high - 2e-8)).all(axis=2).any(axis=1)
            if free.any():
                placed[i] = some[np.argmax(free)]
                break
        else:
            return None
        done[i] = True
    return placed


def _in_rows(wanted: Floats, size: Floats, frame: Floats, gap: float) -> Floats | None:
    """Boxes in rows from the bottom, filled by falling height, each row in the order of the anchors."""
    rows: list[list[int]] = []
    for i in np.argsort(-size[:, 1], kind="stable").tolist():
        if rows and size[[*rows[-1], i], 0].sum() + gap * len(rows[-1]) <= frame[0]:
            rows[-1].append(i)
        else:
            rows.append([i])
    tall = np.array([size[row, 1].max() for row in rows])
    if tall.sum() + gap * (len(rows) - 1) > frame[1] or (size[:, 0] > frame[0]).any():
        return None
    placed, floor = wanted.copy(), 0.0
    for k in np.argsort([wanted[row, 1].mean() for row in rows], kind="stable").tolist():
        row = np.array(rows[k])[np.argsort(wanted[rows[k], 0], kind="stable")]
        placed[row, 0] = np.concatenate([[0.0], np.cumsum(size[row, 0] + gap)[:-1]])
        placed[row, 1] = floor
        floor += tall[k] + gap
    return placed
