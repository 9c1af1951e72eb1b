"""Rows of flow runs as tables for people: forces by what was changed, and why a value is not there yet."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import InputError
from .folder import SWEEPS, newest
from .queue import Finished, Queue
from .result import FlowRun, from_record
from .rows import UNITS


@dataclass(frozen=True)
class Force:
    """A lift in N, positive up: value and half of its interval; low and high with what Reynolds number and cells
    add."""

    value: float
    half_width: float
    low: float
    high: float

    def __str__(self) -> str:
        width = f" ± {self.half_width:.3g}" if math.isfinite(self.half_width) else " (interval not known)"
        return f"{self.value:+.4g}{width}".replace("-", "\N{MINUS SIGN}")


@dataclass(frozen=True)
class TableRow:
    """Attributes: value: in the table's unit; forces: one a column, none where not done; note: why, or what
    weakens the run."""

    value: float
    forces: tuple[Force, ...]
    note: str


@dataclass(frozen=True)
class Table:
    """A row of runs as it stands.

    Attributes:
        variant: whose.
        title: what is swept.
        unit: of the values.
        columns: elements, and "all" where there are several.
        rows: one a value, rising.
    """

    variant: str
    title: str
    unit: str
    columns: tuple[str, ...]
    rows: tuple[TableRow, ...]

    def texts(self) -> tuple[tuple[str, ...], ...]:
        """Heading and rows for a report; the last column has the notes."""
        lines = [(self.unit, *(f"{name} (N)" for name in self.columns), "")]
        for one in self.rows:
            forces = [str(force) for force in one.forces] or [""] * len(self.columns)
            lines.append((f"{one.value:.4g}".replace("-", "\N{MINUS SIGN}"), *forces, one.note))
        return tuple(lines)


def tables(folder: str | Path) -> tuple[Table, ...]:
    """A table of each row that was posted, by title; values that are not done say why.

    Raises:
        InputError: a folder that cannot be written to.
    """
    queue = Queue(folder)
    done, state = newest(queue), _states(queue)
    found = []
    for path in sorted((queue.folder / SWEEPS).glob("*.json")):
        try:
            found.append(_table(json.loads(path.read_bytes()), done, state))
        except (OSError, ValueError, KeyError, TypeError):  # half copied, or of a later form
            continue
    return tuple(sorted(found, key=lambda one: one.title))


def _table(content: dict[str, Any], done: dict[str, Finished], state: dict[str, str]) -> Table:
    what, elements = str(content["what"]), tuple(str(name) for name in content["elements"])
    unit, convert = UNITS[what]
    rows = []
    for value, key in zip(content["values"], content["keys"], strict=True):
        forces: tuple[Force, ...] = ()
        note = state.get(key, "gone")
        if key in done:
            try:
                run = from_record(done[key].result.get("run"))
                names = [*elements, *([None] if len(elements) > 1 else [])]
                forces, note = tuple(_force(run, name) for name in names), " ".join(one.text for one in run.faults)
            except InputError as problem:
                note = str(problem)
        rows.append(TableRow(convert(float(value)), forces, note))
    over = {
        "gap": "moved up",
        "stagger": "moved aft",
        "incidence": "turned nose up",
        "chords": f"at a gap to “{content['other']}”",
    }[what]
    where = {"alone": "alone", "group": "all together", "on car": "on the car"}[str(content["case"])]
    title = f"“{content['variant']}”: “{content['element']}” {over}, {where}, {content['walls']}"
    columns = elements if len(elements) == 1 else (*elements, "all")
    return Table(str(content["variant"]), title, unit, columns, tuple(rows))


def _force(run: FlowRun, name: str | None) -> Force:
    one = run.total if name is None else run.part(name)
    return Force(float(one.force_n[2]), float(one.half_width_n[2]), *run.lift_band(name)[1:])


def _states(queue: Queue) -> dict[str, str]:
    """In words, by the key of the job."""
    found = {}
    for part, word in (("failed", "failed"), ("waiting", "waiting"), ("running", "running")):
        for path in (queue.folder / part).glob("*.json"):
            found[re.split("[~.]", path.name, maxsplit=1)[0]] = word
    return found
