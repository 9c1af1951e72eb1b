"""Distances of points and triangles from triangles, against closed forms, rational arithmetic and general libraries."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import fcl
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear
from scipy.spatial.transform import Rotation

from wingfettle.core.geometry.pairs import closest_between_triangles, closest_on_triangles, triangles_meet

RNG = np.random.default_rng
FLAT = np.array([[[0.0, 0, 0], [2, 0, 0], [0, 2, 0]]])


def simplex_distance(a: np.ndarray, b: np.ndarray) -> float:
    """Distance of two triangles as a bounded least squares problem (scipy's solver), scaled weights sum to one."""
    # Weights of both triangles, each forced to sum to 1 by a heavy extra row.
    heavy = 1e5
    rows = np.vstack([np.hstack([a.T, -b.T]), heavy * np.repeat(np.eye(2), 3, axis=1)])
    w = lsq_linear(rows, np.r_[0, 0, 0, heavy, heavy], (0, np.inf), tol=1e-14, max_iter=500).x
    p, q = w[:3] / w[:3].sum(), w[3:] / w[3:].sum()
    return float(np.linalg.norm(p @ a - q @ b))


def fcl_distance(a: np.ndarray, b: np.ndarray) -> float:
    shapes = []
    for corners in (a, b):
        model = fcl.BVHModel()
        model.beginModel(1, 3)
        model.addSubModel(corners, np.array([[0, 1, 2]]))
        model.endModel()
        shapes.append(fcl.CollisionObject(model))
    return float(fcl.distance(*shapes, fcl.DistanceRequest(), fcl.DistanceResult()))


def exact_square(a: np.ndarray, b: np.ndarray) -> Fraction:
    """Squared distance of two triangles without any rounding: every float64 is a fraction, and all that is needed to
    choose among features are sums, products and quotients of fractions."""
    p, q = ([[Fraction(float(x)) for x in corner] for corner in t] for t in (a, b))
    best = min(
        [point_to_triangle(corner, t) for t, other in ((p, q), (q, p)) for corner in other]
        + [edge_to_edge(p[i], p[i - 2], q[j], q[j - 2]) for i, j in product(range(3), repeat=2)]
    )
    pierced = any(pierces(other[k], other[k - 2], t) for t, other in ((p, q), (q, p)) for k in range(3))
    return Fraction(0) if pierced else best


def minus(u, v):
    return [x - y for x, y in zip(u, v, strict=True)]


def dot(u, v):
    return sum((x * y for x, y in zip(u, v, strict=True)), Fraction(0))


def along(start, run, share):
    return [x + share * y for x, y in zip(start, run, strict=True)]


def normal_of(t):
    u, v = minus(t[1], t[0]), minus(t[2], t[0])
    return [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]]


def point_to_edge(point, start, end):
    run = minus(end, start)
    under = dot(run, run)
    share = min(max(dot(minus(point, start), run) / under, Fraction(0)), Fraction(1)) if under else Fraction(0)
    off = minus(point, along(start, run, share))
    return dot(off, off)


def over(point, t, normal):
    """Whether the foot of ``point`` on the plane of ``t`` lies in ``t``."""
    return all(dot(normal_of([t[k - 2], point, t[k]]), normal) >= 0 for k in range(3))


def point_to_triangle(point, t):
    normal = normal_of(t)
    square = dot(normal, normal)
    if square and over(point, t, normal):
        return dot(minus(point, t[0]), normal) ** 2 / square
    return min(point_to_edge(point, t[k], t[k - 2]) for k in range(3))


def edge_to_edge(p, p2, q, q2):
    u, v, r = minus(p2, p), minus(q2, q), minus(p, q)
    found = [
        point_to_edge(p, q, q2), point_to_edge(p2, q, q2), point_to_edge(q, p, p2), point_to_edge(q2, p, p2)
    ]  # fmt: skip
    under = dot(u, u) * dot(v, v) - dot(u, v) ** 2
    if under:
        s = (dot(u, v) * dot(v, r) - dot(v, v) * dot(u, r)) / under
        t = (dot(u, u) * dot(v, r) - dot(u, v) * dot(u, r)) / under
        if 0 <= s <= 1 and 0 <= t <= 1:
            off = minus(along(p, u, s), along(q, v, t))
            found.append(dot(off, off))
    return min(found)


def pierces(start, end, t):
    normal = normal_of(t)
    low, high = dot(minus(start, t[0]), normal), dot(minus(end, t[0]), normal)
    if low == high or low * high > 0:
        return False
    return over(along(start, minus(end, start), low / (low - high)), t, normal)


