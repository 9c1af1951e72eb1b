"""The body panels against the exact flow past a sphere, and what a body does to a wing behind it."""

import math

import numpy as np
import pytest
import trimesh
from scipy.integrate import quad

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.lift.body import BodyPanels, body_panels, nose_is_missing, source_velocity

CENTRE = np.array([0.0, 0.0, 1000.0])


def sphere(fineness: int = 5, squash: float = 1.0) -> TriMesh:
    ball = trimesh.creation.icosphere(fineness)
    return TriMesh(ball.vertices * [1.0, 1.0, squash] + CENTRE, ball.faces.astype(np.int32))


def surface_wind(panels, wind):
    through = np.einsum("pi,ipq->pq", panels.normals, source_velocity(panels, panels.middles))
    strength = np.linalg.solve(through, -panels.normals @ wind)
    return strength, (source_velocity(panels, panels.middles) @ strength).T + wind


@pytest.mark.parametrize("wind", [(-1.0, 0.0, 0.0), (0.0, 0.6, 0.8)])
def test_sphere(wind):
    # Exact (Milne-Thomson, chapter 15): speed 1.5 times the sine of the angle off the wind.
    panels = body_panels(sphere())
    wind = np.array(wind)
    strength, velocity = surface_wind(panels, wind)
    speed = np.linalg.norm(velocity, axis=1)
    out = (panels.middles - CENTRE) / np.linalg.norm(panels.middles - CENTRE, axis=1)[:, None]
    error = speed - 1.5 * np.linalg.norm(np.cross(out, wind), axis=1)
    assert np.sqrt(np.average(error**2, weights=panels.areas)) < 0.03
    assert abs(np.average(error, weights=panels.areas)) < 0.01
    # A closed body gives off no air on the whole, and feels no force (d'Alembert).
    assert abs(strength @ panels.areas) < 0.001 * 4 * math.pi
    assert np.abs((1 - speed**2) * panels.areas @ panels.normals).max() / math.pi < 0.01


def test_flat_ellipsoid_along_its_long_axis():
    # Lamb, "Hydrodynamics", article 373: speed at the waist is 1 / (1 - k / 2) with k the shape integral, here by
    # quadrature for half axes 1, 1, 0.4 and the wind along x.
    k = 0.4 * quad(lambda s: 1 / ((1 + s) ** 2 * math.sqrt(0.16 + s)), 0, np.inf)[0]
    panels = body_panels(sphere(squash=0.4))
    _, velocity = surface_wind(panels, np.array([-1.0, 0.0, 0.0]))
    waist = np.abs(panels.middles[:, 0]) < 0.2
    assert np.linalg.norm(velocity[waist], axis=1).mean() == pytest.approx(1 / (1 - k / 2), rel=0.02)


def test_finer_panels_come_closer():
    errors = []
    for count in (300, 1200):
        panels = body_panels(sphere(), count)
        _, velocity = surface_wind(panels, np.array([-1.0, 0.0, 0.0]))
        out = (panels.middles - CENTRE) / np.linalg.norm(panels.middles - CENTRE, axis=1)[:, None]
        error = np.linalg.norm(velocity, axis=1) - 1.5 * np.hypot(out[:, 1], out[:, 2])
        errors.append(np.sqrt(np.average(error**2, weights=panels.areas)))
    assert errors[1] < 0.75 * errors[0]


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
    down = source_velocity(panels, at, road=False)[2, 0] @ np.ones(len(panels.areas))
    assert down == pytest.approx(panels.areas.sum() / (4 * math.pi * 500.0**2), rel=0.001)


def test_near_formula_meets_fine_quadrature():
    # The exact triangle against many point sources on it.
    corner = np.array([[0.0, 0.0, 0.0], [1.0, 0.1, 0.0], [0.2, 0.8, 0.0]]) + CENTRE
    normal = np.array([[0.0, 0.0, 1.0]])
    area = 0.5 * np.linalg.norm(np.cross(corner[1] - corner[0], corner[2] - corner[0]))
    panel = BodyPanels(corner[None], corner.mean(axis=0)[None], normal, np.array([area]), np.zeros(1, bool))
    for at in (CENTRE + [0.3, 0.2, 0.15], CENTRE + [-0.1, 0.4, -0.3]):
        n = 400
        u, v = (np.stack(np.meshgrid(np.arange(n), np.arange(n), indexing="ij"), -1).reshape(-1, 2).T + 0.5) / n
        u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
        points = corner[0] + u[:, None] * (corner[1] - corner[0]) + v[:, None] * (corner[2] - corner[0])
        ray = at - points
        exact = (ray / np.linalg.norm(ray, axis=1)[:, None] ** 3).mean(axis=0) * area / (4 * math.pi)
        assert source_velocity(panel, at[None], road=False)[:, 0, 0] == pytest.approx(exact, abs=2e-4)


def test_no_air_crosses_the_road():
    panels = body_panels(TriMesh(sphere().points - CENTRE + [0.0, 0.0, 1.3], sphere().triangles))
    on_road = np.array([[0.5, 0.3, 0.0], [-2.0, 1.0, 0.0]])
    assert np.abs(source_velocity(panels, on_road)[2]).max() < 1e-12


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
