"""Streamlines against exact flows: uniform wind, a vortex, the source in a stream, the sphere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.box import Box
from wingfettle.core.lift.streamlines import plane_seeds, streamlines

Floats = NDArray[np.float64]


def uniform(points: Floats) -> Floats:
    return np.broadcast_to([-30.0, 0.0, 3.0], points.shape)


def vortex(points: Floats) -> Floats:
    """A straight vortex along y through the origin."""
    x, z = points[:, 0], points[:, 2]
    return np.column_stack([z, 0.0 * x, -x]) / (x**2 + z**2)[:, None]


def past_sphere(points: Floats) -> Floats:
    """Unit wind along -x past the unit sphere: a doublet (Lamb, Hydrodynamics, 6th ed. 1932, art. 92)."""
    r = np.linalg.norm(points, axis=1)[:, None]
    free = np.array([-1.0, 0.0, 0.0])
    return free - 0.5 * (3.0 * (points @ free)[:, None] * points / r**5 - free / r**3)


def stream_function(points: Floats) -> Floats:
    """Stokes's stream function of that flow (same source, art. 95): constant along each line."""
    r = np.linalg.norm(points, axis=1)
    across = np.hypot(points[:, 1], points[:, 2])
    return 0.5 * across**2 * (1.0 - r**-3)


def way(line: Floats) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def test_uniform_wind_is_a_straight_line_of_the_length_asked_for() -> None:
    seeds = plane_seeds(0.2, 1.0, [0.5, 0.9])
    assert seeds.tolist() == [[1.0, 0.2, 0.5], [1.0, 0.2, 0.9]]
    for seed, line in zip(seeds, streamlines(uniform, seeds, length_m=2.0, step_m=0.07), strict=True):
        ahead = np.array([-30.0, 0.0, 3.0]) / math.hypot(30.0, 3.0)
        assert line[0] == pytest.approx(seed - 2.0 * ahead, abs=1e-12)  # the wind comes from there
        assert line[-1] == pytest.approx(seed + 2.0 * ahead, abs=1e-12)
        assert np.abs(np.cross(line - seed, ahead)).max() < 1e-12
        steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
        assert steps.max() <= 0.07 * (1.0 + 1e-9)
        assert (line == seed).all(axis=1).sum() == 1


def test_lines_about_a_vortex_are_circles_gone_round_at_the_right_rate() -> None:
    seeds = plane_seeds(0.0, 0.0, [0.05, 0.3, 1.0])
    for radius, line in zip(
        (0.05, 0.3, 1.0), streamlines(vortex, seeds, length_m=1.5, step_m=0.05, tolerance_m=1e-9), strict=True
    ):
        assert np.hypot(line[:, 0], line[:, 2]) == pytest.approx(np.full(len(line), radius), abs=2e-6)
        # Clockwise from x to z: over the top the wind goes forward. The ends stand 1.5 m of arc from the seed.
        for end, turn in ((line[-1], 1.5 / radius), (line[0], -1.5 / radius)):
            assert end == pytest.approx([radius * math.sin(turn), 0.0, radius * math.cos(turn)], abs=5e-5)


def test_error_falls_with_the_third_power_of_the_step() -> None:
    errors = []
    for step in (0.2, 0.1, 0.05):
        line = streamlines(vortex, plane_seeds(0.0, 0.0, [1.0]), length_m=1.0, step_m=step, tolerance_m=1.0)[0]
        errors.append(np.linalg.norm(line[-1] - [math.sin(1.0), 0.0, math.cos(1.0)]))
    order = np.log2(np.array(errors[:-1]) / errors[1:])
    # Bogacki and Shampine: of order three.
    assert order == pytest.approx([3.0, 3.0], abs=0.25)


def test_stream_function_is_constant_past_a_sphere() -> None:
    heights = np.array([0.02, 0.2, 0.6, 1.1, 2.0])
    seeds = plane_seeds(0.0, 3.0, heights) + [0.0, 0.15, 0.0]
    lines = streamlines(past_sphere, seeds, length_m=6.0, step_m=0.2, tolerance_m=1e-9)
    for line in lines:
        value = stream_function(line)
        assert value == pytest.approx(np.full(len(line), value[0]), abs=1e-6)
        assert line[0, 0] > 8.0  # backward is upwind
        assert line[-1, 0] < 0.0
        # Lines stay in their meridian plane.
        assert np.ptp(np.arctan2(line[:, 1], line[:, 2])) < 1e-6


def test_source_in_a_stream_divides_the_wind() -> None:
    """Rankine's half body: the stream function is constant, and all the wind from ahead passes outside its radius 2.

    Strength 4 pi in a unit wind (stream functions: Lamb, art. 95; the radius by the balance of flux).
    """

    def flow(points: Floats) -> Floats:
        return np.array([-1.0, 0.0, 0.0]) + points / np.linalg.norm(points, axis=1)[:, None] ** 3

    lines = streamlines(flow, plane_seeds(0.0, 20.0, [0.05, 0.5, 1.5]), length_m=60.0, step_m=0.5, tolerance_m=1e-7)
    for start, line in zip((0.05, 0.5, 1.5), lines, strict=True):
        cosine = line[:, 0] / np.linalg.norm(line, axis=1)
        flux = 0.5 * line[:, 2] ** 2 + cosine
        assert flux == pytest.approx(np.full(len(line), flux[0]), abs=1e-5)
        assert line[-1, 0] < -30.0
        far = math.sqrt(start**2 + 2.0 * 20.0 / math.hypot(20.0, start) + 2.0)
        assert line[-1, 2] == pytest.approx(far, abs=0.01)


