"""NACA sections against the reports' ordinates; the nearest member against known members and an independent search."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from wingfettle.core.errors import InputError
from wingfettle.core.sections.fit import SectionFit, fit_section
from wingfettle.core.sections.naca import (
    FIVE_DIGIT_LINES,
    NEAR,
    NearestMember,
    five_digit_line,
    four_digit_line,
    naca4,
    naca5,
    nearest_naca4,
)
from wingfettle.core.sections.shape import cosine_spaced, shape_from_ordinates

Floats = NDArray[np.float64]
NOISE_M = 5e-5

# -- ordinates ------------------------------------------------------------------------------------

# NACA Report 460, 0012, % of the chord, three decimals as printed (from memory).
X_0012 = [1.25, 2.5, 5, 7.5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 95, 100]
Y_0012 = [1.894, 2.615, 3.555, 4.200, 4.683, 5.345, 5.737, 5.941, 6.002]
Y_0012 += [5.803, 5.294, 4.563, 3.664, 2.623, 1.448, 0.807, 0.126]

# NACA Reports 460 and 824, % of the chord, upper and lower (printed tables, from memory).
PRINTED = {
    (0.02, 0.4, 0.12): {1.25: (2.15, -1.65), 5: (4.13, -3.01), 10: (5.63, -3.75), 20: (7.26, -4.23), 30: (7.88, -4.12)}
    | {
        40: (7.80, -3.80),
        50: (7.24, -3.34),
        60: (6.36, -2.76),
        70: (5.18, -2.14),
        80: (3.75, -1.50),
        95: (1.14, -0.48),
    },
    (0.04, 0.4, 0.12): {1.25: (2.44, -1.43), 5: (4.73, -2.49), 10: (6.59, -2.86), 20: (8.80, -2.74), 30: (9.76, -2.26)}
    | {
        40: (9.80, -1.80),
        50: (9.19, -1.40),
        60: (8.14, -1.00),
        70: (6.69, -0.65),
        80: (4.89, -0.39),
        95: (1.47, -0.16),
    },
}


def test_the_symmetric_form_is_the_printed_one() -> None:
    upper, lower = naca4(0.0, 0.0, 0.12, 2001)
    assert np.interp(np.array(X_0012) / 100.0, *upper.T) == pytest.approx(np.array(Y_0012) / 100.0, abs=6e-6)
    assert np.array_equal(upper * [1.0, -1.0], lower)
    closed = naca4(0.0, 0.0, 0.12, 2001, closed=True)[0]
    # The closed form's polynomial, evaluated at 10, 50 and 95 % (research notes: 4.6828, 5.2862, 0.7039).
    assert np.interp([0.1, 0.5, 0.95, 1.0], *closed.T) == pytest.approx([0.046828, 0.052862, 0.007039, 0.0], abs=1e-6)


def test_closed_forms_of_the_thickness() -> None:
    # Largest thickness, its place, nose radius 1.10187 t^2, tail 0.021 t, area 0.685083 t: closed forms.
    x, y = naca4(0.0, 0.0, 0.15, 4001)[0].T
    assert 2.0 * y.max() == pytest.approx(0.15 * 0.120035 / 0.12, abs=1e-6)
    assert x[np.argmax(y)] == pytest.approx(0.29983, abs=5e-4)
    assert y[1] ** 2 / (2.0 * x[1]) == pytest.approx(1.10187 * 0.15**2, rel=2e-3)
    assert 2.0 * y[-1] == pytest.approx(0.021 * 0.15, abs=1e-12)
    assert float((np.diff(x) * (y[1:] + y[:-1])).sum()) == pytest.approx(0.685083 * 0.15, abs=1e-6)


@pytest.mark.parametrize("digits", PRINTED)
def test_cambered_sections_are_the_printed_ones(digits: tuple[float, float, float]) -> None:
    sides = naca4(*digits, 2001)
    for x, expected in PRINTED[digits].items():
        found = [100.0 * float(np.interp(x / 100.0, *side.T)) for side in sides]
        # The printed figures were drawn and differ from the formula by up to 0.02.
        assert found == pytest.approx(expected, abs=0.03)


def test_thickness_is_laid_off_square_to_the_mean_line() -> None:
    # Exact points of 2412 and 4412 at parameters 0.1, 0.4 and 0.7 (research notes, worked out there).
    for camber, at, up, low in (
        (0.02, 0.1, (0.0964978, 0.0554466), (0.1035022, -0.0379466)),
        (0.02, 0.4, (0.4, 0.0780301), (0.4, -0.0380301)),
        (0.02, 0.7, (0.7012206, 0.0516187), (0.6987794, -0.0216187)),
        (0.04, 0.1, (0.0930536, 0.0638096), (0.1069464, -0.0288096)),
        (0.04, 0.7, (0.7024372, 0.0665579), (0.6975628, -0.0065579)),
    ):
        upper, lower = naca4(camber, 0.4, 0.12, 8001)
        assert (np.interp(up[0], *upper.T), np.interp(low[0], *lower.T)) == pytest.approx((up[1], low[1]), abs=2e-7)
        # The same parameter on both sides: the middle of both points is the mean line's.
        middle = 0.5 * (upper + lower)
        assert middle[:, 1] == pytest.approx(four_digit_line(middle[:, 0], camber, 0.4)[0], abs=1e-15)
        assert 0.5 * (up[1] + low[1]) == pytest.approx(four_digit_line(np.array([at]), camber, 0.4)[0][0], abs=1e-7)


def test_a_negative_camber_is_the_section_turned_over() -> None:
    upper, lower = naca4(0.04, 0.4, 0.12)
    over = naca4(-0.04, 0.4, 0.12)
    assert over[0] == pytest.approx(lower * [1.0, -1.0], abs=1e-15)
    assert over[1] == pytest.approx(upper * [1.0, -1.0], abs=1e-15)


# NACA Reports 537 and 824: largest rise and its place, worked out from the constants; the designation says 5, 10,
# 15, 20 and 25 % for the place.
@pytest.mark.parametrize(
    ("line", "rise", "place"),
    [
        (210, 0.011134, 0.0499),
        (220, 0.015344, 0.1002),
        (230, 0.018386, 0.1499),
        (240, 0.020795, 0.1998),
        (250, 0.022626, 0.2498),
    ],
)
def test_five_digit_lines(line: int, rise: float, place: float) -> None:
    x = np.linspace(0.0, 1.0, 10001)
    mean, slope = five_digit_line(x, line)
    assert (mean.max(), x[np.argmax(mean)]) == pytest.approx((rise, place), abs=1e-4)
    assert mean.max() == pytest.approx(rise, abs=1e-6)
    # The line's slope is its derivative, and both parts meet.
    assert np.diff(mean) / np.diff(x) == pytest.approx(0.5 * (slope[1:] + slope[:-1]), abs=1e-6)
    upper, lower = naca5(line, 0.12)
    assert 0.5 * (upper + lower)[:, 1] == pytest.approx(
        five_digit_line(0.5 * (upper + lower)[:, 0], line)[0], abs=1e-15
    )
    assert set(FIVE_DIGIT_LINES) == {210, 220, 230, 240, 250}


def test_sections_that_do_not_exist() -> None:
    with pytest.raises(InputError, match="place of the camber is 0 of the chord"):
        naca4(0.02, 0.0, 0.12)
    with pytest.raises(InputError, match="thickness is 0"):
        naca4(0.02, 0.4, 0.0)
    with pytest.raises(InputError, match="no 5-digit mean line 260"):
        naca5(260, 0.12)


# -- nearest member -------------------------------------------------------------------------------


def outline(m: float, p: float, t: float, edge: float = 0.0, end: float = 1.0) -> Floats:
    """The contour of a 4-digit section, worked out here again, from its upper to its lower tail.

    ``edge`` widens it by a wedge; ``end`` cuts it off there.
    """
    x = end * np.linspace(0.0, 1.0, 700) ** 2
    half = 5 * t * (0.2969 * np.sqrt(x) - 0.126 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1015 * x**4) + 0.5 * edge * x
    if m:
        mean = np.where(x < p, m / p**2 * (2 * p * x - x**2), m / (1 - p) ** 2 * (1 - 2 * p + 2 * p * x - x**2))
        turn = np.arctan(np.where(x < p, 2 * m / p**2 * (p - x), 2 * m / (1 - p) ** 2 * (p - x)))
    else:
        mean, turn = np.zeros_like(x), np.zeros_like(x)
    upper = np.column_stack([x - half * np.sin(turn), mean + half * np.cos(turn)])
    lower = np.column_stack([x + half * np.sin(turn), mean - half * np.cos(turn)])
    return np.concatenate([upper[::-1], lower[1:]])


def evenly(ring: Floats, count: int) -> Floats:
    ring = np.vstack([ring, ring[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    place = np.linspace(0.0, run[-1], count, endpoint=False)
    return np.column_stack([np.interp(place, run, ring[:, k]) for k in (0, 1)])


def points_of(
    ring: Floats, rng: np.random.Generator, chord: float = 0.25, incidence: float = 0.1, gap: float | None = None
) -> Floats:
    """Noisy points, 0.6 mm apart, of a unit contour; a fifth of it missing from ``gap`` on (share)."""
    points = evenly(ring, int(2.05 * chord / 6e-4))
    if gap is not None:
        share = np.arange(len(points)) / len(points)
        points = points[(share < gap) | (share > gap + 0.2)]
    c, s = math.cos(incidence), math.sin(incidence)
    return chord * points @ np.array([[c, -s], [s, c]]) + [0.3, 1.1] + rng.normal(0.0, NOISE_M, points.shape)


@pytest.fixture(scope="module")
def any_fit() -> SectionFit:
    return fit_section(points_of(outline(0.02, 0.4, 0.12, edge=0.006), np.random.default_rng(1)))


def measured(
    some: SectionFit,
    ring: Floats,
    rng: np.random.Generator,
    chord: float = 0.25,
    incidence: float = 0.1,
    gap: float | None = None,
) -> SectionFit:
    """``some`` fit, changed to a free fit of ``ring`` whose frame is off by as much as a poor scan's."""
    points = points_of(ring, rng, chord, incidence, gap)
    nose = int(np.argmin(ring[:, 0]))
    off = rng.uniform(-1.0, 1.0, 4) * [5e-4, 5e-4, 0.003, 5e-3]
    return replace(
        some,
        shape=shape_from_ordinates(ring[nose::-1], ring[nose:]),
        leading_edge=np.array([0.3, 1.1]) + off[:2],
        chord_m=chord * (1.0 + off[3]),
        incidence_rad=incidence + off[2],
        points=points,
        deviation_m=rng.normal(0.0, NOISE_M, len(points)),
        used=np.ones(len(points), bool),
        tail_seen=True,
    )


