"""The quick estimate beside the flow runs: whether they agree, and which to go by where they do not.

A run's cells are thicker than the layers along its walls, and how the walls are treated tells where the air leaves
them. Measured with NACA 4412 (``tests/bench/flow_results.md``): with the law of the wall the air clings. Where it
follows the section, lift comes within 25 % of NACA Report 824; but it stalls late, on fine cells too (half too much
lift at 18 degrees with 320), and the loads of two elements that face each other grow until their gap is a tenth of a
chord. Without the law the walls hold the air fast, and it lets go: with few cells too early (at 4 degrees 0.41 in place
of 0.83 with 80 on the chord), with 320 it comes within an eighth of measured lift and near it in the stall; of a facing
pair each loses load from a gap between 0.38 and 0.2 chord on. No measured pair is at hand, so the two stay bounds: the
range of the runs is the hull of both, and only what both say is sure.

- Both on one side of zero: the direction is sure.
- Even where the air clings less load is left than the estimate has, or it is turned round: the loss is sure.
- Even where the air lets go more load is left than the estimate has: that it is kept is sure.
- One on this side of the estimate, one on that: the cells cannot tell. The estimate stands where it is sure of itself,
  because it knows layers finer than any cell; otherwise there is the range between the two, what would narrow it, and
  of sound runs that the truth more likely lies near the one in which the air lets go.
- One run alone is one bound: it overrules the estimate only where it is the cautious one, clinging with less load,
  letting go with more.
- Of all together each element may lie anywhere between its own bounds, whatever the others do.

The share of its load that an element keeps in the group is worked out for each treatment of the walls with that one's
own run alone; the hull of the shares is what is told. A run that had not settled, on too few cells, or with a warning
overrules nothing. The Reynolds number is no reason either way: it is a nominal one, the cells decide on the layers.

A run at mid-span has no tips: its newtons are those of a wing that is everywhere like its middle and endlessly wide,
which is more than a wing of that width carries. Fair to compare are its direction, and what share of the load alone is
left in the group, so a run of the group is told as that share of the estimate's load alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..assembly.assembly import Assembly
from ..flow.grid import BODY
from ..flow.plan import LEAST_IN_GAP, LEAST_ON_CHORD
from ..flow.result import BOTH_WALLS, WALLS, FlowRun, PartFlow
from ..lift.estimate import CHOKE_FROM, SMALL_ASPECT, STALLED
from ..lift.result import Band, ElementLift, LiftEstimate, SpanLoad

BELIEVE = {"agree": "both agree", "estimate": "estimate", "flow run": "flow run", "neither": "neither"}
"""What an opinion can be, and how people read it: the two say the same, or which of them to go by."""
WORDS = tuple(BELIEVE)
STALLED_SPAN = 0.25
"""Share of the span that may be stalled for the estimate to be believed; as for its own word "low"."""
WAY_OUT = "A wind tunnel or a specialist would tell, finer cells may"
_SHORT = "it is shorter in span than in chord"
ALL = ""
"""Stands for all elements together where an element's name is asked."""
Runs = Mapping[bool, Band]
"""By ``FlowRun.wall_function``: what each run has."""


@dataclass(frozen=True)
class Facts:
    """What decides which of the two is to be believed.

    Attributes:
        case, form: as in ``FlowRun``.
        at_rest: whether the runs had settled.
        warnings: sentences of the runs that weaken their word on the element, see ``FlowRun.faults``.
        cells_on_chord: along the element's mean chord.
        cells_in_gap: across its narrowest channel; inf where it has none.
        choke: the choke index of its worst channel; 0 where it has none, nan where that is not known.
        stalled: share of its span, by the estimate.
        doubt: why else the estimate is not to be relied on, in words; empty if it is.
        only_sign: whether nothing but the direction can be compared.
        aspect: span over mean chord, for what a wing with tips carries; inf where not known.
        mixed: whether it is a sum of loads that pull against each other, of which one run bounds nothing.
    """

    case: str
    form: str
    at_rest: bool = True
    warnings: tuple[str, ...] = ()
    cells_on_chord: float = math.inf
    cells_in_gap: float = math.inf
    choke: float = 0.0
    stalled: float = 0.0
    doubt: str = ""
    only_sign: bool = False
    aspect: float = math.inf
    mixed: bool = False


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
class Bound:
    """What the run with one treatment of the walls has to say.

    Attributes:
        wall_function: as in ``FlowRun``.
        run: N, as run: at mid-span as if the whole span were like its middle.
        half_width_n: half of the run's confidence interval, which ``run`` holds with what cells and Reynolds number do.
        like_n: N, the run made comparable to the estimate; None where only the direction is.
        left: share of the load alone that is left in the group; None where not worked out.
    """

    wall_function: bool
    run: Band
    half_width_n: float
    like_n: Band | None
    left: Band | None


