"""What a hand-held scanner makes of the exact surfaces: triangles with noise, holes, specks and faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from .car import FACES, Car
from .layout import Layout
from .wing import Wing

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NOISE_M = 0.00005
_ROLL_STEPS = (0.0006, 0.0016, 0.0031)

TRIANGLES = {"full": 1_000_000, "fast": 150_000}
_WING_EDGE = {"full": 0.00128, "fast": 0.0024}
_UPPER_EDGE = {"full": 0.0030, "fast": 0.0050}


@dataclass(frozen=True)
class Scan:
    """Shared points (n, 3) m in vehicle axes and triangles (m, 3)."""

    points: Floats
    triangles: Ints


class Blotches:
    """A smooth random field in about -1..1 (standard deviation 0.5), for ragged edges and holes."""

    def __init__(self, rng: np.random.Generator, size: float, waves: int = 14) -> None:
        way = rng.normal(size=(waves, 3))
        way /= np.linalg.norm(way, axis=1)[:, None]
        self._wave = way * (2.0 * np.pi / (size * rng.uniform(0.6, 1.8, waves)))[:, None]
        self._phase = rng.uniform(0.0, 2.0 * np.pi, waves)

    def __call__(self, points: Floats) -> Floats:
        return np.sin(points @ self._wave.T + self._phase).sum(axis=1) / np.sqrt(2.0 * len(self._phase))


def grid(
    surface: Callable[[Floats, Floats], Floats], u: Floats, v: Floats, outward: Callable[[Floats], Floats] | None = None
) -> tuple[Scan, Floats, Floats]:
    """Two triangles a cell over the lines ``u``, ``v``, with the cells' middle parameters.

    ``outward`` gives, at the points' mean, a direction that the faces should look to.
    """
    uu, vv = np.meshgrid(u, v, indexing="ij")
    points = surface(uu.ravel(), vv.ravel())
    triangles = _cells(len(u), len(v))
    if outward is not None:
        c = points[triangles]
        normal = np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])
        if np.sum(normal * outward(c.mean(axis=1))) < 0.0:
            triangles = triangles[:, ::-1]
    mid_u = np.repeat(0.5 * (u[1:] + u[:-1]), len(v) - 1)
    mid_v = np.tile(0.5 * (v[1:] + v[:-1]), len(u) - 1)
    return Scan(points, triangles), np.repeat(mid_u, 2), np.repeat(mid_v, 2)


def _cells(nu: int, nv: int) -> Ints:
    i = (np.arange(nu - 1)[:, None] * nv + np.arange(nv - 1)).ravel()
    quads = np.column_stack([i, i + nv, i + nv + 1, i + 1])
    return quads[:, [[0, 1, 2], [0, 2, 3]]].reshape(-1, 3)


def joined(scans: list[Scan]) -> Scan:
    """All in one, points that coincide shared, faces without area left out."""
    offsets = np.cumsum([0] + [len(s.points) for s in scans])
    points = np.concatenate([s.points for s in scans])
    triangles = np.concatenate([s.triangles + o for s, o in zip(scans, offsets, strict=False)])
    cell = np.round(points * 1e6).astype(np.int64)
    cell -= cell.min(axis=0)
    key = (cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]  # in micrometres; across and up less than 2 m
    _, first, same = np.unique(key, return_index=True, return_inverse=True)
    triangles = same.ravel()[triangles]
    sound = (
        (triangles[:, 0] != triangles[:, 1])
        & (triangles[:, 1] != triangles[:, 2])
        & (triangles[:, 2] != triangles[:, 0])
    )
    return compact(points[first], triangles[sound])


def compact(points: Floats, triangles: Ints) -> Scan:
    """Without the points that no triangle uses."""
    used = np.zeros(len(points), bool)
    used[triangles] = True
    number = np.cumsum(used) - 1
    return Scan(points[used], number[triangles])


# -- the body ------------------------------------------------------------------------------------


def body_lines(car: Car, edge: float) -> dict[str, Floats]:
    """Grid lines along x, y and z: on every panel edge, close beside it, and no more than ``edge`` apart between."""
    marks: dict[str, set[float]] = {
        "x": {car.front_of_fan, car.box_x, car.front},
        "y": {-0.042, 0.0, car.box_y, car.outer_of_fan},
        "z": {car.bottom, car.box_z, car.top_of_fan},
    }
    axes = {"top": "xy", "rear": "yz", "side": "xz"}
    for gap in car.gaps:
        for axis, low, high in zip(axes[gap.face], (gap.u0, gap.v0), (gap.u1, gap.v1), strict=True):
            for value, out in ((low, -1.0), (high, 1.0)):
                marks[axis] |= {value} | {value + out * step for step in _ROLL_STEPS}
    marks["y"] |= {-value for value in marks["y"] if 0.0 < value < 0.042}
    limits = {"x": (car.front_of_fan, car.front), "y": (-0.042, car.outer_of_fan), "z": (car.bottom, car.top_of_fan)}
    lines = {}
    for axis, (low, high) in limits.items():
        fixed = np.array(sorted(m for m in marks[axis] if low <= m <= high))
        fixed = fixed[np.concatenate([[True], np.diff(fixed) > 1e-7])]
        counts = np.maximum(np.ceil(np.diff(fixed) / edge - 1e-9).astype(int), 1)
        parts = [a + (b - a) * np.arange(n) / n for a, b, n in zip(fixed[:-1], fixed[1:], counts, strict=True)]
        lines[axis] = np.concatenate([*parts, fixed[-1:]])
    return lines


def body(layout: Layout, edge: float, rng: np.random.Generator) -> Scan:
    """The left half of the skin as scanned, without noise; ``edge`` is the widest spacing of grid lines."""
    car = layout.car
    lines = body_lines(car, edge)
    along = {"top": ("x", "y"), "rear": ("y", "z"), "side": ("x", "z")}
    ragged, patchy = Blotches(rng, 0.05), Blotches(rng, 0.03)
    scans = []
    for face in FACES:
        u, v = (lines[a] for a in along[face])

        def surface(uu: Floats, vv: Floats, face: str = face) -> Floats:
            if face == "side":
                uu, vv = _on_arch(car, uu, vv, edge)
            return car.points(face, uu, vv)

        scan, mu, mv = grid(surface, u, v, lambda p: p - [0.8, 0.0, 0.55])
        keep = ~in_gaps(car, face, mu, mv)
        middle = scan.points[scan.triangles].mean(axis=1)
        x, y, z = middle.T
        noise = ragged(middle)
        keep &= y > -0.025 - 0.013 * np.clip(noise, -1.15, 1.15)
        keep &= x < car.front - 0.03 - 0.02 * noise
        keep &= z > car.bottom + 0.012 + 0.008 * noise
        if face == "side":
            wx, wz, wr = car.wheel
            keep &= np.hypot(x - wx, z - wz) > wr
            keep &= ~((np.abs(x - wx) < wr) & (z < wz))
        keep &= ~_hidden(layout, face, middle, mu, mv, patchy)
        scans.append(Scan(scan.points, scan.triangles[keep]))
    return joined(scans)


def in_gaps(car: Car, face: str, u: Floats, v: Floats) -> Bools:
    """Whether parameters lie in a shut-line or ring."""
    a, b = (np.abs(u), v) if face == "rear" else (u, np.abs(v)) if face == "top" else (u, v)
    out = np.zeros(len(u), bool)
    for g in car.gaps:
        if g.face == face:
            out |= (a > g.u0) & (a < g.u1) & (b > g.v0) & (b < g.v1)
    return out


def _on_arch(car: Car, u: Floats, v: Floats, edge: float) -> tuple[Floats, Floats]:
    """Parameters on "side" with those near the wheel arch moved onto its edge."""
    wx, wz, wr = car.wheel
    r = np.hypot(car.rays("side", u, v)[0][:, 0] - wx, v - wz)
    near = np.flatnonzero((np.abs(r - wr) < 0.6 * edge) & (v > wz) & (v < car.box_z))
    u, v = u.copy(), v.copy()
    for _ in range(6):
        x = car.rays("side", u[near], v[near])[0][:, 0]
        r = np.hypot(x - wx, v[near] - wz)
        u[near] += (wr - r) * (x - wx) / r
        v[near] += (wr - r) * (v[near] - wz) / r
    return u, v


def _hidden(layout: Layout, face: str, p: Floats, u: Floats, v: Floats, patchy: Blotches) -> Bools:
    """Where the scanner could not see the body: round the bracket's foot, in the shadow of the wing, in corners."""
    car, bracket = layout.car, layout.bracket
    noise = patchy(p)
    hidden = np.zeros(len(p), bool)
    if face == "top":
        foot = np.hypot(
            p[:, 1] - bracket.y_m,
            np.maximum(np.maximum(bracket.root[-1, 0] - p[:, 0], p[:, 0] - bracket.root[0, 0]), 0.0),
        )
        hidden |= foot < 0.0085 + 0.0025 * noise
        x0 = layout.lower.leading_edge[0]
        shadow = (p[:, 0] < x0 - 0.02) & (p[:, 0] > x0 - layout.lower.chord_m + 0.02)
        shadow &= np.abs(p[:, 1] - bracket.y_m) < 0.10
        hidden |= shadow & (noise > 0.75)
    if face == "rear":
        plate = car.plate_rect
        edge = np.minimum(np.minimum(np.abs(plate.u1 - np.abs(u)), np.abs(v - plate.v0)), np.abs(v - plate.v1))
        wall = (np.abs(u) < plate.u1 + 0.018) & (v > plate.v0 - 0.018) & (v < plate.v1 + 0.018)
        wall &= ~((np.abs(u) < plate.u1) & (v > plate.v0) & (v < plate.v1))
        hidden |= wall & (edge < 0.005 + 0.003 * noise)
        corner = np.hypot(np.abs(u) - plate.u1, np.minimum(np.abs(v - plate.v0), np.abs(v - plate.v1)))
        hidden |= wall & (corner < 0.010 + 0.004 * noise)
    return hidden | ((p[:, 2] < 0.42) & (noise > 1.35))  # low down the scanner is hard to hold