def from_ring(points: Floats, ring: Floats) -> Floats:
    """Distances of points from a closed chain: the pieces on either side of the nearest three of its points."""
    # The base in many pieces too, or three points elsewhere may be nearer to its middle than its ends.
    ring = np.concatenate([ring, np.linspace(ring[-1], ring[0], 30)[1:-1]])
    run = np.roll(ring, -1, axis=0) - ring
    near = cKDTree(ring).query(points, 3)[1]
    pieces = np.concatenate([near, near - 1], axis=1)
    off = points[:, None] - ring[pieces]
    share = np.clip((off * run[pieces]).sum(axis=2) / (run[pieces] ** 2).sum(axis=2), 0.0, 1.0)
    return np.asarray(np.linalg.norm(off - share[..., None] * run[pieces], axis=2).min(axis=1))


def independent_rms(fit: SectionFit, digits: tuple[float, float, float], tail: str = "as drawn") -> float:
    """Least rms distance, m, of the points used from a member: chain of points, k-d tree, scipy."""
    points = fit.points[fit.used] - fit.leading_edge
    reach = float((points @ [math.cos(fit.incidence_rad), -math.sin(fit.incidence_rad)]).max())
    points = points / reach

    def away(v: Floats) -> Floats:
        edge, end = (v[4], 1.0) if tail == "own thickness" else (0.0, v[4]) if tail == "cut" else (0.0, 1.0)
        c, s = math.cos(v[2]), math.sin(v[2])
        local = (points - v[:2]) @ np.array([[c, s], [-s, c]]) * end / v[3]
        return from_ring(local, outline(*digits, edge, end)) * v[3] / end

    low, high = [-0.1, -0.1, -9.0, 0.97], [0.1, 0.1, 9.0, 1.03]
    starts: list[list[float]] = [[]]
    if tail == "own thickness":
        low, high, starts = [*low, -0.01], [*high, 0.02], [[0.002], [0.015]]
    elif tail == "cut":
        low, high, starts = [*low, 0.8], [*high, 1.0], [[0.97], [0.83]]
    found = [
        least_squares(away, [0.0, 0.0, fit.incidence_rad, 1.0, *own], bounds=(low, high), x_scale=0.01, diff_step=1e-4)
        for own in starts
    ]
    return min(float(np.sqrt(np.mean(f.fun**2))) for f in found) * reach


