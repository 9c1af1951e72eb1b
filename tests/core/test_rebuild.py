"""Elements rebuilt from synthetic scans, against the exact surfaces that were scanned.

The wings here are made in this file from NACA four-digit sections and functions of the span, without the
project's elements; distances come from libigl.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import igl
import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wingfettle.core.elements.element import Element, EndPlate, check_element
from wingfettle.core.elements.loft import loft
from wingfettle.core.elements.rebuild import rebuild
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.sections.measure import MeasuredElement, TipPlate, measure_element

Floats = NDArray[np.float64]
Curve = Callable[[Floats], Floats]


def straight(start: float, end: float) -> Curve:
    return lambda eta: start + (end - start) * np.abs(eta)


def naca(camber: float, thickness: float, edge: float, x: Floats) -> tuple[Floats, Floats]:
    """Four-digit ordinates with the place of the camber at 40 %, thickness laid off square to the chord, so that
    nose and tail end the chord exactly: NACA Report 460 as copied in an encyclopedia; mean line from memory.
    ``edge`` widens the trailing edge by a wedge, as wings that are moulded have it."""
    half = 5.0 * thickness * (0.2969 * np.sqrt(x) - 0.1260 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1015 * x**4)
    half = half + 0.5 * edge * x
    mean = camber * np.where(x < 0.4, (0.8 * x - x**2) / 0.16, (0.2 + 0.8 * x - x**2) / 0.36)
    return mean + half, mean - half


@dataclass(frozen=True)
class Wing:
    """An exact wing: functions of eta, -1..1; quarter-chord points aft and up of the vehicle's origin."""

    chord: Curve = field(default=straight(0.26, 0.26))
    incidence: Curve = field(default=straight(-0.15, -0.15))
    aft: Curve = field(default=straight(0.4, 0.4))
    up: Curve = field(default=straight(1.1, 1.1))
    camber: float = -0.04
    thickness: float = 0.12
    half_span: float = 0.6
    centre: float = 0.0

    def grid(self, eta: Floats, x: Floats) -> Floats:
        """(n, 2 k, 3) m points round the sections: over the upper side to the nose and back below."""
        chord, incidence = self.chord(eta)[:, None], self.incidence(eta)[:, None]
        sections = [naca(self.camber, self.thickness, 0.002 / c[0], x) for c in chord]
        up, low = (np.array(side) for side in zip(*sections, strict=True))
        along = np.concatenate([x[::-1], x[1:]])
        z = np.concatenate([up[:, ::-1], low[:, 1:]], axis=1)
        u, v = chord * (along - 0.25), chord * z
        aft = self.aft(eta)[:, None] + u * np.cos(incidence) + v * np.sin(incidence)
        high = self.up(eta)[:, None] - u * np.sin(incidence) + v * np.cos(incidence)
        y = np.broadcast_to((self.centre + self.half_span * eta)[:, None], aft.shape)
        return np.stack([-aft, y, high], axis=-1)

    def mesh(self, strips: int, along: int) -> TriMesh:
        x = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, along)))
        points = self.grid(np.linspace(-1.0, 1.0, strips + 1), x)
        m = points.shape[1]
        here = np.arange(m)
        after = np.roll(here, -1)
        quads = np.stack([here, after, after + m, here + m], axis=1) + m * np.arange(strips)[:, None, None]
        quads = quads.reshape(-1, 4)
        triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.int32)
        return TriMesh(points.reshape(-1, 3), triangles)


def scanned(
    wing: Wing, noise_m: float, seed: int, low: float = -9.0, high: float = 9.0, missing: float = 0.2
) -> TriMesh:
    """A scan: points off the surface by normal noise, random round patches of 3 cm to 6 cm missing, and only
    what lies between ``low`` and ``high`` in y."""
    rng = np.random.default_rng(seed)
    mesh = wing.mesh(260, 90)
    normals = igl.per_vertex_normals(mesh.points, mesh.triangles)
    points = mesh.points + rng.normal(0.0, noise_m, (len(mesh.points), 1)) * normals
    middle = mesh.points[mesh.triangles].mean(axis=1)
    keep = np.ones(len(middle), bool)
    while missing > 0.0 and keep.mean() > 1.0 - missing:
        keep &= np.linalg.norm(middle - middle[rng.integers(len(middle))], axis=1) > rng.uniform(0.015, 0.03)
    keep &= (middle[:, 1] > low) & (middle[:, 1] < high)
    return TriMesh(points, mesh.triangles).subset(keep)


