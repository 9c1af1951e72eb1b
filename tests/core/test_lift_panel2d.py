"""The section method against exact conformal solutions, thin-section theory and measured sections."""

import math

import numpy as np
import pytest
import trimesh
from lift_cases import four_digit

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.lift.panel2d import (
    FLOOR_M,
    Body,
    PlaneSystem,
    body_contour,
    body_of,
    lift_slope,
    solve,
    zero_lift_angle,
)
from wingfettle.core.sections.shape import SectionShape, cosine_spaced


def conformal(centre: complex, power: float, count: int):
    """Contour, and speed-squared and lift functions of the incidence, of a circle through 1 mapped to a section.

    Joukowski (1910) for a power of 2, von Karman and Trefftz (1918) below: Z = n (1 + q) / (1 - q),
    q = ((z - 1) / (z + 1)) ** n. Circle flow: Milne-Thomson, "Theoretical Aerodynamics", chapters 6 and 7.
    """
    radius, tail = abs(1 - centre), -np.angle(1 - centre)
    z = centre + radius * np.exp(1j * np.linspace(-tail, 2 * np.pi - tail, count))
    z[0] = z[-1] = 1.0
    q = ((z - 1) / (z + 1)) ** power
    mapped = power * (1 + q) / (1 - q)

    def pressure(alpha):
        circulation = 2j * radius * np.sin(alpha + tail)
        speed = np.exp(-1j * alpha) - radius**2 * np.exp(1j * alpha) / (z - centre) ** 2 + circulation / (z - centre)
        with np.errstate(invalid="ignore", divide="ignore"):
            stretch = 4 * power**2 * (q / (z**2 - 1)) / (1 - q) ** 2
            return 1 - np.abs(speed / stretch) ** 2

    return mapped, pressure, lambda alpha: 8 * np.pi * radius * np.sin(alpha + tail)


@pytest.mark.parametrize("degrees", [0.0, 5.0, 10.0])
@pytest.mark.parametrize("centre", [-0.1, -0.1 + 0.1j])
@pytest.mark.parametrize("tail_degrees", [0.0, 10.0, 20.0])
def test_conformal_section(centre, tail_degrees, degrees):
    mapped, pressure, lift = conformal(centre, 2 - tail_degrees / 180, 201)
    alpha = math.radians(degrees)
    flow = solve([np.column_stack([mapped.real, mapped.imag])], alpha)[0]
    exact = pressure(alpha)[3:-3]  # the formula divides zero by zero at the edge itself
    assert np.abs(flow.pressure[3:-3] - exact).max() < 0.01 * np.ptp(exact)
    chord = np.ptp(mapped.real)
    assert flow.lift / chord == pytest.approx(lift(alpha) / chord, abs=0.005 * max(0.6, lift(alpha) / chord))
    assert abs(flow.drag / chord) < 0.001  # d'Alembert


def test_printed_joukowski_values():
    # Worked out apart from this code (Joukowski 1910): chord 4.033604, cl 1.218072 at 5 degrees.
    mapped, _, _ = conformal(-0.1 + 0.1j, 2.0, 301)
    assert np.ptp(mapped.real) == pytest.approx(4.033604, abs=2e-4)
    flow = solve([np.column_stack([mapped.real, mapped.imag])], math.radians(5))[0]
    assert flow.lift / 4.033604 == pytest.approx(1.218072, rel=0.001)


def test_observed_order_is_two():
    mapped = [conformal(-0.1 + 0.1j, 2.0, n) for n in (51, 101, 201)]
    error = [solve([np.column_stack([m.real, m.imag])], 0.1)[0].lift / lift(0.1) - 1 for m, _, lift in mapped]
    assert math.log2(abs(error[0] / error[1])) > 1.5
    assert math.log2(abs(error[1] / error[2])) > 1.5


def test_circle_and_ellipse():
    # Circle Cp = 1 - 4 sin^2, ellipse of thickness t at zero incidence: lowest Cp 1 - (1 + t)^2 (exact).
    angle = np.linspace(0, 2 * np.pi, 161)
    circle = solve([np.column_stack([np.cos(angle), np.sin(angle)])], 0.0)[0]
    assert circle.pressure == pytest.approx(1 - 4 * np.sin(angle) ** 2, abs=0.01 * 4)
    ellipse = solve([np.column_stack([np.cos(angle), 0.2 * np.sin(angle)])], 0.0)[0]
    assert ellipse.pressure.min() == pytest.approx(1 - 1.2**2, abs=0.005)