def signed(member: NearestMember, designation: str = "") -> tuple[float, float, float]:
    digits = designation or member.designation
    return (-1.0 if member.turned_over else 1.0) * int(digits[0]) / 100, int(digits[1]) / 10, int(digits[2:]) / 100


@settings(max_examples=40, deadline=None)
@given(
    m=st.integers(0, 6), p=st.integers(2, 6), t=st.integers(6, 18), over=st.booleans(), incidence=st.floats(-0.3, 0.3),
    gap=st.sampled_from([None, 0.08, 0.2, 0.6]), seed=st.integers(0, 1000),
)  # fmt: skip
def test_members_are_recovered(
    any_fit: SectionFit, m: int, p: int, t: int, over: bool, incidence: float, gap: float | None, seed: int
) -> None:
    ring = outline((-m if over else m) / 100, p / 10, t / 100)
    fit = measured(any_fit, ring, np.random.default_rng(seed), 0.25, incidence, gap)
    member = nearest_naca4(fit)
    true = f"{m}{p if m else 0}{t:02d}"
    assert member.near
    if member.ambiguous and member.designation != true:
        assert member.runner_up.startswith(true)
        return
    assert member.designation == true
    assert member.turned_over is (over and m > 0)
    assert member.rms_m == pytest.approx(NOISE_M, rel=0.25)
    assert member.rms_m < member.p95_m < member.max_m < 8.0 * NOISE_M
    assert member.incidence_rad == pytest.approx(incidence, abs=math.radians(0.05))
    assert member.chord_m == pytest.approx(0.25, abs=2e-3 if member.tail == "cut" else 4e-4)
    assert member.camber == pytest.approx(m / 100, abs=2e-3)
    assert member.thickness == pytest.approx(t / 100, abs=2e-3)
    if m > 1:
        assert member.place == pytest.approx(p / 10, abs=0.04)
    assert f"{true}{' turned over' if member.turned_over else ''}, 0.0" in member.sentence
    assert member.sentence.startswith("Nearest NACA 4-digit section: ")


