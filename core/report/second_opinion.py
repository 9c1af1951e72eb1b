"""The quick estimate beside a flow run: whether they agree, and which to go by where they do not.

The estimate holds where the air follows the wing: it knows the car's Reynolds number and the tips, and its layers are
finer than any cell. It knows no wake, so where a channel chokes, much of the span stalls, or the wing stands behind a
blunt body, a run that has settled on cells fine enough, not too far from the car's Reynolds number, is to be believed.
All limits are named below, or taken from where the plan of a run or the estimate has them.

A run at mid-span has no tips: its newtons are those of a wing that is everywhere like its middle and endlessly wide,
which is more than a wing of that width carries. Fair to compare are its direction, and what share of the load alone is
left in the group, so a run of the group is told as that share of the estimate's load alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..assembly.assembly import Assembly
from ..flow.grid import BODY
from ..flow.plan import LEAST_IN_GAP, LEAST_ON_CHORD
from ..flow.result import FlowRun, PartFlow
from ..lift.estimate import CHOKE_FROM, SMALL_ASPECT, STALLED
from ..lift.result import Band, ElementLift, LiftEstimate, SpanLoad

BELIEVE = {"agree": "both agree", "estimate": "estimate", "flow run": "flow run", "neither": "neither"}
"""What an opinion can be, and how people read it: the two say the same, or which of them to go by."""
WORDS = tuple(BELIEVE)
MOST_REYNOLDS = 20.0
"""Times by which the car's Reynolds number may be over the run's, or the run's over the car's, for the run to speak
against the estimate: about a decade (common practice, no source). The third of a decade beyond it is let go because
usual mid-span runs lie 10 to 20 times below the car at road speeds, because their bands grow with it, and because the
estimate is known to keep a multiple of the load where channels choke."""
STALLED_SPAN = 0.25
"""Share of the span that may be stalled for the estimate to be believed; as for its own word "low"."""
LAYERS_FROM = 1e5
"""Reynolds number from which layers are taken as turbulent: their lowest part is then far thinner than a cell, so a run
wants a wall function (common practice, no source)."""
_SHORT = "it is shorter in span than in chord"
ALL = ""
"""Stands for all elements together where an element's name is asked."""


@dataclass(frozen=True)
class Facts:
    """What decides which of the two is to be believed.

    Attributes:
        case, form: as in ``FlowRun``.
        at_rest: whether the run had settled.
        warnings: sentences of the run that weaken its word on the element, see ``FlowRun.faults``.
        cells_on_chord: along the element's mean chord.
        cells_in_gap: across its narrowest channel; inf where it has none.
        reynolds_run, reynolds_real: on the lattice, of the car.
        choke: the choke index of its worst channel; 0 where it has none, nan where that is not known.
        stalled: share of its span, by the estimate.
        doubt: why else the estimate is not to be relied on, in words; empty if it is.
        only_sign: whether nothing but the direction can be compared.
        aspect: span over mean chord, for what a wing with tips carries; inf where not known.
        wall_function: whether the run had one.
    """

    case: str
    form: str
    at_rest: bool = True
    warnings: tuple[str, ...] = ()
    cells_on_chord: float = math.inf
    cells_in_gap: float = math.inf
    reynolds_run: float = math.nan
    reynolds_real: float = math.nan
    choke: float = 0.0
    stalled: float = 0.0
    doubt: str = ""
    only_sign: bool = False
    aspect: float = math.inf
    wall_function: bool = True

    @property
    def reynolds_times(self) -> float:
        """The larger Reynolds number over the smaller; nan where one is not known."""
        numbers = self.reynolds_run, self.reynolds_real
        return max(numbers) / min(numbers) if min(numbers) > 0.0 else math.nan


@dataclass(frozen=True)
class Opinion:
    """What to make of an estimate and a run.

    Attributes:
        word: one of ``WORDS``.
        sentence: which to believe and why, for people.
        band: N, positive up; what to go by.
    """

    word: str
    sentence: str
    band: Band