def test_lines_end_before_a_surface_and_at_a_stagnation_point() -> None:
    # Through the body, had it no wall.
    stopped = streamlines(
        uniform, np.array([[2.0, 0.0, 0.0]]), length_m=9.0, step_m=0.1,
        stop=lambda p: np.linalg.norm(p, axis=1) < 0.5,
    )[0]  # fmt: skip
    assert (np.linalg.norm(stopped, axis=1) >= 0.5).all()
    assert np.linalg.norm(stopped[-1]) < 0.5 + 2.0 * 0.1 / 256.0 + 1e-3
    assert stopped[0, 0] > 10.0
    # On the axis the wind stands still at the sphere's front, and no line gets past it.
    axis = streamlines(past_sphere, np.array([[3.0, 0.0, 0.0]]), length_m=9.0, step_m=0.1)[0]
    assert axis[-1] == pytest.approx([1.0, 0.0, 0.0], abs=5e-3)
    assert axis[-1, 0] >= 1.0 - 1e-3


def test_lines_are_cut_at_the_box() -> None:
    box = Box(np.array([-1.0, -1.0, 0.0]), np.array([2.0, 1.0, 1.0]))
    line = streamlines(uniform, plane_seeds(0.0, 0.0, [0.5]), length_m=9.0, step_m=0.3, box=box)[0]
    assert line[-1] == pytest.approx([-1.0, 0.0, 0.6], abs=1e-9)
    assert line[0] == pytest.approx([2.0, 0.0, 0.3], abs=1e-9)
    round_ = streamlines(
        vortex, plane_seeds(0.0, 0.0, [0.8]), length_m=2.0, step_m=0.2, box=box, tolerance_m=1e-8
    )[0]  # fmt: skip
    # The circle leaves the box at its floor, a quarter round either way.
    assert round_[[0, -1]] == pytest.approx(np.array([[-0.8, 0.0, 0.0], [0.8, 0.0, 0.0]]), abs=1e-4)
    assert (round_[:, 2] >= 0.0).all()


def test_seeds_without_a_way_give_empty_lines() -> None:
    seeds = np.array([[0.0, 0.0, 0.2], [3.0, 0.0, 1.0], [9.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
    lines = streamlines(
        past_sphere, seeds, length_m=1.0, step_m=0.1, stop=lambda p: np.linalg.norm(p, axis=1) < 0.9,
        box=Box(np.full(3, -5.0), np.full(3, 5.0)),
    )  # fmt: skip
    assert [len(line) > 1 for line in lines] == [False, True, False, False]
    assert all(line.shape == (0, 3) for line in (lines[0], lines[2], lines[3]))
    assert streamlines(uniform, np.zeros((0, 3)), length_m=1.0, step_m=0.1) == []
    assert streamlines(np.zeros_like, seeds[:1], length_m=1.0, step_m=0.1)[0].shape == (0, 3)


def test_a_line_ends_where_the_wind_is_no_number() -> None:
    def holed(points: Floats) -> Floats:
        return np.where(points[:, :1] < 0.5, np.nan, uniform(points))

    line = streamlines(holed, plane_seeds(0.0, 1.0, [0.5]), length_m=3.0, step_m=0.1)[0]
    assert np.isfinite(line).all()
    assert 0.5 <= line[-1, 0] < 0.502


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1), st.floats(0.1, 50.0))
def test_lines_know_no_company_and_no_unit_of_speed(seed: int, factor: float) -> None:
    """Each goes its way alone as with others (in still enough air for none to end), whatever the wind's unit."""
    rng = np.random.default_rng(seed)
    seeds = np.column_stack([np.full(4, 3.0), rng.uniform(-1.5, 1.5, 4), rng.uniform(0.3, 1.5, 4)])
    together = streamlines(past_sphere, seeds, length_m=5.0, step_m=0.3)
    alone = streamlines(lambda p: factor * past_sphere(p), seeds[:1], length_m=5.0, step_m=0.3)[0]
    assert together[0].shape == alone.shape
    assert together[0] == pytest.approx(alone, abs=1e-9)
    assert way(alone) == pytest.approx(10.0, rel=0.02)


def test_it_can_be_stopped_and_tells_how_far_it_is() -> None:
    told: list[float] = []

    def tick(share: float, _doing: str) -> None:
        told.append(share)
        if len(told) == 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        streamlines(uniform, plane_seeds(0.0, 0.0, [1.0]), length_m=3.0, step_m=0.1, tick=tick)
    assert told == sorted(told)
    assert told[0] == 0.0 < told[-1] < 1.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"seeds": np.zeros(3)}, "three numbers"), ({"seeds": np.full((1, 3), np.nan)}, "three numbers"),
        ({"length_m": 0.0}, "length"), ({"step_m": math.inf}, "step"), ({"tolerance_m": -1.0}, "tolerance"),
    ],
)  # fmt: skip
def test_bad_input_is_refused(change: dict, said: str) -> None:
    given_ = {"seeds": np.ones((1, 3)), "length_m": 1.0, "step_m": 0.1, **change}
    with pytest.raises(InputError, match=said):
        streamlines(uniform, given_.pop("seeds"), **given_)
