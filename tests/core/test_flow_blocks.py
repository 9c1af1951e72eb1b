"""The report with flow runs: columns, block, pictures, rows of runs, JSON; and as before without any."""

from __future__ import annotations

import base64
import json
import math
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from test_report import HOSTILE, NAMES, Page, legible, numbers, page, png, sample, undone
from test_second_opinion import run

from wingfettle.core.errors import InputError
from wingfettle.core.flow.fault import Fault
from wingfettle.core.flow.result import FlowRun
from wingfettle.core.flow.slices import FlowSlice, picture
from wingfettle.core.flow.tables import Force, Table, TableRow
from wingfettle.core.lift.result import ChannelNote
from wingfettle.core.report.flow_blocks import CANNOT_TELL, MID_SPAN, MOST_PX, flow_blocks, runs_svg, slice_png
from wingfettle.core.report.html import report_html
from wingfettle.core.report.png import animated, png_size
from wingfettle.core.report.results import FlowPicture, VariantResult, misfit, results_json, results_table
from wingfettle.core.report.text import comparison_text


def row_of_runs() -> Table:
    """A parabola and a straight line; one value is not done."""
    gaps = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0)

    def force(value: float, half: float) -> Force:
        return Force(value, half, value - half - 0.1 * abs(value), value + half + 0.1 * abs(value))

    rows = tuple(
        TableRow(g, (force(40.0 * g, 3.0), force(-160.0 + 30.0 * (g - 2.0) ** 2, 4.0)) if g != 0.5 else (), "waiting")
        for g in gaps
    )
    title = "“as found”: “upper” at a gap to “lower”, all together"
    return Table("as found", title, "chords", ("lower", "upper"), rows)


def runs() -> tuple[FlowRun, ...]:
    return (
        run("alone", "mid-span", {"lower": 400.0}, faults=(Fault("The chord has 41 cells; 240 are the fewest."),)),
        run("alone", "mid-span", {"upper": -320.0}, notes=("The floor was closed.",)),
        run("group", "mid-span", {"lower": 300.0, "upper": -64.0, "post": 3.0}, ending="time", time_s=1800.0),
        run("on car", "full", {"lower": 120.0, "upper": -150.0}, reynolds_note="Run at 60,000."),
    )


def clip() -> bytes:
    frames = [np.full((36, 64, 3), 200, np.uint8) for _ in range(4)]
    for k, frame in enumerate(frames):
        frame[10:14, 8 * k : 8 * k + 4] = 20
    return animated(frames, 60)


def flown() -> list[VariantResult]:
    """The first of three variants has runs, pictures and a row."""
    first, *others = sample()
    assert first.lift is not None
    note = ChannelNote("lower", "upper", 0.03, 0.15, 1.6, 0.7, 1.31, "It chokes.")
    return [
        replace(
            first, lift=replace(first.lift, channels=(note,)), flows=runs(), flow_sweeps=(row_of_runs(),),
            flow_pictures=(
                FlowPicture("mid-span", "group", "", png(77), "speed of the mean flow", clip()),
                FlowPicture("full", "on car", "", png(78), "speed of the mean flow"),
            ),
        ),
        *others,
    ]  # fmt: skip


def block(found: VariantResult) -> str:
    return f"<article>{flow_blocks(found)}</article>"


def test_without_a_run_the_report_is_as_before() -> None:
    text = page()
    assert "flow run" not in " ".join(Page(text).text).lower()
    assert "with-runs" not in text
    assert [len(r) for r in Page(text).table("comparison")[:1]] == [8]
    assert flow_blocks(sample()[0]) == ""
    got = results_json(sample(), speed_m_s=140.0 / 3.6)["variants"]
    assert all((v["flow_runs"], v["flow_compared"], v["flow_sweeps"]) == ([], [], []) for v in got)


