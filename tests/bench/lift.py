"""How long the lift estimate takes, over the bare solution of its largest system of equations."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from _timing import row

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.elements.element import Element
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.lift.body import body_panels
from wingfettle.core.lift.estimate import estimate_lift
from wingfettle.core.lift.lattice import Lattice, sheets_of
from wingfettle.core.lift.panel2d import solve
from wingfettle.core.sections.shape import SectionShape

SPEED = 120.0 / 3.6


def rows(size: str) -> list[dict[str, Any]]:
    """Timed rows; ``size`` is "fast" or "full"."""
    repeats = 3 if size == "fast" else 5
    elements = _elements()
    body = _body(220 if size == "fast" else 700)
    contours = [e.shape.contour(81) + [0.0, height] for e, height in zip(elements, (1.0, 1.7), strict=True)]
    unknowns = len(Lattice([s for i, e in enumerate(elements) for s in sheets_of(e, i)]).owner)
    pair, panels = Assembly("pair", elements), len(body_panels(body).areas)
    cases: list[tuple[str, str, Callable[[], object], int]] = [
        ("lift: two sections", "2 x 161 points", lambda: solve(contours, 0.0, 0.0), 324),
        ("lift: two elements", f"{unknowns} rings", lambda: estimate_lift(pair, SPEED), unknowns),
        (
            "lift: two elements on the car",
            f"{unknowns} rings, {panels} panels of {len(body.triangles)} faces",
            lambda: estimate_lift(pair, SPEED, body),
            unknowns + panels,
        ),
    ]
    return [_row(*case, repeats) for case in cases]


def _row(name: str, what: str, run: Callable[[], object], unknowns: int, repeats: int) -> dict[str, Any]:
    matrix = np.random.default_rng(1).normal(size=(unknowns, unknowns))
    peer = f"numpy.linalg.solve of {unknowns} unknowns"
    return row(name, what, run, peer, lambda: np.linalg.solve(matrix, matrix[:, :2]), repeats)


def _elements() -> tuple[Element, Element]:
    shape = SectionShape(
        half_thickness=np.array([0.17, 0.16, 0.16, 0.14, 0.15, 0.14]), mean_line=np.full(6, 0.16), trailing_edge=0.004
    )
    over = shape.turned_over()
    low, high = np.array([0.2, 0.0, 1.0]), np.array([0.25, 0.0, 1.12])
    return (
        Element("lower", low, 1.2, 0.16, 1.0, 0.0, 0.0, math.radians(2.0), 0.0, shape, shape),
        Element("upper", high, 1.25, 0.26, 1.0, 0.0, 0.0, math.radians(-4.0), 0.0, over, over),
    )


def _body(fineness: int) -> TriMesh:
    """A round-shouldered tail as a tube of about twice ``fineness`` squared triangles, roof falling aft."""
    x, angle = np.linspace(2.5, 0.0, fineness), np.linspace(0.0, math.pi, fineness)
    height = np.interp(x, [0.0, 1.2, 2.5], [0.85, 1.3, 1.3])
    across = 0.85 * np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** 0.4
    up = 0.2 + (height[:, None] - 0.2) * np.sin(angle) ** 0.4
    points = np.stack(np.broadcast_arrays(x[:, None], across, up), axis=-1).reshape(-1, 3)
    corner = (np.arange(fineness - 1)[:, None] * fineness + np.arange(fineness - 1)).ravel()
    first = np.column_stack([corner, corner + 1, corner + fineness])
    second = np.column_stack([corner + 1, corner + fineness + 1, corner + fineness])
    return TriMesh(points, np.concatenate([first, second]).astype(np.int32))
