"""The pressure scale, judged in another colour space than its own and as people with colour deficiency see it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from wingfettle.core.clearance.colours import clearance_colours
from wingfettle.core.elements.deviation_colours import deviation_colours
from wingfettle.core.errors import InputError
from wingfettle.core.lift.colours import pressure_colours, pressure_steps, pressure_ticks

# Full severity, linear sRGB (G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, IEEE Transactions on Visualization and
# Computer Graphics 15(6), 2009, table 1; from memory).
DEFICIENT = {
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
}


def cielab(linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* (ISO/CIE 11664-4), D65, from linear sRGB (IEC 61966-2-1)."""
    xyz = linear @ np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]).T
    t = xyz / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > (6.0 / 29.0) ** 3, np.cbrt(t), t / (3.0 * (6.0 / 29.0) ** 2) + 4.0 / 29.0)
    return np.stack([116.0 * f[..., 1] - 16.0, 500.0 * (f[..., 0] - f[..., 1]), 200.0 * (f[..., 1] - f[..., 2])], -1)


def hue(linear: np.ndarray) -> np.ndarray:
    lab = cielab(linear)
    return np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))


def turned(a: float, b: float) -> float:
    """Degrees between two hues."""
    return abs((a - b + 180.0) % 360.0 - 180.0)


def test_lightness_tells_the_size_alike_on_both_sides() -> None:
    size = np.linspace(0.0, 2.0, 201)
    arms = [cielab(pressure_colours(side * size, -2.0, 2.0)[:, :3]) for side in (-1.0, 1.0)]
    for arm in arms:
        assert (np.diff(arm[:, 0]) < 0.0).all()
        assert arm[0, 0] > 90.0
        assert arm[-1, 0] < 45.0
        # Even by a yardstick of its own: CIE76 steps differ by less than the factor 2.
        steps = np.linalg.norm(np.diff(arm, axis=0), axis=1)
        assert steps.max() / steps.min() < 2.0
    # OKLab's lightness and CIE's differ by hue; by less than a tenth of the scale's.
    np.testing.assert_allclose(arms[0][:, 0], arms[1][:, 0], atol=5.5)


def test_a_shorter_arm_keeps_the_scale_of_the_longer_one() -> None:
    both, short = (pressure_colours(np.linspace(-3.0, 1.0, 41), -3.0, high) for high in (3.0, 1.0))
    np.testing.assert_allclose(both, short)
    assert pressure_steps(-3.0, 1.0, 41) == pytest.approx(
        pressure_colours(np.linspace(-3.0, 1.0, 41), -3.0, 1.0, srgb=True)
    )


def test_colours_lie_inside_what_a_screen_can_show() -> None:
    shown = pressure_colours(np.linspace(-3.0, 3.0, 401), -2.0, 2.0)
    # A colour cut off at the gamut's edge would be exactly 0 or 1.
    assert shown[:, :3].min() > 0.0
    assert shown[:, :3].max() < 1.0
    np.testing.assert_array_equal(shown[:, 3], 1.0)


@pytest.mark.parametrize("kind", DEFICIENT)
def test_suction_and_pressure_stay_apart_for_people_who_do_not_see_red_and_green_apart(kind: str) -> None:
    size = np.linspace(0.3, 2.0, 50)
    sides = [pressure_colours(side * size, -2.0, 2.0)[:, :3] for side in (-1.0, 1.0)]
    seen = [cielab(np.clip(rgb @ np.array(DEFICIENT[kind]).T, 0.0, 1.0)) for rgb in sides]
    apart = np.linalg.norm(seen[0] - seen[1], axis=1)
    # 2.3 is just noticeable (M. Mahy, L. Van Eycken, A. Oosterlinck, Color Research and Application 19(2), 1994; from
    # memory).
    assert apart[0] > 5.0
    assert (apart[size >= 0.6] > 10.0).all()
    assert apart[-1] > 40.0
    # To them one is bluish and the other yellowish.
    assert seen[0][-1, 2] + 40.0 < seen[1][-1, 2]
    for arm in seen:
        assert (np.diff(arm[:, 0]) < 0.0).all()


def test_hues_are_not_those_of_other_maps() -> None:
    own = hue(pressure_colours(np.array([-1.0, 1.0]), -1.0, 1.0)[:, :3])
    others = [
        *hue(deviation_colours(np.array([-1.0, 1.0]), 1.0)[:, :3]),
        *hue(clearance_colours(np.linspace(-0.01, 1.0, 50), 1.0)[:, :3]),
    ]
    assert min(turned(a, b) for a in own for b in others) > 20.0
    assert turned(*own) > 120.0


def test_ends_hold_and_unknown_is_grey() -> None:
    shown = pressure_colours(np.array([[-2.0, -9.0, -np.inf], [1.0, 5.0, np.nan]]), -2.0, 1.0)
    assert shown.shape == (2, 3, 4)
    np.testing.assert_array_equal(shown[0, 1:], shown[0, [0, 0]])
    np.testing.assert_array_equal(shown[1, 1], shown[1, 0])
    grey, zero = cielab(shown[1, 2, :3]), cielab(pressure_colours(np.zeros(1), -2.0, 1.0)[0, :3])
    assert np.abs(grey[1:]).max() < 1.0
    assert np.abs(zero[1:]).max() < 1.0
    scale = cielab(pressure_colours(np.linspace(-2.0, 1.0, 400), -2.0, 1.0)[:, :3])
    assert np.linalg.norm(scale - grey, axis=1).min() > 10.0


def test_ticks_rise_from_end_to_end_through_zero() -> None:
    assert pressure_ticks(-3.0, 1.0) == [
        (-3.0, "\N{MINUS SIGN}3"), (-1.5, "\N{MINUS SIGN}1.5"), (0.0, "0"), (0.5, "+0.5"), (1.0, "+1")
    ]  # fmt: skip
    # The half of a short arm would stand on zero's toes.
    assert [v for v, _ in pressure_ticks(-6.0, 1.0)] == [-6.0, -3.0, 0.0, 1.0]
    assert [v for v, _ in pressure_ticks(0.0, 1.0)] == [0.0, 0.5, 1.0]


@pytest.mark.parametrize(("low", "high"), [(0.5, 1.0), (-2.0, -1.0), (0.0, 0.0), (math.nan, 1.0), (-1.0, math.inf)])
def test_scales_without_zero_are_refused(low: float, high: float) -> None:
    with pytest.raises(InputError, match="zero must lie between"):
        pressure_ticks(low, high)
