"""Rigid motion from matching points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import moved


def rigid_from_pairs(
    source: NDArray[np.float64], target: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The rotation and shift that bring ``source`` nearest to ``target``.

    Method: W. Kabsch, Acta Crystallographica A32, 1976, by singular values with the sign rule of
    S. Umeyama, IEEE PAMI 13(4), 1991.

    Args:
        source, target: (n, 3) m, row by row the same place; n at least 3.

    Returns:
        (4, 4) matrix, and (n,) m distances that remain.

    Raises:
        InputError: points without a partner, fewer than three pairs, or all on one line.
    """
    if len(source) != len(target):
        raise InputError(
            f"Placing a part needs points in pairs; {len(source)} are picked on the part, {len(target)} where it goes."
        )
    if len(source) < 3:
        raise InputError(f"Placing a part needs at least three pairs of points; there are {len(source)}.")
    from_middle, to_middle = source.mean(axis=0), target.mean(axis=0)
    spread = np.linalg.svd(source - from_middle, compute_uv=False)
    if spread[1] < 0.02 * spread[0] or spread[0] == 0.0:
        raise InputError("The picked points lie on one line, so the part could still turn about it; pick one off it.")
    u, _, vt = np.linalg.svd((source - from_middle).T @ (target - to_middle))
    sign = np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))])
    matrix = np.eye(4)
    matrix[:3, :3] = (u @ sign @ vt).T
    matrix[:3, 3] = to_middle - matrix[:3, :3] @ from_middle
    return matrix, np.linalg.norm(moved(source, matrix) - target, axis=1)


def with_mirror_images(points: NDArray[np.float64], mirrored: NDArray[np.bool_]) -> NDArray[np.float64]:
    """``points`` (n, 3) in vehicle axes, those where ``mirrored`` (n,) is true taken to the other side of y = 0."""
    return np.where(mirrored[:, None], points * [1.0, -1.0, 1.0], points)


def sentence(part: str, left: NDArray[np.float64]) -> str:
    """How well the pairs (n,) m met, in one line for the person at the screen."""
    rms = float(np.sqrt(np.mean(left**2))) * 1000.0
    return (
        f"“{part}” placed by {len(left)} pairs that meet within {rms:.2f} mm rms, {left.max() * 1000.0:.2f} mm at most."
    )
