"""Dimension lines, legends and map colours: places by plane geometry, lightness by the sRGB standard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wingfettle.core.clearance.colours import clearance_colours, clearance_ticks, colour_steps
from wingfettle.core.clearance.marks import border
from wingfettle.core.clearance.result import PartClearance, ZoneClearance
from wingfettle.core.colour import linear, rgba
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.report.callouts import (
    INK,
    Callout,
    Drawing,
    callouts,
    distance_words,
    legend,
    line_key,
    told_distances,
)


def luminance(srgb: np.ndarray) -> np.ndarray:
    """Relative luminance of sRGB colours (IEC 61966-2-1; weights of ITU-R BT.709)."""
    light = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    return np.asarray(light[..., :3] @ [0.2126, 0.7152, 0.0722])


def test_nearer_is_darker_and_behind_is_darkest() -> None:
    steps = luminance(clearance_colours(np.linspace(0.0, 0.06, 50), 0.06, srgb=True))
    assert (np.diff(steps) > 0.0).all()
    behind, beyond = clearance_colours(np.array([-1e-6, 0.061]), 0.06, srgb=True)
    assert luminance(behind) < 0.5 * steps[0]
    assert beyond[:3].max() - beyond[:3].min() < 1e-6  # grey
    assert colour_steps(0.06, 50) == pytest.approx(clearance_colours(np.linspace(0.0, 0.06, 50), 0.06, srgb=True))
    assert [text for _, text in clearance_ticks(0.06)] == ["0", "15", "30", "45", "60"]
    for reach in (0.0, np.inf, np.nan):
        with pytest.raises(InputError, match="reach"):
            clearance_colours(np.zeros(1), reach)


def test_linear_light_is_what_srgb_decodes_to() -> None:
    # IEC 61966-2-1, from memory: 0.5 decodes to 0.21404.
    assert linear(np.array([0.0, 0.04045, 0.5, 1.0])) == pytest.approx([0.0, 0.0031308, 0.2140411, 1.0], abs=1e-6)
    light = np.linspace(0.1, 0.9, 9)
    coded = rgba(light, 0.05, 1.0, srgb=True)
    assert linear(coded[:, :3]) == pytest.approx(rgba(light, 0.05, 1.0)[:, :3], abs=1e-6)


def test_border_of_a_patch_is_its_outline() -> None:
    # A unit square of two triangles inside a strip: its outline has four sides and not the diagonal.
    points = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [2, 0, 0], [2, 1, 0]], float)
    mesh = TriMesh(points, np.array([[0, 1, 2], [0, 2, 3], [1, 4, 5], [1, 5, 2]], np.int32))
    lines = border(mesh, np.array([True, True, False, False]))
    assert len(lines) == 4
    assert np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1).sum() == pytest.approx(4.0)
    assert border(mesh, np.array([0, 1], np.int32)) == pytest.approx(lines)
    assert len(border(mesh, np.zeros(4, bool))) == 0


def zone(name: str, distance: float, required: float = 0.02, collides: bool = False) -> ZoneClearance:
    verdict = "touches" if collides else "tight" if distance < required else "clear"
    at = np.array([distance, 0.0, 0.0])
    return ZoneClearance(name, distance, at, np.zeros(3), collides, required, verdict, 0.004 if collides else 0.0)


def test_of_each_zone_the_nearest_part_is_told_and_the_most_pressing_first() -> None:
    none = np.zeros(0, np.int32)
    lower = PartClearance("lower", (zone("lid", 0.03), zone("lamp", 0.01), zone("glass", 0.4)), np.zeros(1, bool), none)
    upper = PartClearance(
        "upper", (zone("lid", 0.0, collides=True), zone("lamp", 0.2), zone("glass", 0.3)), np.zeros(1, bool), none
    )
    told = told_distances([lower, upper], 0.15)
    assert [text for _, _, text in told] == [
        "upper - lid: touches, 4.0 mm deep",
        "lower - lamp: 10.0 mm (tight)",
    ]
    assert told[1][0] == pytest.approx([0.01, 0.0, 0.0])
    assert [t.split(":")[0] for _, _, t in told_distances([lower, upper], 1.0)][-1] == "upper - glass"


@given(
    places=st.lists(st.tuples(*[st.floats(0.0, 1.0)] * 4), min_size=1, max_size=12),
    scale=st.floats(0.7, 2.0),
)
@settings(max_examples=60, deadline=None)
def test_labels_stay_apart_and_in_the_frame(places: list[tuple[float, ...]], scale: float) -> None:
    frame = np.array([1600.0, 1000.0])
    items = [Callout(np.array(p[:2]) * frame, np.array(p[2:]) * frame, "lower - boot lid: 12.3 mm") for p in places]
    drawing = callouts(items, frame, scale)
    low = np.array([f.low for f in drawing.fields])
    high = np.array([f.high for f in drawing.fields])
    assert (low >= -1e-6).all()
    assert (high <= frame + 1e-6).all()
    apart = (low[:, None] >= high[None] - 1e-6) | (high[:, None] <= low[None] + 1e-6)
    assert (apart.any(axis=2) | np.eye(len(low), dtype=bool)).all()
    for item in items:  # each dimension line runs from end to end
        assert (
            any({tuple(s.start), tuple(s.end)} == {tuple(item.start), tuple(item.end)} for s in drawing.strokes)
            or np.hypot(*(item.end - item.start)) < 3.0 * scale
        )


def test_a_distance_off_the_picture_is_left_out() -> None:
    frame = np.array([100.0, 100.0])
    assert not callouts([Callout(np.array([-50.0, 3.0]), np.array([-60.0, 3.0]), "far")], frame).writing


def test_legend_ticks_stand_where_their_colours_do() -> None:
    colours = colour_steps(0.06, 30)
    drawing = legend(["mm"], colours, clearance_ticks(0.06), [(np.array([0.5, 0.5, 0.5, 1.0]), "farther")])
    scale = [f for f in drawing.fields if any(np.allclose(f.colour[:3], c[:3]) for c in colours)]
    low, high = min(f.low[1] for f in scale), max(f.high[1] for f in scale)
    for value, text in clearance_ticks(0.06):
        at = next(w.place[1] for w in drawing.writing if w.text == text)
        assert at + 4.0 == pytest.approx(low + (high - low) * value / 0.06, abs=1.0)
    paper = drawing.fields[0]
    for writing in drawing.writing:
        assert (paper.low <= writing.place).all()
        assert (writing.place <= paper.high).all()


def test_a_line_key_stands_over_the_legend() -> None:
    drawing = legend(["mm"], colour_steps(0.06, 30), clearance_ticks(0.06))
    for above in (drawing, Drawing()):
        key = line_key(INK, "sharp", above)
        assert key.fields[0].low[1] > max((f.high[1] for f in above.fields), default=0.0)
        assert (key.writing[0].place > key.fields[0].low).all()


@pytest.mark.parametrize(
    ("collides", "verdict", "depth", "allowance", "words"),
    [
        (False, "clear", 0.0, 0.0, "3.4 mm"),
        (False, "tight", 0.0, 0.0, "3.4 mm (tight)"),
        (False, "tight", 0.0, 0.09, "3.4 mm after 90 mm allowance (tight)"),
        (False, "clear", 0.0, 0.0025, "3.4 mm after 2.5 mm allowance"),
        (False, "touches", 0.0, 0.09, "touches, 90 mm allowance used up"),
        (False, "touches", 0.0, 0.0, "touches"),
        (True, "touches", 0.0123, 0.09, "touches, 12.3 mm deep"),
        (True, "touches", 0.0, 0.0, "touches"),
    ],
)
def test_labels_say_what_the_distance_is(
    collides: bool, verdict: str, depth: float, allowance: float, words: str
) -> None:
    one = ZoneClearance("boot lid", 0.0034, np.zeros(3), np.zeros(3), collides, 0.02, verdict, depth)
    assert distance_words(one, allowance) == words
    assert distance_words(replace(one, behind=True), allowance) == (
        words if collides else "touches, behind the surface"
    )
    part = PartClearance("lower", (one,), np.zeros(4, bool), np.zeros(0, np.int32), allowance)
    assert [text for _, _, text in told_distances([part], 0.1)] == [f"lower - boot lid: {words}"]


def test_the_deepest_of_those_that_cross_is_told() -> None:
    cross = [replace(zone("boot lid", 0.0, collides=True), depth_m=depth) for depth in (0.0, 0.0258, 0.0708, 0.004)]
    parts = [PartClearance(f"bracket {k}", (z,), np.zeros(4, bool), np.zeros(0, np.int32)) for k, z in enumerate(cross)]
    assert [text for _, _, text in told_distances(parts, 0.1)] == ["bracket 2 - boot lid: touches, 70.8 mm deep"]


def test_what_lies_behind_is_told_before_what_is_near() -> None:
    near, hidden = zone("boot lid", 0.001), replace(zone("bumper", 0.05), verdict="touches", behind=True)
    part = PartClearance("lower", (near, hidden), np.zeros(4, bool), np.zeros(0, np.int32))
    assert [text.split(": ")[1] for _, _, text in told_distances([part], 0.01)] == [
        "touches, behind the surface",
        "1.0 mm (tight)",
    ]