@pytest.mark.parametrize(
    ("camber", "place", "degrees"),
    # Exact integrals of thin-section theory (Glauert 1926; Abbott & von Doenhoff, chapter 4).
    [
        (0.02, 0.4, -2.07724),
        (0.04, 0.4, -4.15448),
        (0.06, 0.4, -6.23172),
        (0.04, 0.2, -3.59755),
        (0.04, 0.5, -4.58366),
    ],
)
def test_zero_lift_angle_as_thickness_vanishes(camber, place, degrees):
    # Extrapolated to no thickness from 2 and 4 %, because the method needs two distinct sides. The theory is of
    # first order: an arc of camber m has exactly atan(2 m), not 2 m (Joukowski), so 2 % are left open.
    thin = [math.degrees(zero_lift_angle(four_digit(camber, place, t))) for t in (0.04, 0.02)]
    assert 2 * thin[1] - thin[0] == pytest.approx(degrees, rel=0.02)


@pytest.mark.parametrize(
    ("camber", "zero", "slope"),
    # NACA Report 824, smooth, Reynolds number 6e6, from memory: 2412 and 4412.
    [(0.02, -2.0, 0.105), (0.04, -3.8, 0.105)],
)
def test_measured_sections(camber, zero, slope):
    shape = four_digit(camber, 0.4, 0.12)
    # Friction takes a little of the camber's effect away, so the measured angle is the smaller one.
    assert 1.0 < math.degrees(zero_lift_angle(shape)) / zero < 1.15
    # Without friction the slope lies above the measured one, by a tenth to a fifth at 12 % thickness.
    assert 1.05 < math.radians(lift_slope(shape)) / slope < 1.2


def test_blunt_edge_differs_little_from_sharp():
    sharp = four_digit(0.04, 0.4, 0.12)
    blunt = SectionShape(half_thickness=sharp.half_thickness, mean_line=sharp.mean_line, trailing_edge=0.01)
    assert zero_lift_angle(blunt) == pytest.approx(zero_lift_angle(sharp), abs=math.radians(0.1))
    flow = solve([blunt.contour(81)], math.radians(4))[0]
    assert abs(flow.drag / flow.chord_m) < 0.01


def test_turned_over_section_mirrors_exactly():
    shape = four_digit(0.04, 0.4, 0.12)
    assert zero_lift_angle(shape.turned_over()) == pytest.approx(-zero_lift_angle(shape), abs=1e-9)


def test_sense_of_travel_does_not_matter():
    contour = four_digit(0.04, 0.4, 0.12).contour(61)
    one, other = solve([contour], 0.05)[0], solve([contour[::-1]], 0.05)[0]
    assert other.lift == pytest.approx(one.lift, rel=1e-12)
    assert other.pressure[::-1] == pytest.approx(one.pressure, abs=1e-9)


def test_mirror_pair_is_the_road():
    # Exact: two mirror-image sections are one section over a slip plane half way between them.
    contour = four_digit(0.04, 0.4, 0.12).contour(61) + [0.0, 0.6]
    pair = solve([contour, contour * [1.0, -1.0]], 0.0)
    road = solve([contour], 0.0, road_height=0.0)[0]
    assert pair[0].lift == pytest.approx(road.lift, rel=1e-9)
    assert pair[1].lift == pytest.approx(-road.lift, rel=1e-9)


def test_tandem_sections_share_as_tandem_plates():
    # Exact share of collinear plates one chord apart: 1.25866 and 0.74134, their sum that of two alone
    # (conformal map; A. M. O. Smith, J. Aircraft 12(6), 1975, for the sign). Thin ones stand in for plates.
    thin = four_digit(0.0, 0.4, 0.02).contour(81)
    alpha = math.radians(3)
    alone = solve([thin], alpha)[0].lift
    front, rear = solve([thin, thin + [2.0, 0.0]], alpha)
    assert front.lift / alone == pytest.approx(1.25866, rel=0.01)
    assert rear.lift / alone == pytest.approx(0.74134, rel=0.01)


