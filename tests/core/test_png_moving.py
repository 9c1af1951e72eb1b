"""Moving PNG files, read back chunk by chunk after the specification's third edition (W3C 2025), not by our code."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wingfettle.core.errors import InputError
from wingfettle.core.report.png import animated, png_bytes, png_size

Bytes = NDArray[np.uint8]


def chunks(file: bytes) -> list[tuple[bytes, bytes]]:
    """Names and contents, every checksum held against zlib's (the same polynomial, clause 5.5)."""
    assert file[:8] == b"\x89PNG\r\n\x1a\n"
    at, found = 8, []
    while at < len(file):
        (length,) = struct.unpack(">I", file[at : at + 4])
        name, body = file[at + 4 : at + 8], file[at + 8 : at + 8 + length]
        assert struct.unpack(">I", file[at + 8 + length : at + 12 + length])[0] == zlib.crc32(name + body)
        found.append((name, body))
        at += 12 + length
    return found


def points(data: bytes, width: int, height: int, channels: int) -> Bytes:
    """All five filters undone byte by byte (clause 9)."""
    raw, wide = zlib.decompress(data), channels * width
    assert len(raw) == height * (wide + 1)
    before, rows = bytes(wide), []
    for k in range(height):
        kind, line = raw[k * (wide + 1)], bytearray(raw[k * (wide + 1) + 1 : (k + 1) * (wide + 1)])
        for i in range(wide):
            left, corner = (line[i - channels], before[i - channels]) if i >= channels else (0, 0)
            guess = left + before[i] - corner
            paeth = min((left, before[i], corner), key=lambda v: abs(guess - v))
            line[i] = (line[i] + (0, left, before[i], (left + before[i]) // 2, paeth)[kind]) % 256
        before = bytes(line)
        rows.append(before)
    return np.frombuffer(b"".join(rows), np.uint8).reshape(height, width, channels)


def shown(file: bytes) -> tuple[list[Bytes], list[float], int, Bytes]:
    """Frames as a reader composes them (clauses 11.3.6 and 13.15), their seconds, plays, and the still picture."""
    found = chunks(file)
    names = [name for name, _ in found]
    assert names[0] == b"IHDR"
    assert names[-1] == b"IEND"
    width, height, depth, colour, *rest = struct.unpack(">IIBBBBB", found[0][1])
    assert (depth, rest) == (8, [0, 0, 0])
    channels = {2: 3, 6: 4}[colour]
    # acTL once, before the first IDAT; the frame that IDAT holds has its fcTL before it.
    assert names.count(b"acTL") == 1
    assert names.index(b"acTL") < names.index(b"fcTL") < names.index(b"IDAT")
    count, plays = struct.unpack(">II", dict(found)[b"acTL"])
    number, control, data, still, canvas = 0, None, b"", b"", np.zeros((height, width, channels), np.uint8)
    frames: list[Bytes] = []
    seconds: list[float] = []

    def put() -> None:
        if control is None:
            return
        w, h, x, y, delay, over, dispose, blend = control
        assert min(w, h) > 0
        assert x + w <= width
        assert y + h <= height
        assert (dispose, blend) == (0, 0)  # left standing; put over the last one whole
        canvas[y : y + h, x : x + w] = points(data, w, h, channels)
        frames.append(canvas.copy())
        seconds.append(delay / (over or 100))

    for name, body in found:
        if name == b"fcTL":
            put()
            sequence, *control = struct.unpack(">IIIIIHHBB", body)
            data = b""
            if not frames:
                assert control[:4] == [width, height, 0, 0]
        elif name == b"IDAT":
            still += body
            data += body
        elif name == b"fdAT":
            sequence = struct.unpack(">I", body[:4])[0]
            data += body[4:]
        if name in (b"fcTL", b"fdAT"):
            assert sequence == number  # one count, from 0, without gaps
            number += 1
    put()
    assert len(frames) == count
    return frames, seconds, plays, points(still, width, height, channels)


@settings(deadline=None, max_examples=30)
@given(
    height=st.integers(1, 9), width=st.integers(1, 11), channels=st.sampled_from([3, 4]), count=st.integers(1, 4),
    seed=st.integers(0, 2**32 - 1), kind=st.sampled_from(["noise", "spot", "same"]), ms=st.integers(1, 65535),
    plays=st.integers(0, 9),
)  # fmt: skip
def test_frames_come_back(
    height: int, width: int, channels: int, count: int, seed: int, kind: str, ms: int, plays: int
) -> None:
    rng = np.random.default_rng(seed)
    frames = [rng.integers(0, 256, (height, width, channels), np.uint8)]
    while len(frames) < count:
        one = frames[-1].copy()
        if kind == "noise":
            one = rng.integers(0, 256, one.shape, np.uint8)
        elif kind == "spot":
            one[rng.integers(height), rng.integers(width)] ^= 1
        frames.append(one)
    file = animated(frames, ms, plays)
    back, seconds, found, still = shown(file)
    assert all(np.array_equal(a, b) for a, b in zip(back, frames, strict=True))
    assert seconds == pytest.approx([ms / 1000.0] * count)
    assert found == plays
    # Readers that know none of motion show the first frame.
    assert np.array_equal(still, frames[0])
    assert png_size(file) == (width, height)


def test_only_what_changed_is_stored() -> None:
    """A spot that moves over noise: every frame after the first takes a small part of the first one's bytes."""
    noise = np.random.default_rng(3).integers(0, 256, (60, 80, 3), np.uint8)
    frames = []
    for k in range(10):
        one = noise.copy()
        one[20:24, 10 + 4 * k : 14 + 4 * k] = 255
        frames.append(one)
    assert len(animated(frames, 40)) < len(png_bytes(frames[0])) * 1.3


def test_what_is_no_moving_picture_is_refused() -> None:
    frame = np.zeros((4, 5, 3), np.uint8)
    for frames, said in (
        ([], "one frame or more"),
        ([frame[:, :, 0]], "3 or 4 bytes"),
        ([frame[:0]], "one point or more"),
        ([frame.astype(float)], "bytes and of one size"),
        ([frame, frame[:3]], "of one size"),
    ):
        with pytest.raises(InputError, match=said):
            animated(frames, 40)
    for ms in (0, 65536):
        with pytest.raises(InputError, match="1 to 65535"):
            animated([frame], ms)
    with pytest.raises(InputError, match="-1 times"):
        animated([frame], 40, -1)
