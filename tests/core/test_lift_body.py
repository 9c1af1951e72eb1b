"""The body panels against exact flows past spheres, ellipsoids and a half-body, and the panels' own form."""

import math

import numpy as np
import pytest
import trimesh
from scipy.integrate import quad

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.lift.body import ATTACHED_SLOPE, BodyFlow, BodyPanels, body_panels, nose_is_missing

CENTRE = np.array([0.0, 0.0, 1000.0])


def sphere(fineness: int = 5, squash: float = 1.0) -> TriMesh:
    ball = trimesh.creation.icosphere(fineness)
    return TriMesh(ball.vertices * [1.0, 1.0, squash] + CENTRE, ball.faces.astype(np.int32))


def surface_wind(panels: BodyPanels, wind, road: bool = False, still=slice(0)):
    """Strengths and velocities on the panels; through ``still`` ones the wind passes as if they were not there."""
    flow = BodyFlow(panels, road)
    through = -panels.normals @ wind
    through[still] = 0.0
    strength = flow.solve(through[:, None])
    return strength[:, 0], flow.velocity(panels.middles, strength)[..., 0].T + wind


def rms(error, panels):
    return math.sqrt(np.average(error**2, weights=panels.areas))


@pytest.mark.parametrize("wind", [(-1.0, 0.0, 0.0), (0.0, 0.6, 0.8)])
def test_sphere(wind):
    # Exact (Milne-Thomson, chapter 15): speed 1.5 times the sine of the angle off the wind.
    panels = body_panels(sphere(6), 2000)
    wind = np.array(wind)
    strength, velocity = surface_wind(panels, wind)
    speed = np.linalg.norm(velocity, axis=1)
    out = (panels.middles - CENTRE) / np.linalg.norm(panels.middles - CENTRE, axis=1)[:, None]
    error = speed - 1.5 * np.linalg.norm(np.cross(out, wind), axis=1)
    assert rms(error, panels) < 0.015
    assert abs(np.average(error, weights=panels.areas)) < 0.001
    # A closed body gives off no air on the whole, and feels no force (d'Alembert).
    assert abs(strength @ panels.areas) < 0.001 * 4 * math.pi
    assert np.abs((1 - speed**2) * panels.areas @ panels.normals).max() / math.pi < 0.005


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_ellipsoid(axis):
    # Lamb, "Hydrodynamics", articles 111 to 114: on the surface the potential goes with the place along the wind, so
    # the velocity is 1 / (1 - k / 2) of the wind's part along the surface; k is the shape integral, by quadrature.
    halves = np.array([1.0, 0.7, 0.4])
    k = halves.prod() * quad(lambda s: 1 / ((halves[axis] ** 2 + s) * np.sqrt((halves**2 + s).prod())), 0, np.inf)[0]
    ball = sphere(6)
    panels = body_panels(TriMesh((ball.points - CENTRE) * halves + CENTRE, ball.triangles), 2000)
    wind = -np.eye(3)[axis]
    _, velocity = surface_wind(panels, wind)
    outward = (panels.middles - CENTRE) / halves**2
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    exact = (wind - (outward @ wind)[:, None] * outward) / (1 - k / 2)
    error = np.linalg.norm(velocity - exact, axis=1) / np.abs(exact).max()
    assert rms(error, panels) < 0.03


def test_order_of_the_panels():
    # Exact as for the sphere. The error falls at least in proportion to the panels' length.
    errors, lengths = [], []
    for count in (250, 800, 2500):
        panels = body_panels(sphere(6), count)
        _, velocity = surface_wind(panels, np.array([-1.0, 0.0, 0.0]))
        out = (panels.middles - CENTRE) / np.linalg.norm(panels.middles - CENTRE, axis=1)[:, None]
        errors.append(rms(np.linalg.norm(velocity, axis=1) - 1.5 * np.hypot(out[:, 1], out[:, 2]), panels))
        lengths.append(math.sqrt(panels.areas.mean()))
    order = np.polyfit(np.log(lengths), np.log(errors), 1)[0]
    assert order > 0.95


def test_sphere_over_the_road():
    # A sphere abreast of its image: pull towards each other 3 pi / 8 a^6 / h^4 of the dynamic pressure, the first
    # term of Lamb's energy 1 + 3 / 16 (a / h)^3 (article 138); the next ones are some hundredths at two radii.
    points = sphere(6).points - CENTRE + [0.0, 0.0, 2.0]
    panels = body_panels(TriMesh(points, sphere(6).triangles), 3000)
    _, velocity = surface_wind(panels, np.array([-1.0, 0.0, 0.0]), road=True)
    pressure = 1.0 - (velocity**2).sum(axis=1)
    pull = pressure * panels.areas @ panels.normals[:, 2]
    assert pull == pytest.approx(3 * math.pi / 8 / 2.0**4, rel=0.15)