def off_truth(element: Element, wing: Wing) -> Floats:
    """Distances of the lofted element's points from the exact wing, up to 95 % of the half span."""
    lofted = loft(element, 40, 80).points
    at = lofted[np.abs(lofted[:, 1] - wing.centre) < 0.95 * wing.half_span]
    true = wing.mesh(240, 160)
    return np.asarray(np.sqrt(igl.point_mesh_squared_distance(at, true.points, true.triangles)[0]))


# -- whole scans ---------------------------------------------------------------------------------

TAPERED = Wing(chord=straight(0.28, 0.19), incidence=straight(-0.15, -0.10))


def bent(*values: float) -> Curve:
    """Straight from 0 to half of the half span and on to the tip."""
    return lambda eta: np.interp(np.abs(eta), [0.0, 0.5, 1.0], values)


KINKED = Wing(chord=bent(0.28, 0.27, 0.18), incidence=bent(-0.15, -0.15, -0.06), up=bent(1.1, 1.1, 1.14))


@dataclass(frozen=True)
class Case:
    """What is scanned and how near it has to come: surface 95 % (mm) and the numbers of inner stations allowed."""

    wing: Wing
    noise_m: float
    surface_mm: float
    inner: tuple[int, ...] = (0,)
    low: float = -9.0
    high: float = 9.0
    span: float | None = None
    count: int = 13