def lens(camber: float, thickness: float) -> Floats:
    """A plate rolled to a parabola, round in front, of even thickness."""
    x = np.linspace(0.0, 1.0, 800)
    half = 0.5 * thickness * np.sqrt(1.0 - np.clip(1.0 - 2.0 * x / thickness, 0.0, 1.0) ** 2)
    mean = 4.0 * camber * x * (1.0 - x)
    return np.concatenate([np.column_stack([x, mean + half])[::-1], np.column_stack([x, mean - half])[1:]])


def half_ellipse(height: float) -> Floats:
    turn = np.linspace(0.0, np.pi, 800)
    x = cosine_spaced(800)
    return np.concatenate(
        [np.column_stack([0.5 + 0.5 * np.cos(turn), height * np.sin(turn)]), np.column_stack([x, 0.0 * x])[1:-1]]
    )


STRANGERS = {
    "23012": np.concatenate([naca5(230, 0.12, 800)[0][::-1], naca5(230, 0.12, 800)[1][1:]]),
    "rolled plate": lens(0.05, 0.02),
    "half ellipse": half_ellipse(0.1),
    "4412.5": outline(0.04, 0.4, 0.125),
}


@pytest.mark.parametrize("name", STRANGERS)
def test_strangers_are_told_apart_with_their_distance(any_fit: SectionFit, name: str) -> None:
    fit = measured(any_fit, STRANGERS[name], np.random.default_rng(2))
    member = nearest_naca4(fit)
    assert not member.near
    assert member.sentence.startswith("No 4-digit section is near: the closest, ")
    assert member.rms_m > NEAR * member.chord_m > member.scatter_m
    # The independent chain's pieces leave the curve by 0.2 µm.
    assert member.rms_m == pytest.approx(independent_rms(fit, signed(member), member.tail), abs=2e-6)
    m, p, t = signed(member)
    steps = np.vstack([np.diag([0.01, 0.1, 0.01]), -np.diag([0.01, 0.1, 0.01])])
    for other in (m, p, t) + steps:
        # Members start at 4 % of thickness.
        if 0.05 < other[1] < 0.95 and other[2] > 0.035:
            assert independent_rms(fit, tuple(other), member.tail) > member.rms_m - 2e-6
    runner_up = (math.copysign(int(member.runner_up[0]) / 100, m), *signed(member, member.runner_up[:4])[1:])
    assert independent_rms(fit, runner_up, member.tail) > member.rms_m


def test_a_trailing_edge_of_its_own_is_told(any_fit: SectionFit) -> None:
    rng = np.random.default_rng(3)
    member = nearest_naca4(measured(any_fit, outline(0.04, 0.4, 0.12, edge=0.008), rng))
    assert member.designation == "4412"
    assert member.tail == "own thickness"
    # The form's own tail is 0.021 t thick; the wedge adds to it.
    assert member.trailing_edge_m == pytest.approx(0.25 * (0.021 * 0.12 + 0.008), abs=2e-4)
    assert "with a trailing edge of its own, 2.6 mm thick" in member.sentence
    assert member.cut_m == 0.0