@dataclass(frozen=True)
class Compared:
    """The flow runs' upward force on one element, or on all, beside the estimate's.

    Attributes:
        element: its name; ``ALL`` for all elements together.
        estimate: N; None where there is none of this case.
        bounds: of one run or two, that in which the air clings first.
        run: N, as run: the hull of the bounds; of all together the sum of the elements' hulls, as each may lie anywhere
            in its own.
        like_n: N, made comparable to the estimate, likewise; None where only the direction is.
        left: share of the load alone that is left in the group, likewise; None where not worked out.
        left_estimate: share of the load alone that the estimate leaves in the group; None where not worked out.
        facts: what decided.
        opinion: None where there is no estimate of this case, or nothing can be compared.
    """

    element: str
    estimate: Band | None
    bounds: tuple[Bound, ...]
    run: Band
    like_n: Band | None
    left: Band | None
    left_estimate: float | None
    facts: Facts
    opinion: Opinion | None

    @property
    def walls(self) -> str:
        """How the walls were treated, in words."""
        return BOTH_WALLS if len(self.bounds) > 1 else WALLS[self.bounds[0].wall_function]

    @property
    def case(self) -> str:
        """As in ``FlowRun``."""
        return self.facts.case

    @property
    def form(self) -> str:
        """As in ``FlowRun``."""
        return self.facts.form


def hull(bands: Iterable[Band]) -> Band:
    """What one band or more hold together; its value is the middle, of one band that band's own."""
    found = tuple(bands)
    if len(found) == 1:
        return found[0]
    low, high = min(one.low for one in found), max(one.high for one in found)
    return Band(0.5 * (low + high), low, high)


def compare(estimate: Band, runs: Runs, facts: Facts, together: Band | None = None) -> Opinion:
    """Whether to go by the estimate or by the runs of one force.

    Args:
        estimate: N, positive up.
        runs: the same from one flow run or both.
        facts: of all.
        together: what the runs hold together where that is more than their hull.
    """
    found = hull(runs.values()) if together is None else together
    if not facts.at_rest or not all(math.isfinite(n) for one in runs.values() for n in (one.value, one.low, one.high)):
        return Opinion(
            "neither",
            f"{_runs(runs)} had not settled when it ended, so it speaks neither for nor against the estimate; run it "
            "longer. Until then there is the estimate with its range.",
            estimate,
        )
    faults, doubts, sound = _faults(facts), _doubts(facts), not _faults(facts) and not facts.warnings
    against = {walls: _against(estimate, one, facts.only_sign) for walls, one in runs.items()}
    sides = {*against.values(), _against(estimate, found, facts.only_sign)}
    sure = " The direction is sure: both runs have it." if sound and len(runs) > 1 and not _either_way(found) else ""
    tips = ""
    if facts.only_sign:
        found, tips = _with_tips(found, facts)
    whole = hull((estimate, found))
    if len(sides) == 1 and sides != {0}:
        more = None if facts.mixed or estimate.value == 0.0 else _more(estimate, found)
        if sound and (len(runs) > 1 or more is (not next(iter(runs)))):
            return Opinion("flow run", f"{_overruled(estimate, runs, facts, doubts, more)}{sure}{tips}", found)
        if sound:
            why = f"{_one_bound(runs, facts)}; run it where the {WALLS[not next(iter(runs))]} too"
            if doubts:
                return Opinion("neither", f"Believe neither: {_all(doubts)}, and {why}.{tips}", whole)
            return Opinion("estimate", f"Believe the estimate: {_FOLLOWS}; {why}.{tips}", estimate)
        why = _joined(faults, facts)
        if doubts or not faults:
            unsure = f"; nor the estimate: {_all(doubts)}" if doubts else ", and the two lie apart"
            return Opinion(
                "neither",
                f"Believe neither: not the flow run, because {why}{unsure}. Put that right and run again, or measure; "
                "until then anything within both ranges may be so.",
                whole,
            )
        return Opinion("estimate", f"Believe the estimate: {_FOLLOWS}; {why}.{tips}", estimate)
    weak = "" if sound else f" The run is a weak witness, though: {_joined(faults, facts)}."
    agreed = "The flow run speaks for no other direction" if facts.only_sign else "Their ranges meet"
    if sides != {0}:
        # One bound speaks against the estimate, the other does not, or on the other side.
        if doubts:
            return Opinion(
                "neither",
                f"Believe neither: {_all(doubts)}, and the cells cannot settle it: {_each(runs)}, and it lies between "
                f"{_newtons(found.low)} and {_newtons(found.high)}. {WAY_OUT}.{sure}"
                f"{_leaning(runs, facts) if sound else ''}{tips}{weak}",
                found if sound else whole,
            )
        if faults and not facts.mixed and len(runs) > 1 and not against[True] and not _more(estimate, runs[False]):
            said = f"{agreed} where the air clings; where it lets go such cells make it leave too early."
            return Opinion("agree", f"{said} Go by the estimate.{tips}{weak}", estimate)
        said = f"Believe the estimate: {_FOLLOWS}, and the cells cannot settle it: {_each(runs)}."
        return Opinion("estimate", f"{said}{sure}{tips}{weak}", estimate)
    if doubts and sound and not facts.only_sign and len(runs) > 1:
        return Opinion(
            "agree",
            f"{agreed}. Go by the flow runs, because the estimate is unsure of itself here: {_all(doubts)}.{sure}",
            found,
        )
    if doubts and len(runs) == 1:
        weak += f" The estimate is unsure of itself here ({_all(doubts)}), and {_one_bound(runs, facts)}."
    return Opinion("agree", f"{agreed}; go by the estimate.{sure}{tips}{weak}", estimate)


