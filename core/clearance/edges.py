"""Edges sharper than a radius of 2.5 mm where a person can touch them, by UN Regulation No. 26, as a caution.

The radius is told from the section square to an edge: how far the surface turns over how much of its length. A single
edge of the mesh that turns a lot is sharp. Several that turn a little each, one after the other, are a rounding whose
radius is arc length over turn; so a coarsely meshed tube is as round as it is meant to be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.box import Box
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh, face_normals, join
from ..geometry.signed import SignedSurface, triangle_areas
from ..scan.outward import turned_outward
from ..scan.topology import consistent, first_equal
from ..units import to_mm

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

LEAST_RADIUS_M = 0.0025
"""UN Regulation No. 26, general requirement on protruding parts (from memory)."""
SPHERE_M = 0.100
"""Diameter of the sphere that stands for what a person can touch with (UN Regulation No. 26, from memory)."""
HIGHEST_M = 2.0
"""Above this, edges do not count (UN Regulation No. 26, from memory)."""
PIECE_M = 0.020
"""Edges are judged in pieces no longer than this."""
CORNER_RAD = np.radians(65.0)
"""An edge of the mesh that turns by more is a corner however the rest is meshed (common practice, no source)."""
TURN_RAD = np.radians(30.0)
"""What turns by less in all is no edge (common practice, no source)."""

_GAUGE_RAD = np.radians(45.0)  # a radius is taken over as much of a rounding
_ALIKE = 0.4  # facets of one rounding turn by at least this share of each other
_SLIGHT_RAD = np.radians(1.0)
_SLIGHT = 0.15  # share of the largest turn nearby below which a turn is how a facet was cut up
_HOLLOW_RAD = np.radians(15.0)
_FLAT_M = 2e-6  # thinner triangles have normals that rounding of 32-bit coordinates made up
_WELD_M = 1e-6
_FAR_M = 0.05  # how far neighbours are looked for
_STEPS = 160
_DEEP_M = 0.5  # so far behind the body's skin it is known to be inside
_SIDED = (
    0.05  # of the edges that a sphere reaches from either side of the skin, a smaller share from outside is doubtful
)
_DENT_M = 0.0002  # how far the sphere may reach into facets
_CHUNK = 2048
_LEANS = (0.5, 0.3, 0.7, 0.1, 0.9, 0.0, 1.0)
_ASKEW = float(np.cos(np.radians(8.0)))


@dataclass(frozen=True)
class SharpEdges:
    """The sharp edges of one part.

    Attributes:
        part: its name.
        ends: (k, 2, 3) m, the edges' pieces that a person can touch and whose radius is below the limit.
        radius_m: (k,) m, estimated radius of each.
        length_m: total length, m.
        least_m: smallest radius, m; inf when none is sharp.
        sentence: in words, with where (trailing edge, end plate ...) as far as it can be told from the place alone.
    """

    part: str
    ends: Floats
    radius_m: Floats
    length_m: float
    least_m: float
    sentence: str


def sharp_edges(
    parts: Sequence[tuple[str, TriMesh]], body: TriMesh | None = None, least_radius_m: float = LEAST_RADIUS_M
) -> tuple[SharpEdges, ...]:
    """Edges of each part with a smaller radius than asked that a sphere of 100 mm can touch.

    The border of an open surface is an edge without thickness. A rounding is listed as the one line that halves its
    turn. A sphere touches a piece when it can lie against its middle outside the body with no other surface in it, in
    one of seven directions between the faces that meet there.

    Args:
        parts: names and closed or open surfaces, in vehicle axes (z = 0 the road), wound to the outside.
        body: what else keeps the sphere away, from behind its skin as well. Neighbours wound unlike and a body inside
            out are put right; when its faces still would hide nearly all edges, their sides are left out, which is
            told.
        least_radius_m: what is asked for.

    Raises:
        InputError: a part without faces, coordinates that are not numbers, or a radius that is none.
    """
    if not 0.0 < least_radius_m <= 0.5 * SPHERE_M:
        raise InputError(f"The radius asked for must lie between 0 and {to_mm(0.5 * SPHERE_M):.0f} mm.")
    for name, mesh in [*parts, *([] if body is None else [("body", body)])]:
        if len(mesh.triangles) == 0:
            raise InputError(f"“{name}” holds no faces, so it has no edges.")
        if not np.isfinite(mesh.points).all():
            raise InputError(f"“{name}” has points whose coordinates are not numbers.")
    found, blind = [_low(_feature_edges(_Surface.of(mesh), least_radius_m)) for _, mesh in parts], False
    if sum(len(e.radius) for e in found):
        index = TriangleIndex.build(join([mesh for _, mesh in parts]))
        skin = None if body is None else _skin(body, np.concatenate([e.middle for e in found]))
        touched, unhidden = zip(*(_touched(e, index, skin) for e in found), strict=True)
        # A part that lies whole behind the skin is rare; a scan whose faces look anyhow is not.
        blind = sum(map(np.count_nonzero, touched)) < _SIDED * sum(map(np.count_nonzero, unhidden))
        found = [e.where(which) for e, which in zip(found, unhidden if blind else touched, strict=True)]
    return tuple(_answer(name, mesh, e, least_radius_m, blind) for (name, mesh), e in zip(parts, found, strict=True))


@dataclass(frozen=True)
class _Surface:
    """A mesh whose faces know their neighbours. Half-edge ``3 f + k`` runs from corner k of face f to the next.

    Attributes:
        points: (n, 3) m; triangles: (m, 3) wound alike.
        normals: (m, 3) unit; 0 where a triangle is too thin to have one.
        height: (3 m,) m, of the triangle over each half-edge.
        other: (3 m,) the half-edge of the neighbour, -1 at a border.
        turn: (3 m,) rad, by how much the surface turns over it, positive where it bulges; pi at a border.
    """

    points: Floats
    triangles: Ints
    normals: Floats
    height: Floats
    other: Ints
    turn: Floats

    @staticmethod
    def of(mesh: TriMesh) -> _Surface:
        points, triangles = mesh.points, mesh.triangles
        grid = np.round((points - points.min(axis=0)) / _WELD_M).astype(np.uint32)
        weld = first_equal(grid)
        welded = weld[triangles]
        flip: Mask = np.asarray((np.asarray(consistent(points, welded)[0]) != welded).any(axis=1), bool)
        corners = points[triangles] - points.mean(axis=0)
        if (_dot(corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) * np.where(flip, -1, 1)).sum() < 0.0:
            flip = np.logical_not(flip)
        triangles = np.where(flip[:, None], triangles[:, [0, 2, 1]], triangles).astype(np.int32)
        normals, area = face_normals(points[triangles])
        along = _edge_vectors(points, triangles)
        length = np.linalg.norm(along, axis=1)
        height = np.repeat(2.0 * area, 3) / np.maximum(length, 1e-300)
        thin = height.reshape(-1, 3).min(axis=1) < _FLAT_M
        normals[thin] = 0.0
        other = np.full(3 * len(triangles), -1, np.int32)
        _pair(triangles, other)
        _pair(weld[triangles], other)
        face = np.arange(len(other)) // 3
        one, two = normals[face], normals[other // 3]
        unit = along / np.maximum(length, 1e-300)[:, None]
        turn = np.arctan2(_dot(np.cross(one, two), unit), _dot(one, two))
        turn[(other < 0) | (turn < -3.1)] = np.pi
        # Beside a triangle without a normal the turn is told on the way across it.
        turn[(other >= 0) & (thin[face] | thin[other // 3])] = 0.0
        return _Surface(points, triangles, normals, height, other, turn)

    def thin(self) -> Mask:
        """(3 m,) half-edges with a triangle on either side that has no normal."""
        none: Mask = np.logical_not(self.normals.any(axis=1))
        return np.asarray(none[np.arange(len(self.other)) // 3] | (none[self.other // 3] & (self.other >= 0)))


@dataclass(frozen=True)
class _Edges:
    """Pieces of edges.

    Attributes:
        ends: (k, 2, 3) m; radius: (k,) m.
        share: (k,) how much of the piece's length counts, as it may run askew over a rounding.
        out: (k, 3) unit, square to the edge, half-way between the normals of the two faces that meet.
        aside: (k, 3) unit, square to both; towards the right face.
        wide: (k, 2) rad, how far the normals turn from ``out`` to either end of the edge, against and along ``aside``.
    """

    ends: Floats
    radius: Floats
    share: Floats
    out: Floats
    aside: Floats
    wide: Floats

    @property
    def middle(self) -> Floats:
        return np.asarray(self.ends.mean(axis=1))

    def where(self, which: Mask) -> _Edges:
        return _Edges(*(getattr(self, f.name)[which] for f in fields(_Edges)))


def _edge_vectors(points: Floats, triangles: Ints) -> Floats:
    corners = points[triangles]
    return np.asarray((np.roll(corners, -1, axis=1) - corners).reshape(-1, 3))


def _pair(triangles: Ints, other: Ints) -> None:
    """Fill ``other`` for half-edges without one: those between the same two points that run in opposite senses.

    Where more than two faces meet, they are paired in their order.
    """
    half = np.flatnonzero(other < 0)
    start, end = triangles.ravel()[half], np.roll(triangles, -1, axis=1).ravel()[half]
    key = np.minimum(start, end).astype(np.int64) * (int(triangles.max()) + 1) + np.maximum(start, end)
    sides = []
    for one_way in (start < end, start > end):
        here = np.flatnonzero(one_way)
        here = here[np.argsort(key[here], kind="stable")]
        name = key[here]
        fresh = np.flatnonzero(np.diff(name, prepend=-1))
        rank = np.arange(len(name)) - np.repeat(fresh, np.diff(fresh, append=len(name)))
        sides.append((half[here], name * 16 + np.minimum(rank, 15)))
    (up, up_key), (down, down_key) = sides
    _, i, j = np.intersect1d(up_key, down_key, return_indices=True)
    other[up[i]], other[down[j]] = down[j], up[i]


def _feature_edges(surface: _Surface, limit: float) -> _Edges:
    """All edges of ``surface`` with a radius below ``limit``, in pieces."""
    half = np.arange(len(surface.other), dtype=np.int32)
    once = surface.other < half
    turn = surface.turn
    corner = once & (turn >= CORNER_RAD)
    low = np.minimum(surface.height, np.where(surface.other >= 0, surface.height[surface.other], np.inf))
    slight = once & ~corner & ((turn >= TURN_RAD) | (turn >= _SLIGHT_RAD) & (low < 4.0 * limit * turn) | surface.thin())
    ends, of = _cut_up(surface, half[corner])
    along, right, _ = _sides(surface, of, _unit(ends[:, 1] - ends[:, 0]))
    found = [
        _turned(ends, along, surface.normals[right // 3], np.column_stack([-turn[of], -turn[of] / 2, 0.0 * turn[of]]))
    ]
    ends, of = _cut_up(surface, half[slight])
    for start in range(0, len(of), _CHUNK):
        here = slice(start, start + _CHUNK)
        found.append(_rounded(surface, ends[here], of[here], limit))
    return _all(found)


def _all(found: Sequence[_Edges]) -> _Edges:
    return _Edges(*(np.concatenate([getattr(e, f.name) for e in found]) for f in fields(_Edges)))


def _turned(
    ends: Floats,
    along: Floats,
    normal: Floats,
    angle: Floats,
    radius: Floats | None = None,
    share: Floats | None = None,
) -> _Edges:
    """Pieces from angles (k, 3) about ``along``, from ``normal`` on: one end of the turn, its middle, the other end."""
    lean = _unit(normal - _dot(normal, along)[:, None] * along)
    side = np.cross(along, lean)
    c, s = np.cos(angle[:, 1:2]), np.sin(angle[:, 1:2])
    none, whole = np.zeros(len(ends)), np.ones(len(ends))
    return _Edges(
        ends,
        none if radius is None else radius,
        whole if share is None else share,
        c * lean + s * side,
        c * side - s * lean,
        angle[:, [0, 2]] - angle[:, 1:2],
    )


def _sides(surface: _Surface, half: Ints, along: Floats) -> tuple[Floats, Ints, Ints]:
    """Directions ``along`` (k, 3) of edges turned to one side of space, and the half-edges to their right and left.

    Parallel edges get one direction. Going to the right the normal turns about it where the surface bulges.
    """
    other = surface.other[half]
    sign = np.where(along @ np.array([0.83, 0.51, 0.23]) < 0.0, -1.0, 1.0)
    run = _edge_vectors(surface.points, surface.triangles[half // 3]).reshape(-1, 3, 3)[np.arange(len(half)), half % 3]
    against = sign * _dot(run, along) < 0.0
    # At a border there is but a right side.
    sign = np.where((other < 0) & ~against, -sign, sign)
    against |= other < 0
    return sign[:, None] * along, np.where(against, half, other), np.where(against, other, half)


def _dot(one: Floats, other: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", one, other))


def _unit(vector: Floats) -> Floats:
    return vector / np.maximum(np.linalg.norm(vector, axis=-1), 1e-300)[..., None]


def _cut_up(surface: _Surface, half: Ints) -> tuple[Floats, Ints]:
    """Half-edges in pieces: (k, 2, 3) m ends and (k,) the half-edge."""
    start = surface.points[surface.triangles.ravel()[half]]
    run = _edge_vectors(surface.points, surface.triangles)[half]
    count = np.maximum(np.ceil(np.linalg.norm(run, axis=1) / PIECE_M - 1e-9), 1).astype(np.intp)
    which = np.repeat(np.arange(len(half)), count)
    number = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    share = np.stack([number, number + 1], axis=1) / count[which][:, None]
    return start[which][:, None] + share[:, :, None] * run[which][:, None], half[which]


@dataclass(frozen=True)
class _Section:
    """The surface cut square to pieces of edges, k of them, seen along these, from left to right.

    Attributes:
        place: (k, n) m, arc length from the piece's own edge to each edge of the mesh that turns, rising.
        turn: (k, n) rad, how much each turns; 0 in what is filled up.
        total: (k, n) rad, sum of the turns before each.
        own: (k,) which of them is the piece's own.
        faces: (k, n, 2) the faces just before and after each.
    """

    place: Floats
    turn: Floats
    total: Floats
    own: Ints
    faces: Ints


def _rounded(surface: _Surface, ends: Floats, half: Ints, limit: float, square: Floats | None = None) -> _Edges:
    """Those of the pieces, which turn by less than a corner, that stand for an edge with a radius below ``limit``.

    Args:
        square: (k, 3) the direction to look along; along each piece when None, and then once more where it runs askew
            over a rounding.
    """
    edge = _unit(ends[:, 1] - ends[:, 0])
    along, right, left = _sides(surface, half, edge if square is None else square)
    section = _section(surface, ends.mean(axis=1), along, right, left, limit)
    first, last = _run(section, limit)
    k = np.arange(len(half))
    askew = np.zeros(len(half), bool)
    if square is None:
        # The direction of a rounding is square to the normals at both its ends.
        better = _unit(
            np.cross(surface.normals[section.faces[k, first, 0]], surface.normals[section.faces[k, last, 1]])
        )
        askew = (first < last) & (np.abs(_dot(better, along)) < _ASKEW) & (np.abs(_dot(better, edge)) > 0.1)
    start = section.total[k, first]
    whole = section.total[k, last] + section.turn[k, last] - start
    before, own = section.total[k, section.own] - start, section.turn[k, section.own]
    # The one that the middle of the turn falls on stands for the edge; of two halves the right one.
    round_ = whole > 1.1 * np.pi
    chosen = round_ | (before < 0.5 * whole + 1e-4) & (0.5 * whole + 1e-4 <= before + own) & (whole >= TURN_RAD - 1e-4)
    radius = np.full(len(half), np.inf)
    alone = chosen & (first == last) & ~_goes_on(section)
    radius[alone] = 0.0
    several = np.flatnonzero(chosen & (first < last))
    for part in range(0, len(several), 256):
        here = several[part : part + 256].astype(np.int32)
        radius[here] = _least(section, here, first[here], last[here])
    which = radius < limit
    angle = np.column_stack([-before - own, -0.5 * own, whole - before - own])
    # A rod has no middle: each of its edges stands for its part of two lines.
    share = np.abs(_dot(edge, along)) * np.where(round_, own / np.pi, 1.0)
    angle = np.where(round_[:, None], -0.5 * own[:, None] + [-0.5 * np.pi, 0.0, 0.5 * np.pi], angle)
    normal = surface.normals[section.faces[k, section.own, 1]]
    found = _turned(ends, along, normal, angle, radius, share).where(which & ~askew)
    if not askew.any():
        return found
    return _all([found, _rounded(surface, ends[askew], half[askew], limit, better[askew])])


def _section(surface: _Surface, middle: Floats, along: Floats, right: Ints, left: Ints, limit: float) -> _Section:
    far = np.where(surface.turn[right] >= TURN_RAD - 1e-4, _FAR_M, 1.5 * np.pi * limit)
    (fr, wr), (fl, wl) = (_walk(surface, middle, along, start, far) for start in (right, left))
    face = np.concatenate([fl[:, ::-1], fr], axis=1)
    width = np.concatenate([wl[:, ::-1], wr], axis=1)
    mid = fl.shape[1]
    lean = surface.normals[face[:, mid]]
    none = ~lean.any(axis=1)
    lean[none] = surface.normals[face[none, mid - 1]]
    lean = _unit(lean - _dot(lean, along)[:, None] * along)
    side = np.cross(along, lean)
    normal = surface.normals[face]
    up, over = np.einsum("knj,kj->kn", normal, lean), np.einsum("knj,kj->kn", normal, side)
    walked = face >= 0
    known = walked & (np.hypot(up, over) > 1e-6)
    # What has no normal goes on as what lies to its left; beyond the ends the surface goes on flat.
    number = np.arange(face.shape[1])
    last = np.maximum.accumulate(np.where(known, number, -1), axis=1)
    last = np.where(last < 0, known.argmax(axis=1)[:, None], last)
    angle = np.take_along_axis(np.arctan2(over, up), last, axis=1)
    face = np.take_along_axis(face, last, axis=1)
    turn = np.diff(angle, axis=1)
    turn -= 2.0 * np.pi * np.round(turn / (2.0 * np.pi))
    place = np.cumsum(width, axis=1)
    place = place[:, :-1] - place[:, mid - 1 : mid]
    # How facets were cut up, and noise, is added to the next edge that turns.
    slight = np.maximum(_SLIGHT_RAD, _SLIGHT * np.where(np.abs(place) < np.pi * limit, turn, 0.0).max(axis=1))[:, None]
    small = np.abs(turn) < slight
    level = np.trunc(np.cumsum(np.where(small, turn, 0.0), axis=1) / slight)
    kept = ~small | (np.diff(level, axis=1, prepend=0.0) != 0.0)
    kept[:, mid - 1] = True
    # The ends of what was walked over tell how wide the last facets are.
    kept |= np.diff(walked, axis=1)
    count = int(kept.sum(axis=1).max())
    order = np.argsort(~kept, axis=1, kind="stable")[:, :count]
    real = np.take_along_axis(kept, order, axis=1)
    held = np.maximum.accumulate(np.where(real, np.arange(count), 0), axis=1)
    after = np.take_along_axis(np.take_along_axis(np.cumsum(turn, axis=1), order, axis=1), held, axis=1)
    turn = np.diff(after, axis=1, prepend=0.0)
    place = np.where(real, np.take_along_axis(place, order, axis=1), place[:, -1:] + 1.0 + np.arange(count))
    faces = np.stack([np.take_along_axis(face, order, axis=1), np.take_along_axis(face, order + 1, axis=1)], axis=2)
    return _Section(place, turn, after - turn, kept[:, : mid - 1].sum(axis=1), faces)


def _walk(surface: _Surface, middle: Floats, along: Floats, start: Ints, far: Floats) -> tuple[Ints, Floats]:
    """Straight over the surface, square to ``along``: (k, n) faces from half-edges ``start`` on, and how wide each is.

    It ends at borders, corners and hollows, or once it is ``far`` (k,) m; from there on the face is -1 and 1 m wide.
    """
    here = np.flatnonzero(start >= 0)
    half, place, gone = start[here], middle[here], np.zeros(len(here))
    faces, widths = [], []
    for _ in range(_STEPS):
        face, width = np.full(len(start), -1, np.int32), np.ones(len(start))
        tri = half // 3
        points = surface.points[surface.triangles[tri]]
        high = ((points - middle[here][:, None]) * along[here][:, None]).sum(axis=2)
        n, k = np.arange(len(here)), half % 3
        third = (k + 2) % 3
        # Out between the third corner and the one that lies on the other side of the cut.
        leave = np.where((high[n, third] >= 0.0) == (high[n, k] >= 0.0), (k + 1) % 3, third)
        a, b = high[n, leave], high[n, (leave + 1) % 3]
        share = np.clip(a / np.where(a == b, 1.0, a - b), 0.0, 1.0)[:, None]
        new = points[n, leave] + share * (points[n, (leave + 1) % 3] - points[n, leave])
        face[here], width[here] = tri, np.linalg.norm(new - place, axis=1)
        gone = gone + width[here]
        faces.append(face)
        widths.append(width)
        leaving = 3 * tri + leave
        turn = surface.turn[leaving]
        on = (surface.other[leaving] >= 0) & (turn < CORNER_RAD) & (turn > -_HOLLOW_RAD) & (gone < far[here])
        here, half, place, gone = here[on], surface.other[leaving[on]], new[on], gone[on]
        if len(here) == 0:
            break
    faces.append(np.full(len(start), -1, np.int32))
    widths.append(np.ones(len(start)))
    return np.stack(faces, axis=1), np.stack(widths, axis=1)


def _run(section: _Section, limit: float) -> tuple[Ints, Ints]:
    """(k,) first and last edge of the rounding about each piece's own: as far as facets turn fast."""
    turn = section.turn
    fast = 0.5 * (turn[:, 1:] + turn[:, :-1]) * 2.0 * limit > np.diff(section.place, axis=1)
    fast &= (turn[:, 1:] > 0.0) & (turn[:, :-1] > 0.0)
    number = np.arange(fast.shape[1])
    own = section.own[:, None]
    first = np.where(~fast & (number < own), number + 1, 0).max(axis=1, initial=0)
    last = np.where(~fast & (number >= own), number, fast.shape[1]).min(axis=1, initial=fast.shape[1])
    return first, last


