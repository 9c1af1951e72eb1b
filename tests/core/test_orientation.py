"""Which way a section pushes: zero-lift angles against exact integrals and exact flow, errors against sampling."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.interpolate import BPoly

from wingfettle.core.errors import InputError
from wingfettle.core.sections.fit import SectionFit, fit_section
from wingfettle.core.sections.orientation import (
    DOWN,
    LOWER,
    NEITHER,
    UNKNOWN,
    UP,
    UPPER,
    ZERO_LIFT_MODEL_RAD,
    orientation,
    orientation_of_element,
    zero_lift_angle,
)
from wingfettle.core.sections.shape import SectionShape, cosine_spaced, mean_line_basis, shape_from_ordinates

Floats = NDArray[np.float64]


def with_line(mean: Floats, x: Floats, count: int) -> SectionShape:
    weights = np.linalg.lstsq(mean_line_basis(x, count), mean, rcond=None)[0]
    return SectionShape(half_thickness=np.full(6, 0.12), mean_line=weights, trailing_edge=0.002)


def four_digit_line(x: Floats, camber: float, place: float) -> Floats:
    ahead = camber / place**2 * (2 * place * x - x**2)
    return np.where(x < place, ahead, camber / (1 - place) ** 2 * (1 - 2 * place + 2 * place * x - x**2))


def five_digit_line(x: Floats, m: float, k1: float) -> Floats:
    return k1 / 6 * np.where(x < m, x**3 - 3 * m * x**2 + m**2 * (3 - m) * x, m**3 * (1 - x))


# -- zero-lift angle ------------------------------------------------------------------------------

X = cosine_spaced(3000)[1:-1]

# Glauert's integral worked out exactly for the mean lines of NACA Reports 460 and 824 (research notes), degrees.
FOUR_DIGIT = [
    (0.02, 0.4, -2.07724), (0.04, 0.4, -4.15448), (0.06, 0.4, -6.23172),
    (0.04, 0.2, -3.59755), (0.06, 0.3, -5.75378), (0.04, 0.5, -4.58366),
]  # fmt: skip
FIVE_DIGIT = [
    (0.0580, 361.4, -0.626), (0.1260, 51.64, -0.882), (0.2025, 15.957, -1.094),
    (0.2900, 6.643, -1.292), (0.3910, 3.230, -1.483),
]  # fmt: skip


@pytest.mark.parametrize(("camber", "place", "degrees"), FOUR_DIGIT)
def test_zero_lift_of_four_digit_lines(camber: float, place: float, degrees: float) -> None:
    line = four_digit_line(X, camber, place)
    # Forty weights follow the jump of curvature at the summit; six, as in a fit, stay below a tenth of a degree
    # or so: the class blunts a summit far forward.
    assert math.degrees(zero_lift_angle(with_line(line, X, 40))) == pytest.approx(degrees, abs=0.004)
    assert math.degrees(zero_lift_angle(with_line(line, X, 6))) == pytest.approx(
        degrees, abs=0.12 if place < 0.3 else 0.05
    )


@pytest.mark.parametrize(("m", "k1", "degrees"), FIVE_DIGIT)
def test_zero_lift_of_five_digit_lines(m: float, k1: float, degrees: float) -> None:
    assert math.degrees(zero_lift_angle(with_line(five_digit_line(X, m, k1), X, 40))) == pytest.approx(
        degrees, abs=0.001
    )


def test_zero_lift_of_a_plate_and_a_parabola() -> None:
    for count in (1, 3, 6):
        shape = SectionShape(half_thickness=np.full(4, 0.1), mean_line=np.zeros(count), trailing_edge=0.0)
        assert zero_lift_angle(shape) == 0.0
        # z = 4 m x (1 - x): minus 2 m, exactly.
        assert zero_lift_angle(replace(shape, mean_line=np.full(count, 4.0 * 0.03))) == pytest.approx(-0.06, abs=1e-15)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(-0.3, 0.3), min_size=1, max_size=9))
def test_zero_lift_of_any_line_is_glauerts_integral(weights: list[float]) -> None:
    shape = SectionShape(half_thickness=np.full(4, 0.1), mean_line=np.array(weights), trailing_edge=0.0)
    # Independent: scipy's Bernstein polynomial, its derivative by the product rule, adaptive quadrature.
    curve = BPoly(np.array(weights)[:, None], [0.0, 1.0])

    def integrand(angle: float) -> float:
        x = 0.5 * (1.0 - math.cos(angle))
        slope = (1.0 - 2.0 * x) * float(curve(x)) + x * (1.0 - x) * float(curve(x, 1))
        return slope * (math.cos(angle) - 1.0)

    assert zero_lift_angle(shape) == pytest.approx(-quad(integrand, 0.0, math.pi)[0] / math.pi, abs=1e-9)
    assert zero_lift_angle(shape.turned_over()) == -zero_lift_angle(shape)


def joukowski(mu: complex) -> tuple[Floats, float]:
    """Closed outline from tail to tail in its chord frame, nose at (0, 0), and the exact zero-lift angle, rad.

    Joukowski 1910: the circle through 1 about mu under z + 1/z; no lift at minus the angle at which the circle's
    middle is seen.
    """
    radius, beta = abs(1.0 - mu), -np.angle(1.0 - mu)
    turn = np.linspace(-beta, 2.0 * np.pi - beta, 4001)
    z = mu + radius * np.exp(1j * turn)
    points = z + 1.0 / z
    points = np.column_stack([points.real, points.imag])
    tail = points[0]
    nose = points[np.argmax(np.hypot(*(points - tail).T))]
    run = tail - nose
    tilt = math.atan2(run[1], run[0])
    c, s = math.cos(tilt), math.sin(tilt)
    return (points - nose) @ np.array([[c, -s], [s, c]]) / np.hypot(*run), -float(beta) + tilt


@pytest.mark.parametrize("mu", [-0.1 + 0.1j, -0.08 + 0.05j, -0.12 - 0.08j, -0.1 + 0.0j])
def test_thin_section_theory_stays_within_its_stated_error_of_exact_flow(mu: complex) -> None:
    outline, exact = joukowski(mu)
    nose = int(np.argmin(np.hypot(*outline.T)))
    shape = shape_from_ordinates(outline[nose::-1], outline[nose:])
    assert zero_lift_angle(shape) == pytest.approx(exact, abs=ZERO_LIFT_MODEL_RAD)


def test_the_stated_error_is_that_of_the_measured_sections() -> None:
    # NACA Report 824, measured at Reynolds number 6e6 (from memory), against thin-section theory, degrees.
    measured = {"0012": (0.0, 0.0), "2412": (-2.0, -2.077), "4412": (-3.8, -4.154), "23012": (-1.4, -1.094)}
    off = np.array([a - b for a, b in measured.values()])
    cambered = math.sqrt(float((off[1:] ** 2).mean()))
    assert 0.9 * cambered < math.degrees(ZERO_LIFT_MODEL_RAD) < 1.2 * cambered


# -- verdict --------------------------------------------------------------------------------------


def outline(camber: float, thickness: float = 0.12, place: float = 0.4) -> Floats:
    """NACA 4-digit outline, tail to tail (Report 460; mean line and lay-off from memory), with a 0.6 % base."""
    x = np.linspace(0.0, 1.0, 500) ** 2
    half = 5 * thickness * (0.2969 * np.sqrt(x) - 0.126 * x - 0.3516 * x**2 + 0.2843 * x**3 - 0.1015 * x**4)
    half += 0.002 * x
    turn = np.arctan(np.gradient(four_digit_line(x, camber, place), x, edge_order=2))
    across = half[:, None] * np.column_stack([-np.sin(turn), np.cos(turn)])
    middle = np.column_stack([x, four_digit_line(x, camber, place)])
    return np.concatenate([(middle + across)[::-1], (middle - across)[1:]])


def measured(camber: float, degrees: float, seed: int = 1, chord: float = 0.25, noise: float = 5e-5) -> SectionFit:
    ring = outline(camber)
    ring = np.vstack([ring, ring[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    place = np.linspace(0.0, run[-1], int(2.05 * chord / 6e-4), endpoint=False)
    points = chord * np.column_stack([np.interp(place, run, ring[:, k]) for k in (0, 1)])
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    rng = np.random.default_rng(seed)
    return fit_section(points @ np.array([[c, -s], [s, c]]) + rng.normal(0.0, noise, points.shape))


@pytest.fixture(scope="module")
def inverted() -> SectionFit:
    """4412 turned over, leading edge 4 degrees down."""
    return measured(-0.04, -4.0)


def test_an_inverted_section_pushes_down(inverted: SectionFit) -> None:
    found = orientation(inverted)
    assert (found.verdict, found.suction_side, found.bulging_side) == (DOWN, LOWER, LOWER)
    # 4 degrees down, no lift at 4.154 up (exact integral): the frame of the mean line and the theory of its slope
    # differ from those of the outline by the thickness times the slope squared.
    assert math.degrees(found.angle_rad) == pytest.approx(-8.154, abs=0.1)
    assert math.degrees(found.zero_lift_rad) == pytest.approx(4.154, abs=0.25)
    assert found.angle_rad == pytest.approx(found.incidence_rad - found.zero_lift_rad, abs=1e-15)
    assert found.camber == pytest.approx(-0.04, abs=2e-3)
    # Reynolds number 1e5 on 0.25 m in the standard atmosphere (ISO 2533, from memory): 5.84 m/s, 21.03 km/h.
    assert found.lowest_speed_m_s == pytest.approx(5.843, abs=0.01)
    assert found.sentence == (
        f"Camber {-100 * found.camber:.1f} % towards the road, leading edge "
        f"{-math.degrees(found.incidence_rad):.1f}° down: alone in free air it pushes down at any forward speed "
        "above 22 km/h."
    )
    # What the group or the car does is not known here.
    assert not any(word in found.sentence for word in ("car", "downforce", "element"))


def test_the_mirror_image_does_the_opposite(inverted: SectionFit) -> None:
    found, other = orientation(inverted), orientation(measured(0.04, 4.0))
    assert (other.verdict, other.suction_side, other.bulging_side) == (UP, UPPER, UPPER)
    assert other.angle_rad == pytest.approx(-found.angle_rad, abs=math.radians(0.05))
    assert "away from the road, leading edge" in other.sentence
    assert "° up: alone in free air it pushes up" in other.sentence


@pytest.mark.parametrize("degrees", [-6.0, -3.0, -0.3, 0.0, 0.4, 2.5])
def test_a_section_without_camber_follows_its_incidence(degrees: float) -> None:
    found = orientation(measured(0.0, degrees, seed=4))
    assert found.bulging_side == NEITHER
    assert "so that only the incidence decides" in found.sentence
    expected = UNKNOWN if abs(degrees) < 0.6 else DOWN if degrees < 0.0 else UP
    assert found.verdict == expected
    assert found.suction_side == {UNKNOWN: NEITHER, DOWN: LOWER, UP: UPPER}[expected]
    if expected == UNKNOWN:
        assert "within its uncertainty of 0." in found.sentence
        assert "which way it pushes cannot be told" in found.sentence
        assert "forward speed" not in found.sentence


def test_near_zero_lift_nothing_is_chosen() -> None:
    # 2412 as drawn has no lift at 2.077 degrees down.
    for degrees, expected in ((-2.077, UNKNOWN), (-1.6, UNKNOWN), (-1.0, UP), (-3.2, DOWN)):
        found = orientation(measured(0.02, degrees, seed=5))
        assert found.verdict == expected
        assert found.bulging_side == UPPER
    # Camber and incidence pull apart: the third number is given.
    assert re.match(
        r"Camber (1\.9|2\.0) % away from the road \(no lift with the leading edge 2\.\d° down\), "
        r"leading edge 3\.\d° down: alone in free air it pushes down at",
        found.sentence,
    )


def test_uncertain_camber_leaves_the_incidence_to_decide(inverted: SectionFit) -> None:
    wide = inverted.covariance.copy()
    first = 4 + len(inverted.shape.half_thickness)
    lines = slice(first, first + len(inverted.shape.mean_line))
    wide[lines, lines] += 0.04 * np.eye(len(inverted.shape.mean_line))
    found = orientation(replace(inverted, covariance=wide))
    assert found.zero_lift_se_rad > 0.5 * found.zero_lift_rad
    assert found.bulging_side == NEITHER
    assert re.match(r"Camber \d\.\d % towards the road tells nothing for sure, so that only the inc", found.sentence)


def test_the_error_of_the_angle_is_that_of_samples(inverted: SectionFit) -> None:
    # Frame and mean line drawn together from a covariance with strong correlation; the angle worked out for each.
    rng = np.random.default_rng(9)
    size = len(inverted.covariance)
    mix = rng.normal(size=(size, size)) * 1e-3
    first = 4 + len(inverted.shape.half_thickness)
    last = first + len(inverted.shape.mean_line)
    mix[2, 0], mix[first:last, 0] = 5e-3, 0.01
    fit = replace(inverted, covariance=mix @ mix.T)
    found = orientation(fit)
    drawn = rng.multivariate_normal(np.zeros(size), fit.covariance, 20000)
    zero = np.array([zero_lift_angle(replace(fit.shape, mean_line=fit.shape.mean_line + d[first:last])) for d in drawn])
    assert found.zero_lift_se_rad == pytest.approx(zero.std(), rel=0.03)
    spread = (fit.incidence_rad + drawn[:, 2] - zero).std()
    assert found.angle_se_rad == pytest.approx(math.hypot(spread, ZERO_LIFT_MODEL_RAD), rel=0.03)
    # Not as if frame and mean line were independent.
    assert abs(math.hypot(drawn[:, 2].std(), zero.std()) / spread - 1.0) > 0.05


def test_errors_of_measured_sections_are_honest() -> None:
    # The same section scanned 24 times: the fits' own errors are those of the angles found.
    fits = [measured(-0.03, -5.0, seed, 0.3) for seed in range(24)]
    found = [orientation(f) for f in fits]
    own = [math.sqrt(f.angle_se_rad**2 - ZERO_LIFT_MODEL_RAD**2) for f in found]
    spread = float(np.std([f.angle_rad for f in found], ddof=1))
    # 24 samples tell a standard deviation to 15 %; a fit's errors also hold what its weights cannot meet.
    assert 0.5 * spread < float(np.mean(own)) < 4.0 * spread
    assert spread < math.radians(0.1)


# -- stations together ----------------------------------------------------------------------------


def at(fit: SectionFit, degrees: float, chord: float, scale: float = 1.0) -> SectionFit:
    return replace(fit, incidence_rad=math.radians(degrees), chord_m=chord, covariance=fit.covariance * scale**2)


def test_stations_are_weighted_by_their_chord(inverted: SectionFit) -> None:
    found = orientation_of_element([at(inverted, -2.0, 0.3), at(inverted, -5.0, 0.15)])
    assert math.degrees(found.incidence_rad) == pytest.approx(-3.0, abs=1e-3)
    assert found.stations == 2
    assert found.lowest_speed_m_s == pytest.approx(5.843 * 0.25 / 0.15, rel=2e-3)
    assert orientation_of_element([inverted]) == orientation(inverted)


def test_more_stations_do_not_make_the_theory_better(inverted: SectionFit) -> None:
    one, many = orientation(inverted), orientation_of_element([inverted] * 13)
    assert many.zero_lift_se_rad == pytest.approx(one.zero_lift_se_rad / math.sqrt(13.0))
    assert ZERO_LIFT_MODEL_RAD < many.angle_se_rad < one.angle_se_rad
    assert (many.angle_rad, many.verdict) == (pytest.approx(one.angle_rad), DOWN)


def test_a_torn_station_counts_less(inverted: SectionFit) -> None:
    torn = at(inverted, 20.0, 0.25, 1.0)
    torn = replace(torn, covariance=torn.covariance + np.eye(len(torn.covariance)) * 0.05)
    found = orientation_of_element([at(inverted, -4.0, 0.25)] * 6 + [torn])
    assert math.degrees(found.incidence_rad) == pytest.approx(-4.0, abs=0.1)
    assert found.verdict == DOWN
    # It cannot tell its own way for sure, so it is not counted against the others.
    assert found.contrary == 0


def test_sections_that_push_the_other_way_are_counted(inverted: SectionFit) -> None:
    found = orientation_of_element([at(inverted, -4.0, 0.25)] * 10 + [at(inverted, 9.0, 0.25)] * 3)
    assert (found.verdict, found.contrary, found.stations) == (DOWN, 3, 13)
    assert found.sentence.endswith("; 3 of its 13 sections push the other way.")


def test_no_station_no_verdict() -> None:
    with pytest.raises(InputError, match="No section of the element was fitted"):
        orientation_of_element([])
