"""Means of signals that remember: intervals, transients, periods, trends, when to stop, runs that go wrong."""

import math

import numpy as np
import pytest
import scipy.signal
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from wingfettle.core.errors import InputError
from wingfettle.core.flow.statistics import (
    Blocks,
    Limits,
    Mean,
    Settled,
    StopRule,
    Verdict,
    _student,
    gone_wrong,
    mean_of,
    next_look,
    settled,
    transient_end,
    verdict,
)


def autoregressive(rng: np.random.Generator, memory: float, count: int, seeds: int) -> np.ndarray:
    """(seeds, count) stationary first-order autoregressions of variance 1 and mean 0."""
    noise = rng.standard_normal((seeds, count)) * math.sqrt(1.0 - memory**2)
    past = memory * rng.standard_normal((seeds, 1))
    return scipy.signal.lfilter([1.0], [1.0, -memory], noise, axis=1, zi=past)[0]


def variance_of_mean(memory: float, count: int) -> float:
    """Of the same, exactly: (1 + 2 sum over k of (1 - k/n) memory^k) / n (textbook; Priestley 1981, 5.3)."""
    k = np.arange(1, count)
    return (1.0 + 2.0 * float(((1.0 - k / count) * memory**k).sum())) / count


def covered(means: list[Mean], truth: float = 0.0) -> float:
    return float(np.mean([abs(one.value - truth) <= one.half_width for one in means]))


def recorded(signals: np.ndarray, capacity: int = 1000) -> Settled:
    blocks = Blocks(signals.shape[1], capacity)
    blocks.add(signals)
    return settled(blocks)


# --- interval -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("memory", "times"),
    [
        (0.0, 100),
        (0.0, 600),
        (0.5, 40),
        (0.5, 150),
        (0.5, 600),
        (0.9, 40),
        (0.9, 150),
        (0.9, 600),
        (0.98, 40),
        (0.98, 150),
    ],
)
def test_intervals_hold_the_truth_as_often_as_they_say(memory: float, times: int) -> None:
    """Coverage over 500 seeds and width against the exact standard error; times: record over its memory."""
    count = round(times * (1.0 + memory) / (1.0 - memory))
    signals = autoregressive(np.random.default_rng(1), memory, count, 500)
    means = [mean_of(signal) for signal in signals]
    assert 0.91 <= covered(means) <= 0.98
    exact = 1.96 * math.sqrt(variance_of_mean(memory, count))
    assert 0.95 * exact < np.median([one.half_width for one in means]) < 1.35 * exact
    assert np.mean([one.at_rest for one in means]) > 0.97


def test_the_start_up_rule_spoils_no_interval() -> None:
    signals = autoregressive(np.random.default_rng(2), 0.9, 2000, 400)
    means = [recorded(signal[:, None]).channels[0] for signal in signals]
    assert 0.9 <= covered(means) <= 0.98


def test_other_confidences() -> None:
    signals = autoregressive(np.random.default_rng(3), 0.8, 2000, 600)
    for confidence in (0.68, 0.9):
        assert covered([mean_of(s, confidence) for s in signals]) == pytest.approx(confidence, abs=0.045)


def test_time_scale_of_a_known_process() -> None:
    """Integral time scale of the autoregression: (1 + a) / (1 - a) / 2. The estimate errs on the long side."""
    signals = autoregressive(np.random.default_rng(4), 0.9, 20000, 200)
    assert 0.95 < np.median([mean_of(s).time_scale for s in signals]) / 9.5 < 1.35
    # The same however the record is blocked.
    assert 0.95 < np.median([recorded(s[:, None]).channels[0].time_scale for s in signals]) / 9.5 < 1.35


@settings(max_examples=40, deadline=None)
@given(freedom=st.floats(2.0, 60.0), confidence=st.floats(0.5, 0.998))
def test_quantiles_of_student(freedom: float, confidence: float) -> None:
    assert _student(confidence, freedom) == pytest.approx(scipy.stats.t.ppf(0.5 + confidence / 2, freedom), rel=1e-4)


