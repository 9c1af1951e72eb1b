"""The report, the table and the JSON, read back by the standard library's own parsers."""

from __future__ import annotations

import base64
import json
import math
import re
import struct
import zlib
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.clearance.deflection import Deflection
from wingfettle.core.clearance.edges import SharpEdges
from wingfettle.core.clearance.opening import Hinge, Opening, OpeningPair
from wingfettle.core.clearance.outline import OutlineCheck
from wingfettle.core.clearance.result import PartClearance, ZoneClearance
from wingfettle.core.clearance.slide import SlideMap
from wingfettle.core.elements.element import Element, turned_over
from wingfettle.core.errors import InputError
from wingfettle.core.lift.result import Air, Band, ChannelNote, ElementLift, LiftEstimate, SpanLoad
from wingfettle.core.lift.sweep import Sweep
from wingfettle.core.report.bend_plot import bend_svg
from wingfettle.core.report.hatch import WAYS, hatch
from wingfettle.core.report.html import CAUTIONS, report_html
from wingfettle.core.report.labels import spread
from wingfettle.core.report.lamp_chart import lamp_svg
from wingfettle.core.report.opening_plot import opening_svg
from wingfettle.core.report.png import png_bytes, png_size
from wingfettle.core.report.results import (
    SectionRow,
    VariantResult,
    band_text,
    figure,
    nearest_zone,
    results_json,
    results_table,
    section_row,
)
from wingfettle.core.report.slide_map import slide_svg
from wingfettle.core.report.span_plot import left_words, span_svg
from wingfettle.core.report.svg import lift_bars, nice_step
from wingfettle.core.report.sweep_picture import INK, PAPER, TONE, sweep_picture
from wingfettle.core.report.sweep_plot import sweep_svg
from wingfettle.core.report.text import comparison_text
from wingfettle.core.sections.shape import SectionShape
from wingfettle.core.sight.lamp_rules import LampRule
from wingfettle.core.sight.lamps import LampSight
from wingfettle.core.sight.mirror import FieldRule, MirrorView

HOSTILE = "</td><img src=x onerror='alert(1)'>\"&amp; “é”"
VOID = {"meta", "br", "img", "link", "hr", "input"}


def shape(camber: float) -> SectionShape:
    return SectionShape(half_thickness=np.full(6, 0.17), mean_line=np.full(6, 4.0 * camber), trailing_edge=0.003)


def wing(name: str, chord: float, degrees: float, camber: float) -> Element:
    return Element(
        name=name, leading_edge=np.array([0.4, 0.0, 1.1]), span_m=1.3, chord_m=chord, taper=0.9, sweep_rad=0.02,
        dihedral_rad=0.0, incidence_rad=math.radians(degrees), twist_rad=0.0, shape=shape(camber),
        tip_shape=shape(camber),
    )  # fmt: skip


def lift(
    name: str, direction: str, alone: float, group: float, car: float | None, warn: tuple[str, ...]
) -> ElementLift:
    def band(value: float) -> Band:
        return Band(value, value - 0.2 * abs(value) - 6.3, value + 0.15 * abs(value) + 4.1)

    return ElementLift(
        element=name, direction=direction, suction_side="upper" if alone > 0.0 else "lower", zero_lift_rad=-0.03,
        incidence_rad=0.02, alone_n=band(alone), group_n=band(group), on_car_n=None if car is None else band(car),
        centre_of_pressure=np.array([0.3, 0.0, 1.1]), warnings=warn,
        sentence=f"{name}: camber 3.1 % towards the upper side and leading edge 1.5° up: about {abs(alone):.0f} N.",
    )  # fmt: skip


def zone(name: str, mm: float, asked: float) -> ZoneClearance:
    verdict = "touches" if mm == 0.0 else "tight" if mm < asked else "clear"
    return ZoneClearance(name, mm / 1000.0, np.zeros(3), np.zeros(3), mm == 0.0, asked / 1000.0, verdict)


def checked(part: str, *zones: ZoneClearance, allowance_mm: float = 0.0) -> PartClearance:
    return PartClearance(part, zones, np.zeros(4, bool), np.zeros(0, np.int32), allowance_mm / 1000.0)