def test_a_column_beside_the_estimate_for_each_case_that_was_run() -> None:
    rows = Page(report_html("t", flown())).table("comparison with-runs")
    heads = rows[0]
    assert heads[4:10] == ["Alone N", "Flow run N", "Group N", "Flow run N", "On car N", "Flow run N"]
    low, high, total = rows[2:5]
    # By hand: 1 N of interval and a tenth of the value for the Reynolds number.
    for cell, value in (
        (low[5], 400.0), (low[7], 300.0), (low[9], 120.0), (high[5], -320.0), (high[7], -64.0), (high[9], -150.0),
    ):  # fmt: skip
        off = 1.0 + 0.1 * abs(value)
        assert numbers(cell)[:3] == pytest.approx([value, value - off, value + off], abs=0.5)
    assert "mid-span" in high[5]
    assert "mid-span" in high[7]
    assert "mid-span" not in high[9]
    assert numbers(total[9])[0] == pytest.approx(-30.0)
    # Variants without a run have empty cells, and every row is as long as the head.
    assert {len(row) for row in rows if len(row) > 1} == {11}
    assert rows[6][5] == "\N{EN DASH}"
    only_car = [replace(v, flows=v.flows[3:]) for v in flown()]
    assert Page(report_html("t", only_car)).table("comparison with-runs")[0].count("Flow run N") == 1


def bounded() -> VariantResult:
    """The same with the other kind of the run on the car, which ended otherwise."""
    first = flown()[0]
    other = run("on car", "full", {"lower": 60.0, "upper": -40.0}, wall_function=False, ending="time")
    return replace(first, flows=(*first.flows, other))


def test_both_bounds_make_one_row_with_each_told() -> None:
    """-150 and -40 N, a tenth and 1 N: from -166 to -35, the middle -100.5."""
    parsed = Page(block(bounded()))
    rows = parsed.table("flows")
    upper = rows[3]
    assert upper[:2] == ["upper", "on car full"]
    assert numbers(upper[3]) == pytest.approx([-100.5, -166.0, -35.0, -150.0, 1.0, -40.0, 1.0], abs=0.51)
    assert "air clings" in upper[3]
    assert "air lets go" in upper[3]
    assert upper[6] == "known as well as asked; time was up"
    assert "neither" in upper[7]
    assert "cells cannot settle it" in rows[4][0]
    went = " ".join(" ".join(parsed.text).split())
    assert went.index("on car, full, air clings:") < went.index("on car, full, air lets go:")
    text = comparison_text([bounded()])
    assert re.search(r"-10[01] \(-166 to -35\) both bounds", text)
    cells = next(r for r in Page(report_html("t", [bounded()])).table("comparison with-runs") if r[0] == "upper")
    assert "both bounds" in cells[9]
    got = json.loads(json.dumps(results_json([bounded()], speed_m_s=140.0 / 3.6), allow_nan=False))["variants"][0]
    assert [r["walls"] for r in got["flow_runs"]] == ["air clings"] * 4 + ["air lets go"]
    one = next(r for r in got["flow_compared"] if (r["element"], r["facts"]["case"]) == ("upper", "on car"))
    assert (one["walls"], one["run"]["low"], one["run"]["high"]) == ("both bounds", -166.0, -35.0)
    assert [(b["wall_function"], b["run"]["value"]) for b in one["bounds"]] == [(True, -150.0), (False, -40.0)]


def test_full_runs_go_before_those_at_mid_span() -> None:
    first = flown()[0]
    both = replace(first, flows=(*first.flows, run("group", "full", {"lower": 160.0, "upper": -90.0})))
    rows = [r for r in results_table([both]) if r.element == "upper"]
    assert rows[0].runs_n[1].startswith("-90 ")
    assert rows[0].run_forms == ("mid-span", "full", "full")


def test_page_with_runs_is_well_nested_and_needs_nothing_from_outside() -> None:
    text = report_html("t", flown())
    parsed = Page(text)
    assert not {tag for tag, _ in parsed.tags} & {"script", "link", "iframe", "object"}
    for _, attrs in parsed.tags:
        for key in ("src", "href", "srcset"):
            assert (attrs.get(key) or "#").startswith(("#", "data:image/png;base64,"))
    outside = re.sub(r"base64,[A-Za-z0-9+/=]+", "", text)
    assert not re.search(r"//|url\(|@import", outside)


