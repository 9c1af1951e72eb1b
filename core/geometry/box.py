"""A box with its sides along the vehicle axes: the place where something is to be looked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Box:
    """Attributes: low, high: (3,) m, opposite corners."""

    low: NDArray[np.float64]
    high: NDArray[np.float64]

    def holds(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """(n,) bool: which of ``points`` (n, 3) lie inside."""
        return np.asarray(((points >= self.low) & (points <= self.high)).all(axis=1))
