"""Answers as plain dictionaries, lists and numbers: keys are the fields' names, units SI and in the key."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

_DIGITS = 6  # decimals: a micrometre, a microradian
_ARRAY_DIGITS = 5  # of arrays, so that files stay small
_UNITS = {
    "on_part": "on_part_m", "on_body": "on_body_m", "on_other": "on_other_m", "ends": "ends_m",
    "farthest": "farthest_m", "worst": "worst_rad", "point": "point_m", "centre": "centre_m",
}  # fmt: skip
_LEFT_OUT = ("picture",)


def record(answer: Any) -> dict[str, Any]:
    """A frozen answer with all it holds, ready for ``json.dump``.

    Marks of faces or points become how many are marked; numbers that are none (nan, inf) become null; pictures are
    left out. Arrays are rounded to 1e-5, single numbers to 1e-6.
    """
    found: dict[str, Any] = {}
    for f in fields(answer):
        value = getattr(answer, f.name)
        if f.name in _LEFT_OUT:
            continue
        if isinstance(value, np.ndarray) and value.dtype == bool and value.ndim == 1:
            found[f"{f.name}_count"] = int(value.sum())
        else:
            found[_UNITS.get(f.name, f.name)] = _plain(value)
    return found


def number(value: float, digits: int = _DIGITS) -> float | None:
    """Rounded, never a negative zero; None for what is no number."""
    return round(float(value), digits) + 0.0 if np.isfinite(value) else None


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return record(value)
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    if isinstance(value, np.ndarray):
        if value.dtype.kind != "f":
            return value.tolist()
        return [_plain(v) for v in value] if value.ndim > 1 else [number(v, _ARRAY_DIGITS) for v in value.tolist()]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return number(float(value))
    return int(value) if isinstance(value, np.integer) else value