def test_block_tells_every_run_with_its_verdict() -> None:
    parsed = Page(block(flown()[0]))
    rows = parsed.table("flows")
    assert rows[0] == [
        "Element", "Case", "Estimate N", "Flow run N", "Cells on chord", "Nominal Reynolds number / car’s", "Ended",
        "Which to believe",
    ]  # fmt: skip
    pairs = list(zip(rows[1::2], rows[2::2], strict=True))
    assert [(a[0], a[1]) for a, _ in pairs] == [
        ("lower", "on car full"), ("upper", "on car full"), ("all together", "on car full"),
        ("lower", "alone mid-span"), ("upper", "alone mid-span"),
        ("lower", "group mid-span"), ("upper", "group mid-span"), ("all together", "group mid-span"),
    ]  # fmt: skip
    # The channel chokes: the run on the car has more load, of which one where the air clings cannot be sure; the one in
    # the group tells a fifth against 60 %, from which a note does not take anything away.
    assert [a[7].split(" ", 1)[1] for a, _ in pairs][:2] == ["both agree", "neither"]
    upper = pairs[6]
    assert "flow run" in upper[0][7]
    assert numbers(upper[0][3]) == pytest.approx([-64.0, -71.0, -57.0, -64.0, 1.0], abs=0.5)
    assert "air clings" in upper[0][3]
    assert "20 %" in upper[1][0]
    assert "To go by: \N{MINUS SIGN}33" in upper[1][0]
    chord = flown()[0].assembly.element("upper").mean_chord_m
    assert numbers(upper[0][4]) == [round(chord / 0.0005)]
    assert re.sub(r"\s", "", upper[0][5]) == "60000500000"
    assert upper[0][6] == "time was up"
    said = " ".join(" ".join(parsed.text).split())
    for text in (MID_SPAN, *CANNOT_TELL, "Run at 60,000.", "The chord has 41 cells", "start-up", "400.0 million"):
        assert text in said
    assert "The floor was closed." in said
    assert "-" not in "".join(re.findall(r"-(?=\d)", said))


def test_mid_span_is_warned_of_only_where_it_was_run() -> None:
    first = flown()[0]
    assert MID_SPAN not in " ".join(Page(block(replace(first, flows=first.flows[3:]))).text)


def test_clip_moves_only_for_those_who_ask_for_it() -> None:
    parsed = Page(block(flown()[0]))
    found = dict(parsed.tags)
    still, moving = (found[tag][key] for tag, key in (("img", "src"), ("source", "srcset")))
    assert base64.b64decode(str(still).split(",")[1]) == png(77)
    assert base64.b64decode(str(moving).split(",")[1]) == clip()
    assert found["source"]["media"] == "(prefers-reduced-motion: no-preference)"
    assert "open" not in found["details"]
    tags = [tag for tag, _ in parsed.tags]
    assert tags.index("image") < tags.index("details") < tags.index("source") < tags.index("img")
    assert tags.count("details") == 1
    assert found["img"]["alt"]
    broken = replace(flown()[0], flow_pictures=(FlowPicture("full", "on car", "", png(1), "x", b"GIF89a"),))
    with pytest.raises(InputError, match="clip .* is no PNG file"):
        flow_blocks(broken)


def test_hostile_names_stay_text() -> None:
    def tags(name: str) -> tuple[list[str], str]:
        first = flown()[0]
        parts = [replace(e, name=name if e.name == "upper" else e.name) for e in first.assembly.elements]
        assert first.lift is not None
        lifts = tuple(replace(e, element=name if e.element == "upper" else e.element) for e in first.lift.elements)
        made = replace(
            first, assembly=replace(first.assembly, elements=tuple(parts)), clearance=(), flow_sweeps=(
                replace(row_of_runs(), title=name, columns=("lower", name)),
            ), lift=replace(first.lift, elements=lifts, channels=()),
            flows=(
                run("alone", "mid-span", {name: -320.0}, faults=(Fault(name),), notes=(name,), device=name,
                    reynolds_note=name),
                run("group", "mid-span", {"lower": 300.0, name: -64.0}),
            ),
            flow_pictures=(FlowPicture("mid-span", "alone", name, png(3), name, clip()),),
        )  # fmt: skip
        parsed = Page(report_html("t", [made]))
        return [tag for tag, _ in parsed.tags], " ".join(parsed.text)

    (plain, _), (hostile, text) = tags("plain"), tags(HOSTILE)
    assert hostile == plain
    assert text.count(HOSTILE) > 8