def opinions(assembly: Assembly, lift: LiftEstimate | None, runs: Sequence[FlowRun]) -> tuple[Compared, ...]:
    """Every element of every case beside the estimate, and all together where a case holds more than one.

    Args:
        assembly: the variant that estimate and runs are of.
        lift: its estimate, at the runs' speed and density; None where there is none.
        runs: one a form, case, (alone) element and treatment of the walls.

    Raises:
        InputError: a run lacks an element.
    """
    asked: dict[tuple[str, str, str], dict[bool, FlowRun]] = {}
    for run in sorted(runs, key=lambda one: not one.wall_function):
        asked.setdefault((run.form, run.case, run.element), {})[run.wall_function] = run
    out = []
    for which in dict.fromkeys((run.form, run.case, run.element) for run in runs):
        form, case, element = which
        names = [element] if case == "alone" else [e.name for e in assembly.elements]
        rows = [_compared(assembly, lift, asked[which], name, asked.get((form, "alone", name), {})) for name in names]
        out += rows
        if len(rows) > 1:
            out.append(_all_together(lift, asked[which], rows))
    return tuple(out)


def left_of_load(group: PartFlow, alone: PartFlow, lift_share: float = 0.0) -> Band | None:
    """What share of an element's load alone is left in the group; None where the load alone may be nothing.

    Args:
        group, alone: of runs in one form.
        lift_share: by which the share is wider for Reynolds number and cells, of its value.
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
    assembly: Assembly,
    lift: LiftEstimate | None,
    runs: Mapping[bool, FlowRun],
    name: str,
    alone: Mapping[bool, FlowRun],
) -> Compared:
    """``alone``: the runs of this element alone, by the treatment of the walls; each is held beside its own kind."""
    any_run = next(iter(runs.values()))
    mid_span, in_group = any_run.form == "mid-span", any_run.case != "alone"
    found = None if lift is None else next((e for e in lift.elements if e.element == name), None)
    estimate = None if found is None else _of_case(found, any_run.case)
    bounds = []
    for walls, run in runs.items():
        part = run.part(name)
        raw = Band(*run.lift_band(name))
        like: Band | None = raw
        left = None
        if mid_span:
            like = None
            if in_group and walls in alone:
                left = left_of_load(part, alone[walls].part(name), max(run.lift_share, alone[walls].lift_share))
            if left is not None and found is not None and estimate is not None and not _either_way(found.alone_n):
                like = _of_load(left, found.alone_n)
        bounds.append(Bound(walls, raw, float(part.half_width_n[2]), like, left))
    left_estimate = None
    if mid_span and in_group and found is not None and estimate is not None and not _either_way(found.alone_n):
        left_estimate = estimate.value / found.alone_n.value
    likes = {one.wall_function: one.like_n for one in bounds if one.like_n is not None}
    # Those that can be compared count, and the runs alone that their shares rest on.
    counted = [runs[walls] for walls in likes or runs]
    if mid_span and in_group:
        counted += [alone[walls] for walls in likes]
    element = assembly.element(name)
    aspect = element.span_m**2 / element.area_m2
    facts = Facts(
        case=any_run.case,
        form=any_run.form,
        at_rest=all(_settled(run, run.part(name)) for run in counted),
        warnings=tuple(dict.fromkeys(text for run in counted for text in _weighing(run, name))),
        cells_on_chord=element.mean_chord_m / max(run.spacing_m for run in counted),
        cells_in_gap=math.inf
        if lift is None
        else _gap(lift, any_run.case, name) / max(run.spacing_m for run in counted),
        choke=0.0 if lift is None else _choke(lift, any_run.case, name),
        stalled=0.0 if found is None else _stalled(found.load(any_run.case)),
        doubt="" if found is None else _doubt(found, any_run, aspect),
        only_sign=not likes,
        aspect=aspect,
    )
    opinion = None if estimate is None else compare(estimate, likes or {b.wall_function: b.run for b in bounds}, facts)
    if opinion is not None and mid_span and in_group:
        opinion = replace(opinion, sentence=opinion.sentence + _told_left(bounds, left_estimate, alone))
    raw, like = hull(one.run for one in bounds), hull(likes.values()) if likes else None
    lefts = [one.left for one in bounds if one.left is not None]
    left = hull(lefts) if lefts else None
    return Compared(name, estimate, tuple(bounds), raw, like, left, left_estimate, facts, opinion)


def _told_left(bounds: Sequence[Bound], by_estimate: float | None, alone: Mapping[bool, FlowRun]) -> str:
    """What is left of a load alone at mid-span, and why the rest cannot be told."""
    told = [one for one in bounds if one.like_n is not None and one.left is not None]
    missing = [one.wall_function for one in bounds if one.like_n is None]
    said = ""
    if told and by_estimate is not None:
        shares = " and ".join(
            f"{_percent(one.left.value)} ({_percent(one.left.low)} to {_percent(one.left.high)}) where the "
            f"{WALLS[one.wall_function]}"
            for one in told
            if one.left is not None
        )
        said = (
            f" At mid-span {shares} of the load alone is left by the run, {_percent(by_estimate)} by the estimate; "
            "that share is what is compared."
        )
    if not missing:
        return said
    if not told:
        said += " Only the direction is compared:"
    else:
        said += f" The run where the {WALLS[missing[0]]} is not compared:"
    if all(walls in alone for walls in missing):
        return f"{said} the load alone may be nothing, so no share of it can be told."
    where = "" if not told else f", where the {WALLS[missing[0]]}"
    return f"{said} run it alone too{where}, and what is left of its load can be compared."


def _all_together(lift: LiftEstimate | None, runs: Mapping[bool, FlowRun], rows: Sequence[Compared]) -> Compared:
    """Sums of the elements alone: mounts, that a run holds too, are no wing. Each may lie anywhere in its range."""
    any_run = next(iter(runs.values()))
    estimate = None
    if lift is not None:
        estimate = lift.group_total_n if any_run.case == "group" else lift.on_car_total_n
    bounds = []
    for k, (walls, run) in enumerate(runs.items()):
        each = [row.bounds[k] for row in rows]
        likes = [one.like_n for one in each if one.like_n is not None]
        # The sum's own interval where the run has it: those of its terms know nothing of how forces wobble together.
        alike = {part.part for part in run.parts if part.part != BODY} == {row.element for row in rows}
        half = float(run.total.half_width_n[2]) if alike else sum(one.half_width_n for one in each)
        like = _sum(likes) if len(likes) == len(each) else None
        bounds.append(Bound(walls, _sum([one.run for one in each]), half, like, None))
    facts_of = [row.facts for row in rows]
    chokes = [one.choke for one in facts_of]
    warnings = dict.fromkeys(warning for one in facts_of for warning in one.warnings)
    doubts = [doubt for e in (() if lift is None else lift.elements) if (doubt := _doubt(e, any_run, math.inf))]
    facts = Facts(
        case=any_run.case,
        form=any_run.form,
        at_rest=all(one.at_rest for one in facts_of),
        warnings=tuple(warnings),
        cells_on_chord=min(one.cells_on_chord for one in facts_of),
        cells_in_gap=min(one.cells_in_gap for one in facts_of),
        choke=math.nan if any(map(math.isnan, chokes)) else max(chokes),
        stalled=max(one.stalled for one in facts_of),
        doubt=doubts[0] if doubts else "",
        mixed=len({row.run.value > 0.0 for row in rows}) > 1,
    )
    each_like = [row.like_n for row in rows if row.like_n is not None]
    whole = _sum([row.run for row in rows])
    likes_of = {one.wall_function: one.like_n for one in bounds if one.like_n is not None}
    like = _sum(each_like) if likes_of else None
    opinion = None if estimate is None or like is None else compare(estimate, likes_of, facts, like)
    if opinion is not None and like is not None and any_run.form == "mid-span":
        ends = f"{_newtons(like.low)} to {_newtons(like.high)}"
        said = f" With the shares that are left of the loads alone the run comes to {_newtons(like.value)} ({ends})."
        opinion = replace(opinion, sentence=opinion.sentence + said)
    return Compared(ALL, estimate, tuple(bounds), whole, like, None, None, facts, opinion)


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


_FOLLOWS = "the air follows the wing, which is what it was made for"


def _runs(runs: Runs) -> str:
    return "The flow run" if len(runs) == 1 else "One of the flow runs"


def _against(estimate: Band, run: Band, only_sign: bool) -> int:
    """On which side of the estimate a run lies, or 0 where it may be the same; signs alone may be asked."""
    if only_sign:
        return 0 if _either_way(estimate) or not _turned(estimate, run) else 1 if run.value > 0.0 else -1
    return (run.low > estimate.high) - (run.high < estimate.low)


def _turned(estimate: Band, run: Band) -> bool:
    """Whether a run surely points the other way."""
    return not _either_way(run) and (run.value > 0.0) != (estimate.value > 0.0)


def _more(estimate: Band, found: Band) -> bool:
    """Whether runs on one side of the estimate have more load than it has."""
    return (found.value - estimate.value) * estimate.value > 0.0


def _overruled(estimate: Band, runs: Runs, facts: Facts, doubts: Sequence[str], more: bool | None) -> str:
    """Why the estimate is not to be believed."""
    turned = not _either_way(estimate) and all(_turned(estimate, one) for one in runs.values())
    if turned and not facts.mixed:
        what = "the load is turned round from the estimate’s"
    else:
        what = {True: "more", False: "less", None: "another"}[more] + " load is left than the estimate has"
    where = "whether the air clings or lets go" if more is None else f"even where the {WALLS[not more]}"
    why = f"; {_all(doubts)}, and the estimate knows no wakes" if doubts else ""
    return (
        f"Believe the flow run{'s' if len(runs) > 1 else ''}: {where} {what}, so that is sure{why}. "
        f"Settled, with {_cells(facts)}."
    )


def _one_bound(runs: Runs, facts: Facts) -> str:
    if facts.mixed:
        return "of elements that pull against each other one run bounds nothing"
    clings = next(iter(runs))
    much = "too much" if clings else "too little"
    return f"where the {WALLS[clings]} {much} load may be left, so that run is but one bound"


def _each(runs: Runs) -> str:
    return ", ".join(f"where the {WALLS[walls]} it is {_newtons(one.value)}" for walls, one in runs.items())


def _leaning(runs: Runs, facts: Facts) -> str:
    """Near which of two sound runs that part the truth more likely lies."""
    if facts.only_sign or len(runs) < 2:
        return ""
    return (
        f" NACA 4412, measured alone in its stall, sides with the run where the {WALLS[False]}, so the truth more "
        f"likely lies near its {_newtons(runs[False].value)}."
    )


def _with_tips(run: Band, facts: Facts) -> tuple[Band, str]:
    """Mid-span runs as a range for a wing with tips: from nothing to all of it."""
    share = with_tips(facts.aspect)
    words = (
        f" A wing of its span carries less than mid-span everywhere would: about {_percent(share)} of "
        f"{_newtons(run.value)} by the lifting line."
        if math.isfinite(facts.aspect) and not _either_way(run)
        else ""
    )
    return Band(share * run.value, min(run.low, 0.0), max(run.high, 0.0)), words


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
