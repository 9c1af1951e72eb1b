"""How long the lift estimate takes, over the bare solution of its largest system of equations."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from _timing import row

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.elements.element import Element, EndPlate
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.lift.body import BodyPanels, body_panels
from wingfettle.core.lift.estimate import estimate_lift, prepare_body
from wingfettle.core.lift.fields import flow_field
from wingfettle.core.lift.lattice import Lattice, sheets_of
from wingfettle.core.lift.panel2d import solve
from wingfettle.core.lift.wind import Wind
from wingfettle.core.sections.shape import SectionShape

SPEED = 120.0 / 3.6


def rows(size: str) -> list[dict[str, Any]]:
    """Timed rows; ``size`` is "fast" or "full"."""
    repeats = 3 if size == "fast" else 5
    elements = _elements()
    body = _body(220 if size == "fast" else 700)
    contours = [e.shape.contour(81) + [0.0, height] for e, height in zip(elements, (1.0, 1.7), strict=True)]
    rings = len(Lattice([s for i, e in enumerate(elements) for s in sheets_of(e, i)]).owner)
    pair, panels = Assembly("pair", elements), body_panels(body)
    both = f"{rings} rings, {len(panels.areas)} panels"
    unknowns = rings + len(panels.areas)
    moved = (elements[0], replace(elements[1], leading_edge=elements[1].leading_edge + [0.02, 0.0, 0.03]))
    count, prepared = itertools.count(1), prepare_body(body)
    estimate_lift(pair, SPEED, prepared=prepared)

    def fresh() -> float:
        # Another Reynolds number, so that no section is known from the run before.
        return SPEED * (1.0 + 0.02 * next(count))

    wind, uneven = Wind(elements, panels), Wind(elements, panels, half=False)
    cases: list[tuple[str, str, Callable[[], object], int]] = [
        ("lift: two sections", "2 x 161 points", lambda: solve(contours, 0.0, 0.0), 324),
        ("lift: estimate, two elements", f"{rings} rings", lambda: estimate_lift(pair, fresh()), rings),
        (
            "lift: estimate, two elements on the car",
            f"{both} of {len(body.triangles)} faces",
            lambda: estimate_lift(pair, fresh(), body),
            unknowns,
        ),
        (
            "lift: estimate, one element moved",
            both,
            lambda: estimate_lift(_raised(elements, next(count)), SPEED, prepared=prepared),
            unknowns,
        ),
        ("lift: flow field after it", both, lambda: flow_field(pair, SPEED, prepared=prepared), unknowns),
        ("lift: panels of the body", f"{len(body.triangles)} faces", lambda: body_panels(body), unknowns),
        ("lift: wind, alike left and right", both, lambda: _loads(elements, panels), unknowns),
        ("lift: wind, one element moved", both, lambda: wind.with_elements(moved).solve().loads(), unknowns),
        ("lift: wind, both halves", both, lambda: _loads(elements, panels, half=False), unknowns),
        (
            "lift: wind, both halves, one element moved",
            both,
            lambda: uneven.with_elements(moved).solve().loads(),
            unknowns,
        ),
    ]
    return [_row(*case, repeats) for case in cases]


def _raised(elements: tuple[Element, Element], by: int) -> Assembly:
    low, high = elements
    return Assembly("pair", (low, replace(high, leading_edge=high.leading_edge + [0.0, 0.0, 0.002 * by])))


def _loads(elements: tuple[Element, ...], panels: BodyPanels, half: bool | None = None) -> object:
    return Wind(elements, panels, half=half).solve().loads()


def _row(name: str, what: str, run: Callable[[], object], unknowns: int, repeats: int) -> dict[str, Any]:
    matrix = np.random.default_rng(1).normal(size=(unknowns, unknowns))
    peer = f"numpy.linalg.solve of {unknowns} unknowns"
    return row(name, what, run, peer, lambda: np.linalg.solve(matrix, matrix[:, :2]), repeats)


def _elements() -> tuple[Element, Element]:
    shape = SectionShape(
        half_thickness=np.array([0.17, 0.16, 0.16, 0.14, 0.15, 0.14]), mean_line=np.full(6, 0.16), trailing_edge=0.004
    )
    over = shape.turned_over()
    plate = EndPlate(0.1, 0.1, 0.02, 0.02, 0.004)
    low, high = np.array([0.2, 0.0, 1.0]), np.array([0.25, 0.0, 1.12])
    return (
        Element("lower", low, 1.2, 0.16, 1.0, 0.0, 0.0, math.radians(2.0), 0.0, shape, shape),
        Element("upper", high, 1.25, 0.26, 1.0, 0.0, 0.0, math.radians(-4.0), 0.0, over, over, plate),
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
