"""Clearance: how long building the index, one move and one full map take, beside general libraries.

The peers are the fastest of the registry's libraries for each part: python-fcl for building and for
distances and collisions between meshes, libigl's box tree, on all cores, for distances of points.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version

import fcl
import igl
import numpy as np
from _timing import row

from wingfettle.core.clearance.measure import measure_clearance, per_vertex_clearance
from wingfettle.core.geometry.index import TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh

ZONES = ["boot lid", "tail lamp left", "tail lamp right", "high stop lamp", "rear window", "number plate", "bumper"]
SIDES = {"full": (708, 101), "fast": (274, 101)}
"""Points along a side of the deck and of the wing: 1.0 M (150 k) faces against 20 k."""
REACH_M = np.inf


def rows(size: str) -> list[dict[str, object]]:
    """Medians of alternating runs; ``size`` is "full" or "fast". The ratio is our time over the peer's."""
    body, labels, wing = _scene(*SIDES[size])
    zoned = [body.subset(labels == k) for k in range(len(ZONES))]
    index = TriangleIndex.build(body, labels)
    required = [0.015] * len(ZONES)
    models = [_fcl_model(mesh) for mesh in zoned]
    tree, faces = igl.AABB(), np.ascontiguousarray(body.triangles[labels >= 0].astype(np.int64))
    tree.init(body.points, faces)

    def fcl_move() -> None:
        moving = _fcl_model(wing)
        for model in models:
            contacts = fcl.CollisionResult()
            fcl.collide(model, moving, fcl.CollisionRequest(num_max_contacts=100000), contacts)
            if not contacts.is_collision:
                fcl.distance(model, moving, fcl.DistanceRequest(), fcl.DistanceResult())

    fcl_name, igl_name = (f"{name} {version(name)}" for name in ("python-fcl", "libigl"))
    return [
        row("clearance: index built", size, lambda: TriangleIndex.build(body, labels), fcl_name,
             lambda: [_fcl_model(mesh) for mesh in zoned]),
        row("clearance: one move, all zones and flags", size,
             lambda: measure_clearance(index, ZONES, required, "wing", wing), fcl_name, fcl_move),
        row("clearance: map of every wing point", size,
             lambda: per_vertex_clearance(index, wing, REACH_M), igl_name,
             lambda: tree.squared_distance(body.points, faces, wing.points)),
    ]  # fmt: skip


def _scene(deck_side: int, wing_side: int) -> tuple[TriMesh, np.ndarray, TriMesh]:
    """A bumpy deck with scanner noise in seven zones and a wing over it that crosses two of them."""

    def sheet(side: int, place: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> TriMesh:
        u, v = (w.ravel() for w in np.meshgrid(*[np.linspace(0, 1, side)] * 2, indexing="ij"))
        i = np.arange(side * side).reshape(side, side)
        a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
        faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
        return TriMesh(place(u, v), faces.astype(np.int32))

    deck = sheet(
        deck_side,
        lambda u, v: np.column_stack([-u, 1.6 * v - 0.8, 0.9 + 0.1 * np.sin(2 * u) + 0.05 * np.cos(3 * v)]),
    )
    deck = TriMesh(deck.points + np.random.default_rng(0).normal(0, 5e-5, deck.points.shape), deck.triangles)
    middle = deck.corners.mean(axis=1)
    labels = (np.clip((middle[:, 1] + 0.8) / 0.4, 0, 3).astype(np.int32) + 4 * (middle[:, 0] < -0.5)).astype(np.int32)
    labels[labels == 7] = -1
    wing = sheet(
        wing_side,
        lambda u, v: np.column_stack(
            [
                -0.55 - 0.15 * np.cos(2 * np.pi * u),
                1.3 * v - 0.65,
                1.05 + 0.06 * (v - 0.5) + 0.015 * np.sin(2 * np.pi * u),
            ]
        ),
    )
    return deck, labels, wing


def _fcl_model(mesh: TriMesh) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.triangles), len(mesh.points))
    model.addSubModel(mesh.points, mesh.triangles)
    model.endModel()
    return fcl.CollisionObject(model)