@pytest.mark.parametrize(
    ("contours", "alpha", "road", "words"),
    [
        ([], 0.0, None, "no section"),
        ([np.zeros((4, 2))], 0.0, None, "at least 10"),
        ([np.zeros((20, 2))], 0.0, None, "coincide"),
        ([np.column_stack([cosine_spaced(20), np.zeros(20)])], 0.1, -1.0, "along the road"),
        ([four_digit(0.0, 0.4, 0.12).contour(41)], 0.0, 0.0, "down to the road"),
    ],
)
def test_bad_input(contours, alpha, road, words):
    with pytest.raises(InputError, match=words):
        solve(contours, alpha, road)


# -- several contours, bodies, sources ---------------------------------------------------------------------------

TANDEM = {  # gap over chord: front plate's share; the rear one has 2 less that (conformal map, worked out exactly)
    0.01: 1.61856,
    0.02: 1.60495,
    0.05: 1.57225,
    0.10: 1.53033,
    0.25: 1.44407,
    0.50: 1.35593,
    1.0: 1.25866,
    2.0: 1.16908,
    5.0: 1.08363,
}


@pytest.mark.parametrize(("gap", "front"), TANDEM.items())
def test_tandem_plates_at_nine_gaps(gap, front):
    # Two equal collinear plates: u - iv = cos a - i sin a sqrt((z + A)(z - B) / ((z + B)(z - A))). Extrapolated to no
    # thickness from 2 and 1 %.
    shares = []
    for thickness in (0.02, 0.01):
        thin = four_digit(0.0, 0.4, thickness).contour(81)
        alone = solve([thin], math.radians(2))[0].lift
        shares.append([f.lift / alone for f in solve([thin, thin + [1.0 + gap, 0.0]], math.radians(2))])
    limit = 2 * np.array(shares[1]) - shares[0]
    assert limit == pytest.approx([front, 2 - front], abs=0.004)


def circle(count=120, centre=0j, radius=1.0):
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([centre.real + radius * np.cos(angle), centre.imag + radius * np.sin(angle)])


def doublets(wind, circles, at, repeats=40):
    """Velocity u - iv at ``at`` of circles without circulation in an even wind: images of images.

    Circle theorem (Milne-Thomson, "Theoretical Aerodynamics", 6.2): a doublet m / (z - b) has in a circle of radius a
    about c the image doublet of strength -m* (a / (b - c)*)^2 at c + a^2 / (b - c)*; an even wind W the doublet W* a^2.
    """
    out = np.full(len(at), wind, complex)
    for k, (centre, radius) in enumerate(circles):
        place, strength, own = centre, np.conj(wind) * radius**2, k
        for _ in range(repeats):
            out -= strength / (at - place) ** 2
            own = 1 - own
            c, a = circles[own]
            apart = np.conj(place - c)
            place, strength = c + a**2 / apart, -np.conj(strength) * (a / apart) ** 2
    return out


@pytest.mark.parametrize("apart", [2.2, 3.0, 6.0])
@pytest.mark.parametrize("alpha", [0.0, 0.5 * np.pi, 0.6])
def test_two_circles(apart, alpha):
    circles = [(0j, 1.0), (apart + 0.3j, 0.8)]
    bodies = [Body(circle(160, *c)) for c in circles]
    for body, flow in zip(bodies, solve([], alpha, None, bodies), strict=True):
        at = body.points[:, 0] + 1j * body.points[:, 1]
        exact = 1 - np.abs(doublets(np.exp(-1j * alpha), circles, at)) ** 2
        assert np.abs(flow.pressure - exact).max() < 0.01 * np.ptp(exact)


def test_circle_over_the_road():
    # The road is the plane between two mirrored circles.
    height = 1.4
    flow = solve([], 0.0, 0.0, [Body(circle(160, 1j * height))])[0]
    at = circle(160, 1j * height) @ [1, 1j]
    exact = 1 - np.abs(doublets(1.0, [(1j * height, 1.0), (-1j * height, 1.0)], at)) ** 2
    assert np.abs(flow.pressure - exact).max() < 0.01 * np.ptp(exact)
    assert flow.lift < 0.0  # sucked down, as the narrow side is the faster one
    assert flow.drag == pytest.approx(0.0, abs=1e-9)


