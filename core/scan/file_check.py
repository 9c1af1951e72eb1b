"""A look into a scan file before it is imported.

Blender's importers put a point whose coordinates are not numbers at the origin without a word, which
makes a spike through the scan; so the file itself is looked at first.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from ..errors import InputError

_STL_FACE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_PLY_TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4",
    "float": "f4", "double": "f8",
    "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4",
    "float32": "f4", "float64": "f8",
}  # fmt: skip


def check_numbers(path: Path) -> None:
    """Refuse a file in which coordinates of points are not numbers.

    Args:
        path: STL (binary or text), PLY (binary or text) or OBJ file, of at least one byte.

    Raises:
        InputError: some coordinates are NaN or infinite; the message names the file and how many.
    """
    count = {".stl": _in_stl, ".ply": _in_ply}.get(path.suffix.lower(), _in_text)(path)
    if count:
        raise InputError(
            f"“{path.name}” has {count} point{'s' * (count > 1)} whose coordinates are not numbers; "
            "export the scan again."
        )


def _in_stl(path: Path) -> int:
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        head = file.read(84)
    if len(head) < 84 or 84 + 50 * int.from_bytes(head[80:84], "little") != size:
        return _in_text(path)
    faces = np.memmap(path, _STL_FACE, "r", offset=84)
    return int((~np.isfinite(faces["corners"]).all(axis=2)).sum())


def _in_ply(path: Path) -> int:
    with open(path, "rb") as file:
        head = file.read(65536)
    end = head.find(b"end_header")
    lines = head[: max(end, 0)].decode("ascii", "replace").split("\n")
    words = [line.split() for line in lines if line.strip()]
    form = next((w[1] for w in words if w[0] == "format" and len(w) > 1), "ascii")
    elements = [w for w in words if w[0] == "element"]
    if form == "ascii" or end < 0 or not elements or elements[0][1] != "vertex":
        return _in_text(path)
    order = ">" if form == "binary_big_endian" else "<"
    own = words[words.index(elements[0]) + 1 :]
    fields = []
    for word in own:
        if word[0] != "property" or len(word) != 3 or word[1] not in _PLY_TYPES:
            break
        fields.append((word[2], order + _PLY_TYPES[word[1]]))
    kind, number = np.dtype(fields), int(elements[0][2])
    start = head.index(b"\n", end) + 1
    if not {"x", "y", "z"} <= set(kind.names or ()) or start + number * kind.itemsize > os.path.getsize(path):
        return 0  # broken in another way, which the importer says
    points = np.memmap(path, kind, "r", offset=start, shape=(number,))
    return int((~(np.isfinite(points["x"]) & np.isfinite(points["y"]) & np.isfinite(points["z"]))).sum())


def _in_text(path: Path) -> int:
    """Lines of a text file that begin like a point and hold "nan" or "inf"."""
    count = 0
    with open(path, "rb") as file:
        for line in file:
            low = line.lower()
            if b"nan" in low or b"inf" in low:
                words = low.split()
                if words[0] in (b"v", b"vertex"):
                    words = words[1:]
                count += any(w.lstrip(b"+-") in (b"nan", b"inf", b"infinity") for w in words[:3])
    return count