def test_constant_signal() -> None:
    one = mean_of(np.full(1000, 0.1))
    assert one.value == pytest.approx(0.1, rel=1e-15)
    assert (one.half_width, one.drift, one.at_rest) == (0.0, 0.0, True)
    assert mean_of(np.zeros(1000)).half_width == 0.0


def test_too_short_a_record_has_no_interval() -> None:
    for signal in (np.arange(39.0), np.ones(39), np.ones(1)):
        assert mean_of(signal).half_width == math.inf
        assert not mean_of(signal).at_rest


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 1000),
    scale=st.floats(1e-6, 1e6),
    shift=st.floats(-1e3, 1e3),
    count=st.integers(40, 800),
)
def test_units_do_not_matter(seed: int, scale: float, shift: float, count: int) -> None:
    signal = np.random.default_rng(seed).standard_normal(count).cumsum()
    plain, other = mean_of(signal), mean_of(scale * (signal + shift))
    assert other.value == pytest.approx(scale * (plain.value + shift), rel=1e-6, abs=1e-6 * scale)
    assert other.half_width == pytest.approx(scale * plain.half_width, rel=1e-4)
    assert (other.drifts, other.at_rest) == (plain.drifts, plain.at_rest)
    mirrored = mean_of(-signal)
    assert (mirrored.value, mirrored.half_width) == pytest.approx((-plain.value, plain.half_width))


# --- periodic -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("period", [13.7, 61.3, 200.3])
@pytest.mark.parametrize("phase", [0.0, 1.0, 2.5])
def test_a_lone_sine_leaves_no_doubt(period: float, phase: float) -> None:
    one = mean_of(3.0 + np.sin(2.0 * np.pi * np.arange(3000) / period + phase))
    assert one.period == pytest.approx(period, rel=1e-4)
    assert one.value == pytest.approx(3.0, abs=2e-4)
    assert one.half_width < 1e-3
    assert one.at_rest


def test_a_few_periods_that_do_not_fit_the_record() -> None:
    """Two and a half periods tell no period; the interval must then be wide, not wrong."""
    one = mean_of(np.sin(2.0 * np.pi * np.arange(1000) / 400.0))
    assert math.isnan(one.period)
    assert not one.at_rest or one.half_width > 2.0 / math.pi / 2.5 / 5.0


def test_sine_with_noise() -> None:
    """The sine must not widen the interval: only the noise is uncertain."""
    rng = np.random.default_rng(5)
    noise = 0.3 * autoregressive(rng, 0.9, 5000, 300)
    wave = np.sin(2.0 * np.pi * np.arange(5000) / 73.3 + rng.uniform(0.0, 6.3, (300, 1)))
    means = [mean_of(signal) for signal in wave + noise]
    assert 0.91 <= covered(means) <= 0.99
    exact = 1.96 * 0.3 * math.sqrt(variance_of_mean(0.9, 5000))
    assert np.median([one.half_width for one in means]) < 1.6 * exact
    assert np.median([one.period for one in means]) == pytest.approx(73.3, rel=1e-3)


def test_square_wave_keeps_its_peaks_and_frequency() -> None:
    wave = 5.0 + scipy.signal.square(2.0 * np.pi * (np.arange(40000) + 0.5) / 400.0, duty=0.5)
    one = recorded(wave[:, None]).channels[0]
    assert one.period == pytest.approx(400.0, rel=1e-3)
    assert (one.lowest, one.highest) == (4.0, 6.0)
    assert one.deviation == pytest.approx(1.0, rel=1e-3)


