"""The lattice against exact plane flow, lifting-line and slender-wing theory."""

import math

import numpy as np
import pytest
from lift_cases import FLAT, coefficients, four_digit, solved, wing

from wingfettle.core.elements.element import EndPlate
from wingfettle.core.lift.lattice import Lattice, bracket_sheet, forces, ring_strengths, sheets_of

DEGREE = math.radians(1.0)


@pytest.mark.parametrize(
    ("gap", "front"),
    # Share of two collinear flat plates, exact (conformal map), over that of one plate; the rear one has 2 less it.
    [(0.05, 1.57225), (0.1, 1.53033), (0.25, 1.44407), (0.5, 1.35593), (1.0, 1.25866), (2.0, 1.16908), (5.0, 1.08363)],
)
def test_tandem_plates(gap, front):
    reach = 1.0 + gap
    ahead = wing("front", span=2000.0)
    aft = wing("rear", span=2000.0, at=(-reach * math.cos(DEGREE), 0.0, 1000.0 - reach * math.sin(DEGREE)))
    _, strength, _ = solved([ahead, aft], columns=10)
    middle = np.abs(strength.reshape(2, 8, 10)[:, -1, 5]) / (math.pi * math.sin(DEGREE))
    assert middle == pytest.approx([front, 2.0 - front], abs=0.005)


@pytest.mark.parametrize("camber", [0.02, 0.04])
def test_zero_lift_angle_of_a_long_wing(camber):
    # Thin-section theory, exact integral: -103.862 degrees times the camber for its place at 0.4.
    shape = four_digit(camber, 0.4, 0.12)
    low, high = (coefficients(wing(span=500.0, degrees=d, shape=shape), columns=10)[0] for d in (-5.0, 0.0))
    assert -5.0 - low * 5.0 / (high - low) == pytest.approx(-103.862 * camber, abs=0.05)


@pytest.mark.parametrize(
    ("aspect", "lifting_line"),
    # Glauert 1926, rectangular wing, 400 odd terms.
    [(6, 4.5304), (8, 4.8377), (12, 5.1991)],
)
def test_slope_of_rectangular_wings(aspect, lifting_line):
    # A lifting surface lies below the lifting line, by less the longer the wing.
    slope = coefficients(wing(span=float(aspect)))[0] / DEGREE
    assert 0.92 < slope / lifting_line < 0.98


@pytest.mark.parametrize("aspect", [1.0, 2.0, 3.0])
def test_slope_of_short_wings(aspect):
    # Helmbold 1942, from memory: elliptic loading, so rectangular wings lie a few percent below.
    slope = coefficients(wing(span=aspect))[0] / DEGREE
    assert 0.92 < slope / (2 * math.pi * aspect / (2 + math.hypot(aspect, 2))) < 1.0


@pytest.mark.parametrize("aspect", [0.25, 0.5])
def test_slope_of_slender_wings(aspect):
    # Jones, NACA Report 835: pi / 2 times the aspect ratio (from memory).
    assert coefficients(wing(span=aspect))[0] / DEGREE == pytest.approx(math.pi * aspect / 2, rel=0.03)


def test_induced_drag_of_a_rectangular_wing():
    # Glauert 1926: CDi = CL^2 / (pi AR) (1 + 0.0676) at aspect ratio 8; the near-field sum falls short of it
    # and closes in as the lattice is refined.
    factors = []
    for rows, columns in ((4, 14), (8, 28), (12, 56)):
        lift, drag = coefficients(wing(span=8.0), rows=rows, columns=columns)
        factors.append(drag * math.pi * 8.0 / lift**2)
    assert factors[0] < factors[1] < factors[2] < 1.0676
    assert factors[2] == pytest.approx(1.0676, rel=0.07)


@pytest.mark.parametrize(
    ("gap", "factor"),
    # Prandtl's two-wing factor (NACA TN-182), computed for elliptic loads.
    [(0.1, 0.6565), (0.2, 0.4842), (0.5, 0.2322)],
)
def test_two_wings_share_induced_drag(gap, factor):
    lift, drag = coefficients(wing(span=8.0))
    _, _, force = solved([wing("low", span=8.0), wing("high", span=8.0, at=(0.0, 0.0, 1000.0 + 8.0 * gap))])
    both = -force[:, 0].sum() / force[:, 2].sum() ** 2
    assert 2.0 * both / (0.25 * drag / lift**2) - 1.0 == pytest.approx(factor, abs=0.02)