def test_order_over_the_road():
    def worst(count):
        at = circle(count, 1.4j) @ [1, 1j]
        exact = 1 - np.abs(doublets(1.0, [(1.4j, 1.0), (-1.4j, 1.0)], at)) ** 2
        return np.abs(solve([], 0.0, 0.0, [Body(circle(count, 1.4j))])[0].pressure - exact).max()

    error = [worst(n) for n in (40, 80, 160)]
    assert math.log2(error[0] / error[1]) > 1.5
    assert math.log2(error[1] / error[2]) > 1.5


@pytest.mark.parametrize("road", [None, -0.4])
def test_air_inside_is_at_rest_with_sources_outside(road):
    # The velocity within a contour, summed straight from its definition by Gauss' rule, panel by panel: independent of
    # the stream function and its branches. With sources on all panels it has to vanish within each contour.
    lower = four_digit(0.04, 0.4, 0.12).contour(61)
    upper = lower * [0.7, -0.7] + [0.2, 0.5]
    system = PlaneSystem([lower, upper], road, [Body(circle(80, 2.5 + 0.2j, 0.4))], with_sources=True)
    strength = np.random.default_rng(3).normal(size=system.sources.shape[1])
    gamma = system.winds[:, 0] + system.sources @ strength
    inside = np.array([0.3 + 0.02j, 0.5 + 0.03j, 0.4 + 0.48j, 2.5 + 0.2j])
    velocity = np.full(len(inside), 1 + 0j)
    node, weight = np.polynomial.legendre.leggauss(6)
    start = 0
    for i, (z, place) in enumerate(zip(system.loops, system.places, strict=True)):
        g, loop = gamma[place], z
        if i == 2:
            g, loop = np.append(g, g[0]), np.append(z, z[0])
        source = strength[start : start + len(z) - 1] if i < 2 else np.zeros(len(z))
        start += len(z) - 1 if i < 2 else 0
        step = np.diff(loop)
        for n, w in zip(node, weight, strict=True):
            part = 0.5 * (1 + n)
            at = loop[:-1] + part * step
            each = 0.5 * w * np.abs(step) * (source - 1j * ((1 - part) * g[:-1] + part * g[1:])) / (2 * np.pi)
            velocity += (each / (inside[:, None] - at)).sum(axis=1)
            if road is not None:
                velocity += (each.conj() / (inside[:, None] - (at.conj() + 2j * road))).sum(axis=1)
    assert np.abs(velocity).max() < 0.02 * np.sqrt(len(strength)) / 10


def test_circle_with_a_stated_separation_line():
    # Free-streamline flow past a circle that leaves at 55 degrees has a drag coefficient near 0.50 (Brodetsky 1923,
    # from memory; only a band). Without separation it has none.
    points = circle(144)
    body = Body(points, (50, 94))
    flow = solve([], 0.0, None, [body])[0]
    assert 0.3 < flow.drag / 2.0 < 0.8
    assert flow.lift == pytest.approx(0.0, abs=1e-9)
    assert flow.pressure[72] == pytest.approx(1.0, abs=0.01)
    assert np.ptp(flow.pressure[np.r_[:50, 95:144]]) == 0.0
    assert abs(solve([], 0.0, None, [Body(points)])[0].drag) < 1e-9


def test_body_turns_over():
    points = circle(100) * [3.0, 1.0] + [0.0, 0.2] * np.sin(circle(100)[:, :1])
    upright = solve([], 0.0, None, [Body(points, (10, 93))])[0]
    over = solve([], 0.0, None, [Body((points * [1, -1])[::-1], (6, 89))])[0]
    assert over.lift == pytest.approx(-upright.lift, abs=1e-9)
    assert over.pressure[::-1] == pytest.approx(upright.pressure, abs=1e-9)


def test_far_body_leaves_a_section_alone():
    contour = four_digit(0.04, 0.4, 0.12).contour(61)
    alone = solve([contour], 0.0)[0].lift
    change = [solve([contour + [0, h]], 0.0, None, [Body(circle(60), (10, 50))])[0].lift / alone - 1 for h in (50, 200)]
    # A wake that goes straight on acts from afar as a source: its effect falls with the distance.
    assert abs(change[0]) < 0.05
    assert abs(change[1]) < 0.3 * abs(change[0])