# -- the wing ------------------------------------------------------------------------------------


def _contour_places(wing: Wing, edge: float) -> Floats:
    """Contour places with steps of about ``edge``, finer round the nose."""
    s = np.linspace(-1.0, 1.0, 6001)
    c = wing.section.contour(s) * wing.chord_m
    length = np.hypot(*np.diff(c, axis=0).T)
    x = 0.5 * (c[1:, 0] + c[:-1, 0])
    wanted = edge * np.clip(0.35 + np.sqrt(x / 0.012) * 0.65, 0.35, 1.0)
    count = np.concatenate([[0.0], np.cumsum(length / wanted)])
    return np.interp(np.linspace(0.0, count[-1], round(count[-1]) + 1), count, s)


def element(wing: Wing, edge: float, eta0: float, whole: bool, rng: np.random.Generator, beside: float | None) -> Scan:
    """An element as scanned, without noise, from ``eta0`` (right end of the scan) to its left tip.

    Args:
        wing: the exact element.
        edge: length of the triangles' edges, m.
        eta0: -1 for the whole element; otherwise where the left half's ragged end may reach.
        whole: scanned apart from both sides, so that little is missing.
        rng: for the holes.
        beside: y of a bracket that hides the skin at its foot, or None.
    """
    half = 0.5 * wing.span_m
    eta = np.linspace(eta0, 1.0, round((1.0 - eta0) * half / edge) + 1)
    s = _contour_places(wing, edge)
    across = np.linspace(0.0, 1.0, 3 if edge > 0.0015 else 4)
    tail = np.linspace(0.0, 1.0, max(2, len(across)))
    hole, speckle, ragged = Blotches(rng, 0.05), Blotches(rng, 0.012), Blotches(rng, 0.03)
    out = []

    def seen(p: Floats, place: Floats) -> Bools:
        """Missing mostly on the lower side behind the nose, where the deck keeps the scanner out."""
        noise = hole(p)
        under = np.exp(-(((place + 0.72) / 0.22) ** 2))
        limit = 1.25 - (0.40 if whole else 0.85) * under
        keep = (noise < limit) & (speckle(p) < 1.50)
        if beside is not None:
            keep &= np.abs(p[:, 1] - beside) > 0.0028 + 0.0008 * noise
        if not whole:
            keep &= p[:, 1] > -0.025 - 0.013 * np.clip(ragged(p), -1.15, 1.15)
        return keep

    def centre(p: Floats) -> Floats:
        """A point inside the section beside each of the points."""
        inner = np.clip(p[:, 1] / half, -1.0, 1.0)
        return p - wing.chordwise(inner, np.full(len(p), 0.35), np.full(len(p), 0.5))

    scan, _, place = grid(wing.skin, eta, s, centre)
    out.append(Scan(scan.points, scan.triangles[seen(scan.points[scan.triangles].mean(axis=1), place)]))
    scan, _, share = grid(lambda a, b: wing.chordwise(a, np.ones_like(a), b), eta, tail, _facing(-1.0, 0.0, 0.0))
    middle = scan.points[scan.triangles].mean(axis=1)
    out.append(Scan(scan.points, scan.triangles[seen(middle, 0.0 * share) & (speckle(middle) < 0.55)]))
    for side in (-1.0, 1.0) if whole else (1.0,):
        if wing.plate is None:
            x = np.unique(s * s)
            out.append(grid(partial(_tip, wing, side), x, across, _facing(0.0, side, 0.0))[0])
        else:
            out += _plate(wing, side, edge)
    return joined(out)


