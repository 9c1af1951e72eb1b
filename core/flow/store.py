"""Flow runs in a folder beside the file: forces as JSON, fields as arrays.

Each run is a pair of files named by what it answers: one for the numbers, and one for the centre plane and the pressure
at the surfaces. Both are written whole or not at all, so that a folder may be shared.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import time
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .result import FlowRun, from_record, to_record
from .slices import FlowSlice
from .whole import put

Floats = NDArray[np.float64]

_SURFACE = "surface/"
_FIELDS = ("x_m", "z_m", "speed_m_s", "pressure", "velocity_m_s", "solid")


def folder_beside(blend: Path) -> Path:
    """Where the runs of a file lie."""
    return blend.with_name(f"{blend.stem} flow runs")


def store(folder: Path, run: FlowRun, mean: FlowSlice | None, surface: dict[str, Floats]) -> Path:
    """Write a run; one that answers the same question is replaced. Fields are kept in single precision.

    Args:
        folder: is made where it is missing.
        run: the answer.
        mean: the centre plane of the mean flow.
        surface: pressure coefficients by part, one a point.

    Returns:
        The JSON file.

    Raises:
        InputError: the folder cannot be written to.
    """
    record = {**to_record(run), "stored_s": time.time()}
    arrays: dict[str, NDArray[Any]] = {_SURFACE + name: np.asarray(v, np.float32) for name, v in surface.items()}
    if mean is not None:
        for name in _FIELDS:
            value = np.asarray(getattr(mean, name))
            arrays[name] = value if name in ("x_m", "z_m", "solid") else value.astype(np.float32)
    target = path_of(folder, run)
    fields = target.with_suffix(".npz")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if arrays:
            data = io.BytesIO()
            np.savez_compressed(data, **arrays)  # type: ignore[arg-type]
            put(fields, data.getvalue())
        else:
            fields.unlink(missing_ok=True)
        put(target, json.dumps(record, allow_nan=False, indent=1, ensure_ascii=False).encode())
    except OSError as problem:
        raise InputError(
            f"The flow run cannot be kept in “{folder}” ({problem.strerror or problem}); save the file elsewhere, or "
            "make room there."
        ) from None
    return target


def path_of(folder: Path, run: FlowRun) -> Path:
    """The JSON file of a run, whether or not it is there."""
    return folder / f"{_stem(run)}.json"


def stored(folder: Path, every: bool = False) -> tuple[tuple[FlowRun, ...], tuple[str, ...]]:
    """The runs of a folder, and the names of files that cannot be read.

    Args:
        folder: nothing is found where it is missing.
        every: all runs, newest first; else the newest of each variant, case, form, element and walls.
    """
    found: list[tuple[float, str, FlowRun]] = []
    unreadable = []
    for path in sorted(folder.glob("*.json")) if folder.is_dir() else ():
        try:
            record = json.loads(path.read_bytes())
            run = from_record(record)
            found.append((float(record.get("stored_s", 0.0)), path.name, run))
        except (OSError, ValueError, TypeError, AttributeError, RecursionError):
            unreadable.append(path.name)
    found.sort(key=lambda one: one[:2], reverse=True)
    runs: list[FlowRun] = []
    known: set[tuple[str, ...]] = set()
    for _, _, run in found:
        which = (run.variant, run.case, run.form, run.element, run.walls)
        if every or which not in known:
            known.add(which)
            runs.append(run)
    return tuple(runs), tuple(unreadable)


def kept_fields(folder: Path, run: FlowRun) -> tuple[FlowSlice | None, dict[str, Floats]]:
    """The centre plane and the pressures at the surfaces of a run; None and nothing where none were kept.

    Raises:
        InputError: the file is there and cannot be read.
    """
    path = path_of(folder, run).with_suffix(".npz")
    if not path.exists():
        return None, {}
    try:
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
        surface = {n.removeprefix(_SURFACE): v.astype(np.float64) for n, v in arrays.items() if n.startswith(_SURFACE)}
        if not set(_FIELDS) & set(arrays):
            return None, surface
        x, z, speed, pressure, velocity, solid = (arrays[name] for name in _FIELDS)
        h, w = len(z), len(x)
        if speed.shape != (h, w) or pressure.shape != (h, w) or velocity.shape != (2, h, w) or solid.shape != (h, w):
            raise ValueError("sizes that do not fit")
        x, z, speed, pressure, velocity = (a.astype(np.float64) for a in (x, z, speed, pressure, velocity))
        return FlowSlice(x, z, speed, pressure, velocity, solid.astype(bool)), surface
    except (OSError, ValueError, KeyError, EOFError, TypeError, zipfile.BadZipFile) as problem:
        raise InputError(f"The flow's fields in “{path.name}” cannot be read ({problem}); run it again.") from None


def forget(folder: Path, run: FlowRun) -> None:
    """Delete a run's files; what is not there is left so."""
    for ending in (".json", ".npz"):
        path_of(folder, run).with_suffix(ending).unlink(missing_ok=True)


def _stem(run: FlowRun) -> str:
    """For people to read, and apart by a digest of the question it answers."""
    words = " ".join(part for part in (run.variant, run.element, run.case, run.form, run.walls) if part)
    plain = re.sub(r"[^\w-]+", "-", words, flags=re.ASCII).strip("-")[:60]
    return f"{plain}-{hashlib.sha256(json.dumps(run.question).encode()).hexdigest()[:10]}"
