"""Coordinate lists: round trips, messy formatting, and what is refused.

The ordinates are those of NACA sections worked out here again and of random class-shape sections.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wingfettle.core.errors import InputError
from wingfettle.core.sections.coordinates import (
    ROUND,
    SIDES,
    CoordinateList,
    read_coordinates,
    shape_from_coordinates,
    write_coordinates,
)
from wingfettle.core.sections.shape import SectionShape, cosine_spaced

Floats = NDArray[np.float64]


@st.composite
def shapes(draw: st.DrawFn) -> SectionShape:
    thick = draw(st.lists(st.floats(0.06, 0.3), min_size=4, max_size=7))
    line = draw(st.lists(st.floats(-0.25, 0.25), min_size=3, max_size=6))
    return SectionShape(
        half_thickness=np.array(thick),
        mean_line=np.array(line),
        trailing_edge=draw(st.sampled_from([0.0, 0.002, 0.01])),
    )


def four_digit(camber: float, place: float, thickness: float, count: int = 40) -> tuple[Floats, Floats]:
    """NACA Report 460 (thickness form seen in a copy, mean line and lay-off from memory), nose to tail."""
    x = cosine_spaced(count)
    half = 5 * thickness * (0.2969 * np.sqrt(x) - 0.126 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1015 * x**4)
    ahead = x < place
    mean = np.where(ahead, camber / place**2 * (2 * place * x - x**2), 0.0)
    mean += np.where(ahead, 0.0, camber / (1 - place) ** 2 * (1 - 2 * place + 2 * place * x - x**2))
    turn = np.arctan(2 * camber * (place - x) / np.where(ahead, place, 1 - place) ** 2)
    across = half[:, None] * np.column_stack([-np.sin(turn), np.cos(turn)])
    middle = np.column_stack([x, mean])
    return middle + across, middle - across


def listed(points: Floats, form: str = "{:.6f} {:.6f}") -> list[str]:
    return [form.format(x, z) for x, z in points]


UPPER, LOWER = four_digit(0.04, 0.4, 0.12)
AROUND = np.concatenate([UPPER[::-1], LOWER[1:]])
ROUND_LINES = listed(AROUND)
SIDE_LINES = listed(UPPER) + listed(LOWER)
FORMS = ["{:.6f} {:.6f}", "{:.6f}\t{:.6f}", "  {:.6f},{:.6f}", "{:.6f} , {:.6f} ", "{:.6f};{:.6f}", "{:.7e} {:.7e}"]


def plain(name: str = "Wing") -> CoordinateList:
    return read_coordinates("\n".join([name, *ROUND_LINES]), "list")


def assert_alike(found: CoordinateList, true: CoordinateList, gap: float = 2e-6) -> None:
    assert found.upper == pytest.approx(true.upper, abs=gap)
    assert found.lower == pytest.approx(true.lower, abs=gap)


# -- round trips ----------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(shapes(), st.sampled_from([ROUND, SIDES]), st.integers(8, 150))
def test_a_written_shape_is_read_as_the_same_numbers(shape: SectionShape, order: str, count: int) -> None:
    text = write_coordinates(shape, "Upper wing, 3rd element", order, count)
    back = read_coordinates(text, "list")
    x = cosine_spaced(count)
    for found, z in zip((back.upper, back.lower), shape.surfaces(x), strict=True):
        assert np.array_equal(found, np.round(np.column_stack([x, z]), 6))
    assert (back.name, back.order, back.measure) == ("Upper wing, 3rd element", order, "chords")
    assert (back.chord, back.turn_rad) == (1.0, 0.0)
    # And written again from the list, in either order, as the same text.
    assert write_coordinates(back, order=order) == text
    other = SIDES if order == ROUND else ROUND
    again = read_coordinates(write_coordinates(back, "other", other), "list")
    assert np.array_equal(again.upper, back.upper)
    assert np.array_equal(again.lower, back.lower)
    assert (again.name, again.order) == ("other", other)


@settings(max_examples=40, deadline=None)
@given(shapes(), st.sampled_from([ROUND, SIDES]))
def test_the_shape_comes_back_from_its_list(shape: SectionShape, order: str) -> None:
    coordinates = read_coordinates(write_coordinates(shape, "s", order, 81), "list")
    weights = len(shape.half_thickness), len(shape.mean_line)
    back, rms, most = shape_from_coordinates(coordinates, *weights)
    x = cosine_spaced(60)
    # Rounded to 1e-6; the nose of a strongly bent line may turn the chord a little between two points.
    assert back.surfaces(x)[0] == pytest.approx(shape.surfaces(x)[0], abs=2e-4)
    assert back.surfaces(x)[1] == pytest.approx(shape.surfaces(x)[1], abs=2e-4)
    assert rms <= most < 1e-4


@pytest.mark.parametrize("count", [24, 40, 60, 200])
@pytest.mark.parametrize("digits", [(0.02, 0.4, 0.12), (0.04, 0.4, 0.12), (0.06, 0.3, 0.15), (0.0, 0.4, 0.09)])
def test_the_leading_edge_lies_where_the_contour_is_farthest_from_the_tail(
    digits: tuple[float, float, float], count: int
) -> None:
    upper, lower = four_digit(*digits, count)
    shape, rms, most = shape_from_coordinates(
        read_coordinates("\n".join(listed(np.concatenate([upper[::-1], lower[1:]]))), "list"), 8, 12
    )
    # Independent: the farthest of 200001 exact points of each side.
    fine = np.concatenate(four_digit(*digits, 200001))
    tail = 0.5 * (fine[200000] + fine[-1])
    nose = fine[np.argmax(np.hypot(*(fine - tail).T))]
    run = tail - nose
    c, s = run / np.hypot(*run)
    local = (fine - nose) @ np.array([[c, -s], [s, c]]) / np.hypot(*run)
    x = np.linspace(0.03, 0.98, 40)
    exact = np.interp(x, *local[:200001].T), np.interp(x, *local[200001:].T)
    # Few points leave the nose of the thick, strongly bent one to the weights.
    gap = 8e-4 if digits[0] == 0.06 and count < 60 else 3e-4
    for found, true in zip(shape.surfaces(x), exact, strict=True):
        assert found == pytest.approx(true, abs=gap)
    assert rms < 0.5 * gap
    assert rms <= most < 4.0 * gap


def test_how_far_a_list_stays_from_its_shape_is_measured() -> None:
    # One point 0.002 out, square to a flat part of the contour: the shape follows it little.
    bent = AROUND.copy()
    at = int(np.argmin(np.abs(bent[:39, 0] - 0.5)))
    bent[at, 1] += 0.002
    _, rms, most = shape_from_coordinates(read_coordinates("\n".join(listed(bent)), "list"))
    assert 0.0012 < most < 0.0021
    assert rms > 0.0012 / math.sqrt(len(bent))


# -- forms ----------------------------------------------------------------------------------------


@settings(max_examples=80, deadline=None)
@given(
    st.data(),
    st.sampled_from(FORMS),
    st.sampled_from([1.0, 100.0, 253.7]),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.booleans(), st.booleans(), st.booleans(), st.booleans(),
)  # fmt: skip
def test_messy_lists_are_read(
    data: st.DataObject, form: str, unit: float, end: str, sides: bool, other_way: bool, comma: bool, bom: bool
) -> None:
    if sides:
        pair = [UPPER, LOWER][:: -1 if other_way else 1]
        flips = [data.draw(st.booleans()) for _ in pair]
        # The nose may stand in both sides or in one; a side listed from the tail is no custom but plain.
        pair[1] = pair[1][1:] if data.draw(st.booleans()) and not flips[0] else pair[1]
        blocks = [side[::-1] if flips == [True, True] else side for side in pair]
    else:
        blocks = [AROUND[::-1] if other_way else AROUND]
    comma = comma and "," not in form
    lines = ["# measured by hand", "Rear wing, upper element", "  section 2", ""]
    if sides and data.draw(st.booleans()):
        lines.append(f"{len(blocks[0])}. {len(blocks[1])}." if not comma else f"{len(blocks[0])} {len(blocks[1])}")
    for block in blocks:
        numbers = listed(unit * block, form)
        lines += [n.replace(".", ",") if comma else n for n in numbers]
        lines.append("")
    for _ in range(data.draw(st.integers(0, 3))):
        lines.insert(
            data.draw(st.integers(5, len(lines))), data.draw(st.sampled_from(["", "   ", "! note", "# 1.0 2.0"]))
        )
    lines[-2] += " # last"
    found = read_coordinates(("\ufeff" if bom else "") + end.join(lines), "list")
    assert_alike(found, plain())
    assert found.order == (SIDES if sides else ROUND)
    assert found.name == "Rear wing, upper element section 2"
    assert found.measure == {1.0: "chords", 100.0: "percent of the chord", 253.7: "lengths"}[unit]
    # 4412's own chord: its tail's middle is (1, 0), its farthest point of the list lies 0.2 per mille before x = 0.
    assert found.chord == pytest.approx(unit, rel=5e-4)


def test_turn_and_scale_are_taken_out_and_told() -> None:
    true = plain()
    for degrees in (-12.0, 3.0, 25.0):
        c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        # Leading edge up: the tail goes down.
        world = 182.5 * AROUND @ np.array([[c, -s], [s, c]]) + [40.0, -7.0]
        found = read_coordinates("\n".join(listed(world, "{:.9f} {:.9f}")), "list")
        assert_alike(found, true)
        assert found.turn_rad - true.turn_rad == pytest.approx(math.radians(degrees), abs=1e-6)
        assert found.chord / true.chord == pytest.approx(182.5, rel=1e-6)
        assert found.measure == "lengths"
        assert found.upper[0] == pytest.approx([0.0, 0.0], abs=1e-12)
        assert 0.5 * (found.upper[-1] + found.lower[-1]) == pytest.approx([1.0, 0.0], abs=1e-12)


def test_tails_open_closed_and_drawn() -> None:
    true = plain()
    blunt = np.concatenate([UPPER[::-1], LOWER[1:]]) + [0.0, 0.0]
    blunt[:, 1] += np.where(np.arange(len(blunt)) < len(UPPER), 0.004, -0.004) * blunt[:, 0]
    open_tail = read_coordinates("\n".join(listed(blunt)), "list")
    # The same with the base drawn: back to the first point, or from the middle to the middle.
    middle = 0.5 * (blunt[:1] + blunt[-1:])
    for ring in (np.vstack([blunt, blunt[:1]]), np.vstack([middle, blunt, middle])):
        assert_alike(read_coordinates("\n".join(listed(ring)), "list"), open_tail, 1e-12)
    closed = four_digit(0.04, 0.4, 0.12)
    for side in closed:
        side[-1] = [1.0, 0.0]
    sharp = read_coordinates("\n".join(listed(np.concatenate([closed[0][::-1], closed[1][1:]]))), "list")
    assert np.array_equal(sharp.upper[-1], sharp.lower[-1])
    assert sharp.upper[:-1] == pytest.approx(true.upper[:-1], abs=1e-12)


def test_a_lone_number_before_the_points_is_a_title() -> None:
    assert read_coordinates("\n".join(["2412", *ROUND_LINES]), "list").name == "2412"
    assert read_coordinates("\n".join(ROUND_LINES), "list").name == ""
    assert read_coordinates("\n".join(["old, 2,5", *(v.replace(".", ",") for v in SIDE_LINES)]), "l").name == "old, 2,5"


def test_small_lists_of_whole_numbers_keep_their_first_point() -> None:
    # In mm, rounded: (200, 3) is a point, not two counts.
    points = np.rint(200.0 * AROUND[::4] + [0.0, 3.0]).astype(int)
    found = read_coordinates("\n".join(f"{x} {z}" for x, z in points), "list")
    assert len(found.upper) + len(found.lower) == len(points) + 1


# -- refusals -------------------------------------------------------------------------------------


def changed(lines: list[str], at: int, line: str) -> str:
    return "\n".join(["Title", *lines[:at], line, *lines[at + 1 :]])


def by_turns(one: Floats, other: Floats) -> str:
    return "\n".join(line for pair in zip(listed(one), listed(other), strict=True) for line in pair)


BACK = [*ROUND_LINES[:10], ROUND_LINES[6], *ROUND_LINES[10:]]
CROSSED = listed(np.concatenate([UPPER * [1.0, 1.0], LOWER + [0.0, 0.06] * (LOWER[:, :1] > 0.7)]))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "list has no line with two numbers"),
        ("only\nwords\nhere", "list has no line with two numbers"),
        ("\n".join(["1.0"] * 30), "list has one number a line"),
        (changed(ROUND_LINES, 7, "and so on"), "line 9: “and so on” is not two numbers"),
        (changed(ROUND_LINES, 7, "0.5"), "line 9: one number where two are needed"),
        (changed(ROUND_LINES, 7, "0.5 0.1 0.0"), "line 9: 3 numbers where two are needed, x and z.$"),
        (changed(ROUND_LINES, 7, "0,5,0,1"), "line 9: 4 numbers .* decimal commas"),
        (changed(ROUND_LINES, 7, "nan 0.1"), "line 9: “nan 0.1” is not finite"),
        (changed(ROUND_LINES, 7, "0.5 -Inf"), "line 9: “0.5 -Inf” is not finite"),
        (changed(ROUND_LINES, 7, "0.5 1e999"), "line 9: “0.5 1e999” is not finite"),
        ("\n".join(ROUND_LINES[:9]), "only 9 points; a section needs at least 10"),
        ("\n".join(["0.5 0.5"] * 12), "all points have the same x"),
        ("\n".join(["40 41", *SIDE_LINES]), "line 1: the counts 40 and 41 do not agree with the 80 points"),
        ("\n".join(ROUND_LINES[:40]), r"be told: it starts at x = 1.\d+ \(line 1\) and ends at x = 0 \(line 40\)"),
        ("\n".join(ROUND_LINES[39:] + ROUND_LINES[1:39]), "order cannot be told: it starts at x = 0"),
        ("\n".join(BACK), "about line 10: the list doubles back"),
        (by_turns(UPPER, LOWER), "order cannot be told: it starts at x = 0"),
        (by_turns(UPPER, LOWER[::-1]), "line 2: the list jumps"),
        ("\n".join(CROSSED), r"line \d+: the two sides cross"),
        ("\n".join(listed(AROUND * [-1.0, 1.0])), "order cannot be told.* Give x from nose to tail"),
        ("\n".join(listed(UPPER * [-1.0, 1.0]) + listed(LOWER * [-1.0, 1.0])), "sharp in front and round behind"),
        ("\n".join(listed(AROUND @ [[0.3, 0.95], [-0.95, 0.3]])), "chord line, from line 40 to the tail, does not run"),
        ("\n".join(["31 3", *listed(UPPER[:31]), *listed(LOWER[:2])]), "counts 31 and 3 do not agree with the 33"),
        ("\n".join([*listed(UPPER), *listed(LOWER[[1, 2]])]), "one side has fewer than three points"),
    ],
)  # fmt: skip
def test_broken_lists_are_refused(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_coordinates(text, "list")


def test_crossing_is_told_at_its_line() -> None:
    bent = LOWER.copy()
    bent[25, 1] = UPPER[25, 1] + 0.01
    text = "\n".join(["Title", "", *listed(UPPER), "", *listed(bent)])
    # Title, blank, 40 points, blank: the lower side starts at line 44.
    with pytest.raises(InputError, match="list, line 69: the two sides cross"):
        read_coordinates(text, "list")


def test_what_is_not_written() -> None:
    with pytest.raises(InputError, match="no order “zigzag”"):
        write_coordinates(plain(), order="zigzag")
    for name in ("0.5 0.1", "2412", "# note"):
        with pytest.raises(InputError, match="would be read as numbers or as a comment"):
            write_coordinates(plain(), name)
    # A list without a title gets one, line ends go, and no minus zero is printed.
    text = write_coordinates(plain(""), "two\nlines")
    assert text.startswith("two lines\n")
    assert "-0.000000" not in text
    assert write_coordinates(read_coordinates("\n".join(ROUND_LINES), "list")).startswith("Section\n")
