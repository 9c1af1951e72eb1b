"""The mean of a force that wobbles, how sure it is, when to stop, and when a run has gone wrong."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError

Floats = NDArray[np.float64]

BATCHES = 20
"""Batches that an interval rests on; Schmeiser, Operations Research 30 (1982): more than 30 gain little."""
MOST_CORRELATION = 0.8
"""Of neighbouring batches, above which a record is too short to tell anything (Steiger et al. 2005)."""
_MOST_ADJUSTED = 0.95
_FEWEST_PERIODS = 6
_PERIODIC_SHARE = 0.5  # of the wobble that one frequency must hold for the signal to count as periodic
_TREND_CONFIDENCE = 0.99
_ROUNDING = 1e-12
_GROUP = 5


class Blocks:
    """A record of any length in bounded memory: equal blocks, joined two and two whenever they fill their room.

    Each block holds mean, variance, lowest and highest of its samples (joined after Chan, Golub and LeVeque, The
    American Statistician 37, 1983).

    Attributes:
        length: samples in one block, a power of two.
        count: samples added so far, those of the block that is still filling among them.
    """

    def __init__(self, channels: int, capacity: int = 4096) -> None:
        """
        Args:
            channels: signals recorded together; give sums over parts a channel of their own, for the interval of a
                sum does not follow from those of its terms.
            capacity: blocks to hold at most; even, at least 200.

        Raises:
            InputError: no channel, or a capacity that is odd or too small.
        """
        if channels < 1:
            raise InputError("A record of forces needs at least one channel.")
        if capacity < 200 or capacity % 2:
            raise InputError(f"A record cannot hold {capacity} blocks; give an even number of at least 200.")
        self.length = 1
        self.count = 0
        self._used = 0
        # mean, variance, lowest, highest
        self._rows = np.empty((4, capacity, channels))
        self._filling = 0
        self._open = np.empty((4, channels))

    @property
    def means(self) -> Floats:
        """(b, channels) of the full blocks, oldest first."""
        return self._rows[0, : self._used]

    @property
    def variances(self) -> Floats:
        """(b, channels) within each full block."""
        return self._rows[1, : self._used]

    @property
    def lowest(self) -> Floats:
        """(b, channels) sample of each full block."""
        return self._rows[2, : self._used]

    @property
    def highest(self) -> Floats:
        """(b, channels) sample of each full block."""
        return self._rows[3, : self._used]

    def add(self, samples: ArrayLike) -> None:
        """Append samples, (channels,) or (n, channels), evenly spaced in time.

        Raises:
            InputError: another number of channels, or a value that is no finite number.
        """
        values = np.atleast_2d(np.asarray(samples, np.float64))
        channels = self._open.shape[1]
        if values.ndim != 2 or values.shape[1] != channels:
            raise InputError(f"The record has {channels} channels, the samples {values.shape[-1]}; give one a channel.")
        bad = np.argwhere(~np.isfinite(values))
        if len(bad):
            row, channel = bad[0]
            raise InputError(
                f"Sample {self.count + row + 1} of channel {channel + 1} is no finite number: the run has blown up; "
                "refine the grid or lower the Reynolds number."
            )
        self.count += len(values)
        while len(values):
            if self._filling or len(values) < self.length:
                taken = min(self.length - self._filling, len(values))
                piece = _rows_of(values[None, :taken])[:, 0]
                self._open = _joined(self._open, piece, self._filling, taken) if self._filling else piece
                self._filling += taken
                if self._filling == self.length:
                    self._push(self._open[:, None])
                    self._filling = 0
            else:
                blocks = min(len(values) // self.length, self._rows.shape[1] - self._used)
                taken = blocks * self.length
                self._push(_rows_of(values[:taken].reshape(blocks, self.length, channels)))
            values = values[taken:]

    def _push(self, rows: Floats) -> None:
        self._rows[:, self._used : self._used + rows.shape[1]] = rows
        self._used += rows.shape[1]
        if self._used == self._rows.shape[1]:
            self._used //= 2
            self._rows[:, : self._used] = _joined(self._rows[:, ::2], self._rows[:, 1::2], 1, 1)
            self.length *= 2


def _rows_of(values: Floats) -> Floats:
    """(4, b, channels) of (b, n, channels)."""
    return np.stack([values.mean(1), values.var(1), values.min(1), values.max(1)])


def _joined(a: Floats, b: Floats, weight_a: int, weight_b: int) -> Floats:
    share = weight_b / (weight_a + weight_b)
    apart = b[0] - a[0]
    mean = a[0] + share * apart
    variance = a[1] + share * (b[1] - a[1]) + share * (1.0 - share) * apart**2
    return np.stack([mean, variance, np.minimum(a[2], b[2]), np.maximum(a[3], b[3])])


@dataclass(frozen=True)
class Mean:
    """The mean of one signal. All in the signal's unit, times in samples of it.

    Attributes:
        value: the mean.
        half_width: of its confidence interval; inf where the record is too short for one.
        deviation: standard deviation of the signal about its mean.
        lowest, highest: of all samples that were kept.
        drift: how far a straight line through the kept record rises from end to end.
        drifts: whether that rise is more than chance.
        correlation: of neighbouring batches; above ``MOST_CORRELATION`` the record is too short.
        time_scale: integral time scale in samples; nan where it cannot be told.
        period: of the wobble in samples, nan where none stands out.
        kept: samples the mean rests on.
    """

    value: float
    half_width: float
    deviation: float
    lowest: float
    highest: float
    drift: float
    drifts: bool
    correlation: float
    time_scale: float
    period: float
    kept: float

    @property
    def at_rest(self) -> bool:
        """Whether the kept record shows neither trend nor too much memory."""
        return not self.drifts and self.correlation <= MOST_CORRELATION and math.isfinite(self.half_width)

    @property
    def off(self) -> float:
        """How far the mean may be off: the interval's half width, or the drift where that is more and it is moving."""
        return self.half_width if self.at_rest else max(self.half_width, abs(self.drift))


