"""NACA 4- and 5-digit sections, exactly, and the 4-digit one nearest to measured points.

Sources: E. N. Jacobs, K. E. Ward, R. M. Pinkerton, NACA Report 460, 1933 (thickness form seen in a copy, mean
line and lay-off from memory); NACA Reports 537 and 824 (5-digit mean lines, from memory). Nearest member: least
squares of the distances square to the contour by Gauss-Newton, foot points renewed at each step (S. J. Ahn,
"Least Squares Orthogonal Distance Fitting", Springer LNCS 3151, 2004).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import to_mm
from .fit import SectionFit
from .shape import cosine_spaced

Floats = NDArray[np.float64]

OPEN_TAIL, CLOSED_TAIL = -0.1015, -0.1036
"""Last coefficient of the thickness form: Report 460, and the usual variant whose tail closes."""
FIVE_DIGIT_LINES = {
    210: (0.0580, 361.4),
    220: (0.1260, 51.64),
    230: (0.2025, 15.957),
    240: (0.2900, 6.643),
    250: (0.3910, 3.230),
}
"""First three digits: (m, k1) of the mean line. Report 537, from memory."""
NEAR = 0.001
"""A member nearer than this share of the chord (rms) counts as near. Half a digit of thickness, 12.5 %, leaves
0.126 % when the frame has settled: within 0.1 % the next member is farther off than this one."""
_DRAWN, _OWN, _CUT = "as drawn", "own thickness", "cut"
_LOW = np.array([-0.1, -0.1, -np.inf, 0.97, -0.099, 0.05, 0.04, -0.01, 0.8])
_HIGH = np.array([0.1, 0.1, np.inf, 1.03, 0.099, 0.95, 0.30, 0.02, 1.0])
"""Bounds of the numbers fitted: frame (aft, up, incidence, chord that is left), camber, place, thickness, added edge,
end (share of the drawn chord that is left). The chord keeps near the reach of the points, because they say nothing
of a contour that runs on past them."""
_LONGEST_UNSEEN = 1.15
"""Upper bound of the chord where the scan shows no trailing edge."""
SEARCH_POINTS = 300
"""About so many points, or up to twice as many, take part in the search for the nearest members."""
_FRAME, _DIGITS, _EDGE, _END = [0, 1, 2, 3], [4, 5, 6], 7, 8
_OWN_NUMBERS: dict[str, list[int]] = {_DRAWN: [], _OWN: [_EDGE], _CUT: [_END]}


@dataclass(frozen=True)
class NearestMember:
    """The whole-digit NACA 4-digit section nearest to measured points, in its own best chord frame.

    Attributes:
        designation: four digits, such as "2412".
        turned_over: mounted with its upper side down; False for members without camber.
        camber, place, thickness: best values when they need not be whole digits, over the member's chord; camber
            and place as the section was drawn (positive), place without meaning where there is no camber.
        leading_edge: (2,) m (aft, up), where the mean line starts.
        chord_m: of the drawing, m, a cut tail included.
        incidence_rad: positive leading edge up.
        tail: "as drawn", "own thickness" or "cut"; not as drawn only where that fits materially better.
        trailing_edge_m: thickness of the member's trailing edge with that tail, m.
        cut_m: length cut off the drawn chord, m.
        rms_m, p95_m, max_m: of the distances of the points used, square to the member's contour.
        scatter_m: rms of the same points about the free fit: what is noise.
        near: whether ``rms_m`` is below ``NEAR`` chords.
        runner_up: designation of the next nearest, with "turned over" where it is.
        ambiguous: whether the runner-up fits as well within the noise.
    """

    designation: str
    turned_over: bool
    camber: float
    place: float
    thickness: float
    leading_edge: Floats
    chord_m: float
    incidence_rad: float
    tail: str
    trailing_edge_m: float
    cut_m: float
    rms_m: float
    p95_m: float
    max_m: float
    scatter_m: float
    near: bool
    runner_up: str
    ambiguous: bool

    @property
    def name(self) -> str:
        """Such as "NACA 2412 turned over"."""
        return "NACA " + _called(self.designation, self.turned_over)

    @property
    def sentence(self) -> str:
        """What the person at the screen reads."""
        called, away = _called(self.designation, self.turned_over), f"{to_mm(self.rms_m):.2f} mm rms away"
        if self.near:
            text = f"Nearest NACA 4-digit section: {called}, {away}"
        else:
            text = f"No 4-digit section is near: the closest, {called}, stays {away}"
        if self.tail == _OWN:
            text += f", with a trailing edge of its own, {to_mm(self.trailing_edge_m):.1f} mm thick"
        elif self.tail == _CUT:
            text += f", with {to_mm(self.cut_m):.1f} mm cut off its tail"
        if self.near and self.ambiguous:
            text += f"; {self.runner_up} fits as well within the noise"
        return text + "."


def naca4(
    camber: float, place: float, thickness: float, count: int = 100, closed: bool = False
) -> tuple[Floats, Floats]:
    """Upper and lower surface of a 4-digit section, each (count, 2) from nose to tail, unit chord.

    The thickness is laid off square to the mean line, which runs from (0, 0) to (1, 0).

    Args:
        camber: largest rise of the mean line over the chord (first digit over 100); negative bulges down.
        place: where that is (second digit over 10), between 0 and 1; without meaning where camber is 0.
        thickness: over the chord (last two digits over 100).
        count: points a side, closer towards both ends.
        closed: with the variant of the thickness form whose tail closes.

    Raises:
        InputError: a place outside 0..1 with camber, or no thickness.
    """
    if camber != 0.0 and not 0.0 < place < 1.0:
        raise InputError(f"The place of the camber is {place:g} of the chord; give one between 0 and 1.")
    x = cosine_spaced(count)
    mean, slope = four_digit_line(x, camber, place)
    return _sides(x, mean, slope, thickness, closed)


def naca5(line: int, thickness: float, count: int = 100, closed: bool = False) -> tuple[Floats, Floats]:
    """Upper and lower surface of a 5-digit section without reflex, as ``naca4`` gives them.

    Args:
        line: first three digits, one of ``FIVE_DIGIT_LINES``.
        thickness: over the chord.

    Raises:
        InputError: another line, or no thickness.
    """
    x = cosine_spaced(count)
    mean, slope = five_digit_line(x, line)
    return _sides(x, mean, slope, thickness, closed)


def four_digit_line(x: Floats, camber: float, place: float) -> tuple[Floats, Floats]:
    """Ordinates and slopes (n,) of the 4-digit mean line at ``x`` (n,) in 0..1."""
    if camber == 0.0:
        return np.zeros_like(x), np.zeros_like(x)
    factor = camber / np.where(x < place, place**2, (1.0 - place) ** 2)
    start = np.where(x < place, 0.0, 1.0 - 2.0 * place)
    return factor * (start + 2.0 * place * x - x**2), 2.0 * factor * (place - x)


def five_digit_line(x: Floats, line: int) -> tuple[Floats, Floats]:
    """Ordinates and slopes (n,) of a 5-digit mean line at ``x`` (n,) in 0..1; see ``naca5``."""
    if line not in FIVE_DIGIT_LINES:
        raise InputError(f"There is no 5-digit mean line {line}; take one of {', '.join(map(str, FIVE_DIGIT_LINES))}.")
    m, k1 = FIVE_DIGIT_LINES[line]
    ahead = x < m
    mean = np.where(ahead, x**3 - 3.0 * m * x**2 + m**2 * (3.0 - m) * x, m**3 * (1.0 - x))
    slope = np.where(ahead, 3.0 * x**2 - 6.0 * m * x + m**2 * (3.0 - m), -(m**3))
    return k1 / 6.0 * mean, k1 / 6.0 * slope


def nearest_naca4(fit: SectionFit) -> NearestMember:
    """The whole-digit 4-digit section nearest to the points of a fit (those used), either way up.

    First camber, place, thickness and chord frame are fitted together: with the tail as drawn and, where the scan
    shows one, with a trailing edge of its own (a wedge over the whole chord) and cut short. Then the members round
    that place are fitted with frame and tail alone. Points that cannot decide between two members say so.

    Raises:
        InputError: fewer than 40 points used.
    """
    points = fit.points[fit.used]
    if len(points) < 40:
        raise InputError(f"Only {len(points)} points of the section are used; a nearest NACA section needs 40.")
    local = (points - fit.leading_edge) @ _axes(fit.incidence_rad).T
    # What the points reach, rather than where the free fit thinks that an unseen tail ends.
    reach = float(local[:, 0].max())
    points = (points - fit.leading_edge) / reach
    # Every second or third point finds the members as well; then all decide.
    few = points[:: max(len(points) // SEARCH_POINTS, 1)]
    tail, best, members = _whole_digits(few, _first_guess(fit), fit.tail_seen)
    free, longest = [*_FRAME, *_OWN_NUMBERS[tail]], _longest(fit.tail_seen)
    first, second = sorted((_fitted(points, m.numbers, free, longest) for m in members[:2]), key=lambda m: m.rms)
    name, over = _digits_of(first.numbers)
    size = np.abs(first.residual) * reach
    left = float(first.numbers[3]) * reach
    chord = left / float(first.numbers[_END])
    rms = first.rms * reach
    camber, place, thickness = best.numbers[_DIGITS]
    return NearestMember(
        designation=name,
        turned_over=over,
        camber=abs(float(camber)),
        place=float(place),
        thickness=float(thickness),
        leading_edge=fit.leading_edge + reach * first.numbers[:2],
        chord_m=chord,
        incidence_rad=float(first.numbers[2]),
        tail=tail,
        trailing_edge_m=left * float(np.hypot(*np.diff(_contour(np.array([-1.0, 1.0]), first.numbers), axis=0)[0])),
        cut_m=chord - left,
        rms_m=rms,
        p95_m=float(np.percentile(size, 95.0)),
        max_m=float(size.max()),
        scatter_m=float(np.sqrt(np.mean(fit.deviation_m[fit.used] ** 2))),
        near=rms < NEAR * chord,
        runner_up=_called(*_digits_of(second.numbers)),
        # Twice the difference of the log likelihoods; below 4 a wrong name comes unflagged in 2 % at most.
        ambiguous=first.gain_over(second) < 4.0,
    )


def _called(designation: str, turned_over: bool) -> str:
    return designation + (" turned over" if turned_over else "")


def _half_thickness(root: Floats, thickness: float, last: float) -> Floats:
    """Of the form without camber at the signed square root of x: one smooth line from side to side round the nose."""
    x = root**2
    rest = x * (-0.1260 + x * (-0.3516 + x * (0.2843 + x * last)))
    return 5.0 * thickness * (0.2969 * root + np.sign(root) * rest)


def _sides(x: Floats, mean: Floats, slope: Floats, thickness: float, closed: bool) -> tuple[Floats, Floats]:
    if not thickness > 0.0:
        raise InputError(f"The thickness is {thickness:g} of the chord; give one above 0.")
    half = _half_thickness(np.sqrt(x), thickness, CLOSED_TAIL if closed else OPEN_TAIL)
    across = (half / np.sqrt(1.0 + slope**2))[:, None] * np.column_stack([-slope, np.ones_like(slope)])
    middle = np.column_stack([x, mean])
    return middle + across, middle - across


# -- fitting members to points; lengths over the reach of the points, origin at the free fit's leading edge ---


@dataclass(frozen=True)
class _Fitted:
    """Nine numbers of a member in its frame (see ``_LOW``), distances of the points and their derivatives."""

    numbers: Floats
    residual: Floats
    jacobian: Floats
    place: Floats

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.residual**2)))

    def gain_over(self, other: _Fitted) -> float:
        """How much likelier these numbers are: the fall of the sum of squares over the variance of this one.

        Neighbours that deviate alike count as one point: as many as twice the runs of one sign along the contour
        (A. Wald and J. Wolfowitz, Annals of Mathematical Statistics 11(2), 1940: half as many runs as points for
        pure noise; from memory).
        """
        sign = np.sign(self.residual[np.argsort(self.place)])
        count = min(2 * (1 + int((np.diff(sign) != 0.0).sum())), len(sign))
        return count * ((other.rms / max(self.rms, 1e-12)) ** 2 - 1.0)


def _first_guess(fit: SectionFit) -> Floats:
    camber, place = fit.shape.camber()
    thickness = fit.shape.thickness()[0]
    guess = [0.0, 0.0, fit.incidence_rad, 1.0, camber, min(max(place, 0.2), 0.7), thickness, 0.0, 1.0]
    return np.clip(np.array(guess), _LOW, _HIGH)


def _longest(tail_seen: bool) -> float:
    return float(_HIGH[3]) if tail_seen else _LONGEST_UNSEEN


def _whole_digits(points: Floats, guess: Floats, tail_seen: bool) -> tuple[str, _Fitted, list[_Fitted]]:
    """The tail chosen, the best numbers with it, and the nearest whole-digit members, nearest first."""
    longest = _longest(tail_seen)
    drawn = _fitted(points, guess, [*_FRAME, *_DIGITS], longest)
    short = guess.copy()
    short[_END] = 0.97
    starts = {_DRAWN: guess, _OWN: drawn.numbers, _CUT: short} if tail_seen else {_DRAWN: guess}
    found = {}
    for tail, start in starts.items():
        own = _OWN_NUMBERS[tail]
        best = drawn if tail == _DRAWN else _fitted(points, start, [*_FRAME, *_DIGITS, *own], longest)
        choices = _candidates(best, [*_FRAME, *own])
        found[tail] = best, choices, _fitted(points, _with_digits(best.numbers, choices[0]), [*_FRAME, *own], longest)
    plain = found[_DRAWN][2]
    tail = min(found, key=lambda t: found[t][2].rms)
    # Materially better: three standard errors, and a tenth of the distance.
    other = found[tail][2]
    if other.gain_over(plain) < 9.0 or other.rms > 0.9 * plain.rms:
        tail = _DRAWN
    best, choices, member = found[tail]
    free = [*_FRAME, *_OWN_NUMBERS[tail]]
    tried = {choices[0]: member}
    # The order is a prediction from derivatives: those that follow, and all next to the best, are fitted to tell.
    ahead = choices[1:3]
    while ahead:
        tried |= {d: _fitted(points, _with_digits(best.numbers, d), free, longest) for d in ahead}
        first = min(tried, key=lambda d: tried[d].rms)
        ahead = [d for d in _next_to(first) if d not in tried] if tried[first].rms > NEAR else []
    return tail, best, sorted(tried.values(), key=lambda m: m.rms)


def _next_to(digits: tuple[int, int, int]) -> list[tuple[int, int, int]]:
    m, p, t = digits
    near = [(m + 1, p, t), (m - 1, p, t), (m, p + 1, t), (m, p - 1, t), (m, p, t + 1), (m, p, t - 1)]
    return [(m, p if m else 0, t) for m, p, t in near if abs(m) <= 9 and (1 <= p <= 9 or m == 0) and 4 <= t <= 30]


def _candidates(best: _Fitted, free: list[int]) -> list[tuple[int, int, int]]:
    """Signed digits (camber, place, thickness) of the members round the best numbers, likeliest first."""
    whole = np.rint(best.numbers[_DIGITS] * [100.0, 10.0, 100.0]).astype(int)
    choices = [
        (m, p if m else 0, t)
        for m in range(max(whole[0] - 1, -9), min(whole[0] + 1, 9) + 1)
        for p in (range(max(whole[1] - 2, 1), min(whole[1] + 2, 9) + 1) if m else [0])
        for t in range(max(whole[2] - 1, 4), min(whole[2] + 1, 30) + 1)
    ]
    # What frame and tail make good is taken out of the derivatives first.
    held = best.jacobian[:, _DIGITS]
    own = np.linalg.qr(best.jacobian[:, free])[0]
    left, start = held - own @ (own.T @ held), best.residual - own @ (own.T @ best.residual)
    step = np.array([_with_digits(best.numbers, d)[_DIGITS] - best.numbers[_DIGITS] for d in choices])
    squares = 2.0 * step @ (left.T @ start) + np.einsum("ij,jk,ik->i", step, left.T @ left, step)
    return [choices[i] for i in np.argsort(squares)]


def _with_digits(numbers: Floats, digits: tuple[int, int, int]) -> Floats:
    m, p, t = digits
    result = numbers.copy()
    result[_DIGITS] = m / 100.0, p / 10.0 if m else numbers[5], t / 100.0
    return result


def _digits_of(numbers: Floats) -> tuple[str, bool]:
    m, p, t = (int(v) for v in np.rint(numbers[_DIGITS] * [100.0, 10.0, 100.0]))
    return f"{abs(m)}{p if m else 0}{t:02d}", m < 0


def _fitted(points: Floats, numbers: Floats, free: list[int], longest: float, steps: int = 15) -> _Fitted:
    """Gauss-Newton over the ``free`` numbers; the chord grows to ``longest`` at most."""
    high = _HIGH.copy()
    high[3] = longest
    now = _linearised(points, numbers, free)
    for _ in range(steps):
        change = _step(now, free, high)
        for share in (1.0, 0.5, 0.2, 0.05):
            trial = _linearised(points, np.clip(now.numbers + share * change, _LOW, high), free)
            if trial.rms <= now.rms:
                break
        else:
            break
        fall = now.rms - trial.rms
        now = trial
        if fall < 1e-5 * now.rms:
            break
    return now


def _step(now: _Fitted, free: list[int], high: Floats) -> Floats:
    """(9,) one least-squares step; a number that would leave its bounds stays, and the others make up for it."""
    moving = free
    while True:
        # A place that no camber shows stays where it is: a pull of one noise over half the chord.
        pull = now.rms * np.diag([2.0 if k == 5 else 1e-6 for k in moving])
        wanted = np.concatenate([-now.residual, np.zeros(len(moving))])
        change = np.zeros(len(now.numbers))
        change[moving] = np.linalg.lstsq(np.vstack([now.jacobian[:, moving], pull]), wanted, rcond=None)[0]
        out = ((now.numbers <= _LOW) & (change < 0.0)) | ((now.numbers >= high) & (change > 0.0))
        if not out.any():
            return change
        moving = [k for k in moving if not out[k]]


def _linearised(points: Floats, numbers: Floats, free: list[int]) -> _Fitted:
    """Signed distances (n,) of the points from the contour, positive outside, and their derivatives (n, 9) by the
    numbers that are ``free``."""
    origin, axes, chord = numbers[:2], _axes(float(numbers[2])), float(numbers[3])
    local = (points - origin) @ axes.T / chord
    u = _foot(local, numbers)
    ahead, behind = _contour(u + 1e-4, numbers), _contour(u - 1e-4, numbers)
    tangent = (ahead - behind) / np.hypot(*(ahead - behind).T)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    low, high = _contour(np.array([-1.0, 1.0]), numbers)
    up = (local - low) @ (high - low) / max(float((high - low) @ (high - low)), 1e-30)
    up = np.clip(up, 0.0, 1.0)[:, None]
    foot, base = _contour(u, numbers), low + up * (high - low)
    on_base = ((local - base) ** 2).sum(axis=1) < ((local - foot) ** 2).sum(axis=1)
    normal[on_base] = [1.0, 0.0]

    def footing(n: Floats) -> Floats:
        side = _contour(u, n)
        low, high = _contour(np.array([-1.0, 1.0]), n)
        return np.where(on_base[:, None], low + up * (high - low), side)

    section = footing(numbers)
    # Past an edge of the base the way to the nearest point is square to neither side: it is its own direction.
    off = local - section
    length = np.hypot(*off.T)
    sign = np.where((off * normal).sum(axis=1) < 0.0, -1.0, 1.0)
    clear = length > 1e-6
    normal[clear] = off[clear] * (sign / np.maximum(length, 1e-6))[clear, None]
    square = normal @ axes
    turn = np.array([[axes[0, 1], -axes[0, 0]], [axes[1, 1], -axes[1, 0]]])
    slopes = np.zeros((len(points), len(numbers)))
    slopes[:, :2] = square
    slopes[:, 2] = chord * ((section @ turn) * square).sum(axis=1)
    slopes[:, 3] = (section * normal).sum(axis=1)
    for k in free:
        if k not in _FRAME:
            moved = numbers.copy()
            # Backwards, so that the end of the contour stays within the drawing.
            moved[k] -= 1e-6
            slopes[:, k] = chord * ((section - footing(moved)) * normal).sum(axis=1) / 1e-6
    residual = chord * (off * normal).sum(axis=1)
    return _Fitted(numbers, residual, -slopes, np.where(on_base, 2.0, u))


def _axes(incidence: float) -> Floats:
    """Rows: the chord line's direction (aft) and the section's z, in the plane of the cut."""
    c, s = math.cos(incidence), math.sin(incidence)
    return np.array([[c, -s], [s, c]])


def _contour(u: Floats, numbers: Floats) -> Floats:
    """(n, 2) points over the chord that is left, at ``u`` from -1 (tail, lower side) over 0 (nose) to 1 (tail, upper
    side); x grows with u squared."""
    camber, place, thickness, edge, end = numbers[4:]
    root = math.sqrt(end) * u
    x = root**2
    half = _half_thickness(root, thickness, OPEN_TAIL) + 0.5 * edge * np.sign(root) * x
    mean, slope = four_digit_line(x, camber, place)
    half = half / np.sqrt(1.0 + slope**2)
    return np.column_stack([x - half * slope, mean + half]) / end


def _foot(local: Floats, numbers: Floats) -> Floats:
    """(n,) places ``u`` on the contour nearest to points in the section's frame."""
    grid = np.linspace(-1.0, 1.0, 121)
    line = _contour(grid, numbers)
    u = grid[np.argmin((line**2).sum(axis=1) - 2.0 * local @ line.T, axis=1)]
    h = 1e-3
    for _ in range(3):
        here, ahead, behind = _contour(u, numbers), _contour(u + h, numbers), _contour(u - h, numbers)
        first, second = (ahead - behind) / (2.0 * h), (ahead - 2.0 * here + behind) / h**2
        speed = (first**2).sum(axis=1)
        bend = np.maximum(speed + ((here - local) * second).sum(axis=1), 0.3 * speed)
        u = np.clip(u - ((here - local) * first).sum(axis=1) / np.maximum(bend, 1e-12), -1.0, 1.0)
    return u