def png(red: int) -> bytes:
    """A picture of 64 by 36 points, after ISO/IEC 15948, with the standard library's own checksum and packing."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    lines = b"".join(b"\0" + b"".join(bytes((red, 4 * y + 40, 3 * x + 40)) for x in range(64)) for y in range(36))
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 64, 36, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(lines)) + chunk(b"IEND", b"")


def variant(name: str, parts: list[tuple[Element, ElementLift, PartClearance]], red: int | None) -> VariantResult:
    lifts = tuple(p[1] for p in parts)
    cars = [e.on_car_n.value for e in lifts if e.on_car_n is not None]
    total, car = sum(e.group_n.value for e in lifts), sum(cars) if len(cars) == len(lifts) else None
    estimate = LiftEstimate(
        assembly=name, speed_m_s=140.0 / 3.6, air_density_kg_m3=1.225, elements=lifts,
        group_total_n=Band(total, total - 30.0, total + 25.0),
        on_car_total_n=None if car is None else Band(car, car - 40.0, car + 31.0),
        warnings=("The scan holds no front of the car.",),
    )  # fmt: skip
    assembly = Assembly(name, tuple(p[0] for p in parts))
    return VariantResult(name, assembly, tuple(p[2] for p in parts), estimate, None if red is None else png(red))


def sample() -> list[VariantResult]:
    low, high = wing("lower", 0.2482, 1.5, 0.031), wing("upper", 0.1633, -4.0, -0.042)
    low_zones = checked("lower", zone("boot lid", 31.4, 20.0), zone("high stop lamp", 11.2, 15.0))
    high_zones = checked("upper", zone("boot lid", 164.0, 20.0), zone("rear window", 88.8, 25.0))
    crossed = checked("lower", zone("boot lid", 0.0, 20.0), zone("high stop lamp", 9.0, 15.0))
    up = lift("upper", "downforce", -162.6, -97.2, -88.4, ("Its suction side faces another's at 0.31 of the chord.",))
    return [
        variant(
            "as found",
            [(low, lift("lower", "lift", 214.4, 176.0, 121.7, ()), low_zones), (high, up, high_zones)],
            200,
        ),
        variant(
            "lower turned over",
            [
                (turned_over(low), lift("lower", "downforce", -60.2, -71.0, -90.5, ()), crossed),
                (high, lift("upper", "downforce", -162.6, -181.3, -150.0, ()), high_zones),
            ],
            90,
        ),
        variant("lower left out", [(high, lift("upper", "neutral", -2.2, -2.2, None, ()), high_zones)], None),
    ]


def way() -> Opening:
    """A lid opened to 75 degrees under a wing that rides on it: straight and bent curves whose contacts are known."""
    angles = np.radians(np.linspace(0.0, 75.0, 46))

    def pair(part: str, against: str, start_mm: float, contact_deg: float) -> OpeningPair:
        """Comes straight down to touch at the angle."""
        distance = np.maximum(start_mm / 1000.0 * (1.0 - np.degrees(angles) / contact_deg), 0.0)
        return OpeningPair(
            part, against, distance, math.radians(contact_deg), 0.0, math.radians(contact_deg), np.zeros(3), np.ones(3)
        )

    def dip(part: str, against: str, least_mm: float, at_deg: float, rise: float) -> OpeningPair:
        distance = least_mm / 1000.0 + rise * (angles - math.radians(at_deg)) ** 2
        return OpeningPair(
            part, against, distance, math.nan, least_mm / 1000.0, math.radians(at_deg), np.zeros(3), np.ones(3)
        )

    pairs = (
        dip("lower", "high stop lamp", 12.5, 17.3, 0.3), pair("lower", "rear window", 280.0, 41.3),
        pair("upper", "rear window", 164.0, 52.6), pair("upper", "roof", 420.0, 53.4),
        pair("boot lid", "tail strip", 36.0, 53.9),
        dip("bracket left", "bumper", 92.0, 0.0, 0.05), dip("bracket right", "bumper", 92.4, 0.0, 0.05),
        dip("lower", "aerial", 410.0, 60.0, 0.2),
    )  # fmt: skip
    hinge = Hinge(np.array([0.92, 0.0, 0.98]), np.array([0.0, 1.0, 0.0]), 0.00021)
    return Opening(hinge, angles, pairs, math.radians(0.05))


def slides() -> tuple[SlideMap, SlideMap]:
    """Room over a sloping lid, before a lamp and behind a window, all planes."""
    aft, up, turn = np.linspace(-0.06, 0.06, 25), np.linspace(-0.04, 0.08, 25), np.radians(np.linspace(-8.0, 8.0, 17))

    def one(across: str, values: NDArray[np.float64], rooms: list[NDArray[np.float64]]) -> SlideMap:
        asked = np.array([0.015, 0.02, 0.025])[:, None, None]
        distance = np.maximum(np.stack(rooms), 0.0)
        room = (distance - asked).min(axis=0)
        return SlideMap(
            across, "up", values, up, room, (distance == 0.0).any(axis=0), (distance - asked).argmin(axis=0)
        )  # fmt: skip

    a, u = np.meshgrid(aft, up, indexing="ij")
    t, v = np.meshgrid(turn, up, indexing="ij")
    return (
        one("aft", aft, [0.027 + u + 0.1 * a, 0.055 - 0.8 * a + 0.3 * u, 0.075 + 1.2 * a - 0.2 * u]),
        one("turn", turn, [0.027 + v - 0.12 * np.abs(t), 0.055 + 0.3 * v - 0.2 * t, 0.075 - 0.2 * v + 0.1 * t]),
    )


def lamp(zone: str, kind: str, fields: tuple[float, float, float, float], hides: float) -> LampSight:
    """Degrees right, left, down, up; a bar hides the upper part of the field from some height on."""
    right, left, down, up = fields
    across, rise = np.radians(np.linspace(-right, left, 31)), np.radians(np.linspace(-down, up, 13))
    h, v = np.meshgrid(np.degrees(across), np.degrees(rise))
    seen = np.clip(1.0 - (v - hides - 0.02 * h) / 4.0, 0.0, 1.0)
    blocker = np.where(seen < 1.0, np.where(h > 8.0, 1, 0), -1)
    if left > 60.0:
        seen[(h > 66.0) & (v < -6.0)] = np.nan
        blocker[np.isnan(seen)] = -1
    least = float(np.nanmin(seen))
    row, column = np.argwhere(seen == least)[-1]
    rule = LampRule(
        "UN R48", kind, "6.10.5.1 (read in a clause collection)", math.radians(right), math.radians(left),
        math.radians(up), math.radians(down), math.radians(5.0), 0.75, 0.0, "Both lamps of a pair are looked at apart.",
    )  # fmt: skip
    share = float(np.nanmean(seen))
    verdict = "clear" if least == 1.0 else "partly hidden" if share > 0.0 else "hidden"
    return LampSight(
        zone, rule, "right" not in zone, 0.82, across, rise, seen, blocker, ("lower", "bracket left"), share, least,
        np.array([across[column], rise[row]]), verdict,
        f"{zone}: {100.0 * share:.1f} % of the field is seen; local code decides.",
    )  # fmt: skip


def behind() -> MirrorView:
    """Sky, road and a wing across the glass."""
    y, x = np.mgrid[:200, :640]
    picture = np.where((y < 96)[..., None], np.array([196, 214, 226]), np.array([126, 130, 132])) + (x % 7)[..., None]
    picture[70:92] = (213, 94, 0)
    rule = FieldRule("UN R46", "15.2.4.1, class I", 20.0, 60.0, 0.15)
    return MirrorView(
        rule, 0.93, 0.041, 0.067, (("lower", 0.052), ("upper", 0.021)), picture.astype(np.uint8),
        "The wing hides 6.7 % of the road field; local code decides.", 0.004,
    )  # fmt: skip


def full() -> VariantResult:
    """The first variant with everything that can be checked."""
    first = sample()[0]
    span = np.linspace(-0.62, 0.62, 41)
    bends = tuple(
        (name, Deflection(span, up, float(np.abs(up).max()), f"{name}: an estimate for a hollow shell on two mounts."))
        for name, up in (("lower", 0.004 * (4.0 * span**2 - 0.5)), ("upper", -0.0016 * np.cos(2.0 * span)))
    )
    crossed = replace(zone("boot lid", 0.0, 20.0), depth_m=0.0042)
    left = np.zeros(6, bool)
    return replace(
        first,
        clearance=(
            *first.clearance,
            checked("bracket left", crossed, zone("bumper", 22.0, 15.0)),
            checked("bracket right", replace(zone("boot lid", 0.0, 20.0), collides=False), allowance_mm=5.0),
        ),
        opening=way(), slides=slides(), slide_zones=("boot lid", "tail lamp left", "rear window"), deflections=bends,
        outline=(
            OutlineCheck("lower", -0.034, -0.11, -0.112, -0.21, left, np.zeros(3), "Stays 34 mm within the outline."),
            OutlineCheck("upper", 0.012, -0.09, -0.092, -0.14, ~left, np.zeros(3), "Stands out 12 mm to the rear."),
        ),
        edges=(
            SharpEdges("lower", np.zeros((3, 2, 3)), np.array([0.0004, 0.0011, 0.0016]), 1.31, 0.0004,
                       "The trailing edge is sharper than 2.5 mm over 1.31 m; a caution."),
            SharpEdges("upper", np.zeros((0, 2, 3)), np.zeros(0), 0.0, math.inf, "No edge in reach is sharp."),
        ),
        lamps=(
            lamp("tail lamp left", "rear position", (45.0, 80.0, 15.0, 15.0), 4.0),
            lamp("high stop lamp", "high-level stop", (10.0, 10.0, 5.0, 10.0), 1.0),
            lamp("tail lamp left", "rear fog", (25.0, 25.0, 5.0, 5.0), 30.0),
        ),
        mirror=behind(),
    )  # fmt: skip


def span_load(case: str, force: float, left: float) -> SpanLoad:
    """An elliptic load; the air leaves the lower side on the middle ``left`` of the span from 60 % of the chord on."""
    y = np.linspace(-0.6, 0.6, 24)
    attached = np.ones((24, 2))
    attached[np.abs(y) < 0.6 * left, 1] = 0.6
    load = force / (math.pi / 4.0 * 1.3) * np.sqrt(1.0 - (y / 0.65) ** 2)
    return SpanLoad(
        case, y, load, attached, np.array([-0.05 * abs(force), 0.0, force]), np.array([0.0, 1.5, 0.0]),
        np.array([0.51, 0.49]) * force, np.array([0.312, 0.004, 1.118]), 0.04 * abs(force), 3.26,
    )  # fmt: skip


def row(force: NDArray[np.float64], wide: float, missing: tuple[int, ...] = ()) -> tuple[Band | None, ...]:
    return tuple(
        None if k in missing else Band(float(f), float(f) - wide, float(f) + 0.7 * wide) for k, f in enumerate(force)
    )


def sweeps() -> tuple[Sweep, ...]:
    """Straight lines, a parabola and a square law, by hand; two places missing in the first."""
    up, turn, faster = np.linspace(-0.06, 0.06, 9), np.radians(np.linspace(-6.0, 4.0, 6)), np.linspace(-20.0, 20.0, 9)
    under, body = "Element “upper” reaches under the road.", "“upper” cuts into the body."
    names, speed = ("lower", "upper"), 140.0 / 3.6
    low, high, square = 110.0 + 900.0 * up, -88.0 - 1.5e4 * (up + 0.06) * (0.03 - up), (1.0 + faster / speed) ** 2
    return (
        Sweep("gap", "upper", "on car", up, math.nan, names,
              (row(low, 30.0, (0, 1, 8)), row(high, 40.0, (0, 1, 8))), row(low + high, 60.0, (0, 1, 8)),
              (under, under, "", "", "", "", "", "", body)),
        Sweep("incidence", "upper", "on car", turn, -0.07, names,
              (row(0.0 * turn + 121.7, 25.0), row(-88.4 + 900.0 * turn, 30.0)), row(33.3 + 900.0 * turn, 50.0),
              ("",) * 6),
        Sweep("speed", "", "on car", faster, speed, names,
              (row(121.7 * square, 20.0), row(-88.4 * square, 20.0)), row(33.3 * square, 30.0), ("",) * 9),
    )  # fmt: skip


def worked_out() -> VariantResult:
    """The first variant with everything that an estimate can tell."""
    first = sample()[0]
    low, high = first.lift.elements
    cases = ("alone", "group", "on car")
    attached = zip(cases, (214.4, 176.0, 121.7), (0.0,) * 3, strict=True)
    leaving = zip(cases, (-162.6, -97.2, -88.4), (0.0, 0.3, 0.5), strict=True)
    lifts = (
        replace(
            low, loads=tuple(span_load(*one) for one in attached), confidence="high",
            confidence_reason="Attached flow at a wide gap; all bands are narrow.",
        ),
        replace(
            high, loads=tuple(span_load(*one) for one in leaving), confidence="low",
            confidence_reason="The channel under it chokes; only a viscous run can settle it.",
        ),
    )  # fmt: skip
    speed = 140.0 / 3.6
    table = tuple((v / 3.6, Band(33.3 * (v / 140.0) ** 2, -5.0, 60.0)) for v in (60.0, 100.0, 140.0, 180.0))
    estimate = replace(
        first.lift, elements=lifts, air=Air(1.204, 1.516e-5, 293.15, 120.0), speed_table=table, speed_m_s=speed,
        channels=(ChannelNote("lower", "upper", 0.0234, 0.114, 1.62, 0.71, 1.38, "It narrows towards the tail."),),
    )  # fmt: skip
    return replace(first, lift=estimate, sweeps=sweeps(), pressure_picture=png(150))


def sections() -> list[SectionRow]:
    rng = np.random.default_rng(5)
    rows = []
    cuts = (("lower", 248.2, -310.0, 0.031), ("lower", 241.0, 0.0, 0.03), ("upper", 163.3, 40.0, -0.04))
    for name, chord, y, camber in cuts:
        dense = shape(camber).contour(700) * chord
        step = np.gradient(dense, axis=0)
        outward = np.column_stack([step[:, 1], -step[:, 0]]) / np.linalg.norm(step, axis=1)[:, None]
        off = rng.normal(0.0, 0.05, len(dense))
        off[200] = 0.4
        size = np.abs(off)
        rows.append(
            SectionRow(
                element=name, station_mm=y, chord_mm=chord, chord_mm_se=0.04, incidence_deg=-1.234,
                thickness_percent=12.1, thickness_place_percent=30.2, camber_percent=100.0 * camber,
                camber_place_percent=40.3, le_radius_mm=1.37, te_mm=2.2, te_mm_se=0.03,
                rms_mm=float(np.sqrt((off**2).mean())), p95_mm=float(np.quantile(size, 0.95)),
                max_mm=float(size.max()), left_out=0.02, share_within=float((size <= 0.1).mean()), tolerance_mm=0.1,
                within_tolerance=name == "lower", unseen=("trailing edge",), contour=dense + off[:, None] * outward,
                along=np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(dense, axis=0), axis=1))]),
                deviation=off, fit=shape(camber).contour(60) * chord,
            )
        )  # fmt: skip
    return rows


class Page(HTMLParser):
    """Checks nesting and keeps tags, attributes, tables and text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.tables: list[list[list[str]]] = []
        self.feed(text)
        self.close()
        assert self.open == [], f"left open: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> crosses another tag"

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text.append(data)
        if "td" in self.open or "th" in self.open:
            self.tables[-1][-1][-1] += " " + data

    def table(self, kind: str) -> list[list[str]]:
        kinds = [attrs.get("class") for tag, attrs in self.tags if tag == "table"]
        return [[" ".join(cell.split()) for cell in row] for row in self.tables[kinds.index(kind)]]


def numbers(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"[-+]?\d+(?:\.\d+)?", text.replace("\N{MINUS SIGN}", "-"))]


def page(**change: object) -> str:
    lines = ("Removed 812 faces in 31 specks.", "Centre plane: residual 0.06 mm.")
    return report_html("Kestrelle 90, rear wing", sample(), **{"sections": sections(), "intake_lines": lines, **change})  # type: ignore[arg-type]


def test_page_is_well_nested_and_needs_nothing_from_outside() -> None:
    text = page()
    parsed = Page(text)
    tags = {tag for tag, _ in parsed.tags}
    assert {"html", "head", "title", "style", "body", "table", "svg", "image"} <= tags
    assert not tags & {"script", "link", "iframe", "img", "object"}
    for _, attrs in parsed.tags:
        assert not any(key.startswith("on") for key in attrs)
        for key in ("src", "href", "xlink:href"):
            assert (attrs.get(key) or "#").startswith(("#", "data:image/png;base64,"))
    outside_pictures = re.sub(r"base64,[A-Za-z0-9+/=]+", "", text)
    assert not re.search(r"//|url\(|@import", outside_pictures)


def test_pictures_are_inside_once_and_shown_before_and_after() -> None:
    parsed = Page(page())
    stored = [attrs for tag, attrs in parsed.tags if tag == "image"]
    assert [base64.b64decode(str(a["href"]).split(",")[1]) for a in stored] == [png(200), png(90)]
    assert {(a["width"], a["height"]) for a in stored} == {("64", "36")}
    # The first card shows itself, the second the first and itself, the third has none.
    assert [a["href"] for tag, a in parsed.tags if tag == "use"] == ["#picture-0", "#picture-0", "#picture-1"]