@pytest.mark.parametrize(("tail_degrees", "leaves_at"), [(15, 4.0), (40, 3.0)])
def test_where_the_flow_leaves_a_rear(tail_degrees, leaves_at):
    # The flow follows a rear slope of 15 degrees to its end and leaves one of 40 at the roof's edge (Ahmed et al.,
    # SAE 840300: between about 12.5 and 30 degrees attached).
    drop = math.tan(math.radians(tail_degrees))
    corners = np.array(
        [[4.0, 1.3 - drop], [3.0, 1.3], [0.5, 1.3], [0.0, 0.8], [0.0, 0.2], [4.0, 0.2], [4.0, 1.3 - drop]]
    )
    along = np.r_[0, np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))]
    points = np.column_stack([np.interp(np.linspace(0, along[-1], 201)[:-1], along, corners[:, k]) for k in (0, 1)])
    for outline in (points, points[::-1]):
        body = body_of(outline)
        upper = max(body.leaves, key=lambda k: outline[k, 1])
        assert outline[upper, 0] == pytest.approx(leaves_at, abs=0.15)


def ellipsoid(keep=lambda middles: np.ones(len(middles), bool)):
    ball = trimesh.creation.icosphere(subdivisions=4)
    points = ball.vertices * [2.0, 0.8, 0.55] + [-2.0, 0.0, 0.8]
    faces = ball.faces[keep(points[ball.faces].mean(axis=1))]
    return TriMesh(points, faces.astype(np.int32))


def off_ellipse(outline):
    return np.abs(np.hypot((outline[:, 0] - 2.0) / 2.0, (outline[:, 1] - 0.8) / 0.55) - 1.0) * 0.55


def test_outline_of_a_closed_body():
    # Cut of an ellipsoid at its middle: an ellipse of half axes 2 and 0.55.
    outline = body_contour(ellipsoid())
    assert len(outline) <= 120
    assert off_ellipse(outline).max() < 0.02
    assert np.median(off_ellipse(outline)) < 0.002


def test_outline_with_holes_and_no_floor():
    rng = np.random.default_rng(1)
    outline = body_contour(ellipsoid(lambda m: (m[:, 2] > 0.75) & (rng.uniform(size=len(m)) > 0.1)))
    top = outline[outline[:, 1] > 0.9]
    assert off_ellipse(top).max() < 0.03
    assert outline[:, 1].min() == pytest.approx(FLOOR_M, abs=0.01)


def test_outline_of_a_rear_alone():
    outline = body_contour(ellipsoid(lambda m: m[:, 0] < -2.0))
    rear = outline[outline[:, 0] > 2.3]
    assert off_ellipse(rear).max() < 0.02
    # Carried straight on at the height of the cut, then rounded off.
    ahead = outline[(outline[:, 0] < 1.8) & (outline[:, 0] > 0.2)]
    assert np.minimum(np.abs(ahead[:, 1] - 1.35), np.abs(ahead[:, 1] - 0.25)).max() < 0.02
    assert outline[:, 0].min() < 0.0


@pytest.mark.parametrize(
    ("bodies", "contours", "words"),
    [
        ([Body(np.zeros((5, 2)))], [], "Body 1 needs at least 10"),
        ([Body(circle(40), (10, 12))], [], "above and one below"),
        ([Body(circle(40, 0j, 3.0))], [four_digit(0.0, 0.4, 0.12).contour(41)], "reaches into"),
        ([Body(circle(40, -2 + 0j), (5, 35))], [four_digit(0.0, 0.4, 0.12).contour(41)], "wake"),
    ],
)
def test_bad_bodies(bodies, contours, words):
    with pytest.raises(InputError, match=words):
        solve(contours, 0.0, None, bodies)


def test_bad_scans():
    with pytest.raises(InputError, match="does not cut"):
        body_contour(ellipsoid(), y=5.0)
    with pytest.raises(InputError, match="sliver"):
        body_contour(ellipsoid(lambda m: np.abs(m[:, 0] + 2.0) < 0.05))