def test_json_holds_runs_and_opinions() -> None:
    found = flown()
    endless = replace(found[0].flows[3], parts=tuple(replace(p, strouhal=math.nan) for p in found[0].flows[3].parts))
    found[0] = replace(found[0], flows=(*found[0].flows[:3], endless))
    got = json.loads(json.dumps(results_json(found, speed_m_s=140.0 / 3.6), allow_nan=False))["variants"][0]
    assert [(r["case"], r["form"], r["element"]) for r in got["flow_runs"]] == [
        ("alone", "mid-span", "lower"), ("alone", "mid-span", "upper"), ("group", "mid-span", ""),
        ("on car", "full", ""),
    ]  # fmt: skip
    car = got["flow_runs"][3]
    assert car["parts"][1]["force_n"] == [-5.0, 0.0, -150.0]
    assert car["parts"][1]["strouhal"] is None
    assert car["width_m"] is None
    assert car["spacing_m"] == 0.0005
    assert len(got["flow_compared"]) == len(found[0].compared) == 8
    for one, plain in zip(found[0].compared, got["flow_compared"], strict=True):
        assert plain["element"] == one.element
        assert plain["facts"]["case"] == one.case
        assert plain["run"]["value"] == pytest.approx(one.run.value)
        assert (plain["opinion"] or {}).get("word") == (None if one.opinion is None else one.opinion.word)
    assert got["flow_sweeps"][0]["rows"][1]["forces"][0]["value"] == pytest.approx(4.0)


def test_text_has_a_column_beside_the_estimate_and_says_which_to_believe() -> None:
    text = comparison_text(flown())
    assert "flow run (mid-span, air clings) and estimate of upper, group, differ: believe the flow run" in text
    assert text.isascii()
    lines = text.splitlines()
    heads = ["alone N", "flow run alone N", "group N", "flow run group N", "on car N", "flow run on car N"]
    assert re.split(r"  +", lines[1].strip())[4:] == [*heads, "which to believe", "nearest mm", "collides"]
    upper = next(line for line in lines if line.startswith("  upper"))
    cells = re.split(r"  +", upper.strip())
    # By hand, see above: -64 N, 1 N of interval and a tenth.
    assert cells[7] == "-64 (-71 to -57) mid-span, air clings"
    assert cells[9] == "-150 (-166 to -134) air clings"
    assert cells[10] == "alone: both agree, group: flow run, on car: neither"
    total = next(line for line in lines if line.startswith("  total"))
    assert "group: " in total
    assert "alone: " not in total
    # Columns stand under each other; a variant without runs has dashes and no word.
    assert upper.index("alone: ") == lines[1].index("which to believe")
    others = [re.split(r"  +", line.strip()) for line in lines if line.startswith("  lower")]
    assert others[1][5] == "-"
    assert not any("both agree" in cell for cell in others[1])


def test_a_variant_with_runs_only_can_be_reported() -> None:
    first = sample()[0]
    bare = VariantResult(first.name, first.assembly, flows=runs())
    text = report_html("t", [bare])
    said = " ".join(Page(text).text)
    assert "There is no estimate of this case to compare." in said
    assert "Which to believe" in said


def test_runs_that_do_not_belong_are_refused() -> None:
    first = sample()[0]
    for wrong, said in (
        (run("group", "full", {"lower": 1.0}), "other elements"),
        (run("alone", "full", {"flap": 1.0}), "other elements"),
        (replace(runs()[3], speed_m_s=30.0), "108 km/h and the estimate for 140 km/h"),
        (replace(runs()[3], air_density_kg_m3=1.1), "air of 1.1 kg/m3"),
    ):
        assert said in misfit(wrong, first.assembly, first.lift)
        with pytest.raises(InputError, match=said):
            replace(first, flows=(wrong,))
    assert misfit(runs()[2], first.assembly, first.lift) == ""
    assert misfit(replace(runs()[3], speed_m_s=30.0), first.assembly, None) == ""


# --- drawings


def places(svg: str) -> NDArray[np.float64]:
    """(n, 2) px of the marks, without the key's."""
    root = ElementTree.fromstring(svg)
    inner = {node for group in root.iter("g") for node in group.iter("circle")}
    marks = [n for n in root.iter("circle") if n not in inner]
    return np.array([[float(n.attrib["cx"]), float(n.attrib["cy"])] for n in marks])