def _goes_on(section: _Section) -> Mask:
    """(k,) whether the next edge on either side turns alike, as on a round body meshed in few facets."""
    k = np.arange(len(section.own))
    padded = np.pad(section.turn, ((0, 0), (1, 1)))
    before, own, after = (padded[k, section.own + n] for n in (0, 1, 2))
    return np.asarray(np.any([(t > _ALIKE * own) & (own > _ALIKE * t) for t in (before, after)], axis=0))


def _least(section: _Section, here: Ints, first: Ints, last: Ints) -> Floats:
    """(len(here),) m, the least of arc length over turn of stretches of each rounding as long as a gauge takes.

    Of the turn at a stretch's ends that share belongs to it that makes the turn even on both sides, so all of it where
    a flat begins.
    """
    wide = int((last - first).max()) + 1
    n = np.minimum(first[:, None] + np.arange(wide), last[:, None])
    place, turn, total = (np.take_along_axis(v[here], n, axis=1) for v in (section.place, section.turn, section.total))
    step = np.pad(np.diff(section.place[here], axis=1), ((0, 0), (1, 1)), constant_values=1.0)
    before, after = np.take_along_axis(step, n, axis=1), np.take_along_axis(step, n + 1, axis=1)
    share = after / np.maximum(before + after, 1e-12)
    start, end = total + turn * share, total + turn * share
    whole = (total + turn)[:, None, :] - total[:, :, None]
    even = end[:, None, :] - start[:, :, None]
    arc = place[:, None, :] - place[:, :, None]
    much = np.minimum(_GAUGE_RAD, whole.max(axis=(1, 2)))[:, None, None]
    radius = np.where((whole >= much - 1e-4) & (arc > 0.0), arc / np.maximum(even, 1e-9), np.inf)
    return np.asarray(radius.min(axis=(1, 2)))