@dataclass(frozen=True)
class Compared:
    """A flow run's upward force on one element, or on all, beside the estimate's.

    Attributes:
        element: its name; ``ALL`` for all elements together.
        estimate: N; None where there is none of this case.
        run: N, as run: at mid-span as if the whole span were like its middle.
        half_width_n: half of the run's confidence interval, which ``run`` holds together with the Reynolds number.
        like_n: N, the run made comparable to the estimate; None where only the direction is.
        left, left_estimate: share of the load alone that the run and the estimate leave in the group; None where not
            worked out.
        facts: what decided.
        opinion: None where there is no estimate of this case, or nothing can be compared.
    """

    element: str
    estimate: Band | None
    run: Band
    half_width_n: float
    like_n: Band | None
    left: Band | None
    left_estimate: float | None
    facts: Facts
    opinion: Opinion | None

    @property
    def case(self) -> str:
        """As in ``FlowRun``."""
        return self.facts.case

    @property
    def form(self) -> str:
        """As in ``FlowRun``."""
        return self.facts.form


def compare(estimate: Band, run: Band | tuple[float, float, float], facts: Facts) -> Opinion:
    """Which of two bands of one force to go by.

    Args:
        estimate: N, positive up.
        run: the same from a flow run: a band, or value, low and high.
        facts: of both.
    """
    other = run if isinstance(run, Band) else Band(*run)
    if not facts.at_rest or not all(map(math.isfinite, (other.value, other.low, other.high))):
        return Opinion(
            "neither",
            "The flow run had not settled when it ended, so it speaks neither for nor against the estimate; run it "
            "longer. Until then there is the estimate with its range.",
            estimate,
        )
    faults, doubts, warned = _faults(facts), _doubts(facts), bool(facts.warnings)
    sound = not faults and not warned
    if facts.only_sign:
        opposed = not (_either_way(estimate) or _either_way(other)) and (estimate.value > 0.0) != (other.value > 0.0)
        agreed = "The flow run speaks for no other direction"
        other, tips = _with_tips(other, facts)
    else:
        opposed = other.low > estimate.high or other.high < estimate.low
        agreed, tips = "Their ranges meet", ""
    if not opposed:
        if doubts and sound and not facts.only_sign:
            return Opinion(
                "agree",
                f"{agreed}. Go by the flow run, because the estimate is unsure of itself here: {_all(doubts)}.",
                other,
            )
        weak = "" if sound else f" The run is a weak witness, though: {_joined(faults, facts)}."
        return Opinion("agree", f"{agreed}; go by the estimate.{tips}{weak}", estimate)
    whole = Band(other.value, min(estimate.low, other.low), max(estimate.high, other.high))
    if sound and doubts:
        return Opinion(
            "flow run",
            f"Believe the flow run: {_all(doubts)}, and the estimate knows no wakes. The run has settled, with "
            f"{_cells(facts)}{_near(facts)}.{tips}",
            other,
        )
    if doubts or (warned and not faults):
        why = _joined(faults, facts)
        unsure = f"; nor the estimate: {_all(doubts)}" if doubts else ", and the two lie apart"
        return Opinion(
            "neither",
            f"Believe neither: not the flow run, because {why}{unsure}. Put that right and run again, or measure; "
            "until then anything within both ranges may be so.",
            Band(0.5 * (whole.low + whole.high), whole.low, whole.high),
        )
    coarse = _all(faults) if faults else f"the run’s walls are coarser ({_cells(facts)})"
    number = _numbers(facts) if not faults and not _same_number(facts) else ""
    return Opinion(
        "estimate",
        f"Believe the estimate: the air follows the wing, which is what it was made for; {coarse}{number}.{tips}",
        estimate,
    )


def opinions(assembly: Assembly, lift: LiftEstimate | None, runs: Sequence[FlowRun]) -> tuple[Compared, ...]:
    """Every element of every run beside the estimate, and all together where a run holds more than one.

    Args:
        assembly: the variant that estimate and runs are of.
        lift: its estimate, at the runs' speed and density; None where there is none.
        runs: one a form, case and (alone) element.

    Raises:
        InputError: a run lacks an element.
    """
    alone = {(run.form, run.element): run for run in runs if run.case == "alone"}
    out = []
    for run in runs:
        names = [run.element] if run.case == "alone" else [e.name for e in assembly.elements]
        rows = [_compared(assembly, lift, run, name, alone.get((run.form, name))) for name in names]
        out += rows
        if len(rows) > 1:
            out.append(_all_together(lift, run, rows))
    return tuple(out)


