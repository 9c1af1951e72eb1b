"""The rounded front of a body that was scanned without one."""

import numpy as np
import pytest
import trimesh
from scipy.spatial import ConvexHull

from wingfettle.core.errors import InputError
from wingfettle.core.flow.closing import Closing, rims_of
from wingfettle.core.flow.front import convex, front_of, length_m, rounded_front
from wingfettle.core.geometry.mesh import TriMesh


def half_car(floor: bool) -> TriMesh:
    """A block 1.4 m wide, from 0.3 to 1.2 m high, open at x = -0.5 and, without floor, below."""
    made = trimesh.creation.box((3.0, 1.4, 0.9)).subdivide().subdivide().subdivide()
    made.apply_translation((-2.0, 0.0, 0.75))
    middle = made.triangles_center
    made.update_faces((middle[:, 0] < -0.501) & (floor | (middle[:, 2] > 0.301)))
    return TriMesh(np.asarray(made.vertices), np.asarray(made.faces, np.int32))


def test_convex_hull_is_scipys() -> None:
    """Against Qhull, on points with many on one line."""
    random = np.random.default_rng(3)
    points = np.concatenate(
        [random.normal(size=(300, 2)), np.column_stack([np.linspace(-3.0, 3.0, 40), np.full(40, -2.0)])]
    )
    found = convex(points)
    truth = ConvexHull(points)
    x, y = found.T
    assert 0.5 * float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum()) == pytest.approx(truth.volume, rel=1e-5)
    assert len(found) == len(truth.vertices)


@pytest.mark.parametrize("floor", [True, False])
def test_front_is_a_block_and_half_an_ellipsoid(floor: bool) -> None:
    """Volume of the straight piece and of the rounded one, an area that falls with the square of its size: 2/3 of a
    prism as long (Archimedes, for half an ellipsoid)."""
    closing = Closing(None if floor else 0.3, -0.5)
    front = rounded_front(half_car(floor), closing)
    assert len(rims_of(front)) == 0
    made = trimesh.Trimesh(front.points, front.triangles, process=False)
    assert made.is_watertight
    assert made.is_winding_consistent
    area = 1.4 * 0.9
    assert made.volume == pytest.approx(area * (0.45 + 0.9 * 2.0 / 3.0), rel=0.01)
    low, high = front.points.min(axis=0), front.points.max(axis=0)
    np.testing.assert_allclose(low, [-0.5, -0.7, 0.3], atol=1e-6)
    np.testing.assert_allclose(high, [-0.5 + length_m(0.9), 0.7, 1.2], atol=1e-6)


def test_a_half_that_was_scanned_makes_a_whole_front() -> None:
    whole = half_car(True)
    right = whole.points[:, 1][whole.triangles].max(axis=1) < 1e-9
    half = TriMesh(whole.points, whole.triangles[right])
    one, other = (rounded_front(mesh, Closing(None, -0.5)) for mesh in (whole, half))
    np.testing.assert_allclose(other.points.min(axis=0), one.points.min(axis=0), atol=1e-6)
    np.testing.assert_allclose(other.points.max(axis=0), one.points.max(axis=0), atol=1e-6)


def test_what_has_no_front_to_add() -> None:
    with pytest.raises(InputError, match="has a front of its own"):
        rounded_front(half_car(True), Closing())
    with pytest.raises(InputError, match="Nothing of the body lies at its front plane 5.00 m forward"):
        rounded_front(half_car(True), Closing(None, 5.0))


def test_a_wing_close_behind_the_plane_leaves_it_as_it_is() -> None:
    scan = half_car(False)
    closing, front = front_of(scan, -2.0, 0.25)
    assert closing.front_m == pytest.approx(-0.5, abs=0.05)
    assert front is not None
    assert front_of(scan, -0.8, 0.25)[1] is None