@pytest.mark.parametrize(
    ("height", "kept"),
    # One less Prandtl's factor for the image (exact for elliptic loads).
    [(0.1, 0.5158), (0.25, 0.7678), (0.5, 0.9065)],
)
def test_road_cuts_induced_drag(height, kept):
    lift, drag = coefficients(wing(span=8.0))
    low_lift, low_drag = coefficients(wing(span=8.0, at=(0.0, 0.0, 8.0 * height)), road=True)
    assert (low_drag / low_lift**2) / (drag / lift**2) == pytest.approx(kept, abs=0.01)
    assert low_lift > lift


def test_road_raises_lift_as_the_lumped_vortex_does():
    # Lumped vortex and image: lift over that in free air 1 + 1 / (4 h / c)^2 (plane flow), h at mid-chord.
    free = coefficients(wing(span=500.0), columns=10)[0]
    near = coefficients(wing(span=500.0, at=(0.0, 0.0, 1.0)), columns=10, road=True)[0]
    assert near / free == pytest.approx(1.0625, abs=0.03)


def test_end_plates_act_as_a_longer_wing():
    # Hoerner, "Fluid-Dynamic Drag", from memory: effective aspect ratio AR (1 + 1.9 h / b).
    plain = coefficients(wing(span=4.0))
    last = plain[0]
    for height in (0.2, 0.4, 0.8):
        plate = EndPlate(height / 2, height / 2, 0.0, 0.0, 0.003)
        lift, drag = coefficients(wing(span=4.0, plate=plate))
        assert lift > last
        last = lift
        gain = (plain[1] / plain[0] ** 2) / (drag / lift**2)
        assert gain == pytest.approx(1.0 + 1.9 * height / 4.0, rel=0.12)


def test_outline_of_an_end_plate_counts():
    # A box drawn as an outline is the plain plate with its rounded corners left square; a triangle that is as high as
    # it behind, where the wake leaves, and half as large lies between the box and no plate.
    box = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    wedge = np.array([[0.0, 0.5], [1.0, 0.0], [1.0, 1.0]])
    rounded, square, sharp = (
        coefficients(wing(span=4.0, plate=EndPlate(0.3, 0.3, 0.0, 0.0, 0.003, form))) for form in (None, box, wedge)
    )
    bare = coefficients(wing(span=4.0))
    assert square == pytest.approx(rounded, rel=0.01)
    assert bare[0] < sharp[0] < 0.99 * square[0]


def test_nodes_lie_inside_the_outline():
    # A plate below and ahead only, its lower edge rising aft from 0.3 to 0.1 under the chord line.
    form = np.array([[0.0, 0.0], [1.0, 2.0 / 3.0], [1.0, 1.0], [0.0, 1.0]])
    element = wing(span=4.0, degrees=0.0, plate=EndPlate(0.0, 0.3, 0.2, 0.0, 0.003, form))
    plates = [s for s in sheets_of(element, 0) if s.plate]
    assert len(plates) == 2
    for s in plates:
        x, _, z = s.nodes.reshape(-1, 3).T
        assert x.max() == pytest.approx(0.2, abs=1e-9)
        assert z.max() == pytest.approx(1000.0, abs=1e-9)
        lower = -0.3 + 0.2 * (0.2 - x) / 1.2
        assert np.all(z - 1000.0 >= np.minimum(lower, -0.3 + 0.2 * 0.95) - 1e-6)
        assert (z - 1000.0).min() < -0.27