def left_of_load(group: PartFlow, alone: PartFlow, lift_share: float = 0.0) -> Band | None:
    """What share of an element's load alone is left in the group; None where the load alone may be nothing.

    Args:
        group, alone: of runs in one form.
        lift_share: by which the share is wider for the Reynolds number, of its value.
    """
    load, half = float(alone.force_n[2]), float(alone.half_width_n[2])
    if not (math.isfinite(half) and abs(load) > half + lift_share * abs(load)):
        return None
    share = float(group.force_n[2]) / load
    off = math.hypot(float(group.half_width_n[2]), share * half) / abs(load) + lift_share * abs(share)
    return Band(share, share - off, share + off)


def with_tips(aspect: float) -> float:
    """Share of its section's load that a wing with an elliptic load carries: aspect / (aspect + 2).

    Prandtl's lifting line with a section slope of two pi (textbooks, from memory); end plates keep more, the road too.
    """
    return 1.0 if math.isinf(aspect) else aspect / (aspect + 2.0)


def _compared(
    assembly: Assembly, lift: LiftEstimate | None, run: FlowRun, name: str, alone: FlowRun | None
) -> Compared:
    found = None if lift is None else next((e for e in lift.elements if e.element == name), None)
    estimate = None if found is None else _of_case(found, run.case)
    part = run.part(name)
    raw = Band(*run.lift_band(name))
    like: Band | None = raw
    left, left_estimate, settled = None, None, _settled(run, part)
    if run.form == "mid-span":
        like = None
        if run.case != "alone" and alone is not None:
            before = alone.part(name)
            settled = settled and _settled(alone, before)
            left = left_of_load(part, before, max(run.lift_share, alone.lift_share))
        if found is not None and estimate is not None and run.case != "alone" and not _either_way(found.alone_n):
            left_estimate = estimate.value / found.alone_n.value
            like = None if left is None else _of_load(left, found.alone_n)
    element = assembly.element(name)
    facts = Facts(
        case=run.case,
        form=run.form,
        at_rest=settled,
        warnings=_weighing(run, name) + (_weighing(alone, name) if left is not None and alone is not None else ()),
        cells_on_chord=element.mean_chord_m / run.spacing_m,
        cells_in_gap=math.inf if lift is None else _gap(lift, run.case, name) / run.spacing_m,
        reynolds_run=run.reynolds_run,
        reynolds_real=run.reynolds_real,
        choke=0.0 if lift is None else _choke(lift, run.case, name),
        stalled=0.0 if found is None else _stalled(found.load(run.case)),
        doubt="" if found is None else _doubt(found, run, element.span_m**2 / element.area_m2),
        only_sign=like is None,
        aspect=element.span_m**2 / element.area_m2,
        wall_function=run.wall_function,
    )
    opinion = None if estimate is None else compare(estimate, raw if like is None else like, facts)
    if opinion is not None and left is not None and left_estimate is not None and like is not None:
        said = (
            f" At mid-span {_percent(left.value)} ({_percent(left.low)} to {_percent(left.high)}) of the load alone is "
            f"left by the run, {_percent(left_estimate)} by the estimate; that share is what is compared."
        )
        opinion = Opinion(opinion.word, opinion.sentence + said, opinion.band)
    elif opinion is not None and run.form == "mid-span" and run.case != "alone":
        missing = (
            "run it alone too, and what is left of its load can be compared"
            if alone is None
            else "the load alone may be nothing, so no share of it can be told"
        )
        opinion = Opinion(opinion.word, f"{opinion.sentence} Only the direction is compared: {missing}.", opinion.band)
    half = float(part.half_width_n[2])
    return Compared(name, estimate, raw, half, like, left, left_estimate, facts, opinion)