def transient_end(signals: ArrayLike) -> int:
    """Where the start-up transient ends: how many samples to leave out at the beginning.

    MSER-5: of the means of five neighbours, leave out as many as make the squared standard error of the mean of the
    rest smallest (K. P. White, Simulation 69, 1997; White, Cobb and Spratt, Winter Simulation Conference 2000), half
    the record at most. The longest of all channels counts.

    Args:
        signals: (n,) or (n, channels).
    """
    values = np.asarray(signals, np.float64)
    values = values.reshape(len(values), -1)
    groups = len(values) // _GROUP
    if groups < 2:
        return 0
    # Numbered from the end, so that a record that is no multiple of five loses its first samples only.
    first = len(values) - groups * _GROUP
    means = values[first:].reshape(groups, _GROUP, -1).mean(1)
    means = means - means[groups // 2 :].mean(0)
    kept = np.arange(groups, 0, -1)[:, None]
    sums = np.cumsum(means[::-1], 0)[::-1]
    squares = np.cumsum(means[::-1] ** 2, 0)[::-1]
    error = (squares - sums**2 / kept) / kept**2.0
    # What is nothing but rounding must not move the start.
    error[np.abs(error) <= _ROUNDING * np.abs(error).max(0)] = 0.0
    left_out = int(error[: groups // 2 + 1].argmin(0).max())
    return first + left_out * _GROUP if left_out else 0


def mean_of(signal: ArrayLike, confidence: float = 0.95) -> Mean:
    """Mean of a signal that remembers its past, with its confidence interval.

    Batch means adjusted for the correlation that is left between neighbouring batches, as a first-order
    autoregression (Steiger et al., ACM TOMACS 15, 2005; Lada and Wilson, Journal of Simulation 2, 2008), its estimate
    freed of bias after Marriott and Pope, Biometrika 41 (1954). Where one frequency stands out, batches are whole
    periods, so that it drops out of the mean.

    Args:
        signal: (n,) evenly spaced, start-up transient left out.
        confidence: of the interval, between 0 and 1.

    Raises:
        InputError: no samples, values that are no numbers, or a confidence that is none.
    """
    values = np.asarray(signal, np.float64)
    if values.ndim != 1 or not len(values) or not np.isfinite(values).all():
        raise InputError("A mean needs at least one sample, and all of them must be finite numbers.")
    if not 0.0 < confidence < 1.0:
        raise InputError(f"A confidence of {confidence:g} is none; give one between 0 and 1, such as 0.95.")
    wobble = float(values.std())
    if wobble <= _ROUNDING * float(np.abs(values).max()):
        half = 0.0 if len(values) >= 2 * BATCHES else math.inf
        return _mean(values, float(values.mean()), half, drift=0.0, period=math.nan, time_scale=math.nan)
    period = _period(values)
    edges = _batch_edges(len(values), period)
    count = len(edges) - 1
    if len(values) < 2 * BATCHES:
        return _mean(values, float(values.mean()), math.inf, drift=0.0, period=period, time_scale=math.nan)
    sums = np.interp(edges, np.arange(len(values) + 1), np.append(0.0, np.cumsum(values - values[0])))
    batches = values[0] + np.diff(sums) / np.diff(edges)
    mean = float(batches.mean())
    if float(np.abs(batches - mean).max()) <= _ROUNDING * wobble:
        return _mean(values, mean, 0.0, drift=0.0, period=period, time_scale=0.0, kept=float(edges[-1] - edges[0]))
    correlation, variance, freedom = _adjusted(batches - mean, count - 1)
    half = _student(confidence, freedom) * math.sqrt(variance / count)

    # The same for a straight line through the batches.
    at = (np.arange(count) - 0.5 * (count - 1)) / count
    rise = float(at @ batches / (at @ at))
    rest, rest_variance, rest_freedom = _adjusted(batches - mean - rise * at, count - 2)
    unsure = _student(_TREND_CONFIDENCE, rest_freedom) * math.sqrt(rest_variance / float(at @ at))
    return _mean(
        values,
        mean,
        half,
        drift=rise,
        drifts=abs(rise) > unsure,
        correlation=correlation,
        # The variance of the mean is 2 T / n times the signal's.
        time_scale=0.5 * float(edges[-1] - edges[0]) * variance / count / wobble**2,
        period=period,
        kept=float(edges[-1] - edges[0]),
    )


def _mean(
    values: Floats,
    mean: float,
    half: float,
    *,
    drift: float,
    period: float,
    time_scale: float,
    drifts: bool = False,
    correlation: float = 0.0,
    kept: float = math.nan,
) -> Mean:
    return Mean(
        value=mean,
        half_width=half,
        deviation=float(values.std()),
        lowest=float(values.min()),
        highest=float(values.max()),
        drift=drift,
        drifts=drifts,
        correlation=correlation,
        time_scale=time_scale,
        period=period,
        kept=float(len(values)) if math.isnan(kept) else kept,
    )


def _adjusted(residuals: Floats, freedom: int) -> tuple[float, float, float]:
    """Correlation of neighbours, variance as that of independent values, and degrees of freedom left."""
    square = float(residuals @ residuals)
    count = len(residuals)
    if square == 0.0:
        return 0.0, 0.0, float(freedom)
    seen = float(residuals[1:] @ residuals[:-1]) / square
    correlation = seen + (1.0 + 3.0 * seen) / count
    used = min(max(correlation, 0.0), _MOST_ADJUSTED)
    grown = (1.0 + used) / (1.0 - used)
    return min(correlation, 1.0), square / freedom * grown, max(freedom / grown, 2.0)


def _batch_edges(count: int, period: float) -> Floats:
    """Of whole periods where there is one, the last at the record's end; else of equal lengths."""
    periods = 0 if math.isnan(period) else int(count / period)
    if periods < _FEWEST_PERIODS:
        return np.linspace(0.0, count, BATCHES + 1)
    # As many periods as go into batches evenly.
    batches = min(max(range(BATCHES // 2, BATCHES + 1), key=lambda k: (periods // k * k, k)), periods)
    return count - period * (periods // batches) * np.arange(batches, -1.0, -1.0)


def _period(values: Floats) -> float:
    """In samples, of the one frequency that holds much of the wobble; nan if none does.

    Place of the peak between two lines of the Hann-windowed spectrum after Grandke, IEEE Transactions on
    Instrumentation and Measurement 32 (1983): exact for a lone sine.
    """
    count = len(values)
    if count < 2 * BATCHES:
        return math.nan
    at = np.linspace(-0.5, 0.5, count)
    level = values - values.mean()
    level = level - at * float(at @ level / (at @ at))
    size = np.abs(np.fft.rfft(level * np.hanning(count + 1)[:-1]))
    power = size**2
    peak = int(power[2:-1].argmax()) + 2 if len(power) > 4 else 0
    if peak < _FEWEST_PERIODS - 1 or power[peak - 2 : peak + 3].sum() < _PERIODIC_SHARE * power.sum():
        return math.nan
    other = peak + 1 if size[peak + 1] > size[peak - 1] else peak - 1
    ratio = float(size[other] / size[peak])
    shift = (2.0 * ratio - 1.0) / (ratio + 1.0)
    return count / (peak + (other - peak) * shift)


def _student(confidence: float, freedom: float) -> float:
    """Two-sided quantile of Student's t, from its distribution as an integral of cos^(freedom - 1)."""
    angle = np.linspace(0.0, 0.5 * math.pi, 4001)
    power = np.cos(angle) ** (freedom - 1.0)
    area = np.append(0.0, np.cumsum(0.5 * (power[1:] + power[:-1])))
    return math.sqrt(freedom) * math.tan(float(np.interp(confidence * area[-1], area, angle)))


@dataclass(frozen=True)
class Settled:
    """What a record says so far.

    Attributes:
        left_out: samples at the beginning that count as start-up transient.
        channels: one mean a channel, times in samples.
    """

    left_out: int
    channels: tuple[Mean, ...]


def settled(blocks: Blocks, confidence: float = 0.95) -> Settled:
    """Leave the start-up transient out and take the mean of the rest, with its interval, of every channel.

    Raises:
        InputError: a record without a full block, or a confidence that is none.
    """
    if not len(blocks.means):
        raise InputError("The record of forces is empty; let the run go on before asking for its means.")
    start = transient_end(blocks.means)
    found = []
    for channel in range(blocks.means.shape[1]):
        one = mean_of(blocks.means[start:, channel], confidence)
        within = float(blocks.variances[start:, channel].mean())
        # Variance of the mean is 2 T / n times the signal's, however finely the signal is seen.
        deviation = math.sqrt(one.deviation**2 + within)
        share = (one.deviation / deviation) ** 2 if deviation else math.nan
        found.append(
            Mean(
                value=one.value,
                half_width=one.half_width,
                deviation=deviation,
                lowest=float(blocks.lowest[start:, channel].min()),
                highest=float(blocks.highest[start:, channel].max()),
                drift=one.drift,
                drifts=one.drifts,
                correlation=one.correlation,
                time_scale=one.time_scale * share * blocks.length,
                period=one.period * blocks.length,
                kept=one.kept * blocks.length,
            )
        )
    return Settled(start * blocks.length, tuple(found))


@dataclass(frozen=True)
class StopRule:
    """When a run may end.

    Attributes:
        half_width: interval asked for, in the channels' unit; 0 for none.
        share: interval asked for as a share of the mean; the wider of the two counts.
        time_s: seconds after which it ends anyway; inf for never.
        fewest: samples to take at least, such as a few times the wind's way through the grid.
        channels: numbers of those that are asked; None for all.
    """

    half_width: float = 0.0
    share: float = 0.01
    time_s: float = math.inf
    fewest: int = 0
    channels: tuple[int, ...] | None = None

    def __post_init__(self) -> None:
        for name, value in (("interval", self.half_width), ("share", self.share), ("time", self.time_s)):
            if not value >= 0.0:
                raise InputError(f"The {name} at which a run may stop is {value:g}; give zero or more.")
        if self.channels == ():
            raise InputError("A run that may stop when its forces are known needs at least one force to ask for.")

    def asked(self, mean: Mean) -> float:
        """Half width of the interval that is narrow enough for this mean."""
        return max(self.half_width, self.share * abs(mean.value))


@dataclass(frozen=True)
class Verdict:
    """Whether to stop.

    Attributes:
        stop: whether the run may end.
        reason: "narrow", "time", "short" (too few samples yet), "restless" (not at rest yet), "wide" or "once" (narrow
            for the first time; one more look is to bear it out).
        sentence: in words.
    """

    stop: bool
    reason: str
    sentence: str


def next_look(count: int) -> int:
    """How many samples to have before looking again: a quarter more, for looking often stops on lucky intervals
    (Heidelberger and Welch, Communications of the ACM 24, 1981)."""
    return max(count + count // 4, count + 100)


def too_few(count: int, fewest: int) -> str:
    """What to say while the start-up lasts."""
    return f"Getting under way: {count} of at least {fewest} samples of the forces taken."


def verdict(
    state: Settled,
    rule: StopRule,
    names: Sequence[str],
    count: int,
    time_s: float,
    before: Settled | None = None,
    unit: str = "N",
    factor: float = 1.0,
) -> Verdict:
    """Whether a run may end: every channel asked is at rest, or drifts less than asked, and known as well as asked.

    That has to hold at two looks running, with means that agree: noise now and then hides a transient for one look.

    Args:
        state: what the record says.
        rule: what is asked for.
        names: one a channel.
        count: samples taken so far.
        time_s: seconds the run has taken so far.
        before: what it said at the look before, see ``next_look``.
        unit, factor: of the channels, for the words.
    """
    asked = range(len(state.channels)) if rule.channels is None else rule.channels
    if count < rule.fewest:
        found = Verdict(False, "short", too_few(count, rule.fewest))
    else:
        # The channel that is farthest from what is asked speaks for all.
        worst = max(asked, key=lambda i: _excess(state.channels[i], rule))
        one = state.channels[worst]
        who = f"“{names[worst]}”"
        interval = f"{who} is {one.value * factor:.4g} ± {one.half_width * factor:.2g} {unit}"
        limit = f"{rule.asked(one) * factor:.2g} {unit}"
        if not math.isfinite(one.half_width):
            found = Verdict(False, "short", f"The record of {who} is too short for an interval.")
        elif not one.at_rest and max(abs(one.drift), one.half_width) > rule.asked(one):
            clear = one.drifts or abs(one.drift) > 0.5 * one.half_width
            moving = f"it drifted by {one.drift * factor:+.2g} {unit}" if clear else "it wanders slowly"
            found = Verdict(False, "restless", f"{who} is not at rest yet: {moving}.")
        elif one.half_width > rule.asked(one):
            found = Verdict(False, "wide", f"{interval}; asked for ± {limit}.")
        elif before is None or not all(_borne_out(before.channels[i], state.channels[i], rule) for i in asked):
            found = Verdict(False, "once", f"{interval}, as well known as asked (± {limit}); looking once more.")
        else:
            found = Verdict(True, "narrow", f"{interval}, as well known as asked (± {limit}).")
    if not found.stop and time_s >= rule.time_s:
        return Verdict(True, "time", f"Stopped because the time of {rule.time_s:g} s is up. {found.sentence}")
    return found


def _borne_out(before: Mean, now: Mean, rule: StopRule) -> bool:
    """Whether a mean was known well enough at the look before, too, and has stayed."""
    return _excess(before, rule) <= 1.0 and abs(now.value - before.value) <= rule.asked(now)


def _excess(one: Mean, rule: StopRule) -> float:
    """How far a mean is from what is asked; up to 1 where it is known well enough."""
    if one.off == 0.0:
        return 0.0
    asked = rule.asked(one)
    return one.off / asked if asked else math.inf


WAY_OUT = "take finer cells, and give parts that all but touch more room"
"""What a person can do about a run that blows up."""


@dataclass(frozen=True)
class Limits:
    """Beyond these a lattice run is no flow any more (common practice, no source).

    Attributes:
        density: how far the density may be from 1.
        speed: lattice speed; the speed of sound is 1/sqrt(3).
    """

    density: float = 0.5
    speed: float = 0.5


def gone_wrong(
    step: int,
    lowest_density: float,
    highest_density: float,
    highest_speed: float,
    forces: ArrayLike = (),
    names: Sequence[str] = (),
    limits: Limits = Limits(),  # noqa: B008
) -> str:
    """One sentence on what went wrong with a run; empty if it is sound.

    Args:
        step: at which it was looked at.
        lowest_density, highest_density, highest_speed: of all air cells, lattice units.
        forces: any shape, first axis the parts.
        names: one a part.
        limits: what is still sound.
    """
    help_ = WAY_OUT
    values = np.asarray(forces, np.float64)
    for k, part in enumerate(values.reshape(len(values), -1) if values.size else ()):
        if not np.isfinite(part).all():
            name = f"“{names[k]}”" if k < len(names) else f"part {k + 1}"
            return f"The run blew up before step {step}: the force on {name} is no number any more; {help_}."
    if not np.isfinite([lowest_density, highest_density, highest_speed]).all():
        return f"The run blew up before step {step}: density or speed are no numbers any more; {help_}."
    off = max(highest_density - 1.0, 1.0 - lowest_density)
    if off > limits.density:
        far = highest_density if highest_density - 1.0 == off else lowest_density
        return (
            f"The run is blowing up at step {step}: the density is {far:.3g} where 1 ± {limits.density:g} is sound; "
            f"{help_}."
        )
    if highest_speed > limits.speed:
        return (
            f"The run is blowing up at step {step}: the air moves at {highest_speed:.3g} cells a step where "
            f"{limits.speed:g} is the most that is sound; {help_}."
        )
    return ""