def half_body(length: float) -> TriMesh:
    """Rankine's half-body round a source, nose at x = 1, cut off flat ``length`` behind the source."""
    # Its rim lies 1 / cos(theta / 2) from the source, theta off the wind; it grows to twice the nose's distance.
    theta = np.linspace(0.0, np.pi, 2000)[:-1]
    x, radius = np.cos(theta) / np.cos(theta / 2), np.sin(theta) / np.cos(theta / 2)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(radius)))])
    stop = np.interp(length, -x, arc)
    at = np.linspace(0.0, stop, 90)
    x, radius = np.interp(at, arc, x), np.interp(at, arc, radius)
    disc = np.linspace(1.0, 0.0, 20)[1:]
    x, radius = np.append(x, np.full(19, x[-1])), np.append(radius, disc * radius[-1])
    return trimesh.creation.revolve(np.column_stack([radius, x]), sections=120)


def test_wake_behind_a_blunt_base():
    # Rankine's half-body (exact) is what a straight wake at the wind's own speed makes of a body with a flat base.
    solid = half_body(6.0)
    turned = np.column_stack([solid.vertices[:, 2], solid.vertices[:, 1], -solid.vertices[:, 0]]) + CENTRE
    panels = body_panels(TriMesh(turned, solid.faces.astype(np.int32)), 3000)
    assert panels.areas[panels.base].sum() == pytest.approx(math.pi * solid.vertices[:, 0].max() ** 2, rel=0.05)
    ahead = (panels.middles[:, 0] > -4.0) & ~panels.base
    ray = panels.middles[ahead] - CENTRE
    exact = np.array([-1.0, 0.0, 0.0]) + ray / np.linalg.norm(ray, axis=1)[:, None] ** 3
    errors = []
    for still in (panels.base, np.zeros(len(panels.base), bool)):
        _, velocity = surface_wind(panels, np.array([-1.0, 0.0, 0.0]), still=still)
        errors.append(math.sqrt(np.mean((velocity[ahead] - exact) ** 2)))
    assert errors[0] < 0.02
    # Followed round the base the air would close behind it.
    assert errors[0] < errors[1]


def test_two_halves_of_a_list_are_mirror_images():
    panels = body_panels(sphere(), 600)
    assert panels.mirrored
    half = len(panels.areas) // 2
    assert panels.corners[:half, :, 1].min() >= 0.0
    assert np.array_equal(panels.corners[half:], panels.corners[:half] * [1.0, -1.0, 1.0])
    whole, left = BodyFlow(panels), BodyFlow(panels, mirrored=True)
    strength = whole.solve(panels.normals[:, :1])
    assert np.tile(left.solve(panels.normals[:half, :1]), (2, 1)) == pytest.approx(strength, abs=1e-9)


def test_only_a_body_alike_left_and_right_is_mirrored():
    ball = sphere()
    bulge = np.where(ball.points[:, 1:2] > 0.0, [1.0, 1.25, 1.0], 1.0)
    assert not body_panels(TriMesh(ball.points * bulge, ball.triangles)).mirrored
    assert not body_panels(TriMesh(ball.points + [0.0, 0.1, 0.0], ball.triangles)).mirrored
    # A hole in one side is no other shape: the fuller half counts.
    middles = ball.points[ball.triangles].mean(axis=1) - CENTRE
    open_side = ball.subset(np.linalg.norm(middles - [0.0, -1.0, 0.0], axis=1) > 0.25)
    panels = body_panels(open_side)
    assert panels.mirrored
    assert panels.areas.sum() == pytest.approx(4 * math.pi, rel=0.01)


@pytest.mark.parametrize("count", [500, 2000, 4000])
def test_panels_are_even_and_keep_the_shape(count):
    # A sphere's area is 4 pi, its volume 4 pi / 3 (exact).
    panels = body_panels(sphere(6), count)
    assert 0.85 * count < len(panels.areas) < 1.15 * count
    assert np.quantile(panels.areas, 0.95) < 2.0 * panels.areas.mean()
    assert panels.areas.sum() == pytest.approx(4 * math.pi, rel=0.02)
    volume = np.einsum("ij,ij,i->", panels.middles - CENTRE, panels.normals, panels.areas) / 3
    assert volume == pytest.approx(4 * math.pi / 3, rel=0.03)
    away = np.linalg.norm(panels.corners.reshape(-1, 3) - CENTRE, axis=1)
    assert np.abs(away - 1.0).max() < 1.5 * panels.areas.mean()


def test_edges_of_a_box_stay():
    # A box of 2 x 1 x 0.6: its corners and edges are kept, large faces of few triangles are cut up.
    for divided in (0, 5):
        box = trimesh.creation.box((2.0, 1.0, 0.6))
        for _ in range(divided):
            box = box.subdivide()
        panels = body_panels(TriMesh(box.vertices + CENTRE, box.faces.astype(np.int32)), 1000)
        assert 600 < len(panels.areas) < 1500
        assert panels.areas.sum() == pytest.approx(2 * (2.0 + 1.2 + 0.6), rel=0.025)
        assert np.ptp(panels.corners.reshape(-1, 3), axis=0) == pytest.approx([2.0, 1.0, 0.6], abs=0.01)