def _low(edges: _Edges) -> _Edges:
    height = edges.middle[:, 2]
    return edges.where((height > 0.0) & (height < HIGHEST_M))


def _about(body: TriMesh, places: Floats) -> TriMesh:
    """What of the body lies about spheres that touch ``places``, on either side of its skin."""
    low, high = places.min(axis=0) - SPHERE_M - _DEEP_M, places.max(axis=0) + SPHERE_M + _DEEP_M
    near = Box(low, high).holds(body.points)
    # A face as large as the box may span it without a point inside.
    keep = np.asarray(near[body.triangles].any(axis=1))
    rest = np.flatnonzero(~keep)
    corners = body.points[body.triangles[rest]]
    keep[rest] = ((corners.max(axis=1) >= low) & (corners.min(axis=1) <= high)).all(axis=1)
    return body.subset(keep)


def _skin(body: TriMesh, places: Floats) -> SignedSurface | None:
    """The body's surface about ``places``, its outside out as far as can be told; None when nothing of it is near."""
    near = _about(body, places)
    near = near.subset(triangle_areas(near) > 0.0)
    if len(near.triangles) == 0:
        return None
    index = TriangleIndex.build(near)
    near, _ = turned_outward(TriMesh(near.points, consistent(near.points, near.triangles)[0]), index)
    return SignedSurface.over(near, index)


