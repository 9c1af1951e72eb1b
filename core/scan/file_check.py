"""A look into a scan file before it is imported.

Blender's importers put a point whose coordinates are not numbers at the origin without a word, which
makes a spike through the scan; so the file itself is looked at first.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

_BLOCK = 1 << 24
_NO_NUMBERS = (b"nan", b"inf", b"#ind")
"""How text files write what is no number: C's printf, and Microsoft's ("1.#IND", "1.#QNAN", "1.#INF")."""
_GLTF_INTS = {5121: "<u1", 5123: "<u2", 5125: "<u4"}
_GLTF_FLOAT = 5126
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
        path: STL (binary or text), PLY (binary or text), OBJ or glTF 2.0 file (.glb, or .gltf with its buffers), of at
            least one byte. Compressed glTF primitives are not looked into.

    Raises:
        InputError: some coordinates are NaN or infinite; the message names the file and how many. A glTF file that
            is cut short, whose buffers are missing or whose text is no glTF.
    """
    count = {".stl": _in_stl, ".ply": _in_ply, ".glb": _in_gltf, ".gltf": _in_gltf}.get(path.suffix.lower(), _in_obj)(
        path
    )
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
        return _in_text(path, b"vertex")
    faces = np.memmap(path, _STL_FACE, "r", offset=84)
    return sum(_without_numbers(faces["corners"][k : k + _BLOCK // 64]) for k in range(0, len(faces), _BLOCK // 64))


def _in_obj(path: Path) -> int:
    return _in_text(path, b"v")


def _in_ply(path: Path) -> int:
    with open(path, "rb") as file:
        head = file.read(65536)
    end = head.find(b"end_header")
    lines = head[: max(end, 0)].decode("ascii", "replace").split("\n")
    words = [line.split() for line in lines if line.strip()]
    form = next((w[1] for w in words if w[0] == "format" and len(w) > 1), "ascii")
    elements = [w for w in words if w[0] == "element"]
    if end < 0 or not elements or elements[0][1] != "vertex":
        return _in_text(path, b"")
    order = ">" if form == "binary_big_endian" else "<"
    own = words[words.index(elements[0]) + 1 :]
    fields = []
    for word in own:
        if word[0] != "property" or len(word) != 3 or word[1] not in _PLY_TYPES:
            break
        fields.append((word[2], order + _PLY_TYPES[word[1]]))
    kind, number = np.dtype(fields), int(elements[0][2])
    names = list(kind.names or ())
    if not {"x", "y", "z"} <= set(names):
        return 0  # broken in another way, which the importer says
    if form == "ascii":
        return _in_text(path, b"", tuple(names.index(axis) for axis in "xyz"))
    start = head.index(b"\n", end) + 1
    if start + number * kind.itemsize > os.path.getsize(path):
        return 0
    points = np.memmap(path, kind, "r", offset=start, shape=(number,))
    return int((~(np.isfinite(points["x"]) & np.isfinite(points["y"]) & np.isfinite(points["z"]))).sum())


def _in_text(path: Path, word: bytes, columns: tuple[int, ...] = (0, 1, 2)) -> int:
    """Lines that begin with ``word`` and hold no number in one of the ``columns`` after it."""
    count = 0
    with open(path, "rb") as file:
        while block := file.read(_BLOCK):
            block = (block + file.readline()).lower()
            done = 0
            for place in _hits(block):
                if place < done:
                    continue
                done = block.find(b"\n", place) % (len(block) + 1)
                words = block[block.rfind(b"\n", 0, place) + 1 : done].split()
                if word:
                    words = words[1:] if words[0] == word else []
                count += any(_no_number(words[k]) for k in columns if k < len(words))
    return count


def _hits(block: bytes) -> Iterator[int]:
    """Where ``block``, a text in small letters, may hold what is no number, in order."""
    places = []
    for needle in _NO_NUMBERS:
        place = block.find(needle)
        while place >= 0:
            places.append(place)
            place = block.find(needle, place + 1)
    return iter(sorted(places))


def _no_number(word: bytes) -> bool:
    return word.lstrip(b"+-").startswith((b"nan", b"inf")) or b".#" in word


def _in_gltf(path: Path) -> int:
    """Points of a glTF 2.0 file (ISO/IEC 12113:2022), in every uncompressed primitive."""
    document, chunk = _gltf_parts(path)
    try:
        wanted = {
            int(primitive["attributes"]["POSITION"])
            for mesh in document.get("meshes", [])
            for primitive in mesh["primitives"]
            if "POSITION" in primitive["attributes"]
            and "KHR_draco_mesh_compression" not in primitive.get("extensions", {})
        }
        buffers: dict[int, NDArray[np.uint8]] = {}
        return sum(_in_accessor(path, document, document["accessors"][k], chunk, buffers) for k in sorted(wanted))
    except InputError:
        raise
    except (LookupError, TypeError, AttributeError, ValueError) as problem:
        raise InputError(f"“{path.name}” breaks the rules of glTF ({problem!r}); export the scan again.") from problem


def _gltf_parts(path: Path) -> tuple[dict[str, Any], NDArray[np.uint8]]:
    """The description, and the binary chunk of a .glb file (else empty)."""
    chunk = np.zeros(0, np.uint8)
    with open(path, "rb") as file:
        head = file.read(20)
        if head[:4] == b"glTF":
            size, length = (int.from_bytes(head[k : k + 4], "little") for k in (8, 12))
            if len(head) < 20 or size > os.path.getsize(path) or 20 + length > size:
                raise _cut_short(path)
            text = file.read(length)
            tail = file.read(8)
            if len(tail) == 8 and tail[4:] == b"BIN\0":
                held = int.from_bytes(tail[:4], "little")
                if 28 + length + held > size:
                    raise _cut_short(path)
                if held:
                    chunk = np.memmap(path, np.uint8, "r", offset=28 + length, shape=(held,))
        elif path.suffix.lower() == ".glb":
            raise InputError(f"“{path.name}” is no binary glTF file; export the scan again.")
        else:
            text = head + file.read()
    try:
        document = json.loads(text)
    except ValueError as problem:
        raise InputError(
            f"“{path.name}” cannot be read as glTF ({problem}); it may be cut short: copy or export it again."
        ) from problem
    if not isinstance(document, dict):
        raise InputError(f"“{path.name}” is no glTF file: it holds no description of meshes; export the scan again.")
    return document, chunk


def _in_accessor(
    path: Path,
    document: dict[str, Any],
    accessor: dict[str, Any],
    chunk: NDArray[np.uint8],
    buffers: dict[int, NDArray[np.uint8]],
) -> int:
    if accessor["componentType"] != _GLTF_FLOAT:
        return 0  # whole numbers always are numbers

    def rows(view: int, offset: int, count: int, kind: str, width: int) -> NDArray[Any]:
        """(count, width) numbers; strided where the view is interleaved."""
        where = document["bufferViews"][view]
        number = int(where["buffer"])
        if number not in buffers:
            buffers[number] = _gltf_buffer(path, document["buffers"][number], number, chunk)
        item = np.dtype(kind)
        stride = int(where.get("byteStride", item.itemsize * width))
        start = int(where.get("byteOffset", 0)) + offset
        if count and start + (count - 1) * stride + item.itemsize * width > len(buffers[number]):
            raise _cut_short(path)
        return np.ndarray((count, width), item, buffers[number], start, (stride, item.itemsize))

    count = int(accessor["count"])
    points = np.zeros((0, 3), np.float32)
    if "bufferView" in accessor:
        if "EXT_meshopt_compression" in document["bufferViews"][accessor["bufferView"]].get("extensions", {}):
            return 0
        points = rows(accessor["bufferView"], int(accessor.get("byteOffset", 0)), count, "<f4", 3)
    if sparse := accessor.get("sparse"):
        where, what, some = sparse["indices"], sparse["values"], int(sparse["count"])
        kind = _GLTF_INTS[where["componentType"]]
        index = rows(where["bufferView"], int(where.get("byteOffset", 0)), some, kind, 1)[:, 0]
        points = np.array(points) if len(points) else np.zeros((count, 3), np.float32)
        points[index] = rows(what["bufferView"], int(what.get("byteOffset", 0)), some, "<f4", 3)
    return _without_numbers(points)


def _gltf_buffer(path: Path, buffer: dict[str, Any], number: int, chunk: NDArray[np.uint8]) -> NDArray[np.uint8]:
    uri = buffer.get("uri")
    if uri is None:
        found = chunk if number == 0 else chunk[:0]
    elif uri.startswith("data:"):
        try:
            found = np.frombuffer(base64.b64decode(uri.partition(",")[2], validate=True), np.uint8)
        except binascii.Error as problem:
            raise _cut_short(path) from problem
    else:
        beside = path.parent / unquote(uri)
        if not beside.is_file():
            raise InputError(
                f"“{path.name}” keeps its points in “{unquote(uri)}”, which is not beside it; copy that file, too, or "
                "export as .glb."
            )
        found = np.memmap(beside, np.uint8, "r") if os.path.getsize(beside) else chunk[:0]
    if len(found) < int(buffer["byteLength"]):
        raise _cut_short(path)
    return found


def _cut_short(path: Path) -> InputError:
    return InputError(f"“{path.name}” is cut short: data that it announces is missing; copy or export it again.")


def _without_numbers(points: NDArray[Any]) -> int:
    """How many of ``points`` (..., 3) have a coordinate that is not finite."""
    return int((~np.isfinite(points).all(axis=-1)).sum())
