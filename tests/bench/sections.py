"""Sections and the deviation map: how long a cut, a fit and a full map take, beside general libraries.

Each peer works on the same data in the same run: trimesh's plane cuts of the same mesh (segments only, which ours
also chains to contours), scipy's least squares (MINPACK) with as many residuals and parameters for the same section,
trimesh's and libigl's signed distances (the latter on all cores, C++).
"""

from __future__ import annotations

import math
from importlib.metadata import version

import igl
import numpy as np
import trimesh
from _timing import row
from scipy.optimize import least_squares

from wingfettle.core.elements.deviation import deviation
from wingfettle.core.elements.element import Element
from wingfettle.core.elements.loft import loft
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.geometry.signed import SignedSurface
from wingfettle.core.sections.cut import Slicer
from wingfettle.core.sections.fit import fit_section
from wingfettle.core.sections.shape import SectionShape, half_thickness_basis, mean_line_basis

Floats = np.ndarray

SCAN_POINTS = {"full": 500_000, "fast": 60_000}
"""A million triangles to cut and to map; a tenth of it for a quick look."""
FEW = 5000
"""Points for trimesh's signed distance, which would take minutes for all."""
STATIONS = 21
FIT_POINTS = 600
REACH_M = 0.02


def rows(size: str) -> list[dict[str, object]]:
    """Medians of alternating runs; ``size`` is "full" or "fast". The ratio is our time over the peer's."""
    element = _element()
    scan, rebuilt, points = _scan(element, SCAN_POINTS[size]), loft(element, 70, 72).triangles(), _cut_points(element)
    body, sheet = (trimesh.Trimesh(mesh.points, mesh.triangles, process=False) for mesh in (scan, rebuilt))
    slicer, surface = Slicer(scan), SignedSurface.build(rebuilt)
    origin, normal = np.array([0.0, 0.137, 0.0]), np.array([0.0, 1.0, 0.0])
    heights = np.linspace(-0.5, 0.5, STATIONS)
    some = np.random.default_rng(1).choice(len(scan.points), FEW, replace=False)
    faces = f"{len(scan.triangles)} faces"
    pair = f"{len(scan.points)} points, {len(rebuilt.triangles)} faces"
    mesh_peer, fit_peer, tree_peer = (f"{name} {version(name)}" for name in ("trimesh", "scipy", "libigl"))
    return [
        row("sections: index built and one cut", faces, lambda: Slicer(scan).cut(origin, normal),
             f"{mesh_peer} mesh_plane", lambda: trimesh.intersections.mesh_plane(body, normal, origin)),
        row("sections: one cut", faces, lambda: slicer.cut(origin, normal),
             f"{mesh_peer} mesh_plane", lambda: trimesh.intersections.mesh_plane(body, normal, origin)),
        row(f"sections: {STATIONS} cuts", faces, lambda: [slicer.cut(y * normal, normal) for y in heights],
             f"{mesh_peer} mesh_multiplane",
             lambda: trimesh.intersections.mesh_multiplane(body, np.zeros(3), normal, heights)),
        row("sections: fit", f"{len(points)} points", lambda: fit_section(points),
             f"{fit_peer} least_squares", lambda: _peer_fit(points)),
        row("deviation: scan from element", pair, lambda: surface.distance(scan.points, REACH_M),
             f"{tree_peer} signed_distance", lambda: _peer_signed(scan.points, rebuilt)),
        row("deviation: whole map and numbers", pair, lambda: deviation(scan, rebuilt, REACH_M),
             f"{tree_peer} signed_distance, both ways",
             lambda: (_peer_signed(scan.points, rebuilt), _peer_signed(rebuilt.points, scan))),
        row("deviation: part of the scan", f"{FEW} points, {len(rebuilt.triangles)} faces",
             lambda: surface.distance(scan.points[some], REACH_M),
             f"{mesh_peer} signed_distance", lambda: trimesh.proximity.signed_distance(sheet, scan.points[some])),
    ]  # fmt: skip


def _element() -> Element:
    shape = SectionShape(
        half_thickness=np.array([0.17, 0.16, 0.16, 0.14, 0.15, 0.14]), mean_line=np.full(6, 0.16), trailing_edge=0.006
    )
    at, turn = np.array([0.2, 0.0, 1.0]), math.radians(2.0)
    return Element("wing", at, 1.2, 0.16, 0.9, 0.05, 0.02, turn, 0.0, shape, shape)


def _scan(element: Element, count: int) -> TriMesh:
    """The element's skin with scanner noise, some ``count`` points in even steps round the section and along it."""
    fine = 0.5 * (1.0 - np.cos(np.linspace(0.0, math.pi, 400)))
    up, low = element.surfaces(np.zeros(1), fine)
    round_it = np.concatenate([up[0, ::-1], low[0, 1:]])
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(round_it, axis=0), axis=1))])
    step = math.sqrt(way[-1] * element.span_m / count)
    stations = np.linspace(-1.0, 1.0, int(element.span_m / step))
    stops = np.interp(np.arange(0.0, way[-1], step), way, np.concatenate([-fine[::-1], fine[1:]]))
    up, low = element.surfaces(stations, np.abs(stops))
    points = np.where((stops < 0.0)[:, None], up, low)
    i = np.arange(points.shape[0] * points.shape[1]).reshape(points.shape[:2])
    a, b, c, d = (corner.ravel() for corner in (i[:-1, :-1], i[:-1, 1:], i[1:, 1:], i[1:, :-1]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    points = points.reshape(-1, 3)
    return TriMesh(points + np.random.default_rng(0).normal(0.0, 5e-5, points.shape), faces.astype(np.int32))


def _cut_points(element: Element) -> Floats:
    """A cut of the element at mid-span, (aft, up) m, with scanner noise; trailing edge and gaps and all."""
    outline = element.station(0.0).place(element.shape.contour(FIT_POINTS // 2))[:, [0, 2]] * [-1.0, 1.0]
    base = np.linspace(outline[-1], outline[0], 8)[1:-1]
    points = np.concatenate([outline, base])
    return points + np.random.default_rng(2).normal(0.0, 5e-5, points.shape)


def _peer_fit(points: Floats) -> Floats:
    """The same section form fitted by a general solver: distance along z to the side that each point is on.

    It starts at the known frame and knows each point's side, which ours must find out: the lighter job.
    """
    count = FIT_POINTS // 2
    side = np.where(np.arange(len(points)) < count, 1.0, -1.0)[: 2 * count - 1]
    points = points[: 2 * count - 1]

    def residual(numbers: Floats) -> Floats:
        aft, up, incidence, chord = numbers[:4]
        c, s = math.cos(incidence), math.sin(incidence)
        local = (points - [aft, up]) @ np.array([[c, s], [-s, c]]) / chord
        x = np.clip(local[:, 0], 0.0, 1.0)
        half = half_thickness_basis(x, 6) @ numbers[4:10] + 0.5 * numbers[16] * x
        return np.asarray(chord * (local[:, 1] - mean_line_basis(x, 6) @ numbers[10:16] - side * half))

    nose = points[np.argmin(points[:, 0])]
    start = np.concatenate([nose, [0.0, np.ptp(points[:, 0])], np.full(6, 0.15), np.zeros(6), [0.0]])
    return np.asarray(least_squares(residual, start, method="lm").x)


def _peer_signed(points: Floats, mesh: TriMesh) -> Floats:
    kind = igl.SIGNED_DISTANCE_TYPE_PSEUDONORMAL
    return np.asarray(igl.signed_distance(points, mesh.points, mesh.triangles.astype(np.int64), sign_type=kind)[0])