def test_shedding_that_grows_from_nothing() -> None:
    """Lift grows to a sine, drag rises and wobbles at twice the frequency; the start counts for neither."""
    t = np.arange(60000)
    grown = 1.0 / (1.0 + np.exp(-(t - 15000) / 1500.0))
    lift = grown * np.sin(2.0 * np.pi * t / 900.0)
    drag = 1.0 + 0.3 * grown**2 + 0.05 * grown * np.sin(4.0 * np.pi * t / 900.0)
    state = recorded(np.column_stack([lift, drag]))
    assert 17000 < state.left_out < 30000
    assert state.channels[0].value == pytest.approx(0.0, abs=1e-3)
    assert state.channels[1].value == pytest.approx(1.3, abs=2e-3)
    assert [one.period for one in state.channels] == pytest.approx([900.0, 450.0], rel=1e-3)


# --- transient and trend --------------------------------------------------------------------------------------


def test_a_step_is_left_out_where_it_is() -> None:
    signals = autoregressive(np.random.default_rng(6), 0.9, 4000, 100) + 5.0 * (np.arange(4000) < 700)
    cuts = [transient_end(signal) for signal in signals]
    assert min(cuts) >= 695
    assert np.median(cuts) <= 725


def test_start_up_rule_as_its_authors_state_it() -> None:
    """Against the definition, in loops: of batches of five, the least of sum (x - mean)^2 / (k - d)^2."""
    signal = np.random.default_rng(7).standard_normal(200) + 4.0 * np.exp(-np.arange(200) / 20.0)
    batches = [float(np.mean(signal[5 * k : 5 * k + 5])) for k in range(40)]
    rule = [
        sum((x - np.mean(batches[d:])) ** 2 for x in batches[d:]) / (40 - d) ** 2 for d in range(21)
    ]  # fmt: skip
    assert transient_end(signal) == 5 * int(np.argmin(rule))


def test_a_settled_signal_keeps_nearly_all() -> None:
    assert transient_end(np.ones(500)) == 0
    assert transient_end(np.ones(3)) == 0
    signals = autoregressive(np.random.default_rng(8), 0.9, 4000, 100)
    assert np.mean([transient_end(signal) for signal in signals]) < 0.03 * 4000


def test_the_slowest_channel_sets_the_start() -> None:
    t = np.arange(2000)
    noise = np.random.default_rng(9).standard_normal((2000, 2))
    both = np.column_stack([20.0 * (t < 300), 20.0 * (t < 600)]) + noise
    assert transient_end(both) == transient_end(both[:, 1]) == 600


@pytest.mark.parametrize(
    "trend",
    [lambda t: 4.0 * t, lambda t: 4.0 * (t > 0.7), lambda t: 4.0 * np.sqrt(t)],
    ids=["ramp", "late step", "creep"],
)
def test_a_trend_that_has_not_ended_is_told(trend) -> None:
    share = np.arange(4000) / 4000.0
    signals = autoregressive(np.random.default_rng(10), 0.9, 4000, 50) + trend(share)
    states = [recorded(signal[:, None]) for signal in signals]
    assert np.mean([state.channels[0].at_rest for state in states]) < 0.1
    before = [recorded(signal[:3200, None]) for signal in signals]
    verdicts = [
        verdict(state, StopRule(half_width=0.3), ["drag"], 4000, 0.0, earlier)
        for state, earlier in zip(states, before, strict=True)
    ]
    assert not any(one.stop for one in verdicts)
    assert sum("not at rest yet" in one.sentence for one in verdicts) > 45


def test_trend_is_seldom_seen_where_there_is_none() -> None:
    signals = autoregressive(np.random.default_rng(11), 0.95, 4000, 500)
    assert np.mean([mean_of(signal).drifts for signal in signals]) < 0.025