def test_steep_tails_are_base():
    # Ahmed's body: the flow leaves slants steeper than 30 degrees.
    panels = body_panels(sphere(), 1000)
    assert np.array_equal(panels.base, panels.normals[:, 0] < -math.sin(ATTACHED_SLOPE))
    assert 0.2 < panels.areas[panels.base].sum() / panels.areas.sum() < 0.3  # exact: a cap of a quarter of the area


def test_scan_winding_does_not_matter():
    ball = sphere(4)
    flips = np.random.default_rng(3).random(len(ball.triangles)) < 0.4
    mixed = TriMesh(ball.points, np.where(flips[:, None], ball.triangles[:, ::-1], ball.triangles))
    panels = body_panels(mixed)
    assert np.all(np.einsum("ij,ij->i", panels.normals, panels.middles - CENTRE) > 0.0)


def test_far_panel_is_a_point_source():
    # One even source far away: area over 4 pi r^2 (exact in the limit).
    panels = body_panels(sphere(2), 40)
    at = CENTRE + [[0.0, 0.0, 500.0]]
    down = BodyFlow(panels, road=False).velocity(at, np.ones((len(panels.areas), 1)))[2, 0, 0]
    assert down == pytest.approx(panels.areas.sum() / (4 * math.pi * 500.0**2), rel=0.001)


def test_far_formula_joins_the_near_one():
    # Stated error where the one gives way to the other: eight per mille of the panel's own share.
    corner = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.5, 0.75**0.5, 0.0]]) + CENTRE
    panel = one_panel(corner)
    for direction in np.random.default_rng(2).normal(size=(20, 3)):
        direction /= np.linalg.norm(direction)
        near, far = (corner.mean(axis=0) + reach * direction for reach in (3.9999, 4.0001))
        a, b = (BodyFlow(panel, road=False).velocity(at[None], np.ones((1, 1)))[:, 0, 0] for at in (near, far))
        assert np.linalg.norm(a - b) < 0.008 * np.linalg.norm(b)
        # Along and across a normal the two sums that the flow is made of are one.
        flow = BodyFlow(panel, road=False)
        assert flow.through(near[None], direction[None])[0, 0] == pytest.approx(a @ direction, abs=1e-12)
        assert flow.through(far[None], direction[None])[0, 0] == pytest.approx(b @ direction, abs=1e-12)


def one_panel(corner) -> BodyPanels:
    area = 0.5 * np.linalg.norm(np.cross(corner[1] - corner[0], corner[2] - corner[0]))
    up = np.array([[0.0, 0.0, 1.0]])
    return BodyPanels(corner[None], corner.mean(axis=0)[None], up, np.array([area]), np.zeros(1, bool))


def test_near_formula_meets_fine_quadrature():
    # The exact triangle against many point sources on it.
    corner = np.array([[0.0, 0.0, 0.0], [1.0, 0.1, 0.0], [0.2, 0.8, 0.0]]) + CENTRE
    panel = one_panel(corner)
    area = panel.areas[0]
    for at in (CENTRE + [0.3, 0.2, 0.15], CENTRE + [-0.1, 0.4, -0.3]):
        n = 400
        u, v = (np.stack(np.meshgrid(np.arange(n), np.arange(n), indexing="ij"), -1).reshape(-1, 2).T + 0.5) / n
        u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
        points = corner[0] + u[:, None] * (corner[1] - corner[0]) + v[:, None] * (corner[2] - corner[0])
        ray = at - points
        exact = (ray / np.linalg.norm(ray, axis=1)[:, None] ** 3).mean(axis=0) * area / (4 * math.pi)
        given = BodyFlow(panel, road=False).velocity(at[None], np.ones((1, 1)))[:, 0, 0]
        assert given == pytest.approx(exact, abs=2e-4)


def test_no_air_crosses_the_road():
    panels = body_panels(TriMesh(sphere().points - CENTRE + [0.0, 0.0, 1.3], sphere().triangles), 300)
    on_road = np.array([[0.5, 0.3, 0.0], [-2.0, 1.0, 0.0]])
    flow = BodyFlow(panels)
    assert np.abs(flow.velocity(on_road, np.eye(len(panels.areas)))[2]).max() < 1e-12
    assert np.abs(flow.through(on_road, np.array([[0.0, 0.0, 1.0]] * 2))).max() < 1e-12


def test_missing_nose():
    ball = sphere()
    front = ball.points[ball.triangles][:, :, 0].mean(axis=1) > 0.2
    assert not nose_is_missing(body_panels(ball))
    assert nose_is_missing(body_panels(ball.subset(~front)))


def test_floor_alone_is_refused():
    x, y = np.meshgrid(np.linspace(0, 1, 12), np.linspace(0, 1, 12), indexing="ij")
    at = np.arange(121).reshape(11, 11) + np.arange(11)[:, None]
    faces = np.column_stack([at.ravel(), at.ravel() + 1, at.ravel() + 12]).astype(np.int32)
    with pytest.raises(InputError, match="no surface higher"):
        body_panels(TriMesh(np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]), faces))