def test_comparison_table_holds_the_results() -> None:
    rows = Page(page()).table("comparison")[1:]
    at = iter(rows)
    for v in sample():
        assert next(at) == [v.name]
        for e in v.assembly.elements:
            row, answer = next(at), v.lift_of(e.name)
            assert row[0] == e.name
            assert row[1].endswith(answer.direction)
            assert numbers(row[2]) == pytest.approx([1000.0 * e.chord_m], abs=0.05)
            assert numbers(row[3]) == pytest.approx([math.degrees(e.incidence_rad)], abs=0.005)
            for cell, band in zip(row[4:7], (answer.alone_n, answer.group_n, answer.on_car_n), strict=True):
                expected = [] if band is None else [band.value, band.low, band.high]
                assert numbers(cell) == pytest.approx(expected, abs=0.5)
        row = next(at)
        assert row[0] == "total"
        total = v.lift.group_total_n
        assert numbers(row[5]) == pytest.approx([total.value, total.low, total.high], abs=0.5)
    assert next(at, None) is None


def test_verdicts_are_words_with_marks() -> None:
    parsed = Page(page())
    kinds = [i for i, (_, a) in enumerate((t, a) for t, a in parsed.tags if t == "table") if a.get("class") == "zones"]
    cells = [" ".join(row[-1].split()) for i in kinds for row in parsed.tables[i][1:]]
    assert cells[:2] == ["\N{CHECK MARK} clear", "\N{WARNING SIGN}\N{VARIATION SELECTOR-15} tight"]
    assert "\N{MULTIPLICATION X} touches, faces cross" in cells
    assert len(cells) == 4 + 4 + 2


def test_section_tables_hold_the_sections() -> None:
    found = Page(page())
    for row, s in zip(found.table("sections-table")[1:], sections(), strict=True):
        true = (
            (s.station_mm, 0), (s.chord_mm, 2), (s.incidence_deg, 2), (s.thickness_percent, 2),
            (s.thickness_place_percent, 1), (s.camber_percent, 2), (s.camber_place_percent, 1), (s.le_radius_mm, 2),
            (s.te_mm, 2),
        )  # fmt: skip
        for cell, (value, digits) in zip(row[1:], true, strict=True):
            assert value is not None
            assert numbers(cell)[0] == pytest.approx(value, abs=0.5 * 10.0**-digits + 1e-9)
        assert numbers(row[2])[1] == pytest.approx(0.04)
        assert "not held" in row[3]
    for row, s in zip(found.table("fits-table")[1:], sections(), strict=True):
        for cell, value in zip(row[2:5], (s.rms_mm, s.p95_mm, s.max_mm), strict=True):
            assert numbers(cell)[0] == pytest.approx(value, abs=0.0005001)
        assert s.share_within is not None
        assert numbers(row[5])[0] == pytest.approx(100.0 * s.share_within, abs=0.0501)
        assert ("within" in row[6]) == s.within_tolerance
        assert row[7] == "trailing edge (2.0 % left out)"


def test_section_rows_come_back_from_json() -> None:
    first = sections()[0]
    drawn = ("contour", "fit", "along", "deviation")
    plain = {**first.__dict__, **{key: getattr(first, key).tolist() for key in drawn}}
    back = section_row(json.loads(json.dumps(plain)))
    for key, value in first.__dict__.items():
        assert np.array_equal(getattr(back, key), value)
    assert isinstance(back.contour, np.ndarray)
    # As files of the first form kept them.
    later = {"along", "deviation", "unseen", "tolerance_mm", "share_within", "left_out"}
    old = {k: v for k, v in plain.items() if k not in later and not k.endswith("_se")}
    row = section_row(json.loads(json.dumps(old)))
    assert row.chord_mm_se is None
    assert "\N{EN DASH}" in page(sections=[row])


def test_page_says_what_people_must_know() -> None:
    said = " ".join(" ".join(Page(page()).text).split())
    assert "downforce is negative lift" in said
    assert "140 km/h" in said
    assert "The scan holds no front of the car." in said
    assert "Its suction side faces another's at 0.31 of the chord." in said
    assert "Removed 812 faces in 31 specks." in said
    for caution in CAUTIONS:
        assert caution.partition(": ")[2] in said
    assert "Handle with gloves." in " ".join(Page(page(cautions=("Handle with gloves.",))).text)


def test_hostile_names_stay_text() -> None:
    element = wing(HOSTILE, 0.2, 1.0, 0.03)
    answer = replace(lift(HOSTILE, "lift", 10.0, 9.0, 8.0, (HOSTILE,)), sentence=HOSTILE)
    one = variant(HOSTILE, [(element, answer, checked(HOSTILE, zone(HOSTILE, 4.0, 10.0)))], 10)
    one = replace(one, lift=replace(one.lift, warnings=(HOSTILE,)))
    rows = [replace(s, element=HOSTILE) for s in sections()]
    plain, parsed = (
        Page(report_html(name, [replace(one, name=name)], sections=rows, intake_lines=[name], cautions=[name]))
        for name in ("plain", HOSTILE)
    )
    # The same tags, whatever the names; and every name is there to be read.
    assert [t for t, _ in parsed.tags] == [t for t, _ in plain.tags]
    assert sum(HOSTILE in text for text in parsed.text) > 10
    table = comparison_text([one])
    assert HOSTILE in table
    assert json.loads(json.dumps(results_json([one], speed_m_s=140.0 / 3.6)))["variants"][0]["name"] == HOSTILE


def test_json_has_its_keys_and_values() -> None:
    found = sample()
    got = results_json(found, speed_m_s=140.0 / 3.6, sections=sections(), intake={"specks": 31})
    got = json.loads(json.dumps(got, allow_nan=False))
    assert {"variants", "speed_kmh", "intake", "sections"} <= set(got)
    assert got["speed_kmh"] == pytest.approx(140.0)
    assert got["intake"] == {"specks": 31}
    assert len(got["sections"]) == 3
    assert got["sections"][0]["max_mm"] == sections()[0].max_mm
    for v, out in zip(found, got["variants"], strict=True):
        assert out["name"] == v.name
        assert out["group_total_n"] == {
            "value": v.lift.group_total_n.value, "low": v.lift.group_total_n.low, "high": v.lift.group_total_n.high
        }  # fmt: skip
        assert (out["on_car_total_n"] is None) == (v.lift.on_car_total_n is None)
        assert out["warnings"] == list(v.lift.warnings)
        for e, part in zip(v.assembly.elements, out["elements"], strict=True):
            answer = v.lift_of(e.name)
            keys = ("element", "direction", "chord_m", "incidence_rad", "lift_alone_n", "lift_group_n", "lift_on_car_n")
            assert {*keys, "zones"} <= set(part)
            assert (part["element"], part["direction"]) == (e.name, answer.direction)
            assert (part["chord_m"], part["incidence_rad"]) == (e.chord_m, e.incidence_rad)
            for key, band in (("alone", answer.alone_n), ("group", answer.group_n), ("on_car", answer.on_car_n)):
                expected = None if band is None else {"value": band.value, "low": band.low, "high": band.high}
                assert part[f"lift_{key}_n"] == expected
            for z, entry in zip(v.zones_of(e.name), part["zones"], strict=True):
                assert entry == {
                    "zone": z.zone, "clearance_m": z.distance_m, "collides": z.collides, "required_m": z.required_m,
                    "verdict": z.verdict, "depth_m": 0.0, "on_part_m": [0.0] * 3, "on_body_m": [0.0] * 3,
                    "behind": False,
                }  # fmt: skip


def test_text_table_holds_the_results() -> None:
    text = comparison_text(sample())
    lines = text.splitlines()
    assert "140 km/h" in lines[0]
    assert text.isascii()
    assert [line for line in lines[3:] if not line.startswith(" ")] == [v.name for v in sample()]
    line = next(x for x in lines if x.startswith("  lower"))
    # 214.4 with 0.2 |v| + 6.3 below and 0.15 |v| + 4.1 above, by hand.
    assert "+214 (+165 to +251)" in line
    assert line.split()[:4] == ["lower", "lift", "248.2", "+1.50"]
    assert line.endswith("no")
    assert "high stop lamp 11.2" in line
    turned = [x for x in lines if x.startswith("  lower")][1]
    assert re.search(r"boot lid 0\.0 +boot lid$", turned)
    # Columns stand under each other.
    assert turned.index("downforce") == line.index("lift") == lines[1].index("direction")


@pytest.mark.parametrize(
    ("band", "text"),
    [
        (Band(-162.6, -201.4, -134.0), "-163 (-201 to -134)"),
        (Band(0.3, -0.4, 12.7), "0 (0 to +13)"),
        (Band(-0.2, -3.0, 2.0), "0 (-3 to +2)"),
        (None, "-"),
    ],
)
def test_bands_read_as_value_and_range(band: Band | None, text: str) -> None:
    assert band_text(band) == text


@given(st.floats(-1e6, 1e6), st.integers(0, 3))
def test_figures_keep_their_value(value: float, digits: int) -> None:
    for signed in (False, True):
        text = figure(value, digits, signed)
        assert float(text) == pytest.approx(value, abs=0.5 * 10.0**-digits + 1e-9 * abs(value))
        assert not re.fullmatch(r"[-+]0(\.0*)?", text)


def test_a_crossed_zone_is_nearest() -> None:
    near, crossed = zone("near", 0.0, 1.0), zone("crossed", 0.0, 1.0)
    near = replace(near, collides=False)
    assert nearest_zone([near, crossed]) is crossed
    assert nearest_zone([]) is None
    assert results_table(sample())[3].collides == "boot lid"


def test_bars_are_to_scale() -> None:
    rows = [("a", "alone", Band(-100.0, -130.0, -60.0)), ("a", "group", Band(50.0, 30.0, 80.0))]
    drawn = lift_bars(rows, (-150.0, 100.0))
    boxes = [a for t, a in Page(drawn).tags if t == "rect"]
    (x0, w0), (x1, w1) = [(float(a["x"] or 0), float(a["width"] or 0)) for a in boxes]
    assert w0 / w1 == pytest.approx(2.0, abs=0.01)
    assert x0 + w0 == pytest.approx(x1, abs=0.11)  # both stand on zero, drawn to a tenth
    assert [a["class"] for a in boxes] == ["bar down", "bar up"]
    whisker = next(str(a["d"]) for t, a in Page(drawn).tags if a.get("class") == "whisker")
    start, end = re.match(r"M([\d.]+) [\d.]+H([\d.]+)", whisker).groups()  # type: ignore[union-attr]
    newtons = (float(end) - float(start)) / (w0 / 100.0)
    assert newtons == pytest.approx(70.0, abs=0.2)


