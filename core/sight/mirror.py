"""The driver's view to the rear through the interior mirror, and what of the field on the road a wing hides.

A flat mirror shows what the eyes' images behind the glass would see through it as through an opening (Euclid's law of
reflection): every sight line is a straight one from such an image through the glass to the field.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Part
from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import face_normals
from ..geometry.rays import any_hit, first_hits

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]

EYES_APART_M = 0.065
"""Distance of the driver's two ocular points (UN Regulation No. 46, from memory)."""
PART_COLOURS = np.array(
    [[213, 94, 0], [0, 114, 178], [230, 159, 0], [204, 121, 167], [0, 158, 115], [240, 228, 66], [86, 180, 233]]
)
"""(7, 3) sRGB 0..255 of the parts in the picture, in turn, for people who do not see all hues (M. Okabe and K. Ito,
"Color Universal Design", 2002, from memory)."""
GLASS_CLEAR_M = 0.05
"""What lies this near in front of the glass counts as the mirror's own housing and hides nothing."""


@dataclass(frozen=True)
class InteriorMirror:
    """Eyes and mirror. The glass is flat, its width lies level.

    Attributes:
        eyes: (3,) m, the middle between the ocular points, which lie side by side across the car; 0.635 m above the
            seat's R point (UN Regulation No. 46, from memory).
        centre: (3,) m, middle of the glass.
        width_m, height_m: of the glass.
        aim: (3,) m, what the middle of the glass shows, such as a point on the median plane far behind; None aims it
            straight back along the car from the glass, so that it is set for the driver.
    """

    eyes: Floats
    centre: Floats
    width_m: float
    height_m: float
    aim: Floats | None = None


@dataclass(frozen=True)
class FieldRule:
    """The strip of level road that must be seen, "market", "paragraph" as in the lamps' rules.

    Attributes:
        width_m: of the strip, centred on the median plane.
        from_m: where it begins, behind the ocular points; it goes on to the horizon.
        allowed: share of the field that obstructions may take together, for orientation; nan where none is set.
    """

    market: str
    paragraph: str
    width_m: float
    from_m: float
    allowed: float


FIELDS: tuple[FieldRule, ...] = (
    FieldRule("UN R46", "15.2.4.1, class I; width and distance (from memory)", 20.0, 60.0, 0.15),
    FieldRule(
        "FMVSS 111",
        "S5.1.1 (from memory): 20° over level road from not more than 61 m back to the horizon; here as the strip that "
        "is 20° wide where it begins, 61 m behind the eyes",
        2.0 * 61.0 * float(np.tan(np.radians(10.0))),
        61.0,
        np.nan,
    ),
)


@dataclass(frozen=True)
class MirrorView:
    """What the driver sees. All shares are of the whole field, so ``in_glass - by_car - by_parts`` is what is seen.

    A point counts as seen if either eye sees it (ambinocular vision; UN Regulation No. 46, from memory).

    Attributes:
        rule: the field asked for.
        in_glass: share of the field (projected on a vertical plane across the car) that the glass shows, to either eye.
        by_car: share of it that the car itself hides or that does not come through the rear window.
        by_parts: share that the parts hide of what would otherwise be seen.
        each: name of each part and the share it would hide alone, largest first; two parts may hide the same.
        picture: (h, w, 3) uint8 sRGB, the view in the mirror as the driver sees it (left-right as in a mirror).
        sentence: in words, with the deference to local code.
        error: about how far off the shares may be by sampling.
    """

    rule: FieldRule
    in_glass: float
    by_car: float
    by_parts: float
    each: tuple[tuple[str, float], ...]
    picture: NDArray[np.uint8]
    sentence: str
    error: float = 0.0


def eye_images(mirror: InteriorMirror) -> Floats:
    """(3, 3) m: the mirror images of the eyes' middle, the left and the right ocular point.

    Raises:
        InputError: as ``mirror_view``.
    """
    glass = _Glass.of(mirror)
    eyes = np.asarray(mirror.eyes, np.float64) + 0.5 * EYES_APART_M * np.array([[0, 0, 0], [0, 1, 0], [0, -1, 0]])
    return eyes - 2.0 * ((eyes - glass.centre) @ glass.normal)[:, None] * glass.normal


def field_corners(mirror: InteriorMirror, rule: FieldRule) -> Floats:
    """(3, 3) m: the field's triangle on the vertical plane where it begins: left and right on the road, horizon.

    Seen from the image of the eyes' middle the whole strip of road lies in this triangle.

    Raises:
        InputError: as ``mirror_view``.
    """
    image = eye_images(mirror)[0]
    x = float(mirror.eyes[0]) - rule.from_m
    return np.array([[x, 0.5 * rule.width_m, 0.0], [x, -0.5 * rule.width_m, 0.0], [x, image[1], image[2]]])


