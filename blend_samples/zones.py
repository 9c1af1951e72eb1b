"""Boxes in vehicle axes that pick out exactly the faces of each zone, as a person would paint them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .car import FACES, Rect
from .layout import Layout
from .scanner import body_lines, in_gaps

Floats = NDArray[np.float64]

REQUIRED_MM = {
    "boot lid": 20.0,
    "tail lamp": 30.0,
    "high stop lamp": 50.0,
    "rear window": 50.0,
    "number plate": 50.0,
    "bumper": 30.0,
}

_PAD = 0.0008
_CLEAR = 0.0016


def zone_boxes(layout: Layout) -> list[dict[str, Any]]:
    """One entry a zone: name, boxes {min, max} in m and the clearance asked for in mm.

    Each panel is split until no box, widened a little, holds anything that is not the panel's.
    """
    car = layout.car
    lines = body_lines(car, 0.006)
    along = {"top": ("x", "y"), "rear": ("y", "z"), "side": ("x", "z")}
    points, labels = [], []
    for face in FACES:
        u, v = (lines[a] for a in along[face])
        uu, vv = np.meshgrid(0.5 * (u[1:] + u[:-1]), 0.5 * (v[1:] + v[:-1]), indexing="ij")
        seen = ~in_gaps(car, face, uu.ravel(), vv.ravel())
        uu, vv = uu.ravel()[seen], vv.ravel()[seen]
        a, b = (np.abs(uu), vv) if face == "rear" else (uu, np.abs(vv)) if face == "top" else (uu, vv)
        label = np.full(len(uu), -1)
        for k, panel in enumerate(car.panels):
            for r in panel.rects:
                if r.face == face:
                    label[(a >= r.u0) & (a <= r.u1) & (b >= r.v0) & (b <= r.v1)] = k
        points.append(car.points(face, uu, vv))
        labels.append(label)
    points += _others(layout)
    labels.append(np.full(len(points[-1]), -1))
    everything, label = np.concatenate(points), np.concatenate(labels)

    out = []
    for k, panel in enumerate(car.panels):
        foreign = everything[label != k]
        boxes = [box for r in panel.rects for box in _split(layout, r, foreign)]
        required = REQUIRED_MM[panel.name.removesuffix(" left")]
        if panel.both_sides:
            out.append(_entry(panel.name, [b for box in boxes for b in _both(box)], required))
        else:
            out.append(_entry(panel.name, boxes, required))
            out.append(_entry(panel.name.replace("left", "right"), [_mirrored(b) for b in boxes], required))
    return out


def _others(layout: Layout) -> list[Floats]:
    """Points of the lower element and of what is seen of the bracket."""
    sheet = layout.bracket
    h, k = np.meshgrid(np.linspace(0.0, 1.0, 400), np.linspace(0.0, 1.0, 60))
    p = sheet.point(h.ravel(), k.ravel(), np.zeros(h.size))
    p = p[p[:, 2] - np.interp(p[:, 0], sheet.root[::-1, 0], sheet.root[::-1, 2]) > 0.005]
    eta, s = np.meshgrid(np.linspace(0.0, 1.0, 150), np.linspace(-1.0, 1.0, 120))
    return [np.concatenate([p, layout.lower.skin(eta.ravel(), s.ravel())])]


def _split(layout: Layout, r: Rect, foreign: Floats, level: int = 0) -> list[tuple[Floats, Floats]]:
    n = 13
    uu, vv = np.meshgrid(np.linspace(r.u0, r.u1, n), np.linspace(r.v0, r.v1, n), indexing="ij")
    own = layout.car.points(r.face, uu.ravel(), vv.ravel())
    low, high = own.min(axis=0), own.max(axis=0)
    # A widely sampled tile may bulge between its samples: allow for the sag of a curve of 0.15 m radius.
    sag = min(0.004, max(np.ptp(uu), np.ptp(vv)) ** 2 / (8.0 * 0.15 * (n - 1) ** 2))
    near = foreign[((foreign > low - 0.05) & (foreign < high + 0.05)).all(axis=1)]
    margin = _CLEAR + sag
    if not ((near > low - margin) & (near < high + margin)).any(axis=0).all() or not (
        ((near > low - margin) & (near < high + margin)).all(axis=1).any()
    ):
        return [(low - _PAD - sag, high + _PAD + sag)]
    if level > 14:
        raise ValueError(f"the zone on {r} cannot be told from its neighbours by boxes")
    if r.u1 - r.u0 >= r.v1 - r.v0:
        m = 0.5 * (r.u0 + r.u1)
        parts = (Rect(r.face, r.u0, m, r.v0, r.v1), Rect(r.face, m, r.u1, r.v0, r.v1))
    else:
        m = 0.5 * (r.v0 + r.v1)
        parts = (Rect(r.face, r.u0, r.u1, r.v0, m), Rect(r.face, r.u0, r.u1, m, r.v1))
    return [box for part in parts for box in _split(layout, part, near, level + 1)]


def _mirrored(box: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    low, high = box[0].copy(), box[1].copy()
    low[1], high[1] = -box[1][1], -box[0][1]
    return low, high


def _both(box: tuple[Floats, Floats]) -> list[tuple[Floats, Floats]]:
    if box[0][1] > 0.0:
        return [box, _mirrored(box)]
    low = box[0].copy()
    low[1] = -box[1][1]
    return [(low, box[1])]


def _entry(name: str, boxes: list[tuple[Floats, Floats]], required: float) -> dict[str, Any]:
    return {
        "name": name,
        "boxes": [{"min": np.round(a, 5).tolist(), "max": np.round(b, 5).tolist()} for a, b in boxes],
        "required_mm": required,
    }
