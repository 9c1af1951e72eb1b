"""Files that are whole or not there, in folders that others read meanwhile."""

from __future__ import annotations

import contextlib
import os
import secrets
import time
from collections.abc import Callable
from pathlib import Path

PART = ".part"
"""Ending of files that are being written."""
_PATIENCE_S = 2.0  # on Windows a file that somebody reads cannot be moved


def put(path: Path, data: bytes) -> None:
    """Write a file whole or not at all; its folder is made where it is missing.

    Raises:
        OSError: it cannot be written; what was there before stays.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}{PART}")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        patient(lambda: os.replace(part, path))
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def patient(act: Callable[[], object]) -> None:
    """Again while somebody reads the file, for a while."""
    end = time.monotonic() + _PATIENCE_S
    while True:
        try:
            act()
            return
        except PermissionError:
            if time.monotonic() > end:
                raise
            time.sleep(0.02)
