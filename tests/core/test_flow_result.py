"""A flow run as JSON and back."""

import json
import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wingfettle.core.errors import InputError
from wingfettle.core.flow.fault import Fault
from wingfettle.core.flow.result import FlowRun, PartFlow, from_record, part_flow, to_record
from wingfettle.core.flow.scaling import scaling
from wingfettle.core.flow.statistics import Blocks, settled

numbers = st.floats(allow_nan=True, allow_infinity=True)
vectors = st.lists(numbers, min_size=3, max_size=3).map(np.array)
part_flows = st.builds(
    PartFlow,
    part=st.text(max_size=8),
    force_n=vectors,
    half_width_n=vectors,
    deviation_n=vectors,
    coefficients=vectors,
    at_rest=st.booleans(),
    strouhal=numbers,
)
PART = PartFlow("low", np.array([-3.0, 0.0, -90.0]), np.ones(3), np.zeros(3), np.zeros(3), True)
RUN = FlowRun(
    variant="b", form="full", case="on car", parts=(PART, replace(PART, part="high")), total=PART, confidence=0.95,
    speed_m_s=50.0, air_density_kg_m3=1.2, reference_length_m=0.25, reference_area_m2=0.35, width_m=math.nan,
    reynolds_run=7.5e4, reynolds_real=8.5e5, mach_run=0.1, wall_function=True, spacing_m=0.002, cells=1_000_000,
    steps=20000,
    steps_left_out=4000, ending="narrow", time_s=61.5, updates_per_s=3e8, device="card", lift_share=0.1,
    faults=(Fault("The gap has only 6 cells.", ("low", "high")),), notes=("Closed.",), rests_on="x",
)  # fmt: skip


def same(a, b) -> bool:
    if isinstance(a, FlowRun | PartFlow | Fault):
        return type(a) is type(b) and all(same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))
    if isinstance(a, tuple):
        return isinstance(b, tuple) and len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, np.ndarray):
        return isinstance(b, np.ndarray) and a.dtype == b.dtype and np.array_equal(a, b, equal_nan=True)
    return type(a) is type(b) and (a == b or (a != a and b != b))


@settings(max_examples=60, deadline=None)
@given(
    parts=st.lists(part_flows, max_size=3).map(tuple),
    total=part_flows,
    number=numbers,
    steps=st.integers(0, 2**60),
    text=st.text(max_size=20),
    texts=st.lists(st.text(max_size=5), max_size=3).map(tuple),
)
def test_plain_json_and_back_loses_nothing(parts, total, number, steps, text, texts) -> None:
    run = replace(RUN, parts=parts, total=total, time_s=number, steps=steps, device=text, notes=texts)
    run = replace(run, faults=tuple(Fault(text, texts) for text in texts), wall_function=bool(steps % 2))
    text = json.dumps(to_record(run), allow_nan=False)
    assert same(from_record(json.loads(text)), run)


def test_numbers_of_numpy_are_written_as_plain_ones() -> None:
    run = replace(RUN, steps=np.int64(7), time_s=np.float64(0.5), mach_run=np.float32(0.25))
    back = from_record(json.loads(json.dumps(to_record(run), allow_nan=False)))
    assert (back.steps, back.time_s, back.mach_run) == (7, 0.5, 0.25)


def test_band_holds_interval_and_reynolds_number() -> None:
    """-90 N, 1 N of interval and a tenth of 90 N on either side."""
    assert RUN.lift_band("high") == (-90.0, -100.0, -80.0)
    # Two that pull against each other, with a body that is no part of the sum: a tenth of each stays.
    up = replace(PART, part="low", force_n=np.array([0.0, 0.0, 120.0]))
    body = replace(PART, part="body", force_n=np.array([0.0, 0.0, 900.0]))
    whole = replace(PART, part="all", force_n=np.array([0.0, 0.0, 30.0]))
    opposed = replace(RUN, parts=(up, replace(PART, part="high"), body), total=whole)
    assert opposed.lift_band() == pytest.approx((30.0, 30.0 - 1.0 - 21.0, 30.0 + 1.0 + 21.0))
    with pytest.raises(InputError, match="no part “fin”"):
        RUN.lift_band("fin")


