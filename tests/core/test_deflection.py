"""Bending of elements, against closed forms of beams and sections.

Formulas: any handbook of stress and strain, such as Roark's (from memory, unless another source stands beside).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_bvp, trapezoid
from wing_cases import PLATE, naca, wing

from wingfettle.core.clearance.deflection import Deflection, bent, element_deflection, second_moments
from wingfettle.core.elements.element import Element, with_station
from wingfettle.core.elements.loft import loft
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh

STEEL = 210e9  # Pa, EN 1993-1-1 (from memory); any number would do
PLANK = wing(incidence_rad=0.0, shape=naca(0.12), tip_shape=naca(0.12))
L, W = PLANK.span_m, -300.0 / PLANK.span_m


def section_moment(element: Element, eta: float) -> float:
    """Solid section by scipy over strips along the chord: of z squared, less that of the centroid."""
    station = element.station(eta)

    def over(power: int) -> float:
        def strip(angle: float) -> float:
            up, low = (float(side[0]) for side in station.shape.surfaces(np.array([0.5 - 0.5 * math.cos(angle)])))
            return 0.5 * math.sin(angle) * (up ** (power + 1) - low ** (power + 1)) / (power + 1)

        return float(quad(strip, 0.0, math.pi, epsabs=1e-13, limit=200)[0])

    return station.chord_m**4 * (over(2) - over(1) ** 2 / over(0))


I_PLANK = section_moment(PLANK, 0.0)


def bend(mounts: list[float], element: Element = PLANK, force: float = -300.0) -> Deflection:
    return element_deflection(element, force, mounts, STEEL)


def at(deflection: Deflection, y: float) -> float:
    return float(np.interp(y, deflection.y_m, deflection.up_m))


def polygon(points: object) -> np.ndarray:
    return np.asarray(points, float)[None]


def ellipse(a: float, b: float, count: int = 2000) -> np.ndarray:
    turn = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    return np.column_stack([a * np.cos(turn), b * np.sin(turn)])


# -- sections ------------------------------------------------------------------------------------


def test_solid_sections() -> None:
    # b h^3 / 12 (rectangle), pi a b^3 / 4 (ellipse), b h^3 / 36 (triangle).
    flat = second_moments(polygon([[0, 0], [40, 0], [40, 5], [0, 5]]))
    assert flat == pytest.approx(416.667, rel=1e-6)  # flat 40 x 5, computed
    assert second_moments(polygon([[3, 7], [9, 7], [6, 11]])) == pytest.approx(6 * 4**3 / 36, rel=1e-12)
    assert second_moments(ellipse(0.1, 0.02)[None]) == pytest.approx(np.pi * 0.1 * 0.02**3 / 4, rel=1e-5)
    # Wound the other way, moved aside and up.
    assert second_moments(ellipse(0.1, 0.02)[None, ::-1] + [3.0, 8.0]) == pytest.approx(
        np.pi * 0.1 * 0.02**3 / 4, rel=1e-5
    )


def test_thin_walls() -> None:
    # Thin tube: pi r^3 t about its middle line. A tube of outer radius R is pi (R^4 - r^4) / 4.
    for wall in (1e-5, 5e-4):
        found = second_moments(ellipse(0.02, 0.02)[None], wall)
        assert found == pytest.approx(np.pi * (0.02 - wall / 2) ** 3 * wall, rel=wall**2 / 0.02**2 + 1e-5)
    outer, inner = 12.5, 9.5  # tube 25 x 3 mm: 12777.6 mm4, computed
    assert np.pi / 4 * (outer**4 - inner**4) == pytest.approx(12777.6, rel=1e-5)
    assert second_moments(ellipse(outer, outer)[None], 3.0) == pytest.approx(12777.6, rel=0.015)
    # Box 30 x 30 x 3 mm: (30^4 - 24^4) / 12 = 39852 mm4; the middle line misses its corners' outer halves.
    box = second_moments(polygon([[0, 0], [30, 0], [30, 30], [0, 30]]), 3.0)
    assert box == pytest.approx(39852.0, rel=0.01)
    assert box < 39852.0
    # A flat sandwich, which bends about its long side only: (b h^3 - b (h - 2 t)^3) / 12.
    skins = second_moments(polygon([[0, 0], [1e5, 0], [1e5, 12], [0, 12]]), 4.0)
    assert skins == pytest.approx(1e5 * (12**3 - 4**3) / 12, rel=1e-3)


def test_a_wall_is_never_stiffer_than_the_solid() -> None:
    for wall in (0.001, 0.005, 0.019, 0.3):
        assert second_moments(ellipse(0.1, 0.02)[None], wall) <= second_moments(ellipse(0.1, 0.02)[None])
    assert second_moments(ellipse(0.1, 0.02)[None], 0.3) == second_moments(ellipse(0.1, 0.02)[None])


# -- beams ---------------------------------------------------------------------------------------


def test_one_mount_clamps_two_cantilevers() -> None:
    # w L^4 / 8 E I at each tip, L half the span; w x^2 (6 L^2 - 4 L x + x^2) / 24 E I on the way.
    found, half = bend([0.0]), L / 2
    assert found.up_m[[0, -1]] == pytest.approx(W * half**4 / (8 * STEEL * I_PLANK), rel=2e-4)
    x = np.abs(found.y_m)
    line = W * x**2 * (6 * half**2 - 4 * half * x + x**2) / (24 * STEEL * I_PLANK)
    assert found.up_m == pytest.approx(line, rel=2e-4, abs=1e-12)
    assert found.largest_m == pytest.approx(-found.up_m[0], rel=1e-9)
    # Clamped at one tip, the whole span hangs out.
    assert at(bend([-L / 2]), L / 2) == pytest.approx(W * L**4 / (8 * STEEL * I_PLANK), rel=2e-4)


def test_mounts_at_the_tips() -> None:
    # 5 w L^4 / 384 E I at mid-span.
    found = bend([-L / 2, L / 2])
    assert at(found, 0.0) == pytest.approx(5 * W * L**4 / (384 * STEEL * I_PLANK), rel=2e-4)
    assert found.up_m[[0, -1]] == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize("share", [0.15, 0.3, 0.45, 0.8])
def test_mounts_that_the_element_overhangs(share: float) -> None:
    # Overhangs a, s between the supports: w s^2 (5 s^2 - 24 a^2) / 384 E I in the middle,
    # w a (3 a^3 + 6 a^2 s - s^3) / 24 E I at the tips.
    s, a = share * L, 0.5 * (1 - share) * L
    found = bend([s / 2, -s / 2])
    middle = W * s**2 * (5 * s**2 - 24 * a**2) / (384 * STEEL * I_PLANK)
    tip = W * a * (3 * a**3 + 6 * a**2 * s - s**3) / (24 * STEEL * I_PLANK)
    size = max(abs(middle), abs(tip))
    assert at(found, 0.0) == pytest.approx(middle, abs=2e-4 * size)
    assert found.up_m[[0, -1]] == pytest.approx(tip, abs=2e-4 * size)
    for y in (-s / 2, s / 2):
        assert at(found, y) == pytest.approx(0.0, abs=1e-12)


def test_three_mounts() -> None:
    # Two equal spans s: as a propped cantilever each, w x (s^3 - 3 s x^2 + 2 x^3) / 48 E I from the outer end.
    found, s = bend([-L / 2, 0.0, L / 2]), L / 2
    x = L / 2 - np.abs(found.y_m)
    line = W * x * (s**3 - 3 * s * x**2 + 2 * x**3) / (48 * STEEL * I_PLANK)
    assert found.up_m == pytest.approx(line, abs=3e-4 * np.abs(line).max())


TAPERED = wing(
    taper=0.45, twist_rad=0.1, dihedral_rad=0.05, shape=naca(0.12, -0.04), tip_shape=naca(0.08, 0.02), span_m=1.5
)


def test_tapered_cantilever_against_scipy() -> None:
    # Moment from the load outboard, then curvature M / E I twice over, by scipy's boundary-value solver.
    element, half = TAPERED, 0.75
    chord = lambda y: 0.24 * (1.0 - 0.55 * y / half)  # noqa: E731
    w0 = -200.0 / (2 * quad(chord, 0.0, half)[0])
    place = np.linspace(0.0, half, 41)
    curve = np.array(
        [
            quad(lambda s, y=y: w0 * chord(s) * (s - y), y, half)[0] / (STEEL * section_moment(element, y / half))
            for y in place
        ]
    )
    fit = np.polynomial.Polynomial.fit(place, curve, 10)
    solved = solve_bvp(
        lambda y, v: np.vstack([v[1], fit(y)]), lambda a, _b: a, place, np.zeros((2, len(place))), tol=1e-9
    )
    found = element_deflection(element, -200.0, [0.0], STEEL)
    y = found.y_m[found.y_m >= 0.0]
    judge = solved.sol(y)[0]
    assert found.up_m[found.y_m >= 0.0] == pytest.approx(judge, abs=3e-4 * np.abs(judge).max())
    assert found.up_m == pytest.approx(found.up_m[::-1], rel=1e-9, abs=1e-15)


def test_skin_of_the_call_goes_before_the_elements_own() -> None:
    hollow = wing(skin_m=0.002)
    own = element_deflection(hollow, -200.0, [-0.4, 0.4], STEEL)
    asked = element_deflection(wing(), -200.0, [-0.4, 0.4], STEEL, 0.002)
    assert own.up_m == pytest.approx(asked.up_m, rel=1e-12)
    thinner = element_deflection(hollow, -200.0, [-0.4, 0.4], STEEL, 0.001)
    solid = element_deflection(wing(), -200.0, [-0.4, 0.4], STEEL)
    assert thinner.largest_m > 1.5 * own.largest_m > 1.5 * solid.largest_m
    assert "skin of 1.0 mm" in thinner.sentence


def test_a_skin_of_a_section_against_its_cavity() -> None:
    # Wall = outer less cavity: the cavity of the loft, cut by its own points at mid-span, integrated by strips.
    skin = 0.0015
    solid, hollow = wing(incidence_rad=0.0), wing(incidence_rad=0.0, skin_m=skin)
    mesh = loft(hollow, 48, 8)
    outer = len(loft(solid, 48, 8).points)
    cavity = mesh.points[outer:]
    ring = cavity[np.abs(cavity[:, 1]) < 1e-9][:, [0, 2]]
    x = ring[:, 0] - solid.leading_edge[0]
    z = ring[:, 1] - solid.leading_edge[2]
    k = len(ring) // 2
    up, low = np.column_stack([-x, z])[: k + 1], np.column_stack([-x, z])[k:]
    up = up[np.argsort(up[:, 0])]
    low = np.vstack([low, [-x[0], z[0]]])
    low = low[np.argsort(low[:, 0])]

    def moments(places: np.ndarray, top: np.ndarray, bottom: np.ndarray) -> np.ndarray:
        return np.array([trapezoid((top**n - bottom**n) / n, places) for n in (1, 2, 3)])

    fine = 0.24 * (0.5 - 0.5 * np.cos(np.linspace(0, np.pi, 4001)))
    sides = solid.station(0.0).shape.surfaces(fine / 0.24)
    inner = np.linspace(up[0, 0], up[-1, 0], 4001)
    area, first, second = moments(fine, 0.24 * sides[0], 0.24 * sides[1]) - moments(
        inner, np.interp(inner, *up.T), np.interp(inner, *low.T)
    )
    wall = second - first**2 / area
    plank = element_deflection(solid, -100.0, [0.0], STEEL, skin)
    assert -100.0 / L * (L / 2) ** 4 / (8 * STEEL * plank.up_m[0]) == pytest.approx(wall, rel=0.01)


@settings(max_examples=15, deadline=None)
@given(
    force=st.floats(-2000, 2000),
    factor=st.floats(0.1, 10.0),
    mounts=st.lists(st.floats(-0.64, 0.64), min_size=1, max_size=4),
)
def test_linear_in_load_and_flexibility(force: float, factor: float, mounts: list[float]) -> None:
    base = element_deflection(TAPERED, 1000.0, mounts, STEEL)
    other = element_deflection(TAPERED, force, mounts, STEEL * factor)
    assert other.up_m == pytest.approx(base.up_m * force / 1000.0 / factor, rel=1e-6, abs=1e-9 * base.largest_m)
    assert other.largest_m == np.abs(other.up_m).max()
    for y in mounts:
        assert at(base, y) == pytest.approx(0.0, abs=1e-3 * base.largest_m)
    assert (np.diff(base.y_m) > 0).all()


def test_off_the_centre_plane_and_with_stations_it_bends_alike() -> None:
    moved = wing(leading_edge=np.array([-3.9, 0.3, 1.2]))
    found, base = (element_deflection(e, 100.0, m, STEEL) for e, m in ((moved, [0.0, 0.6]), (wing(), [-0.3, 0.3])))
    assert found.y_m == pytest.approx(base.y_m + 0.3)
    assert found.up_m == pytest.approx(base.up_m, rel=1e-9, abs=1e-15)
    split = element_deflection(with_station(with_station(TAPERED, 0.313), 0.77), 100.0, [-0.3, 0.3], STEEL)
    whole = element_deflection(TAPERED, 100.0, [-0.3, 0.3], STEEL)
    assert np.interp(whole.y_m, split.y_m, split.up_m) == pytest.approx(whole.up_m, abs=2e-3 * whole.largest_m)


def test_mounts_at_one_place_are_one() -> None:
    assert bend([0.0, 1e-5]).up_m == pytest.approx(bend([0.0]).up_m)


def test_bent_follows_the_line_and_is_held_beyond_the_ends() -> None:
    line = Deflection(np.array([-1.0, 0.0, 1.0]), np.array([0.2, 0.0, 0.1]), 0.2, "")
    points = np.array([[0, -3, 0], [1, -0.5, 2], [0, 0, 0], [4, 0.5, 1], [0, 9.0, 0]], float)
    mesh = TriMesh(points, np.array([[0, 1, 2], [2, 3, 4]], np.int32))
    assert bent(mesh, line).points - points == pytest.approx(
        np.column_stack([np.zeros((5, 2)), [0.2, 0.1, 0.0, 0.05, 0.1]])
    )
    assert bent(mesh, line, -0.5).points[:, 2] - points[:, 2] == pytest.approx([-0.1, -0.05, 0.0, -0.025, -0.05])
    assert bent(mesh, line).triangles is mesh.triangles
    assert mesh.points is points
    assert points[0, 2] == 0.0


def test_the_sentence_says_what_it_is_worth() -> None:
    sentence = element_deflection(wing(end_plate=PLATE), -300.0, [-0.3, 0.3], 7e9).sentence
    for word in (
        "300 N down", "size class, no proof; have a licensed engineer check", "isotropic", "do not give", "no twist",
        "no shear", "stiff brackets", "2 mounts", "7 GPa", "solid",
    ):  # fmt: skip
        assert word in sentence
    assert "one mount that clamps it" in bend([0.1]).sentence


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"mounts_y_m": []}, "no mount"),
        ({"mounts_y_m": [0.0, 0.7]}, "a mount at 700 mm"),
        ({"mounts_y_m": [math.nan]}, "does not hold it"),
        ({"force_n": math.inf}, "a force that is not a number"),
        ({"youngs_pa": 0.0}, "Young's modulus"),
        ({"youngs_pa": math.nan}, "Young's modulus"),
        ({"skin_m": -0.001}, "skin of -1 mm"),
        ({"element": wing(span_m=-1.0)}, "span of -1"),
    ],
)
def test_bad_input_is_refused(change: dict[str, object], words: str) -> None:
    good: dict[str, object] = {"element": PLANK, "force_n": 1.0, "mounts_y_m": [0.0], "youngs_pa": STEEL}
    with pytest.raises(InputError, match=words):
        element_deflection(**{**good, **change})  # type: ignore[arg-type]


def test_more_than_small_deflections_is_told() -> None:
    # Deflection rises in proportion to load (same handbooks), so a load is set for a little less and more than 10 %.
    whole = bend([0.0]).largest_m
    for share, told in ((0.099, False), (0.101, True), (0.5, True)):
        found = bend([0.0], force=-300.0 * share * L / whole)
        assert found.largest_m == pytest.approx(share * L, rel=1e-9)
        assert ("of its span" in found.sentence) == told
    assert "That is 50 % of its span" in found.sentence
    assert "beyond 10 %" in found.sentence