@given(st.floats(1e-3, 1e5), st.integers(2, 12))
def test_steps_are_round_and_few(span: float, most: int) -> None:
    step = nice_step(span, most)
    assert span / step <= most * (1.0 + 1e-6)
    assert f"{step:.0e}"[0] in "125"
    assert step == pytest.approx(float(f"{step:.0e}"))
    # No finer round step would do.
    assert span / (step / 2.5) > most


def test_answers_that_do_not_belong_are_refused() -> None:
    first, second, third = sample()
    with pytest.raises(InputError, match=r"forces of variant “as found” are for other elements"):
        replace(first, lift=third.lift)
    with pytest.raises(InputError, match="a part twice"):
        replace(first, clearance=first.clearance * 2)
    with pytest.raises(InputError, match="no variant"):
        comparison_text([])
    slow = replace(second, lift=replace(second.lift, speed_m_s=20.0))
    with pytest.raises(InputError, match=r"72 km/h and “as found” at 140 km/h"):
        report_html("t", [first, slow])
    with pytest.raises(InputError, match="140 km/h, not at the 36 km/h"):
        results_json([first], speed_m_s=10.0)
    with pytest.raises(InputError, match="“as found” is no PNG file"):
        report_html("t", [replace(first, picture=b"JFIF")])


# Advances of DejaVu Sans 2.37 and its bold, in thousandths of the size, for U+0020 to U+007E; read from the font. It is
# the widest of the report's types.
_REGULAR = (
    "318 401 460 838 636 950 780 275 390 390 500 838 318 361 318 337 636 636 636 636 636 636 636 636 636 636 337 "
    "337 838 838 838 531 1000 684 686 698 770 632 575 775 752 295 295 656 557 863 748 787 603 787 695 635 611 732 "
    "684 989 685 611 685 390 337 390 838 500 500 613 635 550 635 615 352 635 634 278 278 579 278 974 634 612 635 "
    "635 411 521 392 634 592 818 592 592 525 636 337 636 838"
)
_BOLD = (
    "348 456 521 838 696 1002 872 306 457 457 523 838 380 415 380 365 696 696 696 696 696 696 696 696 696 696 400 "
    "400 838 838 838 580 1000 774 762 734 830 683 683 821 837 372 372 775 637 995 837 850 733 850 770 720 682 812 "
    "774 1103 771 724 725 457 365 457 838 500 500 675 716 593 716 678 435 716 712 343 343 665 343 1042 712 687 "
    "716 716 493 595 478 712 652 924 645 652 582 712 365 712 838"
)
ADVANCES = {False: _REGULAR, True: _BOLD}
OTHERS = {"\N{DEGREE SIGN}": 500, "\N{EN DASH}": 500, "\N{MINUS SIGN}": 838, "\N{HORIZONTAL ELLIPSIS}": 1000}
SIZES = {"tick": 11.5, "name": 12.5, "side": 12.5, "over": 11.5, "number": 10.5}  # as the style sheet sets them


def boxes(svg: str) -> tuple[tuple[float, float], list[tuple[str, NDArray[np.float64], NDArray[np.float64]]]]:
    """Size of a drawing, and its texts with their lower and higher corners."""
    root = ElementTree.fromstring(svg)
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    found = []
    moved = {
        child: re.findall(r"[-\d.]+", group.attrib["transform"])
        for group in root.iter("g")
        for child in group.iter("text")
    }
    for node in root.iter("text"):
        text, kind = node.text or "", node.attrib["class"]
        bold = kind in ("name", "over", "number")
        table = [int(n) for n in ADVANCES[bold].split()]
        ems = sum(table[ord(c) - 32] if 32 <= ord(c) < 127 else OTHERS.get(c, 838) for c in text) / 1000.0
        size = SIZES[kind]
        long = ems * size
        dx, dy = map(float, moved.get(node, (0, 0)))
        x, y = float(node.attrib["x"]) + dx, float(node.attrib["y"]) + dy
        x -= {"start": 0.0, "middle": 0.5, "end": 1.0}[node.attrib["text-anchor"]] * long
        # From a little below the line of writing to the height of capitals (0.73 in this type).
        found.append((text, np.array([x, y - 0.73 * size]), np.array([x + long, y + 0.2 * size])))
    return (width, height), found


def legible(svg: str) -> None:
    """No text beyond the drawing, none over another."""
    (width, height), found = boxes(svg)
    for k, (text, low, high) in enumerate(found):
        assert (low >= -0.05).all(), f"{text!r} begins outside"
        assert high[0] <= width + 0.05, f"{text!r} ends outside"
        assert high[1] <= height, f"{text!r} hangs out"
        for other, a, b in found[:k]:
            assert (low >= b - 0.05).any() or (a >= high - 0.05).any(), f"{text!r} lies over {other!r}"


NAMES = st.sampled_from(
    ["lower", "upper", "bracket left", "WWWWWWWWWWWWWW", "a", "end plate on the left hand side of it"]
)


def test_drawings_are_well_formed_and_legible() -> None:
    found = full()
    for svg in (
        opening_svg(way()), slide_svg(slides(), found.slide_zones), slide_svg(slides()[:1], ()),
        *(lamp_svg(s) for s in found.lamps), *(bend_svg(bend, name) for name, bend in found.deflections),
    ):  # fmt: skip
        legible(svg)


@settings(deadline=None, max_examples=25)
@given(
    st.lists(
        st.tuples(NAMES, NAMES, st.floats(0.0, 0.4), st.floats(-0.5, 0.5), st.booleans()), min_size=1, max_size=14
    ),
    st.floats(5.0, 175.0),
)
def test_any_opening_is_legible(pairs: list[tuple[str, str, float, float, bool]], widest: float) -> None:
    angles = np.radians(np.linspace(0.0, widest, 23))
    rows = []
    for part, against, start, slope, touches in pairs:
        distance = np.maximum(start + slope * angles, 0.0)
        touch = touches and slope < 0.0 and -start / slope < angles[-1]
        at = -start / slope if touch else float(angles[int(np.argmin(distance))])
        least = 0.0 if touch else float(distance.min())
        rows.append(
            OpeningPair(part, against, distance, at if touch else math.nan, least, at, np.zeros(3), np.zeros(3))
        )
    legible(opening_svg(replace(way(), angles_rad=angles, pairs=tuple(rows))))


def ticks(svg: str, pattern: str) -> NDArray[np.float64]:
    """(n, 3) value, x and y of the labels that read as ``pattern`` with one number."""
    found = []
    for node in ElementTree.fromstring(svg).iter("text"):
        hit = re.fullmatch(pattern, (node.text or "").replace("\N{MINUS SIGN}", "-"))
        if hit and node.attrib["class"] == "tick":
            found.append([float(hit[1]), float(node.attrib["x"]), float(node.attrib["y"])])
    return np.array(found)


def crosses(svg: str) -> NDArray[np.float64]:
    d = [n.attrib["d"] for n in ElementTree.fromstring(svg).iter("path") if n.attrib.get("class") == "contact"]
    hits = [re.match(r"M([\d.]+) ([\d.]+)l([\d.]+) ([\d.]+)", text) for text in d]
    return np.array([[float(h[1]) + float(h[3]) / 2.0, float(h[2]) + float(h[4]) / 2.0] for h in hits if h])


def test_contacts_stand_where_the_axes_say() -> None:
    svg = opening_svg(way())
    turn, high = ticks(svg, r"([\d.]+)\N{DEGREE SIGN}"), ticks(svg, r"(\d+)")
    marks = crosses(svg)
    degrees = np.interp(marks[:, 0], turn[:, 1], turn[:, 0])
    # The angles that the pairs were made with, by hand; a tenth of a px is 0.02 degrees.
    assert degrees == pytest.approx([41.3, 52.6, 53.4, 53.9], abs=0.03)
    order = np.argsort(high[:, 2])
    millimetres = np.interp(marks[:, 1], high[order, 2] - 3.5, high[order, 0])
    assert millimetres == pytest.approx(np.zeros(4), abs=0.1)
    words = " ".join(ElementTree.fromstring(svg).itertext())
    assert "first contact 41.3\N{DEGREE SIGN}" in words
    for said in ("touches at 52.6", "touches at 53.4", "touches at 53.9", "least 12.5 mm at 17.3"):
        assert said in words
    assert "1 more never comes within 150 mm" in words
    assert "aerial" not in words
    # The upper one comes straight down from 164 mm: its line is as straight.
    drawn = next(n.attrib["d"] for n in ElementTree.fromstring(svg).iter("path") if "#1f6f6b" in str(n.attrib))
    line = np.array([[float(c) for c in p.split()] for p in drawn[1:].split("L")])
    assert np.interp(line[0, 1], high[order, 2] - 3.5, high[order, 0]) == pytest.approx(164.0, abs=0.2)
    assert np.abs(np.diff(line[:, 1]) / np.diff(line[:, 0]) - np.polyfit(line[:, 0], line[:, 1], 1)[0]).max() < 0.05


def test_the_edge_of_the_room_to_move_is_where_it_is_zero() -> None:
    first = slides()[1]  # its lower edge: 27 mm + up - 120 mm times the turn asks for 15 mm, by hand
    svg = slide_svg([first], ("boot lid",))
    turn, up = ticks(svg, r"([+-]?[05])"), ticks(svg, r"([+-]?[02468]0|0)")
    turn, up = turn[turn[:, 2] == turn[:, 2].max()], up[up[:, 2] < turn[:, 2].max() - 5.0]
    root = ElementTree.fromstring(svg)
    edge = next(n.attrib["d"] for n in root.iter("path") if n.attrib.get("class") == "edge")
    points = np.array([[float(c) for c in p.split()] for p in re.findall(r"[\d.]+ [\d.]+", edge)])
    degrees = np.polyval(np.polyfit(turn[:, 1], turn[:, 0], 1), points[:, 0])
    millimetres = np.polyval(np.polyfit(up[:, 2] - 4.0, up[:, 0], 1), points[:, 1])
    assert degrees.min() == pytest.approx(-8.0, abs=0.05)
    assert degrees.max() == pytest.approx(8.0, abs=0.05)
    assert millimetres == pytest.approx(-12.0 + 120.0 * np.radians(np.abs(degrees)), abs=0.15)
    # Today is the middle of the turn's axis and stands at no height.
    today = next(n.attrib["d"] for n in root.iter("path") if n.attrib.get("class") == "today")
    x, y = (float(n) for n in re.match(r"M([\d.]+) ([\d.]+)h16", today).groups())  # type: ignore[union-attr]
    assert np.polyval(np.polyfit(turn[:, 1], turn[:, 0], 1), x + 8.0) == pytest.approx(0.0, abs=0.02)
    assert np.polyval(np.polyfit(up[:, 2] - 4.0, up[:, 0], 1), y) == pytest.approx(0.0, abs=0.1)