def test_force_of_a_part_in_vehicle_axes() -> None:
    """A wind along lattice x drags the part aft, which is -x of ISO 8855, and right is -y. The lift waves once in 100
    samples of 4 steps: Strouhal number 50 cells / (400 steps * 0.05 cells a step) = 2.5; the drag twice as often."""
    scale = scaling(0.002, 0.1, 40.0, 1.2, 1.5e-5, lattice_speed=0.05)
    wave = 2.0 * np.pi * np.arange(4000) / 100.0
    blocks = Blocks(3)
    blocks.add(np.column_stack([3.0 + 0.1 * np.sin(2.0 * wave), np.full(4000, 0.5), -7.0 + np.sin(wave)]))
    found = part_flow("low", settled(blocks).channels, scale, 0.14, every=4)
    unit = 1.2 * 40.0**2 / 0.05**2 * 0.002**2
    np.testing.assert_allclose(found.force_n, np.array([-3.0, -0.5, -7.0]) * unit, rtol=1e-6)
    np.testing.assert_allclose(found.coefficients, found.force_n / (0.5 * 1.2 * 40.0**2 * 0.14), rtol=1e-12)
    np.testing.assert_allclose(found.deviation_n, np.sqrt([0.005, 0.0, 0.5]) * unit, rtol=1e-6)
    assert found.strouhal == pytest.approx(2.5, rel=1e-4)
    assert found.at_rest
    wide = part_flow("low", settled(blocks).channels, scale, 0.14, width_m=1.4)
    np.testing.assert_allclose(wide.force_n, found.force_n * 1.4 / 0.002, rtol=1e-12)
    with pytest.raises(InputError, match="2 axes"):
        part_flow("low", settled(blocks).channels[:2], scale, 0.14)


def test_older_and_newer_records() -> None:
    record = to_record(RUN)
    for field in ("device", "faults", "notes", "rests_on"):
        del record[field]
    record["invented_later"] = 1
    assert same(from_record(record), replace(RUN, device="", faults=(), notes=(), rests_on=""))


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"form_number": 99}, "form 99"),
        ({"form_number": None}, "form None"),
        ({"form": "half"}, "form is “half”"),
        ({"case": ""}, "case is"),
        ({"ending": "x"}, "ending is"),
        ({"steps": 1.5}, "“steps”"),
        ({"steps": True}, "“steps”"),
        ({"speed_m_s": "fast"}, "“speed_m_s” is no number"),
        ({"speed_m_s": None}, "“speed_m_s” is no number"),
        ({"parts": {}}, "“parts”"),
        ({"parts": [3]}, "“parts” is no record"),
        ({"notes": [3]}, "“notes”"),
        ({"faults": ["x"]}, "“faults” is no record"),
        ({"wall_function": 1}, "“wall_function”"),
        ({"total": {**to_record(RUN)["total"], "force_n": [1.0, 2.0]}}, "“force_n”"),
        ({"total": {**to_record(RUN)["total"], "at_rest": 1}}, "“at_rest”"),
        ({"total": {"part": "a"}}, "“total” lacks force_n"),
    ],
)
def test_refused_in_words(change, word) -> None:
    with pytest.raises(InputError, match=word):
        from_record({**to_record(RUN), **change})


def test_no_record_at_all() -> None:
    for bad in (None, [], "text", 3, {}):
        with pytest.raises(InputError, match="run it again"):
            from_record(bad)
    short = to_record(RUN)
    del short["cells"]
    with pytest.raises(InputError, match="lacks cells"):
        from_record(short)


def test_a_fault_weakens_those_it_speaks_of() -> None:
    gap, all_ = Fault("The gap has 6 cells.", ("low", "high")), Fault("It blew.")
    assert [gap.weakens(name) for name in ("low", "flap")] == [True, False]
    assert all_.weakens("flap")
