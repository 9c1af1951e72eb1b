"""One row of a bench: our time and a general library's, by turns in one run."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable


def row(
    name: str, size: str, ours: Callable[[], object], peer: str, theirs: Callable[[], object], runs: int = 5
) -> dict[str, object]:
    """Medians of ``runs`` alternating runs, s; the ratio is our time over the peer's."""
    spent: tuple[list[float], list[float]] = ([], [])
    for _ in range(runs):
        for work, times in zip((ours, theirs), spent, strict=True):
            start = time.perf_counter()
            work()
            times.append(time.perf_counter() - start)
    seconds, peer_seconds = (statistics.median(times) for times in spent)
    return {
        "name": name,
        "size": size,
        "seconds": seconds,
        "peer": peer,
        "peer_seconds": peer_seconds,
        "ratio": seconds / peer_seconds,
    }
