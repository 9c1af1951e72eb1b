"""Pictures as PNG files (ISO/IEC 15948), still or moving, written with the standard library."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_MOVING = 6  # zlib's level for dozens of frames: 9 takes several times as long for a few per cent


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
    chunks = ((b"IHDR", _head(picture)), (b"sRGB", b"\0"), (b"IDAT", _packed(picture)), (b"IEND", b""))
    return _SIGNATURE + b"".join(_chunk(name, data) for name, data in chunks)


def animated(frames: Sequence[NDArray[np.uint8]], ms_per_frame: int, plays: int = 0) -> bytes:
    """A moving PNG file; readers that know none of motion show its first frame.

    After the Portable Network Graphics Specification, third edition (W3C 2025): ``acTL``, ``fcTL``, ``fdAT``. After
    the first frame only the rectangle that has changed is stored.

    Args:
        frames: each (h, w, 3) or (h, w, 4) uint8 sRGB, top row first, all of one shape.
        ms_per_frame: how long each is shown, 1..65535.
        plays: how often all are shown, 0 for ever.

    Raises:
        InputError: no frames, frames of other or unlike shapes, or a time or number of plays that the file cannot hold.
    """
    if not len(frames):
        raise InputError("A moving picture needs one frame or more.")
    first = frames[0]
    if first.ndim != 3 or first.shape[2] not in (3, 4) or not first.size:
        raise InputError("A frame must be height by width by 3 or 4 bytes, with one point or more.")
    if any(frame.shape != first.shape or frame.dtype != np.uint8 for frame in frames):
        raise InputError("All frames of a moving picture must be bytes and of one size.")
    if not 1 <= ms_per_frame <= 0xFFFF:
        raise InputError(f"A frame cannot be shown for {ms_per_frame} ms; give 1 to 65535.")
    if not 0 <= plays < 2**31:
        raise InputError(f"A moving picture cannot be shown {plays} times; give 0 (for ever) or more.")
    chunks = [(b"IHDR", _head(first)), (b"sRGB", b"\0"), (b"acTL", struct.pack(">II", len(frames), plays))]
    number = 0  # one count for both kinds of chunk, without gaps
    for k, frame in enumerate(frames):
        top, left, piece = (0, 0, frame) if k == 0 else _changed(frames[k - 1], frame)
        height, width = piece.shape[:2]
        # Shown for so many thousandths of a second, left standing, put over the last one whole.
        look = struct.pack(">IIIIIHHBB", number, width, height, left, top, ms_per_frame, 1000, 0, 0)
        chunks.append((b"fcTL", look))
        number += 1
        if k == 0:
            chunks.append((b"IDAT", _packed(piece, _MOVING)))
        else:
            chunks.append((b"fdAT", struct.pack(">I", number) + _packed(piece, _MOVING)))
            number += 1
    chunks.append((b"IEND", b""))
    return _SIGNATURE + b"".join(_chunk(name, data) for name, data in chunks)


def png_size(file: bytes) -> tuple[int, int] | None:
    """Width and height from the file's first chunk; None when it is no PNG file."""
    if len(file) < 24 or not file.startswith(_SIGNATURE):
        return None
    width, height = struct.unpack(">II", file[16:24])
    return int(width), int(height)


def _head(picture: NDArray[np.uint8]) -> bytes:
    height, width, channels = picture.shape
    return struct.pack(">IIBBBBB", width, height, 8, {3: 2, 4: 6}[channels], 0, 0, 0)


def _packed(picture: NDArray[np.uint8], level: int = 9) -> bytes:
    """Rows with their filters, compressed."""
    height, width, channels = picture.shape
    left, up = np.zeros_like(picture), np.zeros_like(picture)
    left[:, 1:], up[1:] = picture[:, :-1], picture[:-1]
    filtered = np.stack([picture, picture - left, picture - up]).reshape(3, height, channels * width)
    kind = np.abs(filtered.view(np.int8).astype(np.int32)).sum(axis=2).argmin(axis=0)
    rows = np.column_stack([kind.astype(np.uint8), filtered[kind, np.arange(height)]])
    return zlib.compress(rows.tobytes(), level)


def _changed(before: NDArray[np.uint8], now: NDArray[np.uint8]) -> tuple[int, int, NDArray[np.uint8]]:
    """Top, left and points of the rectangle that holds all changes; one point where there are none."""
    other = (before != now).any(axis=2)
    rows, columns = np.flatnonzero(other.any(axis=1)), np.flatnonzero(other.any(axis=0))
    if not len(rows):
        return 0, 0, now[:1, :1]
    top, left = int(rows[0]), int(columns[0])
    return top, left, now[top : rows[-1] + 1, left : columns[-1] + 1]


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
