"""Hollow elements: walls and cavities measured by independent libraries."""

import math
from dataclasses import replace

import fcl
import igl
import numpy as np
import pytest
import scipy.spatial
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from wing_cases import CLOSED, PLATE, SHAPED, assert_solid, naca, shells, triangles_of, wing

from wingfettle.core.elements.element import Element, InnerStation
from wingfettle.core.elements.hollow import cavities
from wingfettle.core.elements.loft import loft
from wingfettle.core.elements.quads import FacePart, QuadMesh, joined, volume_m3
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh

SKIN = 0.0015
BARE = replace(SHAPED, end_plate=None, skin_m=SKIN)
KINK = InnerStation(0.4, 0.2, -0.2, np.array([0.05, 0.03]), naca(0.15, -0.03))
CASES = {
    "plain": wing(skin_m=SKIN),
    "shaped": BARE,
    "with plates": replace(SHAPED, skin_m=SKIN),
    "rounded": replace(BARE, rounded_tips=True),
    "swept": wing(sweep_rad=0.7, dihedral_rad=0.2, skin_m=SKIN),
    "forward, rounded": wing(sweep_rad=-0.5, dihedral_rad=-0.2, skin_m=SKIN, rounded_tips=True),
    "kinked": wing(inner=(KINK,), skin_m=SKIN, rounded_tips=True),
    "thick, sharp": wing(shape=naca(0.3, 0.0, CLOSED), tip_shape=naca(0.3, 0.05, CLOSED), skin_m=2 * SKIN),
    "thick edge": wing(least_edge_m=0.008, skin_m=SKIN),
}


def collider(mesh: TriMesh) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.points), len(mesh.triangles))
    model.addSubModel(mesh.points, mesh.triangles)
    model.endModel()
    return fcl.CollisionObject(model)


def thinnest(mesh: QuadMesh) -> float:
    """fcl's distance between the faces of the cavity and all others."""
    outer = triangles_of(mesh, FacePart.SKIN, FacePart.TIP)
    cavity = triangles_of(mesh, FacePart.CAVITY)
    return float(fcl.distance(collider(outer), collider(cavity), fcl.DistanceRequest(), fcl.DistanceResult()))


def assert_hollow(mesh: QuadMesh) -> None:
    parts = shells(mesh)
    for part in parts[:-1]:
        assert_solid(part)
    assert_solid(parts[-1], inside_out=True)
    assert parts[-1].euler_number == 2
    assert parts[-1].area_faces.min() > 0.0


@pytest.mark.parametrize("name", CASES)
def test_the_wall_is_nowhere_too_thin(name: str) -> None:
    element = CASES[name]
    for n, strips in ((10, 6), (48, 32)):
        mesh = loft(element, n, strips)
        assert thinnest(mesh) >= 0.95 * element.skin_m
        # Nor is it much too thick: libigl's nearest distances of the cavity's middle part, but for the tips.
        cavity, outer = triangles_of(mesh, FacePart.CAVITY), triangles_of(mesh, FacePart.SKIN)
        amid = cavity.points[np.abs(cavity.points[:, 1]) < 0.55]
        squared = igl.point_mesh_squared_distance(amid, outer.points, outer.triangles)[0]
        if n == 48:
            assert np.median(np.sqrt(squared)) == pytest.approx(element.skin_m, rel=0.04)


@pytest.mark.parametrize("name", CASES)
def test_outer_and_inner_shells_make_one_solid(name: str) -> None:
    mesh = loft(CASES[name], 14, 8)
    assert_hollow(mesh)
    parts = shells(mesh)
    assert len(parts) == (4 if CASES[name].end_plate else 2)
    assert volume_m3(mesh) == pytest.approx(sum(abs(p.volume) for p in parts[:-1]) - abs(parts[-1].volume), rel=1e-9)


def test_winding_is_one_in_the_wall_and_none_in_the_cavity() -> None:
    element = CASES["plain"]
    mesh = loft(element)
    triangles = mesh.triangles()
    station = element.station(0.3)
    up, low = station.shape.surfaces(np.array([0.3]))
    wall = 0.5 * SKIN / station.chord_m
    middle = 0.5 * (up[0] + low[0])
    z = np.array([up[0] + wall, up[0] - wall, middle, low[0] + wall, low[0] - wall])
    places = station.place(np.column_stack([np.full(5, 0.3), z]))
    tip = station.place(np.array([[0.3, middle]])) * [1.0, 0.0, 1.0] + [[0.0, 0.65 - 0.5 * SKIN, 0.0]]
    inside = igl.fast_winding_number(triangles.points, triangles.triangles, np.concatenate([places, tip]))
    assert inside == pytest.approx([0.0, 1.0, 0.0, 1.0, 0.0, 1.0], abs=0.02)


@pytest.mark.parametrize(("thickness", "skin"), [(0.12, 0.0015), (0.12, 0.006), (0.3, 0.004)])
def test_the_cavity_is_all_that_lies_deeper_than_the_skin(thickness: float, skin: float) -> None:
    # Area of the points of the section farther than the skin from its contour, counted on a grid of 0.1 mm or
    # finer with scipy's nearest neighbours; times the span less two walls.
    shape = naca(thickness, 0.04)
    mesh = loft(wing(shape=shape, tip_shape=shape, skin_m=skin, incidence_rad=0.0), 64, 2)
    contour = shape.contour(4000) * 0.24
    x = np.linspace(0.0, 0.24, 2401)
    up, low = (side * 0.24 for side in shape.surfaces(x / 0.24))
    z = np.linspace(low.min(), up.max(), 501)
    grid = np.stack(np.meshgrid(x, z, indexing="ij"), axis=2)
    within = (grid[..., 1] < up[:, None]) & (grid[..., 1] > low[:, None])
    distance, _ = scipy.spatial.cKDTree(contour).query(grid[within], distance_upper_bound=skin)
    area = float(np.isinf(distance).sum()) * (x[1] - x[0]) * (z[1] - z[0])
    cavity = trimesh.Trimesh(*_arrays(triangles_of(mesh, FacePart.CAVITY)), process=False)
    assert -cavity.volume == pytest.approx(area * (1.3 - 2.0 * skin), rel=0.012)


