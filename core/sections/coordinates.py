"""Sections as plain lists of coordinates, read and written in the two customary orders.

Round: from the trailing edge over the upper side, round the nose and along the lower side back to the trailing
edge. Sides: the upper side from nose to tail, then the lower side from nose to tail, often with the two numbers
of points on a line before. Both orders are common practice, no source.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .shape import SectionShape, cosine_spaced, shape_from_ordinates

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ROUND = "round from the trailing edge"
SIDES = "upper side, then lower side"
FEWEST_POINTS = 10
"""Fewer cannot tell a section: two sides with nose, tail and three places between."""
SLACK = 2e-4
"""Lists printed to four decimals may cross or double back by this share of the chord without meaning it."""
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?|[+-]?(?:nan|inf(?:inity)?)"
_IS_NUMBER = re.compile(_NUMBER, re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")


@dataclass(frozen=True)
class CoordinateList:
    """A section as a list gives it, scaled to unit chord and turned so that the chord line is the x axis.

    The chord runs from the nose, the point of the list farthest from the middle of the tail, to that middle.

    Attributes:
        name: title of the list, empty where it has none.
        upper, lower: (n, 2) and (m, 2) points (x, z) over the chord, from nose to tail, both with the nose.
        order: ``ROUND`` or ``SIDES``.
        chord: the list's own chord that was scaled out, in its numbers.
        measure: what that makes its numbers: "chords", "percent of the chord" or "lengths" (mm as a rule). A
            section of 90 to 110 mm reads as percent; nothing but this word depends on it.
        turn_rad: the turn taken out, positive where the list's nose stood higher than its tail.
    """

    name: str
    upper: Floats
    lower: Floats
    order: str
    chord: float
    measure: str
    turn_rad: float


@dataclass(frozen=True)
class _Rows:
    """Numbers of a list with the line each stands on."""

    points: Floats
    lines: Ints

    def take(self, which: Ints | slice) -> _Rows:
        return _Rows(self.points[which], self.lines[which])


def read_coordinates(text: str, what: str) -> CoordinateList:
    """Read a coordinate list, its order and form found out from the list itself.

    Understood: title lines before the numbers; blank lines; comments after # or !; two numbers a line, parted by
    blanks, tabs, semicolons or a comma; decimal commas where blanks, tabs or semicolons part the numbers; any
    unit; either direction of travel; the nose once or twice; closed or open trailing edge, its base drawn or not.

    Args:
        text: the whole list.
        what: the list's name for messages, such as its file's.

    Raises:
        InputError: words in place of numbers, not two numbers on a line, fewer than ``FEWEST_POINTS`` points,
            numbers that are not finite, counts that do not agree, an order that cannot be told, x from tail
            to nose, sides that cross or a side that doubles back; with the line wherever there is one.
    """
    name, rows = _parse(text, what)
    rows, counts = _counts_taken_off(rows, what)
    if len(rows.points) < FEWEST_POINTS:
        raise InputError(f"{what} has only {len(rows.points)} points; a section needs at least {FEWEST_POINTS}.")
    path, order = _path(rows, counts, what)
    path = _without_base(path)
    tail = 0.5 * (path.points[0] + path.points[-1])
    nose = int(np.argmax(np.hypot(*(path.points - tail).T)))
    run = tail - path.points[nose]
    chord = float(np.hypot(*run))
    if run[0] < 0.5 * chord:
        raise InputError(
            f"{what}: the chord line, from line {path.lines[nose]} to the tail, does not run along x; "
            "give x from nose to tail and z upwards."
        )
    if min(nose, len(path.points) - 1 - nose) < 3:
        raise InputError(f"{what}: one side has fewer than three points; give both sides.")
    turn = math.atan2(-run[1], run[0])
    path = _Rows(_turned(path.points - path.points[nose], turn) / chord, path.lines)
    upper, lower = path.take(slice(nose, None, -1)), path.take(slice(nose, None))
    for side in (upper, lower):
        _refuse_doubling_back(side, what)
    upper, lower = _refuse_crossing(upper, lower, what)
    _refuse_tail_first(upper.points, lower.points, what)
    return CoordinateList(name, upper.points, lower.points, order, chord, _measure(chord), turn)


def write_coordinates(
    section: SectionShape | CoordinateList, name: str = "", order: str = ROUND, count: int = 61
) -> str:
    """A coordinate list in unit chords to six decimals, which ``read_coordinates`` reads as the same numbers.

    Args:
        section: a shape, or a list that was read, whose own points are written.
        name: title; a list's own name where it is empty.
        order: ``ROUND`` or ``SIDES``; the latter with the line of two counts.
        count: points a side of a shape, closer towards nose and tail.

    Raises:
        InputError: another order, or a name that reads as numbers or as a comment.
    """
    if order not in (ROUND, SIDES):
        raise InputError(f"A coordinate list has no order “{order}”; take “{ROUND}” or “{SIDES}”.")
    if isinstance(section, CoordinateList):
        upper, lower, name = section.upper, section.lower, name or section.name
    else:
        x = cosine_spaced(count)
        upper, lower = (np.column_stack([x, z]) for z in section.surfaces(x))
    name = " ".join(name.split()) or "Section"
    if name[0] in "#!" or _numbers(name, False) is not None:
        raise InputError(f"The name “{name}” would be read as numbers or as a comment; give one with words.")
    if order == ROUND:
        lines = [name, *_printed(upper[::-1]), *_printed(lower[1:])]
    else:
        lines = [name, f"{len(upper)} {len(lower)}", "", *_printed(upper), "", *_printed(lower)]
    return "\n".join(lines) + "\n"


def shape_from_coordinates(
    coordinates: CoordinateList, thickness_count: int = 6, mean_count: int = 6
) -> tuple[SectionShape, float, float]:
    """The shape nearest to a list, and how far the list's points stay from it.

    The leading edge of a shape is the point of the whole contour farthest from the tail, which may lie between
    two points of a list; the curve through the five points about it tells, and the chord line turns there.

    Args:
        coordinates: the list.
        thickness_count, mean_count: numbers of weights.

    Returns:
        The shape; rms and largest distance of the list's points square to its contour, over the chord.
    """
    upper, lower = coordinates.upper, coordinates.lower
    tail = 0.5 * (upper[-1] + lower[-1])
    nose = _farthest_nose(np.concatenate([upper[2:0:-1], lower[:3]]), tail)
    run = tail - nose
    chord, turn = float(np.hypot(*run)), math.atan2(-run[1], run[0])
    upper, lower = (_turned(side - nose, turn) / chord for side in (upper, lower))
    shape = shape_from_ordinates(upper, lower, thickness_count, mean_count)
    away = _distance(np.concatenate([upper, lower[1:]]), shape.contour(400))
    return shape, float(np.sqrt(np.mean(away**2))), float(away.max())


# -- reading ----------------------------------------------------------------------------------------------------


def _parse(text: str, what: str) -> tuple[str, _Rows]:
    lines = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    decimal_comma = _has_decimal_commas(lines)
    title: list[str] = []
    points: list[list[float]] = []
    numbers: list[int] = []
    for number, raw in enumerate(lines, 1):
        line = raw.strip()
        if not line or line[0] in "#!":
            continue
        values = _numbers(re.split("[#!]", line)[0], decimal_comma)
        # Before the first pair of numbers anything else is a title, a lone number such as 2412 too.
        if not points and (values is None or len(values) == 1):
            title.append(line)
        elif values is None:
            raise InputError(f"{what}, line {number}: “{line[:40]}” is not two numbers; remove it or mark it with #.")
        elif len(values) != 2:
            raise InputError(
                f"{what}, line {number}: {_count_of(len(values))} where two are needed, x and z"
                f"{'; part numbers with decimal commas by blanks or semicolons' if len(values) == 4 else ''}."
            )
        elif not np.isfinite(values).all():
            raise InputError(f"{what}, line {number}: “{line[:40]}” is not finite; correct or remove it.")
        else:
            points.append(values)
            numbers.append(number)
    if not points:
        if sum(_numbers(line, decimal_comma) is not None for line in title) >= FEWEST_POINTS:
            raise InputError(f"{what} has one number a line where two are needed, x and z.")
        raise InputError(f"{what} has no line with two numbers; give x and z of one point a line.")
    return " ".join(title), _Rows(np.array(points), np.array(numbers))


def _count_of(numbers: int) -> str:
    return "one number" if numbers == 1 else f"{numbers} numbers"


def _has_decimal_commas(lines: list[str]) -> bool:
    """Whether two numbers with a comma each, parted by something else, stand on most lines that have a comma."""
    with_comma = [line for line in lines if "," in line and re.search(r"\d", line)]
    pieces = [re.split(r"[\s;]+", line.strip()) for line in with_comma]
    alike = sum(len(p) == 2 and any(_DECIMAL_COMMA.fullmatch(v) for v in p) and "." not in "".join(p) for p in pieces)
    return 2 * alike > len(with_comma)


def _numbers(line: str, decimal_comma: bool) -> list[float] | None:
    """The numbers of a line; None where it holds anything else."""
    parted = line.replace(",", ".") if decimal_comma else line
    pieces = [p for p in re.split(r"\s*[,;]\s*|\s+", parted.strip()) if p]
    if not pieces or not all(_IS_NUMBER.fullmatch(p) for p in pieces):
        return None
    return [float(re.sub("[dD]", "e", p)) for p in pieces]


def _counts_taken_off(rows: _Rows, what: str) -> tuple[_Rows, tuple[int, int] | None]:
    """The rows without a first line of two counts, and those."""
    first, rest = rows.points[0], rows.take(slice(1, None))
    if not (first == np.rint(first)).all() or (first < 3).any():
        return rows, None
    if first.sum() == len(rest.points):
        return rest, (int(first[0]), int(first[1]))
    # Two whole numbers far off all other points are counts that are wrong.
    if len(rest.points) and np.abs(rest.points).max() < 0.5 * first.min():
        raise InputError(
            f"{what}, line {rows.lines[0]}: the counts {first[0]:.0f} and {first[1]:.0f} do not agree with the "
            f"{len(rest.points)} points that follow."
        )
    return rows, None


def _path(rows: _Rows, counts: tuple[int, int] | None, what: str) -> tuple[_Rows, str]:
    """The rows from the tail along one side to the nose and back along the other, and the order they came in."""
    x = rows.points[:, 0]
    span = float(np.ptp(x))
    if span == 0.0:
        raise InputError(f"{what}: all points have the same x; give x along the chord and z across.")
    jumps = np.flatnonzero(np.abs(np.diff(x)) > 0.5 * span) + 1
    if len(jumps) > 1:
        raise InputError(
            f"{what}, line {rows.lines[jumps[0]]}: the list jumps to and fro along the chord; "
            "its order cannot be told. Sort it along the contour."
        )
    if counts is not None or len(jumps) == 1:
        cut = counts[0] if counts is not None else int(jumps[0])
        first, second = np.arange(cut), np.arange(cut, len(x))
        if min(len(first), len(second)) < 3:
            raise InputError(f"{what}: one side has fewer than three points; give both sides.")
        # Each side from tail to nose, whichever way it came.
        first, second = (s[::-1] if x[s[-1]] > x[s[0]] else s for s in (first, second))
        path = np.concatenate([first, second[::-1]])
        order = SIDES
    else:
        middle = x.min() + 0.5 * span
        if x[0] < middle or x[-1] < middle:
            raise InputError(
                f"{what}: its order cannot be told: it starts at x = {x[0]:g} (line {rows.lines[0]}) and ends at "
                f"x = {x[-1]:g} (line {rows.lines[-1]}). Give x from nose to tail; start and end at the tail, or list "
                "both sides from nose to tail."
            )
        path, order = np.arange(len(x)), ROUND
    points = rows.points[path]
    repeated = np.concatenate([[False], (np.diff(points, axis=0) == 0.0).all(axis=1)])
    return rows.take(path[~repeated]), order


def _without_base(path: _Rows) -> _Rows:
    """Without points that belong to the base of a blunt tail: steps at either end that run across, not along."""
    step = np.abs(np.diff(path.points, axis=0))
    along = np.flatnonzero(step[:, 0] > 0.25 * step[:, 1])
    return path.take(slice(int(along[0]), int(along[-1]) + 2)) if len(along) else path


def _refuse_doubling_back(side: _Rows, what: str) -> None:
    x = side.points[:, 0]
    back = np.flatnonzero(np.maximum.accumulate(x) - x > SLACK)
    if len(back):
        raise InputError(
            f"{what}, about line {side.lines[back[0]]}: the list doubles back along the chord; "
            "sort its points along the contour."
        )


def _refuse_crossing(upper: _Rows, lower: _Rows, what: str) -> tuple[_Rows, _Rows]:
    """The sides, the higher one first."""

    def gap(side: _Rows, other: _Rows) -> Floats:
        order = np.argsort(other.points[:, 0], kind="stable")
        return side.points[:, 1] - np.interp(side.points[:, 0], *other.points[order].T)

    above, below = gap(upper, lower), -gap(lower, upper)
    if above.mean() + below.mean() < 0.0:
        upper, lower, above, below = lower, upper, -below, -above
    for side, room in ((upper, above), (lower, below)):
        if room.min() < -SLACK:
            line = side.lines[int(np.argmin(room))]
            raise InputError(f"{what}, line {line}: the two sides cross there; correct the point or its side.")
    return upper, lower


def _refuse_tail_first(upper: Floats, lower: Floats, what: str) -> None:
    """Against x from tail to nose: a sharp end in front and a round one, closed, behind."""
    front, back, base = (np.interp(x, *upper.T) - np.interp(x, *lower.T) for x in (0.05, 0.95, 1.0))
    if front < 0.5 * back and base < 0.3 * back:
        raise InputError(f"{what}: it is sharp in front and round behind; give x from nose to tail.")


def _measure(chord: float) -> str:
    for one, words in ((1.0, "chords"), (100.0, "percent of the chord")):
        if 0.9 < chord / one < 1.1:
            return words
    return "lengths"


# -- geometry, printing -----------------------------------------------------------------------------------------


def _turned(points: Floats, turn: float) -> Floats:
    """Points with a chord line that climbs forward by ``turn`` laid onto the x axis."""
    c, s = math.cos(turn), math.sin(turn)
    return points @ np.array([[c, s], [-s, c]])


def _farthest_nose(points: Floats, tail: Floats) -> Floats:
    """The place on the quartic through five points about the nose, along their run, that is farthest from the tail."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    run -= run[2]
    place = np.linspace(run[1], run[3], 2001)
    line = np.column_stack([np.polyval(np.polyfit(run, points[:, k], 4), place) for k in (0, 1)])
    return np.asarray(line[int(np.argmax(np.hypot(*(line - tail).T)))])


def _distance(points: Floats, line: Floats) -> Floats:
    """(n,) distances of points from a chain of points."""
    start, run = line[:-1], np.diff(line, axis=0)
    offset = points[:, None] - start
    share = np.clip((offset * run).sum(axis=2) / np.maximum((run**2).sum(axis=1), 1e-30), 0.0, 1.0)
    return np.asarray(np.linalg.norm(offset - share[..., None] * run, axis=2).min(axis=1))


def _printed(points: Floats) -> list[str]:
    # Adding nothing turns a minus zero into zero.
    return [f"{x:.6f} {z:.6f}" for x, z in np.round(points, 6) + 0.0]