def judged(a: np.ndarray, b: np.ndarray, within: float) -> np.ndarray:
    """Check pairs (n, 3, 3) against the rational judge; the exact distances."""
    square = [exact_square(p, q) for p, q in zip(a, b, strict=True)]
    exact = np.array([float(s) for s in square]) ** 0.5
    distance, on_a, on_b = closest_between_triangles(a, b)
    np.testing.assert_allclose(distance, exact, rtol=0.0, atol=within)
    # What touches is told so, and nothing that is farther apart than rounding may tell.
    meets = triangles_meet(a, b)
    assert meets[exact == 0.0].all()
    assert not meets[exact > within].any()
    np.testing.assert_array_equal(meets, distance == 0.0)
    # The two points lie on their triangles and are that far apart.
    np.testing.assert_allclose(np.linalg.norm(on_a - on_b, axis=1), distance, rtol=0.0, atol=within)
    for place, corners in ((on_a, a), (on_b, b)):
        assert np.linalg.norm(closest_on_triangles(place, corners) - place, axis=1).max() <= within
    return exact


@pytest.mark.parametrize(
    ("point", "foot"),
    [((0.5, 0.5, 1), (0.5, 0.5, 0)), ((2, 2, 0), (1, 1, 0)), ((-1, -2, 3), (0, 0, 0)), ((1, -4, 0), (1, 0, 0))],
)
def test_point_triangle_exact(point, foot) -> None:
    # Exact geometry on the right triangle with legs of 2: face, long edge, corner, leg.
    assert closest_on_triangles(np.array([point], float), FLAT)[0] == pytest.approx(foot, abs=1e-15)


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        # Exact geometry.
        ([[0, 0, 0.3], [2, 0, 0.3], [0, 2, 0.3]], 0.3),  # parallel above
        ([[0.2, 0.2, 0], [0.6, 0.2, 0], [0.2, 0.6, 0]], 0.0),  # in the plane, inside
        ([[-1, 0.5, 0], [3, 0.5, 0], [3, 0.7, 0]], 0.0),  # in the plane, edges cross, no corner inside
        ([[3, 0, 0], [4, 0, 0], [3, 1, 0]], 1.0),  # in the plane, apart
        ([[0.5, 0.5, -1], [0.5, 0.5, 1], [2, 2, 0]], 0.0),  # cut through
        ([[0.5, 0.5, 0.25], [0.5, 0.5, 0.25], [0.5, 0.5, 0.25]], 0.25),  # no more than a point
        ([[0.5, 0.5, -1], [0.5, 0.5, 1], [0.5, 0.5, 0.5]], 0.0),  # a needle through the face
        ([[0.5, 0.5, 0.1], [0.5, 0.5, 1], [0.5, 0.5, 0.5]], 0.1),  # a needle above it
        ([[2, 0, 0], [3, 0, 1], [3, 0, -1]], 0.0),  # a shared corner
        ([[2, 0, 0], [0, 0, 0], [1, 0, 1]], 0.0),  # a shared edge
    ],
)
def test_triangle_pairs_exact(other, expected) -> None:
    other = np.array([other], float)
    for a, b in ((FLAT, other), (other, FLAT)):
        distance, on_a, on_b = closest_between_triangles(a, b)
        assert distance[0] == pytest.approx(expected, abs=1e-14)
        assert np.linalg.norm(on_a - on_b) == pytest.approx(expected, abs=1e-14)
        assert triangles_meet(a, b)[0] == (expected == 0.0)


def test_slivers() -> None:
    # Exact: needles of 1 m by 1 nm at right angles, 1 mm apart; and a needle piercing a plate.
    needle = np.array([[[-0.5, 0, 0], [0.5, 0, 0], [0.5, 1e-9, 0]]])
    across = np.array([[[0.1, -0.5, 1e-3], [0.1, 0.5, 1e-3], [0.1 + 1e-9, 0.5, 1e-3]]])
    assert closest_between_triangles(needle, across)[0][0] == pytest.approx(1e-3, abs=1e-12)
    plate = np.array([[[0.2, -1, -1], [0.2, 1, -1], [0.2, 0, 1.0]]])
    assert triangles_meet(needle, plate)[0]
    assert not triangles_meet(needle + [0, 0, 1.1], plate)[0]


def test_triangle_pairs_against_fcl_and_least_squares() -> None:
    rng = RNG(5)
    a, b = (rng.normal(0, 1, (300, 3, 3)) for _ in range(2))
    b[:150] += rng.normal(0, 2, (150, 1, 3))
    distance, on_a, on_b = closest_between_triangles(a, b)
    judge = np.array([fcl_distance(p, q) for p, q in zip(a, b, strict=True)])
    crossing = judge <= 0.0
    assert 20 < crossing.sum() < 280
    assert np.array_equal(distance == 0.0, crossing)
    assert np.array_equal(triangles_meet(a, b), crossing)
    assert distance[~crossing] == pytest.approx(judge[~crossing], abs=1e-6)
    quadratic = [simplex_distance(p, q) for p, q in zip(a[~crossing][:60], b[~crossing][:60], strict=True)]
    assert distance[~crossing][:60] == pytest.approx(quadratic, abs=1e-6)
    # The points lie on their triangles and are that far apart.
    assert np.linalg.norm(on_a - on_b, axis=1) == pytest.approx(distance, abs=1e-12)
    assert np.abs(closest_on_triangles(on_a, a) - on_a).max() < 1e-12
    assert np.abs(closest_on_triangles(on_b, b) - on_b).max() < 1e-12


