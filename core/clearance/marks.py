"""Colliding faces widened, so that a mark of one row of triangles can be seen on a picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh


def widened(mesh: TriMesh, hits: NDArray[np.bool_], reach_m: float) -> NDArray[np.bool_]:
    """(m,) bool: ``hits`` and the faces within ``reach_m`` of them along the surface.

    Faces that share a point join, ring by ring; a ring counts for the mean edge of the faces hit.

    Args:
        mesh: the surface.
        hits: (m,) bool.
        reach_m: m.
    """
    if not hits.any():
        return hits
    corners = mesh.corners[hits]
    edge = float(np.linalg.norm(corners - corners[:, [1, 2, 0]], axis=2).mean())
    grown = hits
    for _ in range(min(int(np.ceil(reach_m / max(edge, 1e-6))), 12)):
        touched = np.zeros(len(mesh.points), bool)
        touched[mesh.triangles[grown]] = True
        grown = np.asarray(touched[mesh.triangles].any(axis=1))
    return grown


def border(mesh: TriMesh, faces: NDArray[np.bool_] | NDArray[np.int32]) -> NDArray[np.float64]:
    """(k, 2, 3) m, the edges that only one of the chosen ``faces`` has: the outline of the patches they form."""
    triangles = mesh.triangles[faces]
    edges = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    once, tally = np.unique(edges, axis=0, return_counts=True)
    return mesh.points[once[tally == 1]]