def _touched(edges: _Edges, index: TriangleIndex, skin: SignedSurface | None) -> tuple[Mask, Mask]:
    """(k,) pieces that a sphere can touch with no surface in it, from outside the body, and (k,) from either side."""
    touched, unhidden = np.zeros((2, len(edges.radius)), bool)
    for lean in _LEANS:
        left = np.flatnonzero(~touched)
        angle = edges.wide[left, 0] + lean * (edges.wide[left, 1] - edges.wide[left, 0])
        c, s = np.cos(angle), np.sin(angle)
        # Over a rounding the sphere rolls on its centre.
        away = 0.5 * SPHERE_M + edges.radius[left] * (1.0 - c)
        centre = edges.middle[left] + away[:, None] * (c[:, None] * edges.out[left] + s[:, None] * edges.aside[left])
        free = ~np.isfinite(index.nearest(centre, 0.5 * SPHERE_M - _DENT_M)[0])
        height = np.full(len(left), np.nan)
        if skin is not None:
            height[free] = skin.distance(centre[free], _DEEP_M, beside=True).distance_m
        unhidden[left] |= free & ~(np.abs(height) < 0.5 * SPHERE_M - _DENT_M)
        touched[left] = free & ~(height < 0.5 * SPHERE_M - _DENT_M)
    return touched, unhidden


