"""What a flow run answers, and its form as JSON, in which it lies beside the file and in a queue's folder."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .fault import Fault
from .grid import BODY
from .scaling import Scaling
from .statistics import Mean

FORM = 1
"""Number of the record's form."""
FORMS = ("mid-span", "full")
"""In two dimensions at mid-span, or in three."""
CASES = ("alone", "group", "on car")
WALLS = {True: "air clings", False: "air lets go"}
"""How people read ``FlowRun.wall_function``. With the law of the wall the air follows the walls for too long, without
it they hold it fast in cells far thicker than a real layer and it leaves too early: two bounds of what air does."""
BOTH_WALLS = "both bounds"
"""Where a run of either kind is there."""
ENDINGS = {
    "narrow": "known as well as asked",
    "time": "time was up",
    "cancelled": "stopped by hand",
    "steps": "all steps done",
}
"""Why a run ended, and how people read it."""


@dataclass(frozen=True)
class PartFlow:
    """One part's mean force, vehicle axes (x forward, y left, z up).

    Attributes:
        part: its name.
        force_n: (3,) N at the set speed.
        half_width_n: (3,) N, half of the confidence interval; inf where the run was too short for one.
        deviation_n: (3,) N, standard deviation of the force about its mean.
        coefficients: (3,) force over dynamic pressure and reference area.
        at_rest: whether the force had settled.
        strouhal: frequency of the wobble times reference length over speed; nan where none stands out.
    """

    part: str
    force_n: NDArray[np.float64]
    half_width_n: NDArray[np.float64]
    deviation_n: NDArray[np.float64]
    coefficients: NDArray[np.float64]
    at_rest: bool
    strouhal: float = math.nan


@dataclass(frozen=True)
class FlowRun:
    """One run.

    Attributes:
        variant: name of the assembly.
        form: one of ``FORMS``.
        case: one of ``CASES``.
        parts: one entry a part.
        total: elements and mounts together; the scanned body is told apart and is not in it.
        confidence: of the intervals.
        speed_m_s, air_density_kg_m3: what the forces hold for.
        reference_length_m, reference_area_m2: of Reynolds numbers and coefficients.
        width_m: span that a mid-span run stands for; nan for full ones.
        reynolds_run, reynolds_real, mach_run: of the lattice, of the car, of the lattice.
        wall_function: whether the law of the wall stood in for layers thinner than a cell, see ``WALLS``.
        spacing_m, cells: of the grid.
        steps: all; ``steps_left_out`` of them are start-up transient.
        ending: one of ``ENDINGS``.
        time_s: how long it took.
        updates_per_s: cells times steps a second.
        device: the card's name.
        reynolds_note: what the Reynolds number and the cells do to the band, in words.
        lift_share: by which the band of a lift is wider for the Reynolds number and the cells, of its value.
        faults: what weakens its word, such as too few cells in a gap or forces that had not settled.
        notes: what is good to know and harmless, in words: how open surfaces were closed, overlaps of a few cells.
        rests_on: text of all that the run rests on, so that an answer to another question is not taken for this one.
        element: the one that was run alone; empty in other cases.
    """

    variant: str
    form: str
    case: str
    parts: tuple[PartFlow, ...]
    total: PartFlow
    confidence: float
    speed_m_s: float
    air_density_kg_m3: float
    reference_length_m: float
    reference_area_m2: float
    width_m: float
    reynolds_run: float
    reynolds_real: float
    mach_run: float
    wall_function: bool
    spacing_m: float
    cells: int
    steps: int
    steps_left_out: int
    ending: str
    time_s: float
    updates_per_s: float
    device: str = ""
    reynolds_note: str = ""
    lift_share: float = 0.0
    faults: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()
    rests_on: str = ""
    element: str = ""

    @property
    def question(self) -> tuple[str, ...]:
        """What it answers: two runs with the same are answers to one question."""
        return self.variant, self.case, self.form, self.element, self.walls, self.rests_on

    @property
    def walls(self) -> str:
        """What the air does at the walls, in words."""
        return WALLS[self.wall_function]

    @property
    def name(self) -> str:
        """Which of the variant's runs it is, for people."""
        what = f"{self.element} alone" if self.case == "alone" else self.case
        return f"{what}, {self.form}, {self.walls}"

    def part(self, name: str) -> PartFlow:
        """A part by its name.

        Raises:
            InputError: no such part.
        """
        found = next((one for one in self.parts if one.part == name), None)
        if found is None:
            raise InputError(f"The flow run of “{self.variant}” holds no part “{name}”; run it again.")
        return found

    def lift_band(self, name: str | None = None) -> tuple[float, float, float]:
        """Value, low and high of the upward force in N of a part or of the total, with interval and ``lift_share``.

        What Reynolds number and cells do to forces that pull against each other does not cancel in their sum.
        """
        one = self.total if name is None else self.part(name)
        value, half = float(one.force_n[2]), float(one.half_width_n[2])
        loads = [value] if name is not None else [float(p.force_n[2]) for p in self.parts if p.part != BODY]
        off = half + self.lift_share * sum(map(abs, loads))
        return value, value - off, value + off