def _all_together(lift: LiftEstimate | None, run: FlowRun, rows: Sequence[Compared]) -> Compared:
    """Sums of the elements alone: mounts, that a run holds too, are no wing. Each may lie anywhere in its range."""
    estimate = None
    if lift is not None:
        estimate = lift.group_total_n if run.case == "group" else lift.on_car_total_n
    whole = _sum([row.run for row in rows])
    likes = [row.like_n for row in rows if row.like_n is not None]
    like = _sum(likes) if len(likes) == len(rows) else None
    found = () if lift is None else lift.elements
    each = [row.facts for row in rows]
    chokes = [one.choke for one in each]
    warnings = dict.fromkeys(warning for one in each for warning in one.warnings)
    doubts = [doubt for e in found if (doubt := _doubt(e, run, math.inf))]
    facts = Facts(
        case=run.case,
        form=run.form,
        at_rest=all(one.at_rest for one in each),
        warnings=tuple(warnings),
        cells_on_chord=min(one.cells_on_chord for one in each),
        cells_in_gap=min(one.cells_in_gap for one in each),
        reynolds_run=run.reynolds_run,
        reynolds_real=run.reynolds_real,
        choke=math.nan if any(map(math.isnan, chokes)) else max(chokes),
        stalled=max(one.stalled for one in each),
        doubt=doubts[0] if doubts else "",
        wall_function=run.wall_function,
    )
    opinion = None if estimate is None or like is None else compare(estimate, like, facts)
    if opinion is not None and like is not None and run.form == "mid-span":
        ends = f"{_newtons(like.low)} to {_newtons(like.high)}"
        said = f" With the shares that are left of the loads alone the run comes to {_newtons(like.value)} ({ends})."
        opinion = Opinion(opinion.word, opinion.sentence + said, opinion.band)
    # The sum's own interval where the run has it: those of its terms know nothing of how the forces wobble together.
    alike = {part.part for part in run.parts if part.part != BODY} == {row.element for row in rows}
    half = float(run.total.half_width_n[2]) if alike else sum(row.half_width_n for row in rows)
    return Compared(ALL, estimate, whole, half, like, None, None, facts, opinion)


def _settled(run: FlowRun, part: PartFlow) -> bool:
    """A run that ended because its interval was narrow may still drift, but by less than was asked."""
    return part.at_rest or run.ending == "narrow"


def _weighing(run: FlowRun, name: str) -> tuple[str, ...]:
    """What of the run weakens its word on an element."""
    return tuple(one.text for one in run.faults if one.weakens(name))


def _of_case(found: ElementLift, case: str) -> Band | None:
    return {"alone": found.alone_n, "group": found.group_n, "on car": found.on_car_n}[case]


def _of_load(left: Band, alone: Band) -> Band:
    """A share of a load, both with ranges that know nothing of each other."""
    value = left.value * alone.value
    ends = []
    for up in (False, True):
        of_share = (left.high if (alone.value > 0.0) == up else left.low) - left.value
        of_load = (alone.high if (left.value > 0.0) == up else alone.low) - alone.value
        ends.append(math.hypot(of_share * alone.value, left.value * of_load))
    return Band(value, value - ends[0], value + ends[1])


def _sum(bands: Sequence[Band]) -> Band:
    return Band(sum(b.value for b in bands), sum(b.low for b in bands), sum(b.high for b in bands))


def _with_tips(run: Band, facts: Facts) -> tuple[Band, str]:
    """A mid-span run as a range for a wing with tips: from nothing to all of it."""
    share = with_tips(facts.aspect)
    ends = sorted((0.0, max(run.low, run.high, key=abs)))
    words = (
        f" A wing of its span carries less than mid-span everywhere would: about {_percent(share)} of "
        f"{_newtons(run.value)} by the lifting line."
        if math.isfinite(facts.aspect)
        else ""
    )
    return Band(share * run.value, ends[0], ends[1]), words


def _gap(lift: LiftEstimate, case: str, name: str) -> float:
    """The narrowest channel to another element, m."""
    if case == "alone":
        return math.inf
    return min((c.gap_m for c in lift.channels if name in (c.lower, c.upper)), default=math.inf)


def _choke(lift: LiftEstimate, case: str, name: str) -> float:
    found = [c.choke_index for c in lift.channels if name in (c.lower, c.upper)] if case != "alone" else []
    if any(map(math.isnan, found)):
        return math.nan
    return max(found, default=0.0)


def _stalled(load: SpanLoad | None) -> float:
    """Share of the span, by strips weighed with their widths."""
    if load is None or len(load.y_m) < 2:
        return 0.0
    width = np.gradient(load.y_m)
    return float(width[load.attached.min(axis=1) < STALLED].sum() / width.sum())