@pytest.mark.parametrize("lean", [0.0, 0.3])
def test_upright_plate_in_a_side_wind(lean):
    # A plate is a wing on edge: Helmbold's slope for aspect ratio 2, from memory, lies a few percent high.
    outline = np.array([[0.5, 0.0, -1.0], [-0.5, 0.0, -1.0], [-0.5, 0.0, 1.0], [0.5, 0.0, 1.0]])
    turn = np.array([[1, 0, 0], [0, math.cos(lean), math.sin(lean)], [0, -math.sin(lean), math.cos(lean)]])
    lattice = Lattice([bracket_sheet(outline @ turn + [0.0, 0.0, 50.0], 0)])
    side = np.array([0.0, math.cos(lean), math.sin(lean)])
    wind = np.array([-1.0, 0.0, 0.0]) + DEGREE * side
    still = np.tile(wind[:, None], (1, len(lattice.owner)))
    at_controls = lattice.velocity(lattice.controls, lattice.owner, road=False)
    strength = ring_strengths(lattice, lattice.normals, at_controls, still)
    there = lattice.velocity(lattice.bound_middle, lattice.bound_owner, road=False) @ strength + wind[:, None]
    force = forces(lattice, strength, there, 1.0).sum(axis=0)
    slope = 2.0 * force @ side / (2.0 * DEGREE)
    assert 0.9 < slope / 2.6026 < 1.0
    assert abs(np.cross(force, side)[0]) < 0.01 * abs(force @ side)


def test_through_is_velocity_along_normals():
    # Two ways of summing the same rings, at places well off the sheets, with road and mirrored halves.
    element = wing(chord=0.3, span=1.2, at=(0.0, 0.0, 1.1), degrees=4.0, plate=EndPlate(0.1, 0.1, 0.02, 0.02, 0.003))
    lattice = Lattice(sheets_of(element, 0))
    rng = np.random.default_rng(4)
    at = rng.uniform(-3.0, 3.0, (200, 3)) * [1.0, 1.0, 0.2] + [0.0, 0.0, 2.0]
    normals = rng.normal(size=(200, 3))
    expected = np.einsum("mi,imn->mn", normals, lattice.velocity(at))
    assert lattice.through(at, normals) == pytest.approx(expected, abs=1e-11)


def test_tall_end_plates_approach_plane_flow():
    # The limit of endless plates is the plane flow's 2 pi; without plates this wing has 1.46.
    slopes = []
    for reach in (0.25, 0.5, 1.0, 2.0, 4.0):
        plate = EndPlate(reach, reach, reach, reach, 0.003)
        slopes.append(coefficients(wing(span=1.0, plate=plate))[0] / DEGREE)
    assert np.all(np.diff([coefficients(wing(span=1.0))[0] / DEGREE, *slopes]) > 0.0)
    assert 0.65 * 2 * math.pi < slopes[-1] < 2 * math.pi


def test_turned_over_wing_has_opposite_lift_exactly():
    shape = four_digit(0.04, 0.4, 0.12)
    up = coefficients(wing(degrees=3.0, shape=shape))
    down = coefficients(wing(degrees=-3.0, shape=shape.turned_over()))
    assert down[0] == pytest.approx(-up[0], rel=1e-9)
    assert down[1] == pytest.approx(up[1], rel=1e-9)


def test_left_and_right_are_alike():
    lattice, _, force = solved([wing(shape=four_digit(0.04, 0.4, 0.12))])
    middle = lattice.bound_middle
    assert np.sum(force[:, 2] * middle[:, 1]) == pytest.approx(0.0, abs=1e-9 * force[:, 2].sum())
    assert force[:, 1].sum() == pytest.approx(0.0, abs=1e-9)


def test_plate_between_two_equal_wings_changes_nothing_suddenly():
    # Both plates lie in one plane and cross: a hair's shift must not shake the answer.
    plate = EndPlate(0.5, 0.5, 0.1, 0.1, 0.003)
    lifts = []
    for shift in (0.0, 1e-4, 1e-3):
        high = wing("high", span=4.0, at=(-0.2 - shift, 0.0, 1000.4 + shift), plate=plate)
        _, _, force = solved([wing("low", span=4.0, plate=plate), high])
        lifts.append(force[:, 2].sum())
    alone = coefficients(wing(span=4.0, plate=plate))[0] * 4.0 / 2.0
    assert lifts == pytest.approx([lifts[0]] * 3, rel=0.03)
    assert alone < lifts[0] < 2.0 * alone


def test_fine_lattice_agrees():
    coarse, fine = (coefficients(wing(span=5.0, shape=FLAT), rows=r, columns=c)[0] for r, c in ((8, 28), (16, 56)))
    assert coarse == pytest.approx(fine, rel=0.002)