def test_a_swept_wall_is_measured_square_to_the_surface() -> None:
    # The nose of a swept wing is a cylinder that leans: along x, its wall is the skin over the cosine of the sweep.
    sweep = 0.7
    mesh = loft(wing(sweep_rad=sweep, skin_m=SKIN, incidence_rad=0.0, shape=naca(0.3), tip_shape=naca(0.3)), 96, 8)
    cavity = triangles_of(mesh, FacePart.CAVITY).points
    at = np.unique(np.round(np.abs(cavity[:, 1]), 9))
    ring = cavity[np.abs(np.abs(cavity[:, 1]) - at[1]) < 1e-9]
    nose = -3.9 - at[1] * math.tan(sweep)
    assert nose - ring[:, 0].max() == pytest.approx(SKIN / math.cos(sweep), rel=0.01)


def test_a_cavity_ends_before_tips_that_are_too_thin() -> None:
    # The tip's section is 0.03 * 0.24 m thick, less than two skins; mid-span has 0.12 * 0.24 m.
    element = wing(shape=naca(0.12), tip_shape=naca(0.03), skin_m=0.005)
    solid = loft(replace(element, skin_m=0.0), 24, 40)
    eta = np.linspace(-1.0, 1.0, 41)
    rings = solid.points.reshape(41, 49, 3)
    (shell,) = cavities(element, eta, rings, 24, False)
    # Thickness 0.0288 - 0.0216 eta falls below 0.010 + a tenth of the skin at eta = 0.85.
    assert 0.70 <= np.abs(shell.points[:, 1]).max() / 0.65 <= 0.86
    squared = igl.point_mesh_squared_distance(shell.points, solid.points, solid.triangles().triangles)[0]
    assert math.sqrt(squared.min()) >= 0.95 * 0.005
    assert_solid(trimesh.Trimesh(*_arrays(joined([shell], 0.0, 0.65).triangles()), process=False), inside_out=True)


def test_a_thin_middle_parts_the_cavity_in_two() -> None:
    element = wing(shape=naca(0.03), tip_shape=naca(0.12), skin_m=0.005)
    rings = loft(replace(element, skin_m=0.0), 24, 40).points.reshape(41, 49, 3)
    right, left = cavities(element, np.linspace(-1.0, 1.0, 41), rings, 24, False)
    assert right.points[:, 1].max() < 0.0 < left.points[:, 1].min()
    assert np.ptp(right.points[:, 1]) == pytest.approx(np.ptp(left.points[:, 1]))
    assert left.points[:, 1].max() == pytest.approx(0.65 - 0.005)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        # 0.12 and 0.24 m: 28.8 mm; the cambered section is as thick.
        ({"skin_m": 0.0143}, "at most 28.8 mm thick, too thin for a cavity between walls of 14.3 mm"),
        (
            {"skin_m": 0.0143, "shape": naca(0.12, 0.0, CLOSED), "tip_shape": naca(0.12, 0.0, CLOSED)},
            "at most 28.8 mm thick, too thin for a cavity between walls of 14.3 mm",
        ),
        ({"skin_m": 0.005, "span_m": 0.009}, "spans 9.0 mm, too short for a cavity between walls of 5.0 mm"),
    ],
)
def test_no_cavity_is_refused_with_the_thickness(change: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        loft(wing(**change), 24, 8)


def _arrays(mesh: TriMesh) -> tuple[np.ndarray, np.ndarray]:
    return mesh.points, mesh.triangles


@settings(max_examples=15, deadline=None)
@given(
    thickness=st.floats(0.08, 0.3), camber=st.floats(-0.06, 0.06), taper=st.floats(0.5, 1.5),
    sweep=st.floats(-0.6, 0.8), dihedral=st.floats(-0.3, 0.3), incidence=st.floats(-0.4, 0.4),
    twist=st.floats(-0.25, 0.25), edge=st.floats(0.0, 0.02), skin=st.floats(0.0006, 0.003),
    form=st.sampled_from(["flat", "rounded", "plates"]), inner=st.booleans(), turn=st.floats(-0.08, 0.08),
)  # fmt: skip
def test_any_sensible_hollow_wing_is_solid(
    thickness: float, camber: float, taper: float, sweep: float, dihedral: float, incidence: float, twist: float,
    edge: float, skin: float, form: str, inner: bool, turn: float,
) -> None:  # fmt: skip
    element: Element = wing(
        taper=taper, sweep_rad=sweep, dihedral_rad=dihedral, incidence_rad=incidence, twist_rad=twist,
        shape=replace(naca(thickness, camber, CLOSED), trailing_edge=edge),
        tip_shape=naca(thickness, -camber, CLOSED), skin_m=skin, rounded_tips=form == "rounded",
        end_plate=PLATE if form == "plates" else None,
        inner=(replace(KINK, incidence_rad=incidence + 0.4 * twist + turn, offset_m=np.array([0.02, 0.01])),) * inner,
    )  # fmt: skip
    mesh = loft(element, 12, 8)
    assert_hollow(mesh)
    assert thinnest(mesh) >= 0.95 * skin
