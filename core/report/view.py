"""Where the camera stands for the pictures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh


def rear_view(body: TriMesh) -> NDArray[np.float64]:
    """(4, 4) camera matrix (it looks along its own -z) from behind, to the left and above the boot.

    Args:
        body: the scan in vehicle axes, m.
    """
    width = float(np.ptp(body.points[:, 1]))
    target = np.array([0.45, 0.0, 0.86])
    eye = np.array([-1.15 * width, 0.93 * width, 1.60])
    back = (eye - target) / np.linalg.norm(eye - target)
    right = np.cross([0.0, 0.0, 1.0], back)
    right /= np.linalg.norm(right)
    matrix = np.eye(4)
    matrix[:3, :3] = np.column_stack([right, np.cross(back, right), back])
    matrix[:3, 3] = eye
    return matrix
