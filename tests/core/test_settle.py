"""A torn part settled on the scan: exact motions, what shapes hold, noise, damage, and a general library."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.spatial.transform import Rotation

from blend_samples.wing import Section
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.index import TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh, join, moved
from wingfettle.core.scan.settle import Settled, settle

Floats = NDArray[np.float64]
Rng = np.random.Generator


def sheet(at: Callable[[Floats, Floats], Floats], nu: int, nv: int) -> TriMesh:
    """The surface ``at`` (u, v), each 0 to 1, as (nu - 1) (nv - 1) split squares."""
    u, v = np.meshgrid(np.linspace(0.0, 1.0, nu), np.linspace(0.0, 1.0, nv), indexing="ij")
    k = (np.arange(nu - 1)[:, None] * nv + np.arange(nv - 1)).ravel()
    triangles = np.concatenate([np.column_stack([k, k + 1, k + nv]), np.column_stack([k + nv, k + 1, k + nv + 1])])
    return TriMesh(at(u, v).reshape(-1, 3), triangles.astype(np.int32))


def wing(start: float, end: float, around: int, along: int, taper: float = 0.0) -> TriMesh:
    """A NACA 4412 wing (NACA Report 460, 1933) of 0.25 m chord between two places on the span; ``taper`` a metre."""
    section = Section(0.04, 0.4, 0.12, 0.008)

    def at(u: Floats, v: Floats) -> Floats:
        contour = section.contour(2.0 * u.ravel() - 1.0).reshape(*u.shape, 2)
        y = start + (end - start) * v
        chord = 0.25 * (1.0 - taper * y)
        return np.stack([-chord * contour[..., 0], y, chord * contour[..., 1]], axis=-1)

    return sheet(at, around, along)


def waves(
    start: float, end: float, count: int, noise: float = 0.0, length: float = 0.0, rng: Rng | None = None
) -> TriMesh:
    """A sheet that slopes in every direction, with noise across it that hangs together over ``length``."""

    def at(u: Floats, v: Floats) -> Floats:
        x, y = start + (end - start) * u, start + (end - start) * v
        z = 0.03 * np.sin(x / 0.05) * np.cos(y / 0.06)
        if rng is not None:
            error = rng.normal(size=z.shape)
            if length:
                error = gaussian_filter(error, length * (count - 1) / (end - start))
            z = z + noise * error / error.std()
        return np.stack([x, y, z], axis=-1)

    return sheet(at, count, count)


def on_a_sphere(radius: float, down: Floats, round_it: Floats) -> Floats:
    flat = np.sin(down)
    return radius * np.stack([flat * np.cos(round_it), flat * np.sin(round_it), np.cos(down)], axis=-1)


def solid(mesh: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.array(mesh.vertices, float), np.array(mesh.faces, np.int32))


def box(edge: float) -> TriMesh:
    return solid(trimesh.creation.box((0.4, 0.3, 0.2)).subdivide_to_size(edge))


def noisy(mesh: TriMesh, noise: float, rng: Rng) -> TriMesh:
    return TriMesh(mesh.points + rng.normal(0.0, noise, mesh.points.shape), mesh.triangles)


def astray(part: TriMesh, degrees: float, metres: float, rng: Rng) -> Floats:
    """A motion as a coarse placing leaves it: a turn about the part's middle and a shift."""
    turn, shift = rng.normal(size=(2, 3))
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.from_rotvec(np.radians(degrees) * turn / np.linalg.norm(turn)).as_matrix()
    middle = part.points.mean(axis=0)
    matrix[:3, 3] = middle + metres * shift / np.linalg.norm(shift) - matrix[:3, :3] @ middle
    return matrix


def left_over(found: Settled, motion: Floats) -> Floats:
    """(6,) what is left of ``motion``: shift of the common area's middle, m, and turn, rad (scipy's)."""
    left = found.matrix @ motion
    return np.concatenate(
        [moved(found.middle[None], left)[0] - found.middle, Rotation.from_matrix(left[:3, :3]).as_rotvec()]
    )


def far_off(found: Settled, motion: Floats, part: TriMesh) -> float:
    return float(np.linalg.norm(moved(part.points, found.matrix @ motion) - part.points, axis=1).max())


