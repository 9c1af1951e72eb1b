"""Clearance: how long the index, one move and one full map take, beside general libraries, and how that grows.

The peers are the fastest of the registry's libraries for each part: python-fcl, on one core, for the index and for
distances and collisions between meshes (one model a zone, the wing's moved by its transform); libigl's box tree, on all
cores, for distances of points (without the sign and the reach that ours have). End to end the peers work together: both
trees, one move, one map. Ours runs on one core. Rows of growth hold exponents in place of seconds: the slope of log
time over log faces of the scan.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version
from typing import Any

import fcl
import igl
import numpy as np
from _timing import row

from wingfettle.core.assembly.part import Part
from wingfettle.core.clearance.measure import clearance_map, measure_clearance
from wingfettle.core.clearance.surroundings import Surroundings
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.scan.scan_mesh import ScanMesh, zone_named

ZONES = ["boot lid", "tail lamp left", "tail lamp right", "high stop lamp", "rear window", "number plate", "bumper"]
SIDES = {"10k": 72, "100k": 225, "1M": 708, "4M": 1415}
"""Points along a side of the deck; the parts have 20 k faces and 10 k points."""
FAST = ("10k", "100k")
NEAR_M = 0.06

Rows = list[dict[str, Any]]


def rows(size: str) -> Rows:
    """Medians of alternating runs; ``size`` is "full" or "fast". The ratio is our time over the peer's."""
    wing, sheet = Part.of("wing", _wing()), Part.of("sheet", _sheet(0.002))
    found: list[Rows] = []
    for name, side in SIDES.items():
        if size == "full" or name in FAST:
            found.append(_of_one(name, *_deck(side), wing, sheet))
    faces = [2.0 * (SIDES[each[0]["size"]] - 1) ** 2 for each in found]
    return [each for part in found for each in part] + [_growth(list(same), faces) for same in zip(*found, strict=True)]


def _of_one(size: str, deck: TriMesh, labels: np.ndarray, wing: Part, sheet: Part) -> Rows:
    """All rows of one scan."""
    scan = ScanMesh(deck, tuple(zone_named(name) for name in ZONES), labels)
    zoned = [deck.subset(labels == k) for k in range(len(ZONES))]
    points, faces = deck.points, np.ascontiguousarray(deck.triangles[labels >= 0].astype(np.int64))
    pose = np.eye(4)
    pose[:3, 3] = [0.01, -0.01, 0.005]
    moved = wing.mesh.transformed(pose).points

    def fcl_models() -> list[fcl.CollisionObject]:
        return [fcl.CollisionObject(_fcl_model(mesh)) for mesh in zoned]

    def fcl_move(models: list[fcl.CollisionObject], part: fcl.BVHModel) -> None:
        moving = fcl.CollisionObject(part, fcl.Transform(pose[:3, :3], pose[:3, 3]))
        for model in models:
            contacts = fcl.CollisionResult()
            fcl.collide(model, moving, fcl.CollisionRequest(num_max_contacts=100000), contacts)
            if not contacts.is_collision:
                fcl.distance(model, moving, fcl.DistanceRequest(), fcl.DistanceResult())

    def igl_tree() -> igl.AABB:
        tree = igl.AABB()
        tree.init(points, faces)
        return tree

    def ours() -> None:
        around = Surroundings.build(scan)
        measure_clearance(around, wing, pose)
        clearance_map(around, wing, pose, np.inf)

    def theirs() -> None:
        fcl_move(fcl_models(), fcl_wing)
        igl_tree().squared_distance(points, faces, moved)

    around, models, tree = Surroundings.build(scan), fcl_models(), igl_tree()
    fcl_wing, fcl_sheet = _fcl_model(wing.mesh), _fcl_model(sheet.mesh)
    fcl_name, igl_name = f"python-fcl {version('python-fcl')}", f"libigl {version('libigl')}"
    builds = 3 if len(deck.triangles) < 2e6 else 1
    timed: list[tuple[str, Callable[[], object], str, Callable[[], object], int]] = [
        ("index", lambda: Surroundings.build(scan), fcl_name, fcl_models, builds),
        ("one move", lambda: measure_clearance(around, wing, pose), fcl_name, lambda: fcl_move(models, fcl_wing), 5),
        ("one move, a sheet 2 mm above most of the deck", lambda: measure_clearance(around, sheet, pose), fcl_name,
         lambda: fcl_move(models, fcl_sheet), 3),
        ("full map", lambda: clearance_map(around, wing, pose, np.inf), igl_name,
         lambda: tree.squared_distance(points, faces, moved), 5),
        ("map within 60 mm", lambda: clearance_map(around, wing, pose, NEAR_M), igl_name,
         lambda: tree.squared_distance(points, faces, moved), 5),
        ("index, one move and full map", ours, f"{fcl_name} and {igl_name}", theirs, builds),
    ]  # fmt: skip
    return [row(f"clearance: {name}", size, mine, peer, other, runs) for name, mine, peer, other, runs in timed]