def test_tones_of_a_map_cover_what_they_mean() -> None:
    first = slides()[0]
    areas = {}
    for kind, tone in (("clear", "#d9e9e4"), ("touches", "#e0b3a6")):
        root = ElementTree.fromstring(slide_svg([first], ()))
        d = next(n.attrib["d"] for n in root.iter("path") if n.attrib.get("fill") == tone)
        area = 0.0
        for piece in d.split("M")[1:]:
            box = re.fullmatch(r"([\d.]+) ([\d.]+)H([\d.]+)V([\d.]+)H[\d.]+Z", piece)
            if box:
                a, b, c, e = map(float, box.groups())
                area += abs((c - a) * (e - b))
            else:
                p = np.array([[float(c) for c in q.split()] for q in piece.rstrip("Z").split("L")])
                area += 0.5 * abs((p[:, 0] * np.roll(p[:, 1], -1) - p[:, 1] * np.roll(p[:, 0], -1)).sum())
        areas[kind] = area / (256.0 * 210.0)
    # The same planes on a grid a hundred times finer.
    aft, up = np.meshgrid(np.linspace(-0.06, 0.06, 1201), np.linspace(-0.04, 0.08, 1201), indexing="ij")
    rooms = np.stack([0.027 + up + 0.1 * aft, 0.055 - 0.8 * aft + 0.3 * up, 0.075 + 1.2 * aft - 0.2 * up])
    asked = np.array([0.015, 0.02, 0.025])[:, None, None]
    assert areas["clear"] == pytest.approx(((rooms - asked).min(axis=0) >= 0.0).mean(), abs=0.005)
    # Touching is known at the nodes alone, so to half a cell along its edge.
    assert areas["touches"] == pytest.approx((rooms <= 0.0).any(axis=0).mean(), abs=0.03)


def test_lamp_chart_has_the_car_s_left_at_the_left() -> None:
    sight = lamp("tail lamp left", "rear position", (45.0, 80.0, 15.0, 15.0), 4.0)
    root = ElementTree.fromstring(lamp_svg(sight))
    field = next(n for n in root.iter("rect") if n.attrib.get("class") == "field")
    x, y, wide, tall = (float(field.attrib[k]) for k in ("x", "y", "width", "height"))
    assert wide / tall == pytest.approx(125.0 / 30.0, abs=0.03)
    svg = lamp_svg(sight)
    marks = ticks(svg, r"(\d+)\N{DEGREE SIGN}")
    low = marks[marks[:, 2] == marks[:, 2].max()]
    straight = low[low[:, 0] == 0.0, 1][0]
    # 80 of the 125 degrees lie left of straight behind.
    assert straight - x == pytest.approx(80.0 / 125.0 * wide, abs=0.1)
    # What the lamp does not show itself is at the left and below; it is dotted there and nowhere else.
    dots = next(n.attrib["d"] for n in root.iter("path") if n.attrib.get("stroke-linecap") == "round")
    spots = np.array([[float(c) for c in p] for p in re.findall(r"M([\d.]+) ([\d.]+)h0", dots)])
    assert len(spots) > 10
    # 66 degrees left and 6 down, to the middle between two directions.
    assert spots[:, 0].max() <= straight - (66.0 - 2.1) / 125.0 * wide
    assert spots[:, 1].min() >= y + (15.0 + 6.0 - 1.3) / 30.0 * tall
    # Area by tone: what counts as seen is white.
    white = next(n.attrib["d"] for n in root.iter("path") if n.attrib.get("fill") == "#ffffff")
    runs = np.array(re.findall(r"M([\d.]+) ([\d.]+)H([\d.]+)V([\d.]+)", white), float)
    share = np.abs((runs[:, 2] - runs[:, 0]) * (runs[:, 3] - runs[:, 1])).sum() / (wide * tall)
    weight = np.outer(np.r_[0.5, np.ones(11), 0.5] / 12.0, np.r_[0.5, np.ones(29), 0.5] / 30.0)
    assert share == pytest.approx(weight[sight.seen >= 0.995].sum(), abs=0.005)
    words = " ".join(root.itertext())
    for said in (
        "6.10.5.1",
        "hidden by lower",
        "hidden by bracket left",
        "not shown by the lamp itself",
        "left of the car",
    ):
        assert said in words
    assert len([n for n in root.iter("path") if n.attrib.get("class") == "blocker"]) == 2


@pytest.mark.parametrize(
    "fields", [(10.0, 10.0, 5.0, 10.0), (45.0, 80.0, 15.0, 15.0), (45.0, 45.0, 5.0, 15.0), (30.0, 30.0, 5.0, 15.0)]
)
def test_any_lamp_is_legible(fields: tuple[float, float, float, float]) -> None:
    for hides in (-20.0, 2.0, 40.0):
        sight = lamp("a lamp with a name that is a good deal longer than usual", "direction indicator", fields, hides)
        legible(lamp_svg(replace(sight, blockers=("W" * 60, "end plate on the left hand side of it"))))


def test_bent_line_is_to_scale_with_left_at_the_left() -> None:
    y = np.linspace(-0.6, 0.6, 25)
    svg = bend_svg(Deflection(y, 0.003 * (y + 0.6) / 1.2, 0.003, ""), "lower")
    root = ElementTree.fromstring(svg)
    d = next(n.attrib["d"] for n in root.iter("path") if n.attrib.get("class") == "bent")
    line = np.array([[float(c) for c in p.split()] for p in d[1:].split("L")])
    high = ticks(svg, r"\+?([\d.]+)")
    high = high[high[:, 1] == high[:, 1].min()]
    at = np.polyval(np.polyfit(high[:, 2] - 3.5, high[:, 0], 1), line[:, 1])
    assert at == pytest.approx(3.0 * (y + 0.6) / 1.2, abs=0.01)
    assert line[-1, 0] < line[0, 0]  # the last one is the left end, +0.6 m


@pytest.mark.parametrize("way_", WAYS)
def test_hatching_stays_in_its_region_and_fills_it(way_: str) -> None:
    def disc(p: NDArray[np.float64]) -> NDArray[np.bool_]:
        return np.asarray(np.hypot(p[:, 0] - 60.0, p[:, 1] - 50.0) <= 40.0)

    d = hatch(disc, (0.0, 0.0), (120.0, 100.0), way_, 6.0)
    ends = np.array(re.findall(r"[ML]([\d.]+) ([\d.]+)", d), float)
    assert (np.hypot(ends[:, 0] - 60.0, ends[:, 1] - 50.0) <= 40.1).all()
    if way_ == "dots":
        # One dot to each square of the spacing.
        assert len(ends) == pytest.approx(math.pi * 40.0**2 / 36.0, rel=0.05)
    else:
        length = np.linalg.norm(ends[1::2] - ends[::2], axis=1).sum()
        # Strokes a spacing apart take the area over the spacing (Cavalieri), twice for two ways.
        assert length == pytest.approx((2 if way_ == "crossed" else 1) * math.pi * 40.0**2 / 6.0, rel=0.03)