def test_the_rational_judge_itself() -> None:
    # Exact: a corner 5 above a face, edges that cross 3 apart, and a needle through a face.
    face = np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0]])
    assert exact_square(face, np.array([[1.0, 1, 5], [1, 1, 9], [1, 2, 9]])) == 25
    assert exact_square(face, np.array([[2.0, -1, -3], [2, 1, -3], [2, 0, -9]])) == 9
    assert exact_square(face, np.array([[1.0, 1, -1], [1, 1, 1], [1, 1, 1]])) == 0
    assert exact_square(face, np.array([[4.0, 4, 0], [5, 4, 0], [4, 5, 0]])) == 8


@pytest.mark.parametrize("size", [2, 3, 5])
def test_lattice_pairs_against_rational_arithmetic(size: int) -> None:
    # On a small lattice corners, edges and planes coincide all the time, and many triangles have no area.
    a, b = RNG(size).integers(0, size, (2, 80, 3, 3)).astype(float)
    exact = judged(a, b, 1e-14 * size)
    assert 10 < (exact == 0.0).sum() < 80
    area = np.linalg.norm(np.cross(a[:, 1] - a[:, 0], a[:, 2] - a[:, 0]), axis=1)
    assert (area == 0.0).sum() > 0
    flat = b.copy()
    flat[..., 2] = a[..., 2] = 1.0
    assert (judged(a, flat, 1e-14 * size) == 0.0).sum() > 10  # all in one plane


def test_unlucky_pairs_against_rational_arithmetic() -> None:
    rng = RNG(8)
    a = rng.uniform(-1, 1, (20, 3, 3))
    other = rng.uniform(-1, 1, (20, 3, 3))
    corner, edge, inner = a[:, :1], a[:, :2], np.einsum("nk,nkx->nx", rng.dirichlet([1, 1, 1], 20), a)[:, None]
    middle = edge.mean(axis=1, keepdims=True)
    normal = np.cross(a[:, 1] - a[:, 0], a[:, 2] - a[:, 0])[:, None]
    cases = {
        "a shared corner": np.concatenate([corner, other[:, 1:]], axis=1),
        "a shared edge": np.concatenate([edge, other[:, 2:]], axis=1),
        "a corner on a face": np.concatenate([inner, inner + np.abs(other[:, 1:]) * np.sign(normal)], axis=1),
        "a corner on an edge": np.concatenate([middle, other[:, 1:]], axis=1),
        "nearly the same plane": a + 1e-9 * other + 0.3 * normal,
        "the same plane, shifted": a + (edge[:, 1:] - edge[:, :1]),
        "slivers": np.stack([other[:, 0], other[:, 1], other[:, 1] + 1e-9 * other[:, 2]], axis=1),
        "no more than an edge": np.stack([other[:, 0], other[:, 1], other[:, 1]], axis=1),
        "no more than a point": np.repeat(other[:, :1], 3, axis=1),
        "itself": a,
        "nearly touching": np.concatenate([inner + 1e-7 * normal, inner + normal, inner + 2 * normal], axis=1),
    }
    for what, b in cases.items():
        exact = judged(a, b, 1e-11)
        assert len(exact) == 20, what
    thin = a.copy()
    thin[:, 2] = thin[:, 1] + 1e-10 * other[:, 0]
    for b in (cases["slivers"], cases["no more than an edge"], other):
        judged(thin, b, 1e-11)


def test_pairs_far_from_the_origin_against_rational_arithmetic() -> None:
    rng = RNG(9)
    a, b = rng.uniform(-0.01, 0.01, (2, 60, 3, 3)) + [[[[300.0, -200.0, 100.0]]]]
    judged(a, b, 1e-9)


@settings(max_examples=40, deadline=None)
@given(
    corners=st.lists(st.sampled_from([0.0, 1.0, 1.0 + 2.0**-40, 0.5, -1.0, 1e-6, 3.0]), min_size=18, max_size=18),
    turn=st.tuples(*[st.floats(-3, 3)] * 3),
)
@example(  # a thin face that an edge nearly lies along, where a crossing's place is weak
    corners=[-1.0, -1.0, -1.0, 1.0, 0.0, 1e-6, 3.0, 1.0, 1.0, 0.0, 0.0, 0.0, -1.0, 0.0, -1.0, 1.0, -1.0, 0.0],
    turn=(0.0, 1.0, 0.0),
)
def test_any_pair_against_rational_arithmetic(corners, turn) -> None:
    pair = np.array(corners).reshape(2, 1, 3, 3)
    judged(pair[0], pair[1], 1e-11)
    turned = pair @ Rotation.from_rotvec(turn).as_matrix().T
    judged(turned[0], turned[1], 1e-11)


def test_inputs_are_left_alone() -> None:
    a, b = RNG(3).normal(0, 1, (2, 50, 3, 3))
    for array in (a, b):
        array.setflags(write=False)
    assert triangles_meet(a, b).any()
    assert closest_between_triangles(a, b)[0].max() > 0.0
    assert np.isfinite(closest_on_triangles(a[:, 0], b)).all()