def _tip(wing: Wing, side: float, x: Floats, share: Floats) -> Floats:
    return wing.chordwise(np.full_like(x, side), x, share)


def _facing(x: float, y: float, z: float) -> Callable[[Floats], Floats]:
    return lambda p: np.tile([x, y, z], (len(p), 1))


def _box(solid: Callable[..., Floats], lines: tuple[Floats, Floats, Floats]) -> list[Scan]:
    """The six faces of a solid given over three parameters, each between the ends of its ``lines``."""
    middle = solid(*(np.array([0.5 * (a[0] + a[-1])]) for a in lines))
    faces = []
    for k in range(3):
        others = [i for i in range(3) if i != k]
        for end in (lines[k][0], lines[k][-1]):

            def face(u: Floats, v: Floats, k: int = k, end: float = end, others: list[int] = others) -> Floats:
                places = [np.full_like(u, end)] * 3
                places[others[0]], places[others[1]] = u, v
                return solid(*places)

            faces.append(grid(face, lines[others[0]], lines[others[1]], lambda q: q - middle)[0])
    return faces


def _plate(wing: Wing, side: float, edge: float) -> list[Scan]:
    p = wing.plate
    assert p is not None
    chord = wing.chord_m * wing.taper
    a = np.linspace(-1.0, 1.0, int((chord + p.ahead_m + p.behind_m) / edge / 1.3) + 1)
    b = np.linspace(-1.0, 1.0, int((p.above_m + p.below_m) / edge / 1.3) + 1)
    c = np.linspace(0.0, 1.0, 3)

    return _box(lambda u, v, w: wing.plate_point(u, v, w) * [1.0, side, 1.0], (a, b, c))