_PLACES = (
    ("rear edge", 0, -1),
    ("front edge", 0, 1),
    ("left end", 1, 1),
    ("right end", 1, -1),
    ("top", 2, 1),
    ("bottom", 2, -1),
)


def _answer(name: str, mesh: TriMesh, edges: _Edges, limit: float, blind: bool) -> SharpEdges:
    length = np.linalg.norm(edges.ends[:, 1] - edges.ends[:, 0], axis=1) * edges.share
    total, least = float(length.sum()), float(edges.radius.min(initial=np.inf))
    if len(length) == 0:
        says = f"“{name}” has no edge with a radius below {to_mm(limit):.1f} mm that a person can touch."
    else:
        where = _where(edges, mesh.points[mesh.triangles].reshape(-1, 3))
        sums = [(float(length[where == k].sum()), place[0]) for k, place in enumerate(_PLACES)]
        told = ", ".join(f"{place} {to_mm(by):.0f} mm" for by, place in sorted(sums, reverse=True) if by > 0.0)
        says = (
            f"“{name}” has {to_mm(total):.0f} mm of edges with a radius below {to_mm(limit):.1f} mm that a person can "
            f"touch (least {to_mm(least):.1f} mm): {told}. Rubber softer than 60 Shore A is exempt."
        )
    if blind:
        says += (
            " The body's faces do not tell its outside from its inside here, so edges behind its skin count as well; "
            "clean the scan."
        )
    says += " A caution by UN Regulation No. 26 (from memory): local code decides."
    return SharpEdges(name, edges.ends, edges.radius, total, least, says)


def _where(edges: _Edges, points: Floats) -> Ints:
    """(k,) number in ``_PLACES``: the first that the edge looks towards and lies nearer to than to the opposite one."""
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (edges.middle - 0.5 * (low + high)) / np.maximum(0.5 * (high - low), 1e-9)
    look = np.stack([sign * edges.out[:, axis] for _, axis, sign in _PLACES], axis=1)
    near = np.stack([sign * middle[:, axis] for _, axis, sign in _PLACES], axis=1)
    fits = (look > 0.45) & (near > 0.0)
    return np.where(fits.any(axis=1), fits.argmax(axis=1), look.argmax(axis=1)).astype(np.int32)