def part_flow(
    part: str,
    means: Sequence[Mean],
    scale: Scaling,
    area_m2: float,
    width_m: float | None = None,
    every: int = 1,
) -> PartFlow:
    """A part's force in SI and vehicle axes from the means of a lattice run.

    Args:
        part: its name.
        means: of the three lattice axes (x aft, y right, z up), lattice units of force.
        scale: of the run.
        area_m2: reference area of the coefficients.
        width_m: span that a mid-span run stands for; None for runs in three dimensions.
        every: steps between two samples of the record.

    Raises:
        InputError: not three means, or an area or width that is not above zero.
    """
    if len(means) != 3:
        raise InputError(f"The force on “{part}” has {len(means)} axes; give the means of x, y and z.")
    # Half round about z: the wind's x and y point against the car's.
    force = scale.newtons([one.value for one in means], width_m) * [-1.0, -1.0, 1.0] + 0.0
    waving = [one for one in means if math.isfinite(one.period)]
    period = max(waving, key=lambda one: one.deviation).period * every if waving else math.nan
    return PartFlow(
        part=part,
        force_n=force,
        half_width_n=scale.newtons([one.half_width for one in means], width_m),
        deviation_n=scale.newtons([one.deviation for one in means], width_m),
        coefficients=scale.coefficients(force, area_m2),
        at_rest=all(one.at_rest for one in means),
        strouhal=scale.cells / (period * scale.lattice_speed),
    )


def to_record(run: FlowRun) -> dict[str, Any]:
    """As dictionaries, lists, numbers and texts, ready for ``json.dump``; no number is lost or rounded.

    Numbers that are none (nan, inf) become the texts "nan", "inf" and "-inf", which plain JSON has no sign for.
    """
    return {"form_number": FORM, **_plain(run)}


def from_record(record: Any) -> FlowRun:
    """The way back from ``to_record``; fields that a later form has are left out, absent ones with a default get it.

    Raises:
        InputError: a record that is none of a flow run, of a later form, or with a field missing or of the wrong kind.
    """
    if not isinstance(record, Mapping):
        raise InputError("The file holds no flow run; run it again.")
    number = record.get("form_number")
    if type(number) is not int or not 1 <= number <= FORM:
        raise InputError(f"The flow run is of form {number!r}, this version reads up to {FORM}; run it again.")
    found = _read(FlowRun, record, "flow run")
    for what, value, known in (
        ("form", found.form, FORMS),
        ("case", found.case, CASES),
        ("ending", found.ending, tuple(ENDINGS)),
    ):
        if value not in known:
            raise InputError(f"The flow run's {what} is “{value}”, none of {', '.join(known)}; run it again.")
    return found


_RECORDS: dict[str, type] = {"PartFlow": PartFlow, "Fault": Fault}


def _plain(answer: FlowRun | PartFlow | Fault) -> dict[str, Any]:
    return {field.name: _plain_value(getattr(answer, field.name)) for field in fields(answer)}


def _plain_value(value: Any) -> Any:
    if isinstance(value, PartFlow | Fault):
        return _plain(value)
    if isinstance(value, tuple):
        return [_plain_value(one) for one in value]
    if isinstance(value, np.ndarray):
        return [_plain_value(one) for one in value.tolist()]
    if isinstance(value, np.generic):
        value = value.item()
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def _read(kind: type, record: Any, where: str) -> Any:
    if not isinstance(record, Mapping):
        raise InputError(f"The {where} is no record; run it again.")
    given: dict[str, Any] = {}
    for field in fields(kind):
        if field.name in record:
            given[field.name] = _read_value(str(field.type), record[field.name], f"{where}'s “{field.name}”")
    try:
        return kind(**given)
    except TypeError:
        missing = [field.name for field in fields(kind) if field.name not in given]
        raise InputError(f"The {where} lacks {', '.join(missing)}; run it again.") from None


def _read_value(kind: str, value: Any, where: str) -> Any:
    """By the field's annotation, so that the two cannot part."""
    if kind in _RECORDS:
        return _read(_RECORDS[kind], value, where)
    if kind.startswith("tuple[") and isinstance(value, list):
        return tuple(_read_value(kind[6 : kind.index(",")], one, where) for one in value)
    if kind.startswith("NDArray") and isinstance(value, list) and len(value) == 3:
        return np.array([_number(one, where) for one in value])
    if kind == "float":
        return _number(value, where)
    if (kind, type(value)) in (("int", int), ("str", str), ("bool", bool)):
        return value
    raise InputError(f"The {where} is not what it should be; run it again.")


def _number(value: Any, where: str) -> float:
    if type(value) in (int, float) or value in ("nan", "inf", "-inf"):
        return float(value)
    raise InputError(f"The {where} is no number; run it again.")
