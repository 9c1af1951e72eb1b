"""End plates with an outline of their own, against exact areas and independent libraries."""

import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from wing_cases import PLATE, assert_solid, naca, triangles_of, wing

from wingfettle.core.elements.element import turned_over
from wingfettle.core.elements.loft import loft
from wingfettle.core.elements.plate import PLATE_OVERLAP_M, cover, plate_outline
from wingfettle.core.elements.quads import FacePart

TRIANGLE = [[0.0, 0.0], [1.0, 0.2], [0.3, 1.0]]
PENTAGON = [[0.0, 0.3], [0.4, 0.0], [1.0, 0.1], [0.9, 1.0], [0.1, 0.8]]
# An L with further points along its straight sides, and a comb whose teeth reach past one another.
CORNERED = [[0.0, 0.0], [0.5, 0.0], [1.0, 0.0], [1.0, 0.4], [0.4, 0.4], [0.4, 0.7], [0.4, 1.0], [0.0, 1.0], [0.0, 0.5]]
COMB = [[0, 0], [1, 0], [1, 1], [0.8, 1], [0.8, 0.2], [0.6, 0.2], [0.6, 1], [0.4, 1], [0.4, 0.3], [0.2, 0.9], [0, 0.9]]


def plates(outline: list[list[float]], **change: object) -> list[trimesh.Trimesh]:
    mesh = loft(wing(end_plate=replace(PLATE, outline=np.array(outline, float)), **change), 12, 4)
    sheets = triangles_of(mesh, FacePart.PLATE)
    return list(trimesh.Trimesh(sheets.points, sheets.triangles, process=False).split(only_watertight=False))


def shoelace(points: np.ndarray) -> float:
    x, y = points.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


@pytest.mark.parametrize("outline", [TRIANGLE, PENTAGON, CORNERED, COMB])
@pytest.mark.parametrize("order", [1, -1])
def test_the_sheet_has_its_outline(outline: list[list[float]], order: int) -> None:
    taper, incidence = 0.7, 0.2
    sheets = plates(outline[::order], taper=taper, incidence_rad=incidence)
    assert len(sheets) == 2
    length, height = 0.24 * taper + 0.05, 0.17
    area = shoelace(np.array(outline)) * length * height
    for sheet in sheets:
        assert_solid(sheet)
        assert sheet.volume == pytest.approx(area * (PLATE.thickness_m + PLATE_OVERLAP_M), rel=1e-9)
        # Each corner, by hand: (0, 0) lies forward and low, (1, 1) aft and high, along the tip's chord line.
        tip = wing(taper=taper, incidence_rad=incidence).station(1.0).leading_edge
        for u, v in outline:
            aft, up = -0.02 + u * length, -0.12 + v * height
            x = tip[0] - aft * math.cos(incidence) - up * math.sin(incidence)
            z = tip[2] - aft * math.sin(incidence) + up * math.cos(incidence)
            assert np.hypot(sheet.vertices[:, 0] - x, sheet.vertices[:, 2] - z).min() < 1e-12


def test_convex_outlines_are_covered_in_quads_alone() -> None:
    for outline, wedges in ((PENTAGON, 1), (TRIANGLE, 1), (plate_outline(PLATE, 0.2).tolist(), 0)):
        quads, corners = cover(np.array(outline))
        assert (len(quads), len(corners)) == ((len(outline) - 2) // 2, wedges)


def test_turned_over_turns_the_outline() -> None:
    element = wing(end_plate=replace(PLATE, outline=np.array(COMB)), shape=naca(0.12), tip_shape=naca(0.12))
    image = loft(element).points * [1.0, 1.0, -1.0] + [0.0, 0.0, 2.4]
    points = loft(turned_over(element, mirror_incidence=True)).points
    key = [np.lexsort(np.round(p, 9).T) for p in (image, points)]
    assert image[key[0]] == pytest.approx(points[key[1]], abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(
    radii=st.lists(st.floats(0.05, 1.0), min_size=3, max_size=40), seed=st.integers(0, 9),
    stretch=st.floats(0.05, 1.0), folded=st.booleans(),
)  # fmt: skip
def test_any_simple_outline_is_covered_once(radii: list[float], seed: int, stretch: float, folded: bool) -> None:
    if folded:
        # A zigzag strip: simple, far from star-shaped.
        x = np.arange(len(radii)) / len(radii)
        edge = np.cumsum(np.array(radii) * np.where(np.arange(len(radii)) % 2, 1.0, -1.0))
        outline = np.concatenate([np.column_stack([x, edge]), np.column_stack([x, edge + stretch])[::-1]])
    else:
        angle = np.sort(np.random.default_rng(seed).uniform(-math.pi, math.pi, len(radii)))
        gaps = np.diff(np.append(angle, angle[0] + 2.0 * math.pi))
        if gaps.max() > 3.0 or gaps.min() < 1e-3:  # the pole must lie inside, and corners apart
            angle = np.linspace(-math.pi, math.pi, len(radii), endpoint=False)
        outline = np.array(radii)[:, None] * np.column_stack([np.cos(angle), stretch * np.sin(angle)])
    outline = outline if shoelace(outline) > 0.0 else outline[::-1]
    outline = (outline - outline.min(axis=0)) / np.ptp(outline, axis=0)
    quads, wedges = cover(outline)
    pieces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]], wedges])
    a, b, c = outline[pieces.T]
    twice = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    # All counter-clockwise, together as large as the polygon, m - 2 of them: they cover it once.
    assert twice.min() > 0.0
    assert 0.5 * twice.sum() == pytest.approx(shoelace(outline), rel=1e-9)
    assert len(pieces) == len(outline) - 2
    # Every side of the outline is the side of one piece, every other one of two.
    sides = np.sort(np.concatenate([pieces[:, [0, 1]], pieces[:, [1, 2]], pieces[:, [2, 0]]]), axis=1)
    _, count = np.unique(sides, axis=0, return_counts=True)
    assert sorted(count.tolist()).count(1) == len(outline)
    assert set(count.tolist()) <= {1, 2}