# --- the record -----------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 100), sizes=st.lists(st.integers(1, 900), min_size=1, max_size=8))
def test_blocks_hold_what_numpy_says_of_the_whole(seed: int, sizes: list[int]) -> None:
    """However the samples come in."""
    rng = np.random.default_rng(seed)
    samples = rng.standard_normal((sum(sizes), 2)) * [1.0, 1e-4] + [0.0, 1e3]
    blocks = Blocks(2, 200)
    for piece in np.split(samples, np.cumsum(sizes)[:-1]):
        blocks.add(piece)
    full = len(blocks.means)
    assert full < 200
    assert blocks.count == len(samples)
    assert full == len(samples) // blocks.length
    parted = samples[: full * blocks.length].reshape(full, blocks.length, 2)
    np.testing.assert_allclose(blocks.means, parted.mean(1), rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(blocks.variances, parted.var(1), rtol=1e-6, atol=1e-18)
    np.testing.assert_array_equal(blocks.lowest, parted.min(1))
    np.testing.assert_array_equal(blocks.highest, parted.max(1))


def test_millions_of_samples_in_little_room() -> None:
    blocks = Blocks(3)
    piece = np.random.default_rng(12).standard_normal((50000, 3)) + [0.0, 10.0, -1.0]
    for _ in range(60):
        blocks.add(piece)
    assert blocks.count == 3_000_000
    assert blocks.length == 1024
    assert 2048 <= len(blocks.means) < 4096
    whole = np.tile(piece, (60, 1))[: len(blocks.means) * 1024]
    np.testing.assert_allclose(blocks.means.mean(0), whole.mean(0), rtol=1e-12)
    state = settled(blocks)
    assert state.channels[1].deviation == pytest.approx(float(piece[:, 1].std()), rel=1e-2)
    assert state.channels[2].highest == piece[:, 2].max()


def test_one_sample_at_a_time_is_as_all_at_once() -> None:
    samples = np.random.default_rng(13).standard_normal(777)
    one, all_ = Blocks(1, 200), Blocks(1, 200)
    for value in samples:
        one.add([value])
    all_.add(samples[:, None])
    np.testing.assert_allclose(one.means, all_.means, rtol=1e-12, atol=1e-15)
    assert one.length == all_.length == 4


# --- stop -----------------------------------------------------------------------------------------------------


def run_until(signal: np.ndarray, rule: StopRule) -> tuple[Verdict, Settled, int]:
    blocks, before, count = Blocks(1, 1000), None, 500
    while True:
        blocks.add(signal[blocks.count : count, None])
        state = settled(blocks)
        found = verdict(state, rule, ["lift"], blocks.count, 0.01 * blocks.count, before)
        if found.stop or blocks.count == len(signal):
            return found, state, blocks.count
        before, count = state, min(next_look(count), len(signal))


def test_the_stop_rule_does_not_stop_on_lucky_intervals() -> None:
    """Coverage where the run stopped by itself, transient and all, over 120 seeds."""
    start = 4.0 * np.exp(-np.arange(60000) / 800.0)
    signals = 3.0 + autoregressive(np.random.default_rng(14), 0.95, 60000, 120) + start
    ends = [run_until(signal, StopRule(share=0.05)) for signal in signals]
    assert all(one.stop and one.reason == "narrow" for one, _, _ in ends)
    assert covered([state.channels[0] for _, state, _ in ends], 3.0) > 0.88
    # Exact standard error of a mean over n: sqrt(39 / n); 0.15 = 1.96 of it at n = 6700.
    assert 5000 < np.median([count for _, _, count in ends]) < 25000


def test_a_run_that_creeps_to_its_end_stops_once_the_rest_is_small() -> None:
    found, state, count = run_until(2.0 + np.exp(-np.arange(200000) / 8000.0), StopRule(share=0.01))
    assert found.reason == "narrow"
    assert state.channels[0].value == pytest.approx(2.0, abs=0.02)
    assert count < 120000


def test_time_up_says_how_far_it_came() -> None:
    signal = autoregressive(np.random.default_rng(15), 0.95, 60000, 1)[0] + 3.0
    found, _, count = run_until(signal, StopRule(share=1e-4, time_s=100.0))
    assert (found.stop, found.reason) == (True, "time")
    assert "100 s" in found.sentence
    assert "±" in found.sentence
    assert 10000 <= count < 13000


def test_the_worst_channel_speaks_and_only_those_asked_count() -> None:
    rng = np.random.default_rng(16)
    state = recorded(np.column_stack([5.0 + 0.001 * rng.standard_normal(3000), rng.standard_normal(3000)]))
    both = verdict(state, StopRule(), ["drag", "side"], 3000, 0.0, state)
    assert (both.stop, both.reason) == (False, "wide")
    assert "“side”" in both.sentence
    assert verdict(state, StopRule(channels=(0,)), ["drag", "side"], 3000, 0.0, state).stop
    assert verdict(state, StopRule(half_width=0.1), ["drag", "side"], 3000, 0.0, state).stop
    once = verdict(state, StopRule(channels=(0,)), ["drag", "side"], 3000, 0.0)
    assert (once.stop, once.reason) == (False, "once")
    few = verdict(state, StopRule(channels=(0,), fewest=4000), ["drag", "side"], 3000, 0.0, state)
    assert (few.stop, few.reason) == (False, "short")
    scaled = verdict(state, StopRule(channels=(0,)), ["drag", "side"], 3000, 0.0, state, unit="kN", factor=0.001)
    assert "0.005 ±" in scaled.sentence
    assert "kN" in scaled.sentence


# --- runs that go wrong, bad input ----------------------------------------------------------------------------


def test_a_run_that_goes_wrong_is_told_in_words() -> None:
    sound = gone_wrong(100, 0.9, 1.1, 0.3, np.zeros((2, 3)), ["low", "high"])
    assert sound == ""
    forces = np.zeros((2, 3))
    forces[1, 2] = np.nan
    assert "“high”" in gone_wrong(100, 1.0, 1.0, 0.1, forces, ["low", "high"])
    assert "part 2" in gone_wrong(100, 1.0, 1.0, 0.1, forces)
    assert "density or speed" in gone_wrong(7, np.nan, 1.0, 0.1)
    assert "density or speed" in gone_wrong(7, 1.0, 1.0, np.inf)
    assert "density is 0.3 " in gone_wrong(7, 0.3, 1.2, 0.1)
    assert "density is 1.8 " in gone_wrong(7, 0.9, 1.8, 0.1)
    assert "step 7" in gone_wrong(7, 1.0, 1.0, 0.55)
    assert "0.55 cells a step" in gone_wrong(7, 1.0, 1.0, 0.55)
    assert gone_wrong(7, 0.9, 1.0, 0.2, limits=Limits(density=0.05))


def test_refused_in_words() -> None:
    with pytest.raises(InputError, match="at least one channel"):
        Blocks(0)
    for capacity in (0, 100, 301):
        with pytest.raises(InputError, match="even number"):
            Blocks(1, capacity)
    blocks = Blocks(2)
    with pytest.raises(InputError, match="2 channels, the samples 3"):
        blocks.add(np.ones((4, 3)))
    with pytest.raises(InputError, match="is empty"):
        settled(blocks)
    blocks.add(np.ones((4, 2)))
    with pytest.raises(InputError, match="Sample 6 of channel 2 .* blown up"):
        blocks.add([[1.0, 1.0], [1.0, np.nan]])
    assert blocks.count == 4
    for bad in ([], [np.nan] * 50, np.ones((50, 2))):
        with pytest.raises(InputError, match="at least one sample"):
            mean_of(bad)
    for confidence in (0.0, 1.0, 95.0, np.nan):
        with pytest.raises(InputError, match="confidence"):
            mean_of(np.ones(50), confidence)
    with pytest.raises(InputError, match="at least one force"):
        StopRule(channels=())
    for rule in ({"half_width": -1.0}, {"share": np.nan}, {"time_s": -1.0}):
        with pytest.raises(InputError, match="may stop"):
            StopRule(**rule)