def bracket(layout: Layout, edge: float, rng: np.random.Generator) -> Scan:
    """The left bracket as scanned: both faces and the rim, hidden at its foot and inside the lower element."""
    sheet, noise = layout.bracket, Blotches(rng, 0.02)
    height = float(np.linalg.norm(sheet.top.mean(axis=0) - sheet.root.mean(axis=0)))
    width = float(np.linalg.norm(sheet.top[0] - sheet.top[-1]))
    h = np.linspace(0.0, 1.0, int(height / edge) + 1)
    k = np.linspace(0.0, 1.0, int(width / edge) + 1)
    c = np.linspace(-1.0, 1.0, 3)
    faces = _box(sheet.point, (h, k, c))
    out = []
    foot = sheet.root
    for scan in faces:
        p = scan.points[scan.triangles].mean(axis=1)
        above = p[:, 2] - np.interp(p[:, 0], foot[::-1, 0], foot[::-1, 2])
        keep = (above > 0.008 + 0.002 * noise(p)) & (layout.lower.depth(p) < -0.0015)
        out.append(Scan(scan.points, scan.triangles[keep]))
    return joined(out)


def wheel(layout: Layout, edge: float) -> Scan:
    """The rear wheel in its arch: dished disc and tyre, as a surface of revolution."""
    wx, wz, _ = layout.car.wheel
    face = layout.car.half_width - 0.030
    radius = np.array([0.045, 0.06, 0.10, 0.16, 0.195, 0.205, 0.212, 0.235, 0.270, 0.295, 0.309, 0.312, 0.312])
    inset = np.array([0.030, 0.034, 0.042, 0.040, 0.022, 0.014, 0.012, 0.003, 0.000, 0.006, 0.022, 0.045, 0.090])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(radius), np.diff(inset)))])
    along = np.linspace(0.0, length[-1], int(length[-1] / edge) + 1)
    turn = np.linspace(0.0, 2.0 * np.pi, int(2.0 * np.pi * 0.25 / edge) + 1)
    r, y = PchipInterpolator(length, radius), PchipInterpolator(length, inset)
    scan, _, _ = grid(
        lambda a, b: np.column_stack([wx + r(a) * np.cos(b), face - y(a), wz + r(a) * np.sin(b)]),
        along,
        turn,
        lambda p: p - [wx, face - 0.1, wz],
    )
    return compact(scan.points, scan.triangles[scan.points[scan.triangles].mean(axis=1)[:, 2] > 0.02])


