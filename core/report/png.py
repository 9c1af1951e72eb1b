"""Pictures as PNG files (ISO/IEC 15948), written with the standard library."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def png_bytes(picture: NDArray[np.uint8]) -> bytes:
    """A PNG file: truecolour, eight bits a channel, marked as sRGB.

    Each row takes the filter (none, left, up) whose bytes are smallest in sum, as the standard suggests.

    Args:
        picture: (h, w, 3) uint8 sRGB, top row first.

    Raises:
        InputError: another shape or type, or no points.
    """
    if picture.ndim != 3 or picture.shape[2] != 3 or picture.dtype != np.uint8 or not picture.size:
        raise InputError("A picture must be height by width by 3 bytes, with one point or more.")
    height, width = picture.shape[:2]
    left, up = np.zeros_like(picture), np.zeros_like(picture)
    left[:, 1:], up[1:] = picture[:, :-1], picture[:-1]
    filtered = np.stack([picture, picture - left, picture - up]).reshape(3, height, 3 * width)
    kind = np.abs(filtered.view(np.int8).astype(np.int32)).sum(axis=2).argmin(axis=0)
    rows = np.column_stack([kind.astype(np.uint8), filtered[kind, np.arange(height)]])
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"sRGB", b"\0"), (b"IDAT", zlib.compress(rows.tobytes(), 9)), (b"IEND", b""))
    return _SIGNATURE + b"".join(_chunk(name, data) for name, data in chunks)


def png_size(file: bytes) -> tuple[int, int] | None:
    """Width and height from the file's first chunk; None when it is no PNG file."""
    if len(file) < 24 or not file.startswith(_SIGNATURE):
        return None
    width, height = struct.unpack(">II", file[16:24])
    return int(width), int(height)


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