def _growth(same: Rows, faces: list[float]) -> dict[str, Any]:
    """The exponents of one row over the sizes."""
    slope, peer_slope = (
        float(np.polyfit(np.log(faces), np.log([each[key] for each in same]), 1)[0])
        for key in ("seconds", "peer_seconds")
    )
    return {
        "name": f"{same[0]['name']}, growth exponent",
        "size": f"{same[0]['size']} to {same[-1]['size']}",
        "seconds": slope,
        "peer": same[0]["peer"],
        "peer_seconds": peer_slope,
        "ratio": slope / peer_slope,
    }


def _deck(side: int) -> tuple[TriMesh, np.ndarray]:
    """A bumpy deck with scanner noise in seven zones."""
    deck = _grid(side, lambda u, v: np.column_stack([-u, 1.6 * v - 0.8, _height(-u, 1.6 * v - 0.8)]))
    deck = TriMesh(deck.points + np.random.default_rng(0).normal(0, 5e-5, deck.points.shape), deck.triangles)
    middle = deck.corners.mean(axis=1)
    labels = (np.clip((middle[:, 1] + 0.8) / 0.4, 0, 3).astype(np.int32) + 4 * (middle[:, 0] < -0.5)).astype(np.int32)
    labels[labels == 7] = -1
    return deck, labels


def _wing() -> TriMesh:
    """A wing over the deck that crosses some of its zones."""
    return _grid(
        101,
        lambda u, v: np.column_stack(
            [
                -0.55 - 0.15 * np.cos(2 * np.pi * u),
                1.3 * v - 0.65,
                1.05 + 0.06 * (v - 0.5) + 0.015 * np.sin(2 * np.pi * u),
            ]
        ),
    )


def _sheet(gap: float) -> TriMesh:
    """A sheet that follows the deck ``gap`` m above it, once the bench's pose is undone."""

    def place(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        x, y = 0.9 * u - 0.95, 1.4 * v - 0.7
        return np.column_stack([x - 0.01, y + 0.01, _height(x, y) + gap - 0.005])

    return _grid(101, place)


def _height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.asarray(0.9 + 0.1 * np.sin(-2.0 * x) + 0.05 * np.cos(1.875 * (y + 0.8)))


def _grid(side: int, place: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> TriMesh:
    u, v = (w.ravel() for w in np.meshgrid(*[np.linspace(0, 1, side)] * 2, indexing="ij"))
    i = np.arange(side * side).reshape(side, side)
    a, b, c, d = (part.ravel() for part in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return TriMesh(place(u, v), faces.astype(np.int32))


def _fcl_model(mesh: TriMesh) -> fcl.BVHModel:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.triangles), len(mesh.points))
    model.addSubModel(mesh.points, mesh.triangles)
    model.endModel()
    return model