def undone(file: bytes) -> NDArray[np.uint8]:
    """The points of a truecolour PNG, all five filters undone byte by byte after ISO/IEC 15948, clause 9."""
    assert file[:8] == b"\x89PNG\r\n\x1a\n"
    at, data, size = 8, b"", (0, 0)
    names = []
    while at < len(file):
        (length,) = struct.unpack(">I", file[at : at + 4])
        name, body = file[at + 4 : at + 8], file[at + 8 : at + 8 + length]
        assert struct.unpack(">I", file[at + 8 + length : at + 12 + length])[0] == zlib.crc32(name + body)
        names.append(name)
        if name == b"IHDR":
            size = struct.unpack(">II", body[:8])
            assert body[8:] == bytes((8, 2, 0, 0, 0))
        elif name == b"IDAT":
            data += body
        at += 12 + length
    assert names[0] == b"IHDR"
    assert names[-1] == b"IEND"
    width, height = size
    raw, before, rows = zlib.decompress(data), bytes(3 * width), []
    for k in range(height):
        kind, line = raw[k * (3 * width + 1)], bytearray(raw[k * (3 * width + 1) + 1 : (k + 1) * (3 * width + 1)])
        for i in range(3 * width):
            left, corner = (line[i - 3], before[i - 3]) if i >= 3 else (0, 0)
            guess = left + before[i] - corner
            paeth = min((left, before[i], corner), key=lambda v: abs(guess - v))
            line[i] = (line[i] + (0, left, before[i], (left + before[i]) // 2, paeth)[kind]) % 256
        before = bytes(line)
        rows.append(before)
    return np.frombuffer(b"".join(rows), np.uint8).reshape(height, width, 3)


@settings(deadline=None, max_examples=25)
@given(st.integers(1, 19), st.integers(1, 23), st.integers(0, 2**32 - 1), st.sampled_from(["noise", "flat", "ramp"]))
def test_pictures_come_back_from_their_files(height: int, width: int, seed: int, kind: str) -> None:
    noise = np.random.default_rng(seed).integers(0, 256, (height, width, 3))
    ramp = np.arange(width)[None, :, None] * 5 + np.arange(height)[:, None, None] * 7 + np.arange(3)
    picture = {"noise": noise, "flat": noise[:1, :1].repeat(height, 0).repeat(width, 1), "ramp": ramp}[kind]
    points = (picture % 256).astype(np.uint8)
    file = png_bytes(points)
    assert (undone(file) == points).all()
    assert png_size(file) == (width, height)


def test_pictures_of_another_kind_are_refused() -> None:
    assert png_size(b"JFIF" * 20) is None
    for picture in (np.zeros((4, 4), np.uint8), np.zeros((4, 4, 3)), np.zeros((0, 4, 3), np.uint8)):
        with pytest.raises(InputError, match="3 bytes"):
            png_bytes(picture)  # type: ignore[arg-type]


def overlap(places: NDArray[np.float64], sizes: NDArray[np.float64], gap: float) -> bool:
    low, high = places, places + sizes + gap - 1e-6
    cross = ((low[:, None] < high[None]) & (low[None] < high[:, None])).all(axis=2)
    np.fill_diagonal(cross, False)
    return bool(cross.any())


@st.composite
def labelled(
    draw: st.DrawFn, in_a_pile: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    """Labels that fit: one above the other, or in rows of equal height."""
    n, seed = draw(st.integers(1, 40)), draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    gap = draw(st.floats(0.0, 12.0))
    sizes = np.column_stack([rng.uniform(20.0, 180.0, n), rng.uniform(8.0, 30.0, n) if in_a_pile else np.full(n, 16.0)])
    if in_a_pile:
        frame = np.array(
            [draw(st.floats(180.0, 900.0)), sizes[:, 1].sum() + gap * (n - 1) + draw(st.floats(0.0, 200.0))]
        )
    else:
        rows = draw(st.integers(1, 8))
        # Filled in turn, no row is left with more room than the widest takes.
        wide = (sizes[:, 0].sum() + gap * n) / rows + 180.0 + gap
        frame = np.array([wide, rows * 16.0 + gap * (rows - 1)])
    middle = rng.uniform(0.0, 1.0, 2) * frame
    return middle + rng.normal(0.0, draw(st.sampled_from([0.0, 5.0, 80.0, 600.0])), (n, 2)), sizes, frame, gap


@settings(deadline=None, max_examples=60)
@given(labelled(True) | labelled(False))
def test_labels_that_fit_never_overlap(
    case: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float],
) -> None:
    anchors, sizes, frame, gap = case
    places = spread(anchors, sizes, frame, gap)
    assert not overlap(places, sizes, gap)
    assert (places >= 0.0).all()
    assert (places + sizes <= frame + 1e-6).all()
    assert (places == spread(anchors, sizes, frame, gap)).all()


def test_labels_stay_where_they_want_to_be() -> None:
    frame = np.array([400.0, 300.0])
    sizes = np.tile([60.0, 20.0], (3, 1))
    apart = np.array([[50.0, 50.0], [200.0, 150.0], [390.0, 280.0]])
    places = spread(apart, sizes, frame, 8.0)
    # Right of their anchors and level with them; the last one turns to the left.
    assert places == pytest.approx(np.array([[58.0, 40.0], [208.0, 140.0], [322.0, 270.0]]))
    # Three on one spot stand in a pile about it, the gap between them.
    piled = spread(np.full((3, 2), 150.0), sizes, frame, 8.0)
    assert np.sort(piled[:, 1]) == pytest.approx([112.0, 140.0, 168.0])
    assert piled[:, 0] == pytest.approx(158.0)
    # At the frame's foot the pile rises.
    foot = spread(np.array([[50.0, 2.0], [50.0, 4.0], [50.0, 6.0]]), sizes, frame, 8.0)
    assert foot[:, 1] == pytest.approx([0.0, 28.0, 56.0])
    assert spread(np.zeros((0, 2)), np.zeros((0, 2)), frame, 8.0).shape == (0, 2)
    # Too many to fit are still placed in the frame.
    crowd = spread(np.full((30, 2), 20.0), np.tile([300.0, 30.0], (30, 1)), frame, 8.0)
    assert ((crowd >= 0.0) & (crowd + [300.0, 30.0] <= frame)).all()
    for bad in (
        (np.zeros((2, 2)), sizes, frame, 1.0),
        (apart, -sizes, frame, 1.0),
        (apart * np.nan, sizes, frame, 1.0),
    ):
        with pytest.raises(InputError, match="label"):
            spread(*bad)


def test_page_has_a_block_for_each_answer_and_no_other() -> None:
    heads = ("Clearance", "Lid opening", "Room to move", "Bending", "Outline and edges", "Lamps", "View to the rear")

    def told(v: VariantResult) -> list[str]:
        return re.findall(r"<h4>([^<]*)</h4>", report_html("t", [v]))[1:]

    assert told(full()) == list(heads)
    bare = replace(sample()[0], clearance=())
    assert told(bare) == []
    for head, given_ in zip(
        heads,
        ("clearance", "opening", "slides", "deflections", "outline", "lamps", "mirror"),
        strict=True,
    ):
        assert told(replace(bare, **{given_: getattr(full(), given_)})) == [head]
    assert told(replace(bare, edges=full().edges)) == ["Outline and edges"]


def test_page_tells_what_was_checked() -> None:
    v = full()
    parsed = Page(report_html("t", [v]))
    said = " ".join(" ".join(parsed.text).split())
    assert v.opening is not None
    assert v.mirror is not None
    sentences = [v.opening.sentence, v.mirror.sentence]
    sentences += [m.sentence for m in v.slides] + [bend.sentence for _, bend in v.deflections]
    sentences += [
        found.sentence for found in (*v.outline, *v.edges, *v.lamps) if getattr(found, "verdict", "") != "clear"
    ]
    for sentence in sentences:
        assert sentence in said
    rows = parsed.table("zones")[1:]
    assert [row[0] for row in rows] == ["lower"] * 2 + ["upper"] * 2 + ["bracket left"] * 2 + ["bracket right"]
    assert rows[4][-1].endswith("touches, crosses by about 4.2 mm")
    assert rows[6][3:] == ["5.0", "20.0", "\N{MULTIPLICATION X} touches, allowance used up"]
    assert "Allowance mm" not in Page(report_html("t", sample())).table("zones")[0]
    out = parsed.table("outline")[2]
    assert out[1:6] == ["+12", "\N{MINUS SIGN}90", "\N{MINUS SIGN}92", "\N{MINUS SIGN}140", out[5]]
    assert [row[5].split(" ", 1)[1] for row in parsed.table("outline")[1:]] == ["within", "stands out"]
    edges = parsed.table("edges")[1:]
    assert edges[0][1:3] == ["1310", "0.40"]
    assert edges[1][2] == "\N{EN DASH}"
    lamps = parsed.table("lamps")[1:]
    assert lamps[0][2] == "80 left to 45 right 15 down to 15 up"
    assert [row[5].split(" ", 1)[1] for row in lamps] == ["partly hidden", "partly hidden", "clear"]
    for share in (
        "shows 93.0 %",
        "hides 4.1 %",
        "hide 6.7 %",
        "lower 5.2 %, upper 2.1 %",
        "take 15.0 %",
        "about 0.4 %",
        "hold to 0.05",
        "fitted to 0.21 mm",
        "UN R48, rear fog: Both lamps",
    ):
        assert share in said
    assert "limited by tail lamp left" in said
    picture = next(str(a["href"]) for tag, a in parsed.tags if tag == "image" and a["width"] == "640")
    assert (undone(base64.b64decode(picture.split(",")[1])) == v.mirror.picture).all()
    heading = parsed.table("comparison")[1][0]
    assert heading.startswith("as found")
    assert "first contact at 41.3 deg, lower with rear window" in heading
    assert "tail lamp left (rear position) partly hidden" in heading


def test_json_holds_every_check() -> None:
    v = full()
    text = json.dumps(results_json([v], speed_m_s=140.0 / 3.6), allow_nan=False)
    assert len(text) < 80_000
    got = json.loads(text)["variants"][0]
    assert [p["part"] for p in got["other_parts"]] == ["bracket left", "bracket right"]
    assert got["other_parts"][0]["zones"][0]["depth_m"] == 0.0042
    assert got["other_parts"][1]["allowance_m"] == 0.005
    lid = got["opening"]
    assert lid["first_contact_rad"] == pytest.approx(math.radians(41.3), abs=1e-6)
    assert lid["pairs"][1]["contact_rad"] == lid["first_contact_rad"]
    assert lid["pairs"][0]["contact_rad"] is None
    for pair, own in zip(lid["pairs"], way().pairs, strict=True):
        assert pair["distance_m"] == pytest.approx(own.distance_m.tolist(), abs=1e-5)
    assert lid["hinge"]["point_m"] == [0.92, 0.0, 0.98]
    aft = got["slides"][0]
    assert (aft["across"], aft["along"]) == ("aft", "up")
    assert np.array(aft["room_m"]) == pytest.approx(v.slides[0].room_m, abs=1e-5)
    assert (np.array(aft["touches"]) == v.slides[0].touches).all()
    assert got["slide_zones"] == ["boot lid", "tail lamp left", "rear window"]
    assert got["deflections"][0]["part"] == "lower"
    assert got["deflections"][0]["largest_m"] == pytest.approx(v.deflections[0][1].largest_m, abs=1e-6)
    assert got["outline"][1]["outside_count"] == 6
    assert got["outline"][1]["beyond_rear_m"] == 0.012
    assert np.array(got["edges"][0]["ends_m"]).shape == (3, 2, 3)
    assert got["edges"][1]["least_m"] is None
    sight = v.lamps[0]
    seen = np.array([[math.nan if s is None else s for s in row] for row in got["lamps"][0]["seen"]])
    assert np.allclose(seen, sight.seen, atol=1e-5, equal_nan=True)
    assert got["lamps"][0]["rule"]["paragraph"] == sight.rule.paragraph
    assert "picture" not in got["mirror"]
    assert got["mirror"]["each"] == [["lower", 0.052], ["upper", 0.021]]
    # A variant without any of it says so.
    bare = results_json([sample()[2]], speed_m_s=140.0 / 3.6)["variants"][0]
    assert bare["opening"] is None
    assert bare["mirror"] is None
    assert bare["lamps"] == bare["slides"] == bare["other_parts"] == []


def test_text_says_where_the_lid_touches() -> None:
    lines = comparison_text([full(), *sample()[1:]]).splitlines()
    assert lines[4:6] == [
        "    lid: first contact at 41.3 deg, lower with rear window",
        "    lamps: tail lamp left (rear position) partly hidden, high stop lamp (high-level stop) partly hidden",
    ]
    free = replace(full(), opening=replace(way(), pairs=way().pairs[:1]), lamps=full().lamps[2:])
    told = comparison_text([free]).splitlines()
    assert told[4:6] == ["    lid opens to 75 deg without contact", "    lamps: clear"]


def test_checks_of_hostile_names_stay_text() -> None:
    def named(name: str) -> str:
        v = full()
        pairs = tuple(replace(p, part=name, against=name) for p in way().pairs)
        sights = tuple(
            replace(s, zone=name, blockers=(name, name), sentence=name, rule=replace(s.rule, note=name, paragraph=name))
            for s in v.lamps
        )
        assert v.mirror is not None
        view = replace(v.mirror, sentence=name, each=((name, 0.1),), rule=replace(v.mirror.rule, paragraph=name))
        return report_html(
            "t",
            [
                replace(
                    v, opening=replace(way(), pairs=pairs), slide_zones=(name,) * 3, lamps=sights, mirror=view,
                    deflections=tuple((name, replace(bend, sentence=name)) for _, bend in v.deflections),
                    outline=tuple(replace(c, part=name, sentence=name) for c in v.outline),
                    edges=tuple(replace(e, part=name, sentence=name) for e in v.edges),
                    clearance=(*v.clearance, checked(name, zone(name, 3.0, 4.0))),
                )
            ],
        )  # fmt: skip

    parsed = Page(named(HOSTILE))
    assert not {tag for tag, _ in parsed.tags} & {"img", "script"}
    assert sum(HOSTILE in text for text in parsed.text) > 15


def test_page_has_a_block_for_each_thing_the_estimate_tells() -> None:
    def told(v: VariantResult) -> list[str]:
        return re.findall(r"<h4>([^<]*)</h4>", report_html("t", [v]))[1:]

    every, bare = worked_out(), replace(sample()[0], clearance=())
    heads = [
        "How sure the forces are", "Forces case by case", "Forces along the span", "Channels between the elements",
        "Air and speed", "What if", "Pressure",
    ]  # fmt: skip
    assert told(replace(every, clearance=())) == heads
    assert told(replace(bare, sweeps=every.sweeps)) == ["What if"]
    assert told(replace(bare, pressure_picture=every.pressure_picture)) == ["Pressure"]
    for field, head in (("air", "Air and speed"), ("speed_table", "Air and speed"), ("channels", heads[3])):
        assert told(replace(bare, lift=replace(bare.lift, **{field: getattr(every.lift, field)}))) == [head]
    with pytest.raises(InputError, match="no PNG file"):
        report_html("t", [replace(bare, pressure_picture=b"JFIF")])
    with pytest.raises(InputError, match="forces of variant “lower left out” are for other elements"):
        replace(sample()[2], sweeps=every.sweeps)


def test_page_tells_what_was_estimated() -> None:
    v = worked_out()
    parsed = Page(report_html("t", [v]))
    said = " ".join(" ".join(parsed.text).split())
    assert [r[1].split()[-1] for r in parsed.table("confidence")[1:]] == ["high", "low"]
    assert all(e.confidence_reason in said for e in v.lift.elements)
    rows = parsed.table("cases")[1:]
    assert [r[:2] for r in rows] == [[e, c] for e in ("lower", "upper") for c in ("alone", "group", "on car")]
    # 51 and 49 hundredths of 121.7 N for the mounts; 4 % of it induced.
    low = v.lift_of("lower").on_car_n
    assert low is not None
    assert numbers(rows[2][2]) == pytest.approx([low.value, low.low, low.high], abs=0.5)
    assert numbers(rows[2][3]) == [62.0]
    assert numbers(rows[2][4]) == [60.0]
    assert (rows[2][5:7], rows[2][7]) == (["4.9", "3.3"], "312 / 4 / 1118")
    channel = parsed.table("channels")[1]
    assert channel[:6] == ["lower and upper", "23.4", "0.11", "1.62", "71", "1.38"]
    assert channel[6].endswith("chokes")
    assert "It narrows towards the tail." in said
    speeds = parsed.table("speeds")[1:]
    assert [numbers(r[0]) + numbers(r[1]) for r in speeds] == [[60.0, 6.0], [100.0, 17.0], [140.0, 33.0], [180.0, 55.0]]
    # 140 km/h on a mean chord of 0.2482 m times 0.95, over 1.516e-5 m2/s: 6.05e5, by hand.
    assert "Air of 1.204 kg/m³ (20.0 °C, 120 m above sea level), kinematic viscosity 15.16 mm²/s." in said
    assert "lower 605\N{NARROW NO-BREAK SPACE}000" in said or "lower 605 000" in said
    for one in v.sweeps:
        assert " ".join(one.sentence.split()) in said
    assert "The air follows both sides to 80 % of the chord or farther, all along the span." in said
    assert (
        "The air leaves the surface before 80 % of the chord: group, lower side over 25 % of the span (at worst from "
        "60 % on); on car, lower side over 50 % of the span (at worst from 60 % on)."
    ) in said
    heading = parsed.table("comparison")[1][0]
    assert "how sure the forces are: lower high, upper low" in heading
    assert "channel between lower and upper: chokes, gap 23.4 mm" in heading
    lines = comparison_text([v]).splitlines()
    assert lines[4:6] == [
        "    how sure the forces are: lower high, upper low",
        "    channel between lower and upper: chokes, gap 23.4 mm",
    ]
    near = replace(v.lift.channels[0], choke_index=0.9)
    assert "near its limit" in comparison_text([replace(v, lift=replace(v.lift, channels=(near,)))])
    unknown = replace(v.lift.channels[0], choke_index=math.nan, throat_speed=math.nan)
    cells = Page(report_html("t", [replace(v, lift=replace(v.lift, channels=(unknown,)))])).table("channels")[1]
    assert (cells[3], cells[5]) == ("\N{EN DASH}", "\N{EN DASH}")
    assert cells[6].endswith("not known")
    wide = replace(v.lift.channels[0], choke_index=0.5)
    assert "channel" not in comparison_text([replace(v, lift=replace(v.lift, channels=(wide,)))])


def test_json_holds_every_number_of_the_estimate() -> None:
    v = worked_out()
    text = json.dumps(results_json([v], speed_m_s=140.0 / 3.6), allow_nan=False)
    assert len(text) < 60_000
    got = json.loads(text)["variants"][0]
    upper = got["elements"][1]
    assert (upper["confidence"], upper["confidence_reason"]) == ("low", v.lift_of("upper").confidence_reason)
    assert upper["reynolds_number"] == pytest.approx(140.0 / 3.6 * 0.1633 * 0.95 / 1.516e-5, abs=1.0)
    load, own = upper["loads"][2], v.lift_of("upper").loads[2]
    assert load["case"] == "on car"
    for key in ("y_m", "load_n_m", "attached", "force_n", "moment_n_m", "sides_n"):
        assert np.array(load[key]) == pytest.approx(getattr(own, key), abs=1e-5)
    assert load["centre_m"] == [0.312, 0.004, 1.118]
    assert (load["induced_drag_n"], load["profile_drag_n"]) == (pytest.approx(0.04 * 88.4), 3.26)
    assert got["air"]["viscosity_m2_s"] == pytest.approx(1.516e-5, abs=1e-10)
    assert got["channels"][0]["choke_index"] == 1.38
    assert got["speed_table"][0]["speed_m_s"] == pytest.approx(60.0 / 3.6, abs=1e-6)
    assert got["speed_table"][0]["lift_n"] == {
        "value": pytest.approx(33.3 * (60.0 / 140.0) ** 2, abs=1e-6),
        "low": -5.0,
        "high": 60.0,
    }
    gap, turn, faster = got["sweeps"]
    assert gap["change_m"] == pytest.approx(sweeps()[0].values.tolist(), abs=1e-6)
    assert gap["today_m"] is None
    assert (gap["total_n"][0], gap["reasons"][0]) == (None, "Element “upper” reaches under the road.")
    assert gap["elements"][0]["element"] == "lower"
    assert gap["elements"][0]["lift_n"][4]["value"] == pytest.approx(110.0)
    assert turn["today_rad"] == -0.07
    assert faster["today_m_s"] == pytest.approx(140.0 / 3.6, abs=1e-6)
    bare = json.loads(json.dumps(results_json([sample()[0]], speed_m_s=140.0 / 3.6), allow_nan=False))["variants"][0]
    assert bare["air"] is None
    assert bare["sweeps"] == bare["channels"] == bare["speed_table"] == bare["elements"][0]["loads"] == []
    assert bare["elements"][0]["reynolds_number"] is None


def paths(svg: str, kind: str) -> list[NDArray[np.float64]]:
    """Points of the paths of a class, straight pieces only."""
    found = [n.attrib["d"] for n in ElementTree.fromstring(svg).iter("path") if n.attrib.get("class") == kind]
    return [np.array(re.findall(r"([-\d.]+) ([-\d.]+)", d), float) for d in found]


def test_drawings_of_the_forces_are_well_formed_and_legible() -> None:
    for svg in (*(span_svg(e) for e in worked_out().lift.elements), *map(sweep_svg, sweeps())):
        legible(svg)


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from(["gap", "stagger", "incidence", "speed"]), st.lists(NAMES, min_size=1, max_size=5, unique=True),
    st.floats(0.01, 1.0), st.floats(-2000.0, 2000.0), st.floats(0.0, 500.0), st.integers(0, 2**32 - 1),
)  # fmt: skip
def test_any_row_of_forces_is_legible(
    what: str, names: list[str], share: float, force: float, wide: float, seed: int
) -> None:
    reach = share * {"gap": 0.5, "stagger": 0.5, "incidence": 0.4, "speed": 30.0}[what]
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 12))
    values = np.unique(np.append(reach * rng.uniform(-1.0, 1.0, count), 0.0))
    missing = tuple(np.flatnonzero(rng.uniform(size=len(values)) < 0.3)[:-1])
    rows = tuple(row(force * rng.normal(size=len(values)), wide, missing) for _ in names)
    reasons = tuple("no room" if k in missing else "" for k in range(len(values)))
    one = Sweep(what, "" if what == "speed" else names[0], "group", values, 31.0, tuple(names), rows, rows[0], reasons)
    legible(sweep_svg(one))
    assert sweep_picture(one, 40, 24).shape == (24, 40, 3)


