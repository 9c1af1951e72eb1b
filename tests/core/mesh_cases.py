"""Meshes that several tests need."""

from __future__ import annotations

import numpy as np

from wingfettle.core.geometry.mesh import TriMesh


def moebius(n: int) -> TriMesh:
    """A one-sided strip of 2 ``n`` faces."""
    turn = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)
    points = [
        np.column_stack([(1 + s * np.cos(turn / 2)) * np.cos(turn), (1 + s * np.cos(turn / 2)) * np.sin(turn),
                         s * np.sin(turn / 2)]) for s in (-0.2, 0.2)
    ]  # fmt: skip
    k = np.arange(n)
    after = np.where(k == n - 1, n, k + 1), np.where(k == n - 1, 0, k + 1 + n)
    faces = np.concatenate([np.column_stack([k, after[0], k + n]), np.column_stack([after[0], after[1], k + n])])
    return TriMesh(np.concatenate(points), faces.astype(np.int32))
