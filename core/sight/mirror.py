"""The driver's view to the rear through the interior mirror, and what of the field on the road a wing hides."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Part
from ..geometry.index import TriangleIndex

Floats = NDArray[np.float64]

EYES_APART_M = 0.065
"""Distance of the driver's two ocular points (UN Regulation No. 46, from memory)."""


@dataclass(frozen=True)
class InteriorMirror:
    """Eyes and mirror.

    Attributes:
        eyes: (3,) m, the middle between the ocular points.
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


FIELDS: tuple[FieldRule, ...] = ()


@dataclass(frozen=True)
class MirrorView:
    """What the driver sees.

    Attributes:
        rule: the field asked for.
        in_glass: share of the field (projected on a vertical plane across the car) that the glass shows, to either eye.
        by_car: share that the car itself hides or that does not come through the rear window.
        by_parts: share that the parts hide of what would otherwise be seen.
        each: name and share of each part, largest first.
        picture: (h, w, 3) uint8 sRGB, the view in the mirror as the driver sees it (left-right as in a mirror).
        sentence: in words, with the deference to local code.
    """

    rule: FieldRule
    in_glass: float
    by_car: float
    by_parts: float
    each: tuple[tuple[str, float], ...]
    picture: NDArray[np.uint8]
    sentence: str


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

    Args:
        mirror: eyes and glass.
        body: index of the body scan.
        window: (faces of the body,) bool, the rear window, which is looked through; None when it was not painted (then
            the car hides nothing, and the sentence says so).
        parts: what may be in the way; poses (4, 4) or None each.
        rule: the field.
        samples: sight lines over the field.
        picture_width: px.
        tick: told how far it is (0..1).

    Raises:
        InputError: eyes or glass that cannot be (no size, the glass behind the eyes).
    """
    raise NotImplementedError