def floor(rng: np.random.Generator, edge: float) -> Scan:
    """A patch of the workshop floor behind the car."""
    ragged = Blotches(rng, 0.06)
    x = np.linspace(-0.78, -0.14, int(0.64 / edge) + 1)
    y = np.linspace(0.04, 0.88, int(0.84 / edge) + 1)
    scan, _, _ = grid(lambda a, b: np.column_stack([a, b, np.zeros_like(a)]), x, y, _facing(0.0, 0.0, 1.0))
    p = scan.points[scan.triangles].mean(axis=1)
    margin = np.minimum(np.minimum(p[:, 0] + 0.78, -0.14 - p[:, 0]), np.minimum(p[:, 1] - 0.04, 0.88 - p[:, 1]))
    return compact(scan.points, scan.triangles[margin > 0.02 + 0.012 * ragged(p)])


# -- both scans ----------------------------------------------------------------------------------


def body_scan(layout: Layout, size: str, rng: np.random.Generator) -> Scan:
    """Body, wheel, bracket, lower element and floor of the left half, noisy and faulty, in vehicle axes."""
    wing_edge = _WING_EDGE[size]
    start = int(rng.integers(1 << 31))
    lower = layout.lower
    rest = [
        element(lower, wing_edge, -0.042 / (0.5 * lower.span_m), False, rng, layout.bracket.y_m),
        bracket(layout, 1.5 * wing_edge, rng),
        wheel(layout, 0.006 if size == "full" else 0.012),
        floor(rng, 0.011 if size == "full" else 0.022),
    ]
    dirt = _specks(rng, 90, (-0.5, 0.0, 0.15), (1.6, 0.95, 1.5))
    faults = _fault_counts(size)
    wanted = TRIANGLES[size] - sum(len(s.triangles) for s in (*rest, dirt)) - faults[1]
    edge = _edge_for(layout, wanted, start)
    scan = joined([body(layout, edge, np.random.default_rng(start)), *rest])
    return _faulty(_noisy(scan, rng), dirt, faults, rng)