def test_row_of_runs_is_legible_and_to_scale() -> None:
    table = row_of_runs()
    svg = runs_svg(table)
    legible(svg)
    marks = places(svg)
    done = [one for one in table.rows if one.forces]
    assert len(marks) == 2 * len(done)
    values = np.array([f.value for k in range(2) for one in done for f in one.forces[k : k + 1]])
    # One scale for both panels: places are a straight line of the forces.
    fit = np.polyfit(values, marks[:, 1], 1)
    assert np.abs(np.polyval(fit, values) - marks[:, 1]).max() < 0.06
    assert fit[0] < 0.0
    for k in range(2):
        x = marks[k * len(done) : (k + 1) * len(done), 0]
        gaps = np.log([one.value for one in done])  # each gap of a row is the same share wider than the last
        assert np.abs(np.polyval(np.polyfit(gaps, x, 1), gaps) - x).max() < 0.06
    root = ElementTree.fromstring(svg)
    inner = {node for group in root.iter("g") for node in group.iter("path")}
    whiskers = [
        [float(n) for n in re.findall(r"[\d.]+", node.attrib["d"])][1:3]
        for node in root.iter("path")
        if node.attrib.get("class") == "whisker" and node not in inner
    ]
    long = np.array([b - a for a, b in whiskers])
    assert long == pytest.approx(np.repeat([6.0, 8.0], len(done)) * -fit[0], abs=0.11)
    assert sum(node.attrib.get("class") == "missing" for node in root.iter("path")) == 2
    assert "Not done: 0.5 chords (waiting)" in flow_blocks(flown()[0])


@settings(deadline=None, max_examples=30)
@given(
    st.lists(NAMES, min_size=1, max_size=5, unique=True),
    st.lists(st.tuples(st.floats(-900.0, 900.0), st.floats(0.0, 90.0), st.booleans()), min_size=2, max_size=9),
    st.sampled_from(["chords", "mm", "deg"]), st.floats(0.2, 300.0),
)  # fmt: skip
def test_any_row_of_runs_is_legible(
    names: list[str], forces: list[tuple[float, float, bool]], unit: str, reach: float
) -> None:
    values = np.linspace(-reach, reach, len(forces))
    if unit == "chords":
        values = np.geomspace(0.03, 0.03 + reach, len(forces))
    rows = tuple(
        TableRow(
            float(v), tuple(Force(f, half if k else math.inf, f - half, f + half) for k in range(len(names))) * done, ""
        )
        for v, (f, half, done) in zip(values, forces, strict=True)
    )
    table = Table("as found", "“as found”: “upper” moved up, on the car", unit, tuple(names), rows)
    if not any(one.forces for one in rows):
        with pytest.raises(InputError, match="one that was run"):
            runs_svg(table)
        return
    legible(runs_svg(table))


def test_a_row_that_cannot_be_drawn_is_told() -> None:
    table = row_of_runs()
    for rows in (table.rows[:1], tuple(replace(one, forces=()) for one in table.rows)):
        text = flow_blocks(replace(flown()[0], flow_sweeps=(replace(table, rows=rows),), flows=(), flow_pictures=()))
        assert "<svg" not in text
        assert "at a gap to" in text


def test_slice_is_cut_about_its_parts_with_the_sky_above() -> None:
    h, w = 120, 200
    solid = np.zeros((h, w), bool)
    solid[0] = True  # the road
    solid[50:54, 90:110] = True
    speed = np.where(solid, 0.0, np.linspace(10.0, 60.0, h)[:, None] + np.zeros(w))
    cut = FlowSlice(-np.arange(w) * 0.01, np.arange(h) * 0.01, speed, np.zeros((h, w)), np.zeros((2, h, w)), solid)
    shown = undone(slice_png(cut, 40.0))
    # 20 cells of part: ten ahead, thirty behind, twelve above and below.
    assert shown.shape == (4 + 24, 20 + 40, 3)
    whole = picture(cut, "speed", 40.0)[::-1, :, :3]
    assert np.array_equal(shown, whole[h - 54 - 12 : h - 50 + 12, 80:140])
    # Dark at the top, where it is fast.
    assert shown[0].astype(int).sum() < shown[-1].astype(int).sum()
    wide = FlowSlice(*(np.repeat(a, 20, axis=-1) for a in (cut.x_m,)), cut.z_m, *(
        np.repeat(a, 20, axis=-1) for a in (cut.speed_m_s, cut.pressure, cut.velocity_m_s, np.zeros((h, w), bool))
    ))  # fmt: skip
    size = png_size(slice_png(wide, 40.0))
    assert size is not None
    assert size[0] <= MOST_PX