def test_a_cut_tail_is_told(any_fit: SectionFit) -> None:
    member = nearest_naca4(measured(any_fit, outline(-0.04, 0.4, 0.12, end=0.92), np.random.default_rng(4)))
    assert (member.designation, member.turned_over, member.tail) == ("4412", True, "cut")
    assert member.chord_m == pytest.approx(0.25, abs=1e-3)
    assert member.cut_m == pytest.approx(0.02, abs=1e-3)
    assert member.name == "NACA 4412 turned over"
    assert "mm cut off its tail" in member.sentence


def test_neighbours_that_the_noise_hides_are_named(any_fit: SectionFit) -> None:
    # 1 % camber hides its place: among 60 points with a noise of 0.3 mm 1312, 1412 and 1512 look alike at times.
    ring = outline(0.01, 0.4, 0.12)
    few = measured(any_fit, ring, np.random.default_rng(8))
    found = []
    for seed in range(20):
        noise = np.random.default_rng(seed).normal(0.0, 3e-4, few.points.shape)
        rough = replace(few, points=few.points + noise, used=np.arange(len(few.used)) % 14 < 1)
        found.append(nearest_naca4(rough))
    ambiguous = [m for m in found if m.ambiguous]
    assert 3 <= len(ambiguous) < 20
    for member in ambiguous:
        assert member.runner_up in ("1312", "1412", "1512")
        assert member.sentence.endswith(f"; {member.runner_up} fits as well within the noise.") is member.near
    # What is named without a doubt is right.
    assert all(m.designation == "1412" for m in found if not m.ambiguous)
    # All points with little noise: nothing is hidden.
    sure = nearest_naca4(few)
    assert (sure.designation, sure.ambiguous) == ("1412", False)
    assert "fits as well" not in sure.sentence


def test_the_way_from_points_through_the_free_fit() -> None:
    # With a base of 2 mm, as moulded wings have it.
    for m, t, over in ((2, 12, False), (4, 15, True), (6, 9, True)):
        ring = outline((-m if over else m) / 100, 0.4, t / 100, edge=0.006)
        member = nearest_naca4(fit_section(points_of(ring, np.random.default_rng(m), 0.3, -0.1)))
        assert (member.designation, member.turned_over, member.tail) == (f"{m}4{t:02d}", over, "own thickness")
        assert member.rms_m == pytest.approx(NOISE_M, rel=0.25)
        assert member.scatter_m == pytest.approx(NOISE_M, rel=0.5)


def test_a_tail_that_was_not_scanned_does_not_count_as_cut(any_fit: SectionFit) -> None:
    fit = measured(any_fit, outline(0.04, 0.4, 0.12), np.random.default_rng(12))
    seen = (fit.points - fit.leading_edge) @ [math.cos(0.1), -math.sin(0.1)] < 0.23
    member = nearest_naca4(replace(fit, used=seen, tail_seen=False))
    assert (member.designation, member.tail, member.cut_m) == ("4412", "as drawn", 0.0)
    # The form alone tells the chord, within a few per cent.
    assert member.chord_m == pytest.approx(0.25, rel=0.02)


def test_the_nearest_member_comes_at_once_and_leaves_the_fit_alone(any_fit: SectionFit) -> None:
    fit = measured(any_fit, outline(0.04, 0.4, 0.12), np.random.default_rng(5))
    before = fit.points.copy()
    spent = []
    for _ in range(3):
        start = time.process_time()
        nearest_naca4(fit)
        spent.append(time.process_time() - start)
    assert min(spent) < 0.15
    assert np.array_equal(fit.points, before)


def test_points_left_out_are_left_out(any_fit: SectionFit) -> None:
    fit = measured(any_fit, outline(0.04, 0.4, 0.12), np.random.default_rng(6))
    stray = replace(
        fit,
        points=np.vstack([fit.points, fit.points[:50] + 0.02]),
        used=np.concatenate([fit.used, np.zeros(50, bool)]),
        deviation_m=np.concatenate([fit.deviation_m, np.full(50, 0.02)]),
    )
    assert nearest_naca4(stray).rms_m == nearest_naca4(fit).rms_m
    with pytest.raises(InputError, match="Only 3 points"):
        nearest_naca4(replace(fit, used=np.arange(len(fit.points)) < 3))