def _edge_for(layout: Layout, wanted: int, start: int) -> float:
    """The spacing of the body's grid lines that leaves about ``wanted`` triangles."""

    def cells(edge: float) -> int:
        x, y, z = (len(a) - 1 for a in body_lines(layout.car, edge).values())
        return 2 * (x * y + y * z + x * z)

    def solve(share: float) -> float:
        low, high = 0.001, 0.05
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if cells(middle) * share > wanted else (low, middle)
        return high

    # The share that holes and edges leave is nearly the same on a coarser grid, which is quicker.
    edge = 0.010
    for _ in range(2):
        trial = max(edge, 0.009)
        edge = solve(len(body(layout, trial, np.random.default_rng(start)).triangles) / cells(trial))
    return edge


def part_scan(layout: Layout, size: str, rng: np.random.Generator) -> Scan:
    """The upper element scanned apart, in the vehicle axes it has when mounted."""
    scan = element(layout.upper, _UPPER_EDGE[size], -1.0, True, rng, None)
    dirt = _specks(rng, 12, (-0.1, -0.8, 1.0), (0.5, 0.8, 1.3))
    return _faulty(_noisy(scan, rng), dirt, (40, 30), rng)


def _fault_counts(size: str) -> tuple[int, int]:
    """Numbers of flipped and of duplicate faces."""
    return (600, 500) if size == "full" else (150, 120)


def _noisy(scan: Scan, rng: np.random.Generator) -> Scan:
    c = scan.points[scan.triangles]
    normal = np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])
    total = np.column_stack(
        [
            sum(np.bincount(scan.triangles[:, k], normal[:, i], len(scan.points)) for k in range(3))
            for i in range(3)
        ]
    )
    total /= np.maximum(np.linalg.norm(total, axis=1), 1e-300)[:, None]
    return Scan(scan.points + rng.normal(0.0, NOISE_M, len(total))[:, None] * total, scan.triangles)


def _specks(rng: np.random.Generator, count: int, low: tuple[float, ...], high: tuple[float, ...]) -> Scan:
    """Small clusters of triangles that float where nothing is."""
    parts = []
    for _ in range(count):
        n = int(rng.integers(5, 61))
        side = int(np.ceil(np.sqrt(0.5 * n))) + 1
        size = rng.uniform(0.0006, 0.0016)
        i, j = np.meshgrid(np.arange(side), np.arange(side), indexing="ij")
        flat = np.column_stack([i.ravel(), j.ravel(), np.zeros(side * side)]) * size
        flat = flat + rng.normal(0.0, 0.25 * size, flat.shape)
        turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        parts.append(compact(flat @ turn + rng.uniform(low, high), _cells(side, side)[:n]))
    offsets = np.cumsum([0] + [len(s.points) for s in parts])
    return Scan(
        np.concatenate([s.points for s in parts]),
        np.concatenate([s.triangles + o for s, o in zip(parts, offsets, strict=False)]),
    )


def _faulty(scan: Scan, dirt: Scan, counts: tuple[int, int], rng: np.random.Generator) -> Scan:
    flipped, doubled = counts
    triangles = scan.triangles.copy()
    pick = rng.choice(len(triangles), flipped, replace=False)
    triangles[pick] = triangles[pick][:, ::-1]
    again = triangles[rng.choice(len(triangles), doubled, replace=False)]
    return Scan(
        np.concatenate([scan.points, dirt.points]),
        np.concatenate([triangles, again, dirt.triangles + len(scan.points)]),
    )