@settings(deadline=None, max_examples=25)
@given(NAMES, st.lists(st.floats(-900.0, 900.0), min_size=1, max_size=3), st.floats(0.0, 1.0), st.floats(0.05, 3.0))
def test_any_load_is_legible(name: str, forces: list[float], left: float, half: float) -> None:
    loads = tuple(
        replace(one, y_m=one.y_m * half)
        for one in (span_load(c, f, left) for c, f in zip(("alone", "group", "on car"), forces, strict=False))
    )
    legible(span_svg(replace(worked_out().lift.elements[0], element=name, loads=loads)))


def test_load_is_to_scale_with_left_at_the_left_and_marked_where_the_air_leaves() -> None:
    upper = worked_out().lift_of("upper")
    svg = span_svg(upper)
    levels, across = ticks(svg, r"([+-]?\d+)"), ticks(svg, r"([+-]?\d+)")
    floor = across[:, 2].max()
    levels, across = levels[levels[:, 2] < floor - 5.0], across[across[:, 2] == floor]
    for line, load in zip(paths(svg, "load"), upper.loads, strict=True):
        newtons = np.polyval(np.polyfit(levels[:, 2] - 3.5, levels[:, 0], 1), line[:, 1])
        assert newtons == pytest.approx(load.load_n_m, abs=0.2)
        millimetres = np.polyval(np.polyfit(across[:, 1], across[:, 0], 1), line[:, 0])
        assert millimetres == pytest.approx(1000.0 * load.y_m, abs=0.3)
    assert line[-1, 0] < line[0, 0]  # the last one is the left end
    # Half way to the strips that the air follows: 6 and 12 of 24 strips 52.2 mm apart.
    marked = [np.ptp(p[:, 0]) / abs(line[1, 0] - line[0, 0]) for p in paths(svg, "left")]
    assert marked == pytest.approx([6.0, 12.0], abs=0.03)
    assert paths(span_svg(worked_out().lift_of("lower")), "left") == []
    assert left_words(upper.loads[:1]).startswith("The air follows")
    ends = replace(upper.loads[0], attached=np.where(np.arange(24) < 2, 0.3, 1.0)[:, None] * [1.0, 1.0])
    (end,) = paths(span_svg(replace(upper, loads=(ends,))), "left")
    assert np.ptp(end[:, 0]) / abs(line[1, 0] - line[0, 0]) == pytest.approx(1.5, abs=0.02)
    assert end[:, 0].max() == pytest.approx(line[0, 0], abs=0.1)