def _doubt(found: ElementLift, run: FlowRun, aspect: float) -> str:
    """The estimate's own word on its last case, and what holds for all; not tips, which mid-span lacks as well."""
    reason = _SHORT if aspect < SMALL_ASPECT else ""
    if run.case == ("group" if found.on_car_n is None else "on car") and found.confidence == "low":
        reason = found.confidence_reason
    return "" if run.form == "mid-span" and reason == _SHORT else reason


def _doubts(facts: Facts) -> list[str]:
    """Why the estimate is not to be relied on."""
    out = []
    if math.isnan(facts.choke):
        out.append("what the channel between the elements does is not known")
    elif facts.choke >= 1.0:
        out.append(f"the channel between the elements chokes (choke index {facts.choke:.2f})")
    elif facts.choke > CHOKE_FROM:
        out.append(f"the channel between the elements is near to choking (choke index {facts.choke:.2f})")
    if facts.stalled > STALLED_SPAN:
        out.append(f"the air has left {_percent(facts.stalled)} of the span")
    return out or ([facts.doubt.rstrip(".")] if facts.doubt else [])


def _faults(facts: Facts) -> list[str]:
    """Why the run, though settled, cannot speak against the estimate."""
    out = []
    if facts.cells_in_gap < LEAST_IN_GAP - 1e-6:
        out.append(f"its gap had {facts.cells_in_gap:.0f} cells and {LEAST_IN_GAP} are the fewest to be trusted")
    if facts.cells_on_chord < LEAST_ON_CHORD - 1e-6:
        out.append(f"its chord had {facts.cells_on_chord:.0f} cells and {LEAST_ON_CHORD} are the fewest to be trusted")
    if not facts.reynolds_times <= MOST_REYNOLDS * (1.0 + 1e-9):
        times = facts.reynolds_times
        out.append(
            "its Reynolds number is not known"
            if math.isnan(times)
            else f"its Reynolds number was {two_figures(facts.reynolds_run)} and the car’s is "
            f"{two_figures(facts.reynolds_real)}, a factor of {times:.0f} where {MOST_REYNOLDS:.0f} is the most"
        )
    if not facts.wall_function and facts.reynolds_run >= LAYERS_FROM:
        out.append("its layers were turbulent and it had no wall function")
    return out


def _joined(faults: Sequence[str], facts: Facts) -> str:
    """Faults and the run's first warning."""
    warned = [f"it warned: {facts.warnings[0].rstrip('.')}"] if facts.warnings and not faults else []
    return _all([*faults, *warned]) or "it was not clean"


def _all(reasons: Sequence[str]) -> str:
    return " and ".join(reasons)


def _cells(facts: Facts) -> str:
    gap = f" and {facts.cells_in_gap:.0f} in the gap" if math.isfinite(facts.cells_in_gap) else ""
    return f"{facts.cells_on_chord:.0f} cells on the chord{gap}"


def _near(facts: Facts) -> str:
    if _same_number(facts):
        return ", at the car’s Reynolds number"
    return (
        f", at a Reynolds number of {two_figures(facts.reynolds_run)} for the car’s "
        f"{two_figures(facts.reynolds_real)}, which matters less where the air leaves by the shape of the walls"
    )


def _numbers(facts: Facts) -> str:
    how = "less than" if facts.reynolds_run < facts.reynolds_real else "not"
    return (
        f" and its Reynolds number of {two_figures(facts.reynolds_run)} is {how} the car’s "
        f"{two_figures(facts.reynolds_real)}, at which layers leave elsewhere"
    )


def _same_number(facts: Facts) -> bool:
    return facts.reynolds_times < 1.05


def _either_way(band: Band) -> bool:
    return band.low <= 0.0 <= band.high


def _percent(share: float) -> str:
    return f"{round(100.0 * share) + 0.0:.0f} %".replace("-", "\N{MINUS SIGN}")


def _newtons(force: float) -> str:
    return f"{round(force) + 0.0:+.0f} N".replace("-", "\N{MINUS SIGN}").replace("+0 N", "0 N")


def two_figures(number: float) -> str:
    """Rounded to two figures, thousands parted by spaces that do not break; a dash for what is not known."""
    if not (math.isfinite(number) and number > 0.0):
        return "\N{EN DASH}"
    power = 10.0 ** max(math.floor(math.log10(number)) - 1, 0)
    return f"{round(number / power) * power:,.0f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