def mirror_view(
    mirror: InteriorMirror,
    body: TriangleIndex,
    window: NDArray[np.bool_] | None,
    parts: Sequence[Part],
    poses: Sequence[Floats | None],
    rule: FieldRule,
    *,
    samples: int = 4000,
    picture_width: int = 640,
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> MirrorView:
    """Follow sight lines from the field to the mirror image of the eyes.

    The field's points are spread evenly over its triangle (a lattice by the golden ratio, which leaves errors of about
    samples to the power of -0.75 beside the edges of what hides). Nothing inside the car is known but what was scanned.

    Args:
        mirror: eyes and glass.
        body: index of the body scan.
        window: (faces of the body,) bool, the rear window, which is looked through; None when it was not painted (then
            the car hides nothing, and the sentence says so). A sight line that meets neither window nor body has
            slipped through a gap of the scan and counts as hidden by the car.
        parts: what may be in the way; poses (4, 4) or None each.
        rule: the field.
        samples: sight lines over the field and eye.
        picture_width: px.
        tick: told how far it is (0..1).

    Raises:
        InputError: eyes, glass or strip that cannot be (no size, the glass behind the eyes), a window that does not
            fit the body, or no samples.
    """
    if samples < 2 or picture_width < 1:
        raise InputError(f"{samples} sight lines and a picture of {picture_width} px show nothing; ask for more.")
    if rule.width_m <= 0.0 or rule.from_m <= 0.0:
        raise InputError(f"A strip {rule.width_m:g} m wide from {rule.from_m:g} m on holds no road; give it a size.")
    if len(parts) != len(poses):
        raise InputError(f"{len(parts)} parts came with {len(poses)} poses; each part needs one.")
    if window is not None:
        _check_window(body, window)
    glass, images = _Glass.of(mirror), eye_images(mirror)
    placed = [part.placed(pose) for part, pose in zip(parts, poses, strict=True)]
    road = _on_road(images[0], field_corners(mirror, rule), samples)

    shown, free, slipped = (np.zeros((2, len(road)), bool) for _ in range(3))
    hidden = np.zeros((len(parts), 2, len(road)), bool)
    for eye in range(2):
        tick(0.1 * eye, "looking at the road through the mirror")
        start, direction, reach, shown[eye] = glass.lines(images[1 + eye], road)
        look = np.flatnonzero(shown[eye])
        ray = start[look], direction[look], reach[look]
        if window is None:
            free[eye] = shown[eye]
        else:
            past = _past_window(body, window, *ray)
            free[eye, look] = (past.face < 0) & past.crossed
            slipped[eye, look] = (past.face < 0) & ~past.crossed
        for k, index in enumerate(placed):
            hidden[k, eye, look] = any_hit(index, *ray)
    otherwise = free.any(axis=0)
    seen = (free & ~hidden.any(axis=0)).any(axis=0)
    alone = otherwise & ~(free & ~hidden).any(axis=1)
    names = [part.name for part in parts]
    each = sorted(zip(names, alone.mean(axis=1).tolist(), strict=True), key=lambda pair: -pair[1])
    in_glass = float(shown.any(axis=0).mean())
    by_car = float((shown.any(axis=0) & ~otherwise).mean())
    by_parts = float((otherwise & ~seen).mean())
    lost = float((slipped.any(axis=0) & ~otherwise).mean())
    error = float(len(road)) ** -0.75

    scene = _Scene(glass, images[0], body, window, tuple(placed), float(mirror.eyes[0]) - rule.from_m, rule.width_m)
    picture = _picture(scene, picture_width, tick)
    tick(1.0, "view through the mirror")
    return MirrorView(
        rule=rule,
        in_glass=in_glass,
        by_car=by_car,
        by_parts=by_parts,
        each=tuple(each),
        picture=picture,
        sentence=_sentence(rule, in_glass, by_car, by_parts, each, window is not None, lost, error),
        error=error,
    )


# -- eyes, glass and road ------------------------------------------------------------------------


@dataclass(frozen=True)
class _Glass:
    """Attributes: centre: (3,) m; normal, right, up: unit, toward the eyes, as the driver sees it; half: (2,) m."""

    centre: Floats
    normal: Floats
    right: Floats
    up: Floats
    half: Floats

    @staticmethod
    def of(mirror: InteriorMirror) -> _Glass:
        eyes, centre = np.asarray(mirror.eyes, np.float64), np.asarray(mirror.centre, np.float64)
        aim = centre - [1.0, 0.0, 0.0] if mirror.aim is None else np.asarray(mirror.aim, np.float64)
        if not (np.isfinite([eyes, centre, aim]).all() and np.isfinite([mirror.width_m, mirror.height_m]).all()):
            raise InputError("Eyes, mirror glass and what it is aimed at need numbers as coordinates.")
        if mirror.width_m <= 0.0 or mirror.height_m <= 0.0:
            raise InputError(
                f"The mirror glass is {1000 * mirror.width_m:g} mm by {1000 * mirror.height_m:g} mm; give it a size."
            )
        if eyes[2] <= 0.0 or centre[2] <= 0.0:
            raise InputError("Eyes and mirror must lie above the road; check the vehicle axes.")
        if centre[0] <= eyes[0]:
            raise InputError("The mirror glass lies beside or behind the eyes; it must be ahead of them (larger x).")
        if aim[0] >= centre[0]:
            raise InputError("The mirror is aimed ahead of its glass; aim it at a point behind it (smaller x).")
        to_eyes, to_aim = eyes - centre, aim - centre
        normal = to_eyes / np.linalg.norm(to_eyes) + to_aim / np.linalg.norm(to_aim)
        normal /= np.linalg.norm(normal)
        right = np.cross([0.0, 0.0, 1.0], normal)
        right /= np.linalg.norm(right)
        half = 0.5 * np.array([mirror.width_m, mirror.height_m])
        return _Glass(centre, normal, right, np.cross(normal, right), half)

    def lines(self, image: Floats, targets: Floats) -> tuple[Floats, Floats, Floats, Bools]:
        """Sight lines of the eye behind ``image`` (3,) to ``targets`` (n, 3).

        Returns:
            (n, 3) m where they leave the glass; (n, 3) unit directions; (n,) m from there to the target; (n,) whether
            the glass shows the target.
        """
        toward = targets - image
        before = toward @ self.normal
        depth = (self.centre - image) @ self.normal
        ahead = before > depth
        start = image + toward * (depth / np.where(ahead, before, np.inf))[:, None]
        off = start - self.centre
        shown = ahead & (np.abs(off @ self.right) <= self.half[0]) & (np.abs(off @ self.up) <= self.half[1])
        reach = np.linalg.norm(targets - start, axis=1)
        return start, toward / np.linalg.norm(toward, axis=1)[:, None], reach, shown


def _on_road(image: Floats, corners: Floats, samples: int) -> Floats:
    """(n, 3) m on the road, spread evenly by area over the field's triangle as seen from ``image``."""
    count = (samples + 1) // 2
    k = np.arange(count)
    down = np.sqrt((k + 0.5) / count)  # the triangle's area above a level grows with its square
    aside = np.modf(0.5 + k * (0.5 * (np.sqrt(5.0) - 1.0)))[0]
    left, right, top = corners
    middle = 0.5 * (left + right)
    # In pairs, so that a car alike on both sides has a field alike on both sides.
    half = 0.5 * (left - right) * np.concatenate([aside, -aside])[:, None]
    on_plane = top + np.concatenate([down, down])[:, None] * (middle - top + half)
    toward = on_plane - image
    return image + toward * (image[2] / (image[2] - on_plane[:, 2]))[:, None]


def _check_window(body: TriangleIndex, window: Bools) -> None:
    faces = np.count_nonzero(body.forest.below[: 8 * body.forest.leaves] >= 0)
    if len(window) != faces:
        raise InputError(
            f"The rear window is marked on {len(window)} face{'s' * (len(window) != 1)} of a body with {faces}; "
            "paint it again."
        )
    if not window.any():
        raise InputError("No face of the body is painted as the rear window; paint it, or leave the window out.")


@dataclass(frozen=True)
class _Past:
    """What lines meet apart from the window: (n,) m, inf for nothing; (n,) face or -1; whether through the window."""

    distance: Floats
    face: Ints
    crossed: Bools


def _past_window(body: TriangleIndex, window: Bools, start: Floats, direction: Floats, reach: Floats) -> _Past:
    count = len(start)
    distance, face, crossed = np.full(count, np.inf), np.full(count, -1, np.intp), np.zeros(count, bool)
    begin = np.full(count, GLASS_CLEAR_M)
    line = np.arange(count)
    while len(line):
        here = start[line] + begin[line, None] * direction[line]
        way, hit = first_hits(body, here, direction[line], np.maximum(reach[line] - begin[line], 0.0))
        line, way, hit = line[hit >= 0], way[hit >= 0], hit[hit >= 0]
        pane = window[hit]
        stopped = line[~pane]
        distance[stopped], face[stopped] = begin[stopped] + way[~pane], hit[~pane]
        line = line[pane]
        crossed[line] = True
        begin[line] += way[pane] + 1e-6
    return _Past(distance, face, crossed)


# -- words ---------------------------------------------------------------------------------------


def _sentence(
    rule: FieldRule,
    in_glass: float,
    by_car: float,
    by_parts: float,
    each: list[tuple[str, float]],
    painted: bool,
    lost: float,
    error: float,
) -> str:
    seen = in_glass - by_car - by_parts
    parts = ", ".join(f"“{name}” {_percent(share)}" for name, share in each if share > 0.0)
    text = [
        f"In the interior mirror the driver sees {_percent(seen)} of the field that {rule.market} asks for "
        f"({rule.width_m:.1f} m of level road from {rule.from_m:g} m behind the eyes to the horizon): "
        f"{_percent(1.0 - in_glass)} lies beside the glass, "
        + (f"the car hides {_percent(by_car)}, " if painted else "")
        + f"the parts hide {_percent(by_parts)}"
        + (f" (each alone: {parts})" if parts else "")
        + f", each to about {100.0 * error:.1f} % of the field."
    ]
    if np.isfinite(rule.allowed):
        most = f"{100.0 * rule.allowed:.0f} %"
        if by_parts > rule.allowed:
            text.append(f"The parts alone hide more than the {most} that all obstructions together may.")
        else:
            text.append(f"All obstructions together may hide {most}.")
    if not painted:
        text.append("The rear window is not painted, so the car's own roof, pillars and boot are left out.")
    if lost > 0.005:
        text.append(f"{_percent(lost)} of it slips through gaps of the scan beside the window, counted as the car.")
    text.append("Seats, head restraints and people are not in an outside scan and are not counted.")
    text.append("For orientation: the code in force where the car is registered decides.")
    return " ".join(text)


def _percent(share: float) -> str:
    return f"{100.0 * max(share, 0.0):.1f} %"


# -- the picture ---------------------------------------------------------------------------------

_SKY, _ROAD, _CAR, _GAP = -1, -2, -3, -4  # a part has its number
_CAR_COLOUR = np.array([150, 156, 164])
_TINT = np.array([0.955, 0.985, 0.975])  # of the rear window
_DIM = 0.5  # the most that surfaces inside the car are lit; those outside are lit more


@dataclass(frozen=True)
class _Scene:
    """What the picture shows. Attributes: image: (3,) m, of the eyes' middle; parts: placed; field_x, -_width: m."""

    glass: _Glass
    image: Floats
    body: TriangleIndex
    window: Bools | None
    parts: tuple[TriangleIndex, ...]
    field_x: float
    field_width: float


def _picture(scene: _Scene, width: int, tick: Callable[[float, str], None]) -> NDArray[np.uint8]:
    """(h, w, 3): four looks a pixel beside edges, one elsewhere."""
    glass = scene.glass
    height = max(1, round(width * float(glass.half[1] / glass.half[0])))
    across = ((np.arange(2 * width) + 0.5) / width - 1.0) * glass.half[0]
    upward = (1.0 - (np.arange(2 * height) + 0.5) / height) * glass.half[1]
    start = glass.centre + across[None, :, None] * glass.right + upward[:, None, None] * glass.up
    direction = start - scene.image
    direction /= np.linalg.norm(direction, axis=2)[..., None]

    tick(0.2, "drawing the view in the mirror")
    what, shade = _look(scene, start[::2, ::2], direction[::2, ::2])
    what, shade = what.reshape(height, width), shade.reshape(height, width)
    edge = _beside_edges(what) | _beside_edges(np.round(12.0 * shade))
    what, shade = what.repeat(2, axis=0).repeat(2, axis=1), shade.repeat(2, axis=0).repeat(2, axis=1)
    for done, (row, column) in enumerate(((0, 1), (1, 0), (1, 1))):
        tick(0.5 + 0.15 * done, "drawing the view in the mirror")
        found = _look(scene, start[row::2, column::2][edge], direction[row::2, column::2][edge])
        what[row::2, column::2][edge], shade[row::2, column::2][edge] = found
    fine = _coloured(scene, what, shade, start, direction)
    return np.round(fine.reshape(height, 2, width, 2, 3).mean(axis=(1, 3))).astype(np.uint8)


def _look(scene: _Scene, start: Floats, direction: Floats) -> tuple[Ints, Floats]:
    """What lines from the glass (..., 3) meet, and how bright that is, (n,) each."""
    start, direction = start.reshape(-1, 3), direction.reshape(-1, 3)
    down = direction[:, 2] < 0.0
    reach = np.where(down, start[:, 2] / np.where(down, -direction[:, 2], 1.0), np.inf)
    what, shade, nearest = np.where(down, _ROAD, _SKY), np.ones(len(start)), reach.copy()
    blind = np.zeros(len(start), bool)
    if scene.window is not None:
        past = _past_window(scene.body, scene.window, start, direction, reach)
        met = np.flatnonzero(past.face >= 0)
        what[met], nearest[met] = _CAR, past.distance[met]
        lit = _brightness(scene.body, past.face[met], direction[met])
        shade[met] = np.where(past.crossed[met], lit, _DIM * lit)
        blind = ~past.crossed & (past.face < 0)
    for k, index in enumerate(scene.parts):
        way, face = first_hits(index, start, direction, reach)
        met = np.flatnonzero(way < nearest)
        what[met], nearest[met] = k, way[met]
        shade[met] = _brightness(index, face[met], direction[met])
    what[blind] = _GAP
    shade[blind] = _DIM
    return what, shade


def _brightness(index: TriangleIndex, face: NDArray[np.signedinteger], direction: Floats) -> Floats:
    """(n,) 0..1 of triangles seen along ``direction`` (n, 3), both sides alike; light comes from above."""
    below = index.forest.below[: 8 * index.forest.leaves]
    slot = np.empty(np.count_nonzero(below >= 0), np.intp)
    slot[below[below >= 0]] = np.flatnonzero(below >= 0)
    normal, _ = face_normals(index.corners[:, slot[face]].T.reshape(-1, 3, 3))
    facing = (normal * direction).sum(axis=1)
    upward = -np.sign(facing) * normal[:, 2]
    return 0.72 + 0.18 * upward + 0.10 * np.abs(facing)


def _beside_edges(picture: NDArray[np.generic]) -> Bools:
    """(h, w) bool: where ``picture`` differs from one of the eight places around."""
    edge = np.zeros(picture.shape, bool)
    for one, other in (
        (np.s_[1:, :], np.s_[:-1, :]),
        (np.s_[:, 1:], np.s_[:, :-1]),
        (np.s_[1:, 1:], np.s_[:-1, :-1]),
        (np.s_[1:, :-1], np.s_[:-1, 1:]),
    ):
        differs = picture[one] != picture[other]
        edge[one] |= differs
        edge[other] |= differs
    return edge


def _coloured(scene: _Scene, what: Ints, shade: Floats, start: Floats, direction: Floats) -> Floats:
    """(h, w, 3) 0..255: colours, the field's tint, hatching where it is hidden, and outlines."""
    rise = direction[..., 2]
    down = rise < 0.0
    way = np.where(down, start[..., 2] / np.where(down, -rise, 1.0), 0.0)
    aside = np.abs(start[..., 1] + way * direction[..., 1])
    field = down & (start[..., 0] + way * direction[..., 0] <= scene.field_x) & (aside <= 0.5 * scene.field_width)

    height = np.clip(np.abs(rise) / 0.12, 0.0, 1.0)[..., None]
    sky = np.array([241, 245, 247]) + height * [-50, -33, -18]
    road = np.array([206, 206, 201]) + height * [-36, -36, -37]
    road = np.where(field[..., None], 0.35 * road + 0.65 * np.array([196, 226, 160]), road)
    number = np.where(what >= 0, what, len(scene.parts))
    solid = np.vstack([PART_COLOURS[np.arange(len(scene.parts)) % len(PART_COLOURS)], [_CAR_COLOUR]])
    thing = (what != _SKY) & (what != _ROAD)
    out = np.where((what == _SKY)[..., None], sky, road)
    out = np.where(thing[..., None], solid[number] * shade[..., None], out)
    outside = ~((what == _GAP) | ((what == _CAR) & (shade <= _DIM)))
    if scene.window is not None:
        out = np.where(outside[..., None], out * _TINT, out)

    row, column = np.indices(what.shape)
    stripe = ((row + column) % 14 < 4) & field & thing
    out = np.where(stripe[..., None], 0.4 * out + 0.6 * _ink(out), out)
    out[_beside_edges(thing & outside)] *= 0.75
    out[_beside_edges(np.maximum(what, _SKY))] = 28.0
    border = _beside_edges(field)
    out[border] = np.where(_ink(out[border]) < 128.0, [16, 96, 72], [196, 226, 160])
    return np.asarray(out)


def _ink(colour: Floats) -> Floats:
    """(..., 1) nearly black over light colours (..., 3), nearly white over dark ones."""
    return np.where(colour.mean(axis=-1, keepdims=True) > 120.0, 20.0, 235.0)