def test_forces_over_a_change_stand_where_the_axes_say() -> None:
    one = sweeps()[2]
    svg = sweep_svg(one)
    levels, across = ticks(svg, r"([+-]\d+)"), ticks(svg, r"(\d+)")
    newtons = np.polyfit(levels[:, 2] - 3.5, levels[:, 0], 1)
    tones, todays = (
        paths(svg, "range"),
        [n for n in ElementTree.fromstring(svg).iter("circle") if n.get("class") == "today"],
    )
    assert len(paths(svg, "force")) == len(tones) == len(todays) == 3
    for k, (line, bands) in enumerate(zip(paths(svg, "force"), (*one.bands, one.totals), strict=True)):
        assert np.polyval(newtons, line[:, 1]) == pytest.approx([b.value for b in bands if b], abs=0.6)
        ring = np.polyval(newtons, tones[k][:, 1])
        assert ring == pytest.approx([b.low for b in bands if b] + [b.high for b in bands if b][::-1], abs=0.6)
        ownticks = across[(across[:, 1] > line[0, 0] - 9.0) & (across[:, 1] < line[-1, 0] + 9.0)]
        speeds = np.polyval(np.polyfit(ownticks[:, 1], ownticks[:, 0], 1), line[:, 0])
        assert speeds == pytest.approx(3.6 * (one.today + one.values), abs=0.15)
        assert float(todays[k].attrib["cx"]) == pytest.approx(line[4, 0], abs=0.06)
        assert float(todays[k].attrib["cy"]) == pytest.approx(line[4, 1], abs=0.06)


def test_missing_values_break_the_line_and_are_marked() -> None:
    broken = replace(sweeps()[0], totals=row(np.linspace(-40.0, 60.0, 9), 10.0, (2, 3, 5)))
    svg = sweep_svg(broken)
    pieces = paths(svg, "force")[-3:]
    assert [len(p) for p in pieces] == [2, 1, 3]
    places = pieces[0][0, 0] + (pieces[2][-1, 0] - pieces[0][0, 0]) / 8.0 * np.arange(9)
    assert np.concatenate(pieces)[:, 0] == pytest.approx(places[[0, 1, 4, 6, 7, 8]], abs=0.11)
    d = [n.attrib["d"] for n in ElementTree.fromstring(svg).iter("path") if n.attrib.get("class") == "missing"][-1]
    spots = [float(x) + 4.0 for x in re.findall(r"M([\d.]+) ", d)]
    assert spots == pytest.approx(places[[2, 3, 5]], abs=0.11)
    assert "not worked out" in " ".join(ElementTree.fromstring(svg).itertext())
    assert "not worked out" not in " ".join(ElementTree.fromstring(sweep_svg(sweeps()[1])).itertext())
    for bad in (replace(sweeps()[1], values=np.zeros(1)), replace(sweeps()[1], bands=(), totals=(None,) * 6)):
        with pytest.raises(InputError, match="two values or more"):
            sweep_svg(bad)


def test_thumbnail_shows_the_line_the_range_and_today() -> None:
    values = np.linspace(-1.0, 1.0, 5)
    one = Sweep(
        "gap",
        "a",
        "group",
        values,
        math.nan,
        ("a",),
        (row(100.0 * values, 40.0),),
        row(100.0 * values, 40.0),
        ("",) * 5,
    )
    width, height = 160, 96
    picture = sweep_picture(one, width, height).astype(float)
    assert picture.shape == (height, width, 3)
    assert (picture[0, 0] == PAPER).all()
    # The line's middle in columns clear of the dot: darkness weighted; it is straight and rises to the right.
    dark = np.clip((TONE.mean() - picture.mean(axis=2)) / (TONE.mean() - INK.mean()), 0.0, 1.0)
    columns = np.r_[22:60, 100:138]
    middle = (dark[:, columns] ** 2 * (np.arange(height) + 0.5)[:, None]).sum(axis=0) / (dark[:, columns] ** 2).sum(
        axis=0
    )
    fit = np.polyfit(columns + 0.5, middle, 1)
    assert np.abs(np.polyval(fit, columns + 0.5) - middle).max() < 1.6
    # 100 N over half the width against -140 .. +128 N over the height, less the dot's room at the sides, by hand.
    edge = 2.2 * 2.4 + 2.4 + 0.5
    slope = -200.0 / (268.0) * (height - 2.0 * edge) / (width - 2.0 * edge)
    assert fit[0] == pytest.approx(slope, abs=0.03)
    # The range is 68 N tall: so many points of its tone or the line's in a column.
    column = picture[:, 40]
    inside = np.abs(column - PAPER).max(axis=1) / np.abs(TONE - PAPER).max()
    assert np.clip(inside, 0.0, 1.0).sum() == pytest.approx(68.0 / 268.0 * (height - 2.0 * edge), abs=3.5)
    # Today is the middle, at no force.
    y0 = height - edge - 140.0 / 268.0 * (height - 2.0 * edge)
    assert np.abs(picture[int(y0), width // 2] - INK).max() < 2.0
    flipped = Sweep("gap", "a", "group", values, math.nan, ("a",), (row(-100.0 * values, 40.0),), one.totals, ("",) * 5)
    assert (sweep_picture(flipped, width, height) == sweep_picture(one, width, height)).all()
    assert (sweep_picture(flipped, width, height, "a") != sweep_picture(one, width, height, "a")).any()
    for change, said in (((8, 96, None), "too small"), ((64, 64, "b"), "none for element “b”")):
        with pytest.raises(InputError, match=said):
            sweep_picture(one, *change)
    with pytest.raises(InputError, match="worked out"):
        sweep_picture(replace(one, totals=(None,) * 5), 64, 64)


def test_estimates_of_hostile_names_stay_text() -> None:
    v = worked_out()
    elements = tuple(replace(e, name=HOSTILE if e.name == "lower" else e.name) for e in v.assembly.elements)
    low, high = v.lift.elements
    lifts = (replace(low, element=HOSTILE, confidence_reason=HOSTILE), high)
    note = replace(v.lift.channels[0], lower=HOSTILE, sentence=HOSTILE)
    named = tuple(
        replace(s, element=HOSTILE, elements=(HOSTILE, "upper"), reasons=(HOSTILE, *s.reasons[1:])) for s in v.sweeps
    )
    parsed = Page(
        report_html(
            "t",
            [
                replace(
                    v,
                    assembly=Assembly("t", elements),
                    lift=replace(v.lift, elements=lifts, channels=(note,)),
                    sweeps=named,
                )
            ],
        )
    )
    assert not {tag for tag, _ in parsed.tags} & {"img", "script"}
    assert sum(HOSTILE in text for text in parsed.text) > 10


def test_what_was_not_worked_out_is_said_and_the_rest_is_told() -> None:
    estimated, fitted = replace(sample()[0], clearance=()), replace(sample()[1], lift=None)
    bare = VariantResult("drawn only", fitted.assembly)
    mixed = [bare, fitted, estimated]
    found = Page(report_html("x", mixed))
    text = " ".join(" ".join(found.text).split())
    assert text.count("No force was estimated.") == 2
    assert text.count("Its clearance was not checked.") == 2
    assert "140 km/h" in text
    rows = found.table("comparison")
    named = [r for r in rows if r[0] in ("lower", "upper")]
    assert [r[1] for r in named[:4]] == ["not estimated"] * 4
    assert [r[4] for r in named[:4]] == ["\N{EN DASH}"] * 4
    crossed, unknown = "\N{MULTIPLICATION X} collides boot lid", ["not checked"] * 2
    assert [r[7] for r in named] == [*unknown, crossed, "rear window 88.8", *unknown]
    assert sum(r[0] == "total" for r in rows) == 1
    plain = results_json(mixed, speed_m_s=140.0 / 3.6)
    assert [("group_total_n" in v, "direction" in v["elements"][0]) for v in plain["variants"]] == [
        (False, False), (False, False), (True, True),
    ]  # fmt: skip
    assert [len(v["elements"][0]["zones"]) for v in plain["variants"]] == [0, 2, 0]
    assert plain["air_density_kg_m3"] == 1.225
    json.dumps(plain, allow_nan=False)
    lines = comparison_text(mixed).splitlines()
    assert sum("not estimated" in line for line in lines) == 4
    assert sum(line.split()[:1] == ["total"] for line in lines) == 1
    # Without any force no speed is told; without any answer there is nothing to report.
    assert "km/h" not in report_html("x", [bare, fitted]).split("<main>")[0]
    none = results_json([bare, fitted], speed_m_s=1.0)
    assert (none["speed_kmh"], none["air_density_kg_m3"]) == (None, None)
    assert comparison_text([fitted]).startswith("No force was estimated.")
    for tell in (lambda v: report_html("x", v), comparison_text, lambda v: results_json(v, speed_m_s=1.0)):
        with pytest.raises(InputError, match="Nothing was worked out"):
            tell([bare, bare])


def test_forces_are_at_one_speed_whichever_variants_have_them() -> None:
    first, second, third = sample()
    faster = replace(third, lift=replace(third.lift, speed_m_s=30.0))
    with pytest.raises(InputError, match="“lower left out” was estimated at 108 km/h and “lower turned over” at 140"):
        results_table([replace(first, lift=None), second, faster])


def test_what_was_not_looked_at_is_told() -> None:
    sentence = "FMVSS 108 sets no angles for “plate” & the like."
    one = replace(full(), lamps_left_out=(sentence,), zoned_share=0.2935)
    text = " ".join(" ".join(Page(report_html("x", [one])).text).split())
    assert "70.7 % of the body’s area is in no zone" in text
    assert sentence in text
    assert "lamps not judged: 1" in comparison_text([one])
    plain = results_json([one], speed_m_s=140.0 / 3.6)["variants"][0]
    assert (plain["lamps_left_out"], plain["zoned_share"]) == ([sentence], 0.2935)
    for known in (None, 1.0):
        text = " ".join(Page(report_html("x", [replace(full(), zoned_share=known)])).text)
        assert "in no zone" not in text
        assert "Not judged" not in text
    # A lamp that could not be judged is told even where none could.
    alone = replace(full(), lamps=(), lamps_left_out=(sentence,))
    assert sentence in " ".join(Page(report_html("x", [alone])).text)


def test_what_lies_behind_the_surface_collides() -> None:
    hidden = replace(zone("bumper", 50.0, 15.0), verdict="touches", behind=True)
    first = sample()[0]
    one = replace(first, clearance=(checked("lower", zone("boot lid", 9.0, 15.0), hidden), first.clearance[1]))
    found = Page(report_html("x", [one]))
    assert "It collides: 1 of 4 checks lie behind a zone." in " ".join(" ".join(found.text).split())
    assert next(r for r in found.table("zones") if r[1] == "bumper")[-1].endswith("touches, lies behind the surface")
    row = next(r for r in results_table([one]) if r.element == "lower")
    assert (row.nearest, row.collides) == ("bumper 50.0", "bumper")
    plain = results_json([one], speed_m_s=140.0 / 3.6)["variants"][0]["elements"][0]
    assert [z["behind"] for z in plain["zones"]] == [False, True]