# -- where it is held ----------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_exact_motions_are_taken_back(seed: int) -> None:
    rng = np.random.default_rng(seed)
    part, scan = box(0.013), box(0.01)
    motion = astray(part, 2.0, 0.006, rng)
    strayed = part.transformed(motion)
    strayed.points.flags.writeable = strayed.triangles.flags.writeable = False
    found = settle(strayed, scan, samples=4000)
    # Exact: both are the same box.
    assert far_off(found, motion, part) < 1e-6
    assert found.matrix[:3, :3] @ found.matrix[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
    assert found.matrix[3].tolist() == [0.0, 0.0, 0.0, 1.0]
    assert found.rms_m < 1e-6
    assert found.common_share > 0.98
    assert found.common_m2 == pytest.approx(0.52, rel=0.02)  # 2 (0.4 0.3 + 0.4 0.2 + 0.3 0.2)
    assert found.weak == ()
    assert "all six directions held" in found.sentence("upper")
    by_index = settle(strayed, TriangleIndex.build(scan), samples=4000)
    assert np.array_equal(by_index.matrix, found.matrix)


def test_the_closest_points_of_trimesh_do_not_come_nearer() -> None:
    rng = np.random.default_rng(11)
    part, scan = noisy(waves(0.05, 0.22, 60), 5e-5, rng), noisy(waves(0.0, 0.3, 120), 5e-5, rng)
    motion = astray(part, 1.0, 0.003, rng)
    strayed = part.transformed(motion)
    found = settle(strayed, scan, samples=4000)
    library = trimesh.Trimesh(scan.points, scan.triangles, process=False)
    some = strayed.points[:: len(strayed.points) // 300]

    def by_library(points: Floats, turns: int) -> Floats:
        kinds = {"scale": False, "reflection": False, "threshold": 1e-15, "max_iterations": turns}
        return np.asarray(trimesh.registration.icp(points, library, **kinds)[0])

    # From the coarse place, point to point, it comes a good way in the same direction ...
    start = np.linalg.norm(moved(part.points, motion) - part.points, axis=1).max()
    theirs = np.linalg.norm(moved(part.points, by_library(some, 60) @ motion) - part.points, axis=1).max()
    assert theirs < 0.5 * start
    assert far_off(found, motion, part) < min(3e-5, theirs)
    # ... and from where ours ends it finds nothing more to do than its few points' noise.
    more = by_library(moved(some, found.matrix), 20)
    assert np.linalg.norm(moved(part.points, more) - part.points, axis=1).max() < 5e-5


def test_the_residual_is_the_noise() -> None:
    rng = np.random.default_rng(3)
    part, scan = waves(0.05, 0.22, 120), waves(0.0, 0.3, 200, 1e-4, 0.0, rng)
    found = settle(part, scan)
    # From outside: the distances by trimesh, of the part put back where it belongs.
    near = trimesh.proximity.closest_point(
        trimesh.Trimesh(scan.points, scan.triangles, process=False), part.points[::17]
    )[1]
    assert found.rms_m == pytest.approx(np.sqrt(np.mean(near**2)), rel=0.1)
    assert found.median_m == pytest.approx(np.median(near), rel=0.1)
    assert found.p95_m == pytest.approx(np.percentile(near, 95.0), rel=0.1)


@pytest.mark.parametrize("seed", range(3))
def test_little_overlap_and_much_damage(seed: int) -> None:
    rng = np.random.default_rng(seed)
    scan, part = waves(0.0, 0.3, 200), waves(0.0, 0.3, 190)
    # The scan ends where 30 % of the part is common; two fifths of that is dented by 1 to 6 mm.
    end = 0.3 * np.sqrt(0.3)
    scan = scan.subset((scan.corners[:, :, :2] <= end).all(axis=(1, 2)))
    scan, part = noisy(scan, 3e-5, rng), noisy(part, 3e-5, rng)
    inside = (part.points[:, :2] <= end).all(axis=1)
    patch = np.floor(part.points[:, :2] / 0.02).astype(int) @ [1, 50]
    names = np.unique(patch[inside])
    dented = np.isin(patch, rng.permutation(names)[: round(0.4 * len(names))])
    depth = rng.uniform(0.001, 0.006, patch.max() + 1) * rng.choice([-1.0, 1.0], patch.max() + 1)
    damaged = part.points.copy()
    damaged[dented, 2] += depth[patch[dented]]
    motion = astray(part, 1.0, 0.003, rng)
    found = settle(TriMesh(damaged, part.triangles).transformed(motion), scan)
    assert found.weak == ()
    assert far_off(found, motion, part) < 2e-4
    assert 0.12 < found.common_share < 0.3
    assert np.abs(left_over(found, motion)[:3]).max() < 5e-5


def test_a_bent_end_does_not_pull_the_sound_one_along() -> None:
    rng = np.random.default_rng(5)
    scan, part = waves(0.0, 0.3, 150), noisy(waves(0.0, 0.3, 140), 3e-5, rng)
    bent = part.points.copy()
    bent[:, 2] += 0.02 * np.maximum(bent[:, 0] / 0.3 - 0.6, 0.0) ** 2 / 0.16
    motion = astray(part, 1.0, 0.003, rng)
    found = settle(TriMesh(bent, part.triangles).transformed(motion), scan, samples=8000)
    assert far_off(found, motion, part) < 3e-4
    assert 0.5 < found.common_share < 0.8


# -- what it says of what it does not hold ---------------------------------------------------------


@pytest.mark.parametrize("noise", [0.0, 5e-5, 1e-4])
def test_the_slide_of_a_prismatic_wing_is_left_and_told(noise: float) -> None:
    rng = np.random.default_rng(2)
    scan, part = noisy(wing(0.0, 0.6, 201, 150), noise, rng), noisy(wing(0.1, 0.45, 171, 100), noise, rng)
    slide = np.eye(4)
    slide[1, 3] = 0.004
    motion = slide @ astray(part, 1.0, 0.002, rng)
    found = settle(part.transformed(motion), scan, samples=6000)
    (weak,) = found.weak
    assert weak is found.directions[0]
    assert weak.words == "slide freely sideways"
    assert "weakly held and so left as picked: may slide freely sideways" in found.sentence("upper")
    along = weak.motion / np.linalg.norm(weak.motion)
    assert abs(along[1]) > 0.999
    # Exact: only along the span nothing holds it; there it stays where the pairs put it, all else is met.
    left, before = left_over(found, motion), moved(found.middle[None], np.linalg.inv(found.matrix))[0]
    assert found.middle[1] - before[1] == pytest.approx(0.0, abs=1e-4)
    assert abs(left[1]) > 0.002
    assert np.abs(left[[0, 2]]).max() < 2e-5 + noise / 5.0
    assert np.abs(left[3:]).max() < 2e-4
    assert np.sqrt(found.covariance[1, 1]) == pytest.approx(0.02, rel=1e-3)


def test_an_end_plate_holds_the_slide() -> None:
    rng = np.random.default_rng(2)
    plate = box(0.006).transformed(np.diag([0.9, 0.01, 0.9, 1.0]))
    shift = trimesh.transformations.translation_matrix([-0.12, 0.45, 0.0])
    scan = noisy(join([wing(0.0, 0.6, 201, 150), plate.transformed(shift)]), 5e-5, rng)
    part = noisy(join([wing(0.1, 0.44, 171, 100), plate.transformed(shift)]), 5e-5, rng)
    motion = astray(part, 1.0, 0.003, rng)
    found = settle(part.transformed(motion), scan, samples=8000)
    assert found.weak == ()
    assert far_off(found, motion, part) < 1e-4


@pytest.mark.parametrize(
    ("name", "held", "words"),
    [
        ("plane", 3, {"slide freely fore-aft", "slide freely sideways", "turn freely about the up-down axis"}),
        ("sphere", 3, {"turn freely about the"}),
        ("cylinder", 4, {"slide freely sideways", "turn freely about the sideways axis"}),
    ],
)
@pytest.mark.parametrize("noise", [0.0, 5e-5])
def test_shapes_that_slide_on_themselves(name: str, held: int, words: set[str], noise: float) -> None:
    # The motions that leave a surface on itself: three of a plane, three of a sphere, two of a cylinder (exact).
    rng = np.random.default_rng(4)
    made = {
        "plane": lambda n: sheet(lambda u, v: np.stack([0.3 * u, 0.3 * v, 0.0 * u], -1), n, n),
        "sphere": lambda n: sheet(lambda u, v: on_a_sphere(0.2, 0.4 + 2.2 * u, 6.0 * v), n, n),
        "cylinder": lambda n: sheet(
            lambda u, v: np.stack([0.1 * np.cos(6.28 * v), 0.4 * u, 0.1 * np.sin(6.28 * v)], -1), n, n
        ),
    }[name]
    scan, part = noisy(made(140), noise, rng), noisy(made(120), noise, rng)
    motion = astray(part, 0.5, 0.002, rng)
    found = settle(part.transformed(motion), scan, samples=5000)
    assert len(found.weak) == 6 - held
    said = [d.words for d in found.weak]
    for word in words:
        assert any(word in line for line in said), said
    # Held all the same: the surface itself is met, as the library sees it.
    library = trimesh.Trimesh(scan.points, scan.triangles, process=False)
    inner = part.points[
        np.linalg.norm(part.points - part.points.mean(axis=0), axis=1) < 0.15 if name == "plane" else ...
    ]
    off = trimesh.proximity.closest_point(library, moved(inner.reshape(-1, 3)[::37], found.matrix @ motion))[1]
    assert np.median(off) < 5e-5 + 1.5 * noise  # the facets' height over the round ones is 5e-5 at most


@pytest.mark.parametrize("length", [0.0, 0.005])
def test_errors_scatter_as_predicted(length: float) -> None:
    predicted, met = [], []
    for seed in range(14):
        rng = np.random.default_rng(seed)
        scan, part = waves(0.0, 0.3, 130, 5e-5, length, rng), waves(0.05, 0.22, 100, 5e-5, length, rng)
        motion = astray(part, 0.5, 0.002, rng)
        found = settle(part.transformed(motion), scan, samples=3000)
        assert found.weak == ()
        assert found.covariance == pytest.approx(found.covariance.T)
        predicted.append(np.diag(found.covariance))
        met.append(left_over(found, motion) ** 2)
    ratio = np.sqrt(np.mean(predicted, axis=0) / np.mean(met, axis=0))
    assert (ratio > 0.5).all(), ratio
    assert (ratio < 2.0).all(), ratio


def test_what_a_wing_holds_scatters_as_predicted() -> None:
    squares = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        scan, part = noisy(wing(0.0, 0.3, 120, 60), 5e-5, rng), noisy(wing(0.05, 0.25, 100, 50), 5e-5, rng)
        motion = astray(part, 0.5, 0.002, rng)
        found = settle(part.transformed(motion), scan, samples=3000)
        assert len(found.weak) == 1
        left = left_over(found, motion)
        squares.append(left @ np.linalg.solve(found.covariance, left))
    # Squared errors in units of their variance: one a direction for the five that are held.
    assert 0.5 < np.sqrt(np.mean(squares) / 5.0) < 2.0


def test_the_slide_of_a_tapered_wing_is_no_better_than_it_says() -> None:
    # Facets lean with the noise far more than the taper slopes; taken for slopes they would hold the slide falsely.
    met, told = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        scan, part = noisy(wing(0.0, 0.6, 150, 150, 0.6), 5e-5, rng), noisy(wing(0.1, 0.45, 130, 110, 0.6), 5e-5, rng)
        motion = astray(part, 1.0, 0.004, rng)
        found = settle(part.transformed(motion), scan, samples=8000)
        assert found.weak == ()
        met.append(left_over(found, motion)[1] ** 2)
        told.append(found.covariance[1, 1])
    assert 0.5 < np.sqrt(np.mean(told) / np.mean(met)) < 2.0


def test_a_tighter_limit_leaves_more_to_the_pairs() -> None:
    rng = np.random.default_rng(6)
    scan, part = noisy(waves(0.0, 0.3, 130), 1e-4, rng), noisy(waves(0.05, 0.22, 100), 1e-4, rng)
    found = settle(part, scan, samples=3000)
    errors = [d.error_m for d in found.directions]
    assert errors == sorted(errors, reverse=True)
    limit = 0.5 * (errors[1] + errors[2])
    tight = settle(part, scan, weak_m=limit, samples=3000)
    assert len(tight.weak) == 2
    assert all(d.bound and d.error_m < 0.001 and "freely" not in d.words for d in tight.weak)


# -- refused ---------------------------------------------------------------------------------------


def test_too_little_in_common_is_refused() -> None:
    scan, part = waves(0.0, 0.3, 100), waves(0.28, 0.6, 100)
    with pytest.raises(InputError, match=r"Only 0\.\d % of “upper” \(\d+ cm²\) lies within 20 mm.*10 % and 10 cm²"):
        settle(part, scan, what="“upper”", samples=3000)
    with pytest.raises(InputError, match=r"Only 0.0 % of the part \(0 cm²\)"):
        settle(TriMesh(part.points + [0.0, 0.0, 1.0], part.triangles), scan, samples=3000)
    turned = TriMesh(scan.points, scan.triangles[:, ::-1])
    with pytest.raises(InputError, match="faces the same way"):
        settle(scan, turned, samples=3000)
    assert settle(waves(0.2, 0.5, 100), scan, least_share=0.05, samples=6000).common_share < 0.15


def test_two_held_directions_are_too_few() -> None:
    rng = np.random.default_rng(1)
    flat = sheet(lambda u, v: np.stack([0.3 * u, 0.3 * v, 0.0 * u], -1), 60, 60)
    with pytest.raises(InputError, match=r"cm² that the part has in common with the scan hold only \d of six"):
        settle(noisy(flat, 5e-4, rng), noisy(flat, 5e-4, rng), weak_m=1e-6, samples=3000)


def test_what_is_no_mesh_is_refused() -> None:
    few = solid(trimesh.creation.box())
    with pytest.raises(InputError, match="“upper” holds only 12 faces"):
        settle(few, waves(0.0, 0.3, 50), what="“upper”")
