"""Half-round tips: exact bounds and volumes, and an independent mesh library."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wing_cases import CLOSED, OPEN, PLATE, assert_solid, checked, naca, shells, triangles_of, wing

from wingfettle.core.elements.element import Element, InnerStation
from wingfettle.core.elements.loft import loft
from wingfettle.core.elements.quads import FacePart
from wingfettle.core.errors import InputError

ROUNDED = wing(
    rounded_tips=True, taper=0.7, sweep_rad=0.3, dihedral_rad=-0.1, twist_rad=0.1, shape=naca(0.16, -0.03),
    tip_shape=naca(0.13, -0.05),
)  # fmt: skip


@pytest.mark.parametrize("element", [ROUNDED, wing(rounded_tips=True), replace(ROUNDED, least_edge_m=0.006)])
@pytest.mark.parametrize("n", [6, 24])
def test_span_holds_the_rounding(element: Element, n: int) -> None:
    points = loft(element, n, 6).points
    assert (points[:, 1].min(), points[:, 1].max()) == pytest.approx((-0.65, 0.65), abs=1e-12)
    # Where the rounding begins half the thickness is left, so that it is round at its thickest.
    ring = points[6 * (2 * n + 1) : 7 * (2 * n + 1)]
    half = 0.5 * np.linalg.norm(ring[:n] - ring[: -n - 1 : -1], axis=1).max()
    assert 0.65 - ring[0, 1] == pytest.approx(half, rel=1e-5)
    station = element.station(float(ring[0, 1]) / 0.65)
    assert np.abs(ring - station.place(station.shape.contour(n + 1))).max() < 1e-12


@pytest.mark.parametrize("last", [OPEN, CLOSED])
def test_volume_of_a_round_tip(last: float) -> None:
    # Half an eight-gon's area is 4 sin(pi / 8) r2 at each place along the chord; r from the thickness polynomial
    # of NACA Report 460, integrated by Simpson's rule; the half thickness stands for the half circle's radius.
    t, chord = 0.3, 0.24
    shape = naca(t, 0.0, last)
    mesh = loft(wing(rounded_tips=True, shape=shape, tip_shape=shape), 160, 2)
    tips = triangles_of(mesh, FacePart.TIP)
    flat = [np.abs(tips.points[:, 1]).min() * s for s in (-1.0, 1.0)]
    x = np.linspace(0.0, 1.0, 4001)
    half = 5.0 * t * (0.2969 * np.sqrt(x) - 0.1260 * x - 0.3516 * x**2 + 0.2843 * x**3 + last * x**4)
    weights = np.where(np.arange(4001) % 2, 4.0, 2.0)
    weights[[0, -1]] = 1.0
    expected = 4.0 * math.sin(math.pi / 8.0) * chord**3 * float(weights @ half**2) / (3.0 * 4000)
    # The tips' own faces seen from the plane where they begin: cones over them from a point in it.
    for y in flat:
        corners = tips.corners[np.sign(tips.corners[:, :, 1].mean(axis=1)) == np.sign(y)]
        a, b, c = (corners - [-3.9, y, 1.2]).transpose(1, 0, 2)
        assert np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0 == pytest.approx(expected, rel=1e-3)


def test_tip_quads_are_flat_and_few_faces_are_wedges() -> None:
    blunt, sharp = loft(ROUNDED, 12, 4), loft(wing(rounded_tips=True, shape=naca(0.12, 0.0, CLOSED),
                                                   tip_shape=naca(0.12, 0.0, CLOSED)), 12, 4)  # fmt: skip
    assert (len(blunt.wedges), len(sharp.wedges)) == (2 * (8 + 1), 2 * (8 + 8))
    for mesh in (blunt, sharp):
        corners = mesh.points[mesh.quads[mesh.face_part[: len(mesh.quads)] == FacePart.TIP]]
        a, b, c = (corners[:, i] - corners[:, 0] for i in (1, 2, 3))
        height = np.abs(np.einsum("ij,ij->i", a, np.cross(b, c)))
        assert (height < 1e-12 * np.linalg.norm(np.cross(a, b), axis=1) + 1e-20).all()


def test_end_plates_make_the_tips_flat() -> None:
    plated = wing(end_plate=PLATE)
    assert np.array_equal(loft(plated).points, loft(replace(plated, rounded_tips=True)).points)


def test_inner_stations_in_the_rounding_are_left_out() -> None:
    near = InnerStation(0.999, 0.24, math.radians(-7.0), np.zeros(2), naca(0.12, -0.04))
    mesh = loft(wing(rounded_tips=True, inner=(near,)), 12, 4)
    assert_solid(checked(mesh.triangles()))
    assert np.abs(mesh.points - loft(wing(rounded_tips=True), 12, 4).points).max() < 1e-9


def test_a_wing_thicker_than_wide_has_no_round_tips() -> None:
    with pytest.raises(InputError, match="“upper” is too short for rounded tips: its span of 20 mm"):
        loft(wing(rounded_tips=True, span_m=0.02))


@settings(max_examples=15, deadline=None)
@given(
    thickness=st.floats(0.06, 0.3), camber=st.floats(-0.08, 0.08), taper=st.floats(0.3, 1.6),
    sweep=st.floats(-0.6, 0.8), dihedral=st.floats(-0.3, 0.3), twist=st.floats(-0.25, 0.25),
    edge=st.floats(0.0, 0.02), least=st.sampled_from([0.0, 0.002]), inner=st.booleans(),
)  # fmt: skip
def test_any_sensible_round_tip_is_solid(
    thickness: float, camber: float, taper: float, sweep: float, dihedral: float, twist: float, edge: float,
    least: float, inner: bool,
) -> None:  # fmt: skip
    shape = replace(naca(thickness, camber, CLOSED), trailing_edge=edge)
    station = InnerStation(0.6, 0.2, 0.1, np.array([0.03, -0.02]), naca(0.2, camber))
    mesh = loft(
        wing(
            rounded_tips=True, taper=taper, sweep_rad=sweep, dihedral_rad=dihedral, twist_rad=twist, shape=shape,
            tip_shape=naca(thickness, -camber, CLOSED), least_edge_m=least, inner=(station,) * inner,
        ), 10, 6,
    )  # fmt: skip
    (shell,) = shells(mesh)
    assert_solid(shell)
    assert shell.euler_number == 2
    assert shell.area_faces.min() > 0.0
    assert np.ptp(mesh.points[:, 1]) == pytest.approx(1.3, abs=1e-12)