CASES = {
    "straight": Case(Wing(), 2e-5, 0.1),
    "tapered": Case(TAPERED, 5e-5, 0.1),
    "swept": Case(Wing(chord=straight(0.28, 0.2), aft=straight(0.4, 0.55), up=straight(1.1, 1.15)), 1e-4, 0.1),
    # A chord that falls along an ellipse to six tenths at the tip, met to the tolerance of 0.5 mm.
    "elliptic": Case(Wing(chord=lambda eta: 0.28 * np.sqrt(1.0 - (0.8 * eta) ** 2)), 5e-5, 0.6, (2, 3, 4, 5), count=25),
    "kinked": Case(KINKED, 5e-5, 0.2, (1,)),
    "one side torn off": Case(TAPERED, 5e-5, 0.1, low=-0.6, high=0.25),
    "both ends torn off": Case(TAPERED, 5e-5, 0.2, low=-0.3, high=0.35, span=1.2),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_a_damaged_scan_gives_the_wing_back(name: str) -> None:
    """Fifth of the surface missing in patches; noise 0.02 to 0.1 mm."""
    case = CASES[name]
    wing = case.wing
    rebuilt = rebuild(
        measure_element(name, scanned(wing, case.noise_m, 3, case.low, case.high), case.count, square=False), case.span
    )
    element = rebuilt.element
    assert len(element.inner) in case.inner
    assert np.percentile(off_truth(element, wing), 95.0) < 1e-3 * case.surface_mm
    ends = np.array([0.0, 1.0])
    nose, chord, incidence = element.planform(ends)
    quarter = nose[1] + 0.25 * chord[1] * np.array([-math.cos(incidence[1]), 0.0, -math.sin(incidence[1])])
    assert quarter[0] == pytest.approx(-wing.aft(ends)[1], abs=5e-4)
    assert quarter[2] == pytest.approx(wing.up(ends)[1], abs=5e-4)
    assert incidence[0] == pytest.approx(wing.incidence(ends)[0], abs=math.radians(0.05))
    assert incidence[1] == pytest.approx(wing.incidence(ends)[1], abs=math.radians(0.1))
    if name != "elliptic":  # between the outermost station and the tip it is continued in a straight line
        assert chord == pytest.approx(wing.chord(ends), abs=1e-3)
    if name != "elliptic":  # met to the tolerance, not to the scan's noise
        assert abs(chord[0] - wing.chord(ends)[0]) < 4.0 * rebuilt.chord_se_m
    if name == "kinked":
        assert element.inner[0].eta == pytest.approx(0.5, abs=0.02)
    if case.low > -1.0 or case.high < 1.0:
        eta = np.linspace(-0.98, 0.98, 50)
        beyond = (0.6 * eta < case.low - 0.01) | (0.6 * eta > case.high + 0.01)
        within = (0.6 * eta > case.low + 0.01) & (0.6 * eta < case.high - 0.01)
        assert rebuilt.is_completed(eta)[beyond].all()
        assert not rebuilt.is_completed(eta)[within].any()


@pytest.mark.parametrize(("seed", "low"), [(1, -9.0), (2, -0.02)])
def test_a_curved_tip_is_met_and_the_chord_error_does_not_flatter(seed: int, low: float) -> None:
    wing = Wing(chord=lambda eta: 0.28 * np.sqrt(1.0 - (0.8 * eta) ** 2))
    measured = measure_element("curved", scanned(wing, 5e-5, seed, low=low), 25, square=False)
    assert measured.high_y == pytest.approx(0.6, abs=2e-4)
    rebuilt = rebuild(measured)
    chord = rebuilt.element.planform(np.array([0.0, 0.97]))[1]
    assert abs(chord[0] - 0.28) < 4.0 * rebuilt.chord_se_m
    assert chord[1] == pytest.approx(wing.chord(np.array([0.97]))[0], abs=2e-3)


# -- made stations -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def template() -> MeasuredElement:
    """A measured element whose sections lend their form to the made ones."""
    return measure_element("made", scanned(Wing(), 2e-5, 0, missing=0.0), 3, square=False)


def made(
    template: MeasuredElement,
    wing: Wing,
    y: Floats,
    errors: Floats | float = 5e-5,
    off: Floats | float = 0.0,
    **change: object,
) -> MeasuredElement:
    """Exact stations of ``wing`` at ``y`` (n,) m that claim standard errors of ``errors`` (n,) m in chord and place.

    ``off`` (n,) m is added to the chord at the nose, its quarter point kept.
    """
    eta = (y - wing.centre) / wing.half_span
    chord, incidence, aft, up = wing.chord(eta) + off, wing.incidence(eta), wing.aft(eta), wing.up(eta)
    errors = np.broadcast_to(errors, y.shape)
    fit = template.sections[0].fit
    count = len(fit.covariance)
    sections = []
    for i in range(len(y)):
        variance = np.full(count, 1e-8)
        variance[:4] = np.array([1.0, 1.0, 4.0, 1.0]) * errors[i] ** 2
        nose = [aft[i] - 0.25 * chord[i] * math.cos(incidence[i]), up[i] + 0.25 * chord[i] * math.sin(incidence[i])]
        placed = replace(
            fit, leading_edge=np.array(nose), chord_m=float(chord[i]), incidence_rad=float(incidence[i]),
            covariance=np.diag(variance), tail_seen=True, missing=0.0,
        )  # fmt: skip
        sections.append(replace(template.sections[0], origin=np.array([0.0, y[i], 0.0]), fit=placed))
    ends = {"low_y": float(y.min()) - 0.04, "high_y": float(y.max()) + 0.04}
    return replace(template, sections=tuple(sections), skipped=(), square_skipped=(), **{**ends, **change})  # type: ignore[arg-type]


Y = np.linspace(-0.56, 0.56, 13)


def test_the_template_is_as_the_made_ones_need_it(template: MeasuredElement) -> None:
    rebuilt = rebuild(made(template, TAPERED, Y))
    assert rebuilt.element.chord_m == pytest.approx(0.28, abs=1e-9)
    assert rebuilt.element.taper * 0.28 == pytest.approx(0.19, abs=1e-9)
    assert rebuilt.element.twist_rad == pytest.approx(0.05, abs=1e-9)
    assert rebuilt.covered == ((-1.0, 1.0),)
    assert rebuilt.asymmetry_m == pytest.approx(0.0, abs=1e-12)
    assert "100 % of the span was measured. " in rebuilt.sentence


@pytest.mark.parametrize("kind", ["own", "unlike", "scatter", "common"])
def test_standard_errors_are_neither_hidden_nor_flattering(template: MeasuredElement, kind: str) -> None:
    """Known errors drawn sixty times; the rms of error over standard error is 1 where the latter is honest."""
    rng = np.random.default_rng(5)
    z = []
    for _ in range(60):
        errors = 5e-5 * np.where(rng.random(13) < 0.5, 20.0, 1.0) if kind == "unlike" else np.full(13, 5e-5)
        drawn = rng.normal(0.0, 1.0, 1 if kind == "common" else 13) * errors * (6.0 if kind == "scatter" else 1.0)
        rebuilt = rebuild(made(template, TAPERED, Y, errors, drawn))
        z.append((rebuilt.element.chord_m - 0.28) / rebuilt.chord_se_m)
    low, high = {"own": (0.6, 1.2), "unlike": (0.6, 1.3), "scatter": (0.7, 1.4), "common": (0.7, 1.3)}[kind]
    assert low < float(np.sqrt(np.mean(np.square(z)))) < high


def test_left_and_right_are_compared(template: MeasuredElement) -> None:
    shifted = replace(TAPERED, up=lambda eta: 1.1 + np.where(eta > 0.0, 0.0012, 0.0))
    rebuilt = rebuild(made(template, shifted, Y[Y != 0.0]))
    assert rebuilt.asymmetry_m == pytest.approx(0.0012, rel=1e-6)
    # Half-way between both.
    assert rebuilt.element.leading_edge[2] - 0.25 * 0.28 * math.sin(-0.15) == pytest.approx(1.1006, abs=1e-4)
    assert rebuilt.deviation_m == pytest.approx(0.0006, abs=1e-4)
    assert rebuild(made(template, TAPERED, Y[Y > 0.1])).asymmetry_m is None


def test_one_station_that_stands_alone_puts_no_bend_in(template: MeasuredElement) -> None:
    off = np.where(np.arange(13) == 9, 0.004, 0.0)
    rebuilt = rebuild(made(template, TAPERED, Y[6:], off=off[6:], low_y=0.0))
    assert rebuilt.element.inner == ()
    assert rebuilt.element.chord_m == pytest.approx(0.28, abs=1e-4)
    assert rebuilt.deviation_m == pytest.approx(0.003, rel=0.1)  # three quarters of it behind the quarter point


def test_stations_without_a_tail_do_not_shorten_the_chord(template: MeasuredElement) -> None:
    off = np.where(np.arange(13) % 3 == 1, -0.03, 0.0)
    measured = made(template, TAPERED, Y, off=off)
    cut = [replace(s, fit=replace(s.fit, tail_seen=o == 0.0)) for s, o in zip(measured.sections, off, strict=True)]
    rebuilt = rebuild(replace(measured, sections=tuple(cut)))
    assert rebuilt.element.inner == ()
    assert rebuilt.element.chord_m == pytest.approx(0.28, abs=1e-9)


@given(
    kinks=st.lists(st.tuples(st.floats(0.25, 0.7), st.floats(-0.03, 0.03), st.floats(-0.06, 0.06)), max_size=2),
    taper=st.floats(0.5, 1.1),
    count=st.sampled_from([11, 13, 17]),
)
@settings(max_examples=9, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
def test_any_wing_of_straight_pieces_is_met(
    template: MeasuredElement, kinks: list[tuple[float, float, float]], taper: float, count: int
) -> None:
    kinks = sorted(kinks)
    if len(kinks) == 2 and kinks[1][0] - kinks[0][0] < 0.2:
        kinks = kinks[:1]
    at = [0.0, *(k[0] for k in kinks), 1.0]

    def through(start: float, end: float, column: int) -> Curve:
        values = [start + (end - start) * a for a in at]
        for i, kink in enumerate(kinks, 1):
            values[i] += kink[column]
        return lambda eta: np.interp(np.abs(eta), at, values)

    wing = Wing(chord=through(0.28, 0.28 * taper, 1), up=through(1.1, 1.12, 2))
    rebuilt = rebuild(made(template, wing, np.linspace(-0.56, 0.56, count)))
    check_element(rebuilt.element)
    assert rebuilt.deviation_m is not None
    assert rebuilt.deviation_m <= 8e-4  # 0.5 mm aft and up each
    assert len(rebuilt.element.inner) <= len(kinks) + 2


# -- what was measured and what was not ----------------------------------------------------------


def test_a_tear_is_completed_from_the_other_half(template: MeasuredElement) -> None:
    for sign in (1.0, -1.0):
        y = np.sort(sign * np.linspace(-0.56, 0.21, 10))
        rebuilt = rebuild(made(template, TAPERED, y))
        assert rebuilt.element.span_m == pytest.approx(1.2)
        assert rebuilt.element.leading_edge[1] == 0.0
        assert rebuilt.element.taper == pytest.approx(0.19 / 0.28)
        (part,) = rebuilt.covered
        assert sorted(abs(end) for end in part) == [pytest.approx(0.25 / 0.6), 1.0]
        assert rebuilt.is_completed(sign * np.array([-0.9, 0.0, 0.4, 0.45, 0.9])).tolist() == [False] * 3 + [True] * 2
        assert rebuilt.parts == pytest.approx((0.85 / 1.2, 0.35 / 1.2, 0.0))
        assert "71 % of the span was measured, 29 % is mirrored from the other half. Its span of 1200 mm" in (
            rebuilt.sentence
        )


def test_without_both_ends_the_lines_go_on(template: MeasuredElement) -> None:
    measured = made(template, TAPERED, np.linspace(-0.26, 0.31, 9))
    rebuilt = rebuild(measured, whole_span_m=1.2)
    assert rebuilt.element.span_m == 1.2
    assert rebuilt.element.chord_m * rebuilt.element.taper == pytest.approx(0.19)
    assert rebuilt.parts == pytest.approx((0.65 / 1.2, 0.05 / 1.2, 0.5 / 1.2))
    assert rebuilt.is_completed(np.array([-0.6, -0.4, 0.5, 0.7])).tolist() == [True, False, False, True]
    assert "42 % continues the measured stations in straight lines" in rebuilt.sentence
    with pytest.raises(InputError, match="“made” was measured up to 350 mm from its centre .* whole span of 600 mm"):
        rebuild(measured, whole_span_m=0.6)
    pointed = made(template, Wing(chord=straight(0.28, 0.02)), np.linspace(-0.26, 0.31, 9))
    with pytest.raises(InputError, match="chord of “made” comes to nothing before the tip of a span of 1600 mm"):
        rebuild(pointed, whole_span_m=1.6)


def test_a_long_stretch_of_failed_cuts_is_not_measured(template: MeasuredElement) -> None:
    lost = (Y > 0.1) & (Y < 0.35)
    measured = replace(made(template, TAPERED, Y[~lost]), skipped=tuple((float(y), "torn") for y in Y[lost]))
    rebuilt = rebuild(measured)
    step = (Y[1] - Y[0]) / 0.6
    # Half-way between the cuts that failed, at 187 mm and 280 mm, and their neighbours.
    assert rebuilt.covered == ((-1.0, pytest.approx(1.5 * step)), (pytest.approx(3.5 * step), 1.0))
    assert rebuilt.is_completed(np.array([-0.4, 0.4])).tolist() == [False, True]
    assert rebuilt.parts == pytest.approx((1.0 - step, step, 0.0))
    alone = replace(made(template, TAPERED, Y[Y != Y[8]]), skipped=((float(Y[8]), "dirt"),))
    assert rebuild(alone).covered == ((-1.0, 1.0),)


def test_where_the_centre_is(template: MeasuredElement) -> None:
    aside = np.linspace(-0.36, 0.56, 11)
    # Alike about y = 0.1: mounted off centre and whole. Alike about y = 0: torn.
    whole = rebuild(made(template, replace(TAPERED, centre=0.1, half_span=0.5), aside))
    assert (whole.element.leading_edge[1], whole.element.span_m) == (pytest.approx(0.1), pytest.approx(1.0))
    assert "mounted off centre at y = 100 mm" in whole.sentence
    torn = rebuild(made(template, TAPERED, aside))
    assert (torn.element.leading_edge[1], torn.element.span_m) == (0.0, pytest.approx(1.2))
    assert "alike left and right" in torn.sentence
    # A plain rectangular one tells nothing but by a ragged end.
    plain = made(template, Wing(), aside)
    assert rebuild(plain).element.leading_edge[1] == pytest.approx(0.1)
    ragged = replace(plain, skipped=((-0.45, "torn"),))
    assert rebuild(ragged).element.span_m == pytest.approx(1.2)
    assert "its shorter end is torn" in rebuild(ragged).sentence
    scraps = replace(plain.sections[0], fit=replace(plain.sections[0].fit, missing=0.4))
    assert rebuild(replace(plain, sections=(scraps, *plain.sections[1:]))).element.leading_edge[1] == 0.0
    # The caller knows better.
    told = rebuild(plain, centre_y=-0.05)
    assert (told.element.leading_edge[1], told.element.span_m) == (-0.05, pytest.approx(1.3))
    for bad in ({"centre_y": math.nan}, {"whole_span_m": math.inf}, {"tolerance_m": 0.0}):
        with pytest.raises(InputError, match="“made” is"):
            rebuild(plain, **bad)


# -- end plates ----------------------------------------------------------------------------------


def scanned_plate(lower: Floats, upper: Floats, noise: float) -> Floats:
    """(n, 2) m: points over the plate between two edges (aft, up), every 2 mm or so and along its rim."""
    rng = np.random.default_rng(2)
    aft = rng.uniform(lower[0, 0], lower[-1, 0], 12000)
    low, high = np.interp(aft, *lower.T), np.interp(aft, *upper.T)
    inside = np.column_stack([aft, low + rng.random(len(aft)) * (high - low)])
    ring = np.concatenate([lower, upper[::-1], lower[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    along = np.arange(0.0, run[-1], 1e-3)
    rim = np.column_stack([np.interp(along, run, ring[:, k]) for k in (0, 1)])
    points = np.concatenate([inside, rim])
    return points + rng.normal(0.0, noise, points.shape)


def from_edges(points: Floats, ring: Floats) -> Floats:
    """Distances of points (n, 2) from a closed outline (m, 2), by libigl."""
    flat = [np.column_stack([p, np.zeros(len(p))]) for p in (points, ring)]
    sides = np.column_stack([np.arange(len(ring)), np.roll(np.arange(len(ring)), -1)]).astype(np.int64)
    return np.sqrt(igl.point_mesh_squared_distance(flat[0], flat[1], sides)[0])


def with_plate(template: MeasuredElement, points: Floats, tilt: float) -> EndPlate:
    """The plate of an element whose tip stands at the origin of ``points``, its chord line turned by ``tilt``."""
    wing = Wing(incidence=straight(tilt, tilt), chord=straight(0.26, 0.26))
    c, s = math.cos(tilt), math.sin(tilt)
    nose = np.array([-0.4 + 0.25 * 0.26 * c, 1.1 + 0.25 * 0.26 * s])
    run = points @ np.array([[-c, -s], [-s, c]])
    plate = TipPlate(points=nose + run, inner_y=0.6, outer_y=0.604)
    found = rebuild(made(template, wing, Y, low_y=-0.6, high_y=0.6, tip_plate=plate)).element
    check_element(found)
    assert found.end_plate is not None
    return found.end_plate


def rounded_rectangle(low: Floats, high: Floats, radius: float) -> tuple[Floats, Floats]:
    turn = np.linspace(0.0, 0.5 * np.pi, 20)
    aft = np.concatenate([low[0] + radius * (1.0 - np.cos(turn)), high[0] - radius * (1.0 - np.cos(turn[::-1]))])
    drop = radius * (1.0 - np.concatenate([np.sin(turn), np.sin(turn[::-1])]))
    return np.column_stack([aft, low[1] + drop]), np.column_stack([aft, high[1] - drop])


LOW, HIGH = np.array([-0.02, -0.12]), np.array([0.29, 0.05])
# The plain plate's corners have 0.15 of its shorter side, 170 mm.
FORMS = {
    "plain": (*rounded_rectangle(LOW, HIGH, 0.0255), None),
    "sharp rectangle": (np.array([LOW, [0.29, -0.12]]), np.array([[-0.02, 0.05], HIGH]), 4),
    "cut corner": (np.array([[-0.02, -0.02], [0.08, -0.12], [0.29, -0.12]]), np.array([[-0.02, 0.05], HIGH]), 5),
    "swept": (
        np.array([[-0.02, 0.01], [0.05, -0.12], [0.29, -0.06]]),
        np.array([[-0.02, 0.01], [0.04, 0.05], [0.2, 0.04], [0.29, -0.02]]),
        6,
    ),
}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("noise", [0.0, 1e-4])
def test_an_end_plate_keeps_its_outline(template: MeasuredElement, form: str, noise: float) -> None:
    lower, upper, corners = FORMS[form]
    plate = with_plate(template, scanned_plate(lower, upper, noise), -0.15)
    ring = np.concatenate([lower, upper[::-1]])
    low, high = ring.min(axis=0), ring.max(axis=0)
    found = np.array([[-plate.ahead_m, -plate.below_m], [0.26 + plate.behind_m, plate.above_m]])
    assert found == pytest.approx(np.array([low, high]), abs=1e-3)
    assert plate.thickness_m == pytest.approx(0.004)
    if corners is None:
        assert plate.outline is None
        return
    assert plate.outline is not None
    assert corners <= len(plate.outline) <= corners + 5
    mine = found[0] + plate.outline * (found[1] - found[0])
    share = np.linspace(0.0, 1.0, 50, endpoint=False)[:, None, None]
    dense = ((1.0 - share) * mine + share * np.roll(mine, -1, axis=0)).reshape(-1, 2)
    assert from_edges(dense, ring).max() < 4e-3
    assert np.percentile(from_edges(dense, ring), 90.0) < 1.5e-3
    assert from_edges(ring, mine).max() < 4e-3  # corners are cut by the width of a place
