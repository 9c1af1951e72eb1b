"""Flow runs kept in a folder: all there again, broken files told, the newest of each."""

from __future__ import annotations

import json
import math
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wingfettle.core.errors import InputError
from wingfettle.core.flow import store as module
from wingfettle.core.flow.result import FlowRun, PartFlow, to_record
from wingfettle.core.flow.slices import FlowSlice
from wingfettle.core.flow.store import folder_beside, forget, kept_fields, store, stored

PART = PartFlow("low", np.array([-3.0, 0.0, -90.0]), np.full(3, math.inf), np.zeros(3), np.zeros(3), True)
RUN = FlowRun(
    variant="b", form="full", case="on car", parts=(PART,), total=PART, confidence=0.95, speed_m_s=50.0,
    air_density_kg_m3=1.2, reference_length_m=0.25, reference_area_m2=0.35, width_m=math.nan, reynolds_run=7.5e4,
    reynolds_real=8.5e5, mach_run=0.1, wall_function=True, spacing_m=0.002, cells=1_000_000,
    steps=20000, steps_left_out=4000,
    ending="narrow", time_s=61.5, updates_per_s=3e8, device="card", rests_on="x",
)  # fmt: skip


def plane(seed: int = 0) -> FlowSlice:
    draw = np.random.default_rng(seed)
    x, z = -np.arange(7.0), np.arange(5.0) + 0.5
    # What single precision holds.
    speed, pressure = (draw.normal(size=(5, 7)).astype(np.float32).astype(float) for _ in range(2))
    velocity = draw.normal(size=(2, 5, 7)).astype(np.float32).astype(float)
    return FlowSlice(x, z, speed, pressure, velocity, draw.random((5, 7)) > 0.5)


def plain(run: FlowRun) -> str:
    return json.dumps(to_record(run), sort_keys=True)


@pytest.fixture
def clock(monkeypatch):
    """Each run is stored a second later."""
    now = iter(range(1000, 2000))
    monkeypatch.setattr(module.time, "time", lambda: float(next(now)))


def test_all_there_again(tmp_path: Path) -> None:
    folder = folder_beside(tmp_path / "car.blend")
    assert folder.name == "car flow runs"
    cut = plane()
    surface = {"low": np.array([0.5, np.nan, -2.0]), "body": np.arange(4.0)}
    path = store(folder, RUN, cut, surface)
    assert path.parent == folder
    assert path.suffix == ".json"
    (found,), unreadable = stored(folder)
    assert unreadable == ()
    assert plain(found) == plain(RUN)
    kept, pressures = kept_fields(folder, found)
    assert kept is not None
    for name in ("x_m", "z_m", "speed_m_s", "pressure", "velocity_m_s", "solid"):
        assert np.array_equal(getattr(kept, name), getattr(cut, name)), name
        assert getattr(kept, name).dtype == getattr(cut, name).dtype
    assert pressures.keys() == surface.keys()
    assert all(np.array_equal(pressures[k], surface[k], equal_nan=True) for k in surface)
    # Nothing half-written is left.
    assert sorted(p.suffix for p in folder.iterdir()) == [".json", ".npz"]


def test_fields_may_be_missing(tmp_path: Path) -> None:
    store(tmp_path, RUN, None, {})
    assert kept_fields(tmp_path, RUN) == (None, {})
    store(tmp_path, replace(RUN, variant="c"), None, {"low": np.ones(2)})
    kept, pressures = kept_fields(tmp_path, replace(RUN, variant="c"))
    assert kept is None
    assert np.array_equal(pressures["low"], np.ones(2))


def test_no_folder_holds_nothing(tmp_path: Path) -> None:
    assert stored(tmp_path / "nowhere") == ((), ())


def test_newest_of_each(tmp_path: Path, clock) -> None:
    old, new = replace(RUN, rests_on="old", time_s=1.0), replace(RUN, rests_on="new", time_s=2.0)
    others = [replace(RUN, variant="c"), replace(RUN, case="group"), replace(RUN, form="mid-span"),
              replace(RUN, wall_function=False),
              replace(RUN, case="alone", element="low"), replace(RUN, case="alone", element="high")]  # fmt: skip
    for run in (old, *others, new):
        store(tmp_path, run, None, {})
    found, _ = stored(tmp_path)
    assert sorted(map(plain, found)) == sorted(map(plain, (*others, new)))
    assert plain(found[0]) == plain(new)
    # The older one is still there for whoever goes back to that form.
    every, _ = stored(tmp_path, every=True)
    assert len(every) == 8
    assert any(plain(run) == plain(old) for run in every)
    store(tmp_path, old, None, {})
    found, _ = stored(tmp_path)
    assert plain(old) in map(plain, found)
    assert plain(new) not in map(plain, found)


def test_same_question_again_replaces(tmp_path: Path) -> None:
    store(tmp_path, RUN, plane(1), {})
    store(tmp_path, replace(RUN, time_s=99.0), plane(2), {"low": np.zeros(1)})
    (found,), _ = stored(tmp_path, every=True)
    assert found.time_s == 99.0
    kept, pressures = kept_fields(tmp_path, found)
    assert kept is not None
    assert np.array_equal(kept.speed_m_s, plane(2).speed_m_s)
    assert set(pressures) == {"low"}


def test_run_without_fields_does_not_keep_older_ones(tmp_path: Path) -> None:
    store(tmp_path, RUN, plane(1), {})
    store(tmp_path, RUN, None, {})
    assert kept_fields(tmp_path, RUN) == (None, {})


@pytest.mark.parametrize("name", ["a/b:c*?", "..", "Flügel unten", "x" * 300, "", "CON", "a\nb"])
def test_any_name_will_do(tmp_path: Path, name: str) -> None:
    run = replace(RUN, variant=name, parts=(replace(PART, part=name),))
    path = store(tmp_path, run, plane(), {name: np.ones(3)})
    assert path.parent == tmp_path
    assert path.name.isascii()
    assert len(path.name) < 100
    (found,), unreadable = stored(tmp_path)
    assert not unreadable
    assert found.variant == name
    assert np.array_equal(kept_fields(tmp_path, found)[1][name], np.ones(3))


def test_names_that_look_alike_stay_apart(tmp_path: Path) -> None:
    for name in ("a b", "a-b", "a/b"):
        store(tmp_path, replace(RUN, variant=name), None, {})
    assert {run.variant for run in stored(tmp_path)[0]} == {"a b", "a-b", "a/b"}


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'{"form_number": 99}',
        b"\xff\xfe",
        b'{"form_number": 1, "variant": "x"}',
        b"[" * 20000,
        json.dumps({**to_record(RUN), "stored_s": "soon"}).encode(),
        json.dumps({**to_record(RUN), "parts": 3}).encode(),
    ],
)
def test_broken_file_is_named_and_the_rest_read(tmp_path: Path, content: bytes) -> None:
    store(tmp_path, RUN, None, {})
    (tmp_path / "broken.json").write_bytes(content)
    found, unreadable = stored(tmp_path)
    assert len(found) == 1
    assert unreadable == ("broken.json",)


@pytest.mark.parametrize("how", ["cut off", "no archive", "fields missing", "sizes"])
def test_broken_fields_are_told(tmp_path: Path, how: str) -> None:
    path = store(tmp_path, RUN, plane(), {"low": np.ones(3)}).with_suffix(".npz")
    if how == "cut off":
        path.write_bytes(path.read_bytes()[:200])
    elif how == "no archive":
        path.write_bytes(b"nothing")
    elif how == "fields missing":
        np.savez(path, x_m=np.ones(3))
    else:
        cut = plane()
        np.savez(path, **{**{n: getattr(cut, n) for n in module._FIELDS}, "solid": np.zeros((2, 2), bool)})
    with pytest.raises(InputError, match="cannot be read .*run it again"):
        kept_fields(tmp_path, RUN)
    # The forces are still there.
    assert len(stored(tmp_path)[0]) == 1


def test_folder_that_cannot_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputError, match="cannot be kept"):
        store(tmp_path / "file", RUN, None, {})
    with pytest.raises(InputError, match="cannot be kept"):
        store(tmp_path / "file" / "below", RUN, None, {})


def test_writing_that_breaks_off_leaves_the_older_run(tmp_path: Path, monkeypatch) -> None:
    store(tmp_path, RUN, plane(1), {})
    real = os.replace

    def full(source, target) -> None:
        if str(target).endswith(".json"):
            raise OSError(28, "No space left on device")
        real(source, target)

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(InputError, match="No space left"):
        store(tmp_path, replace(RUN, time_s=99.0), plane(1), {})
    (found,), unreadable = stored(tmp_path)
    assert found.time_s == RUN.time_s
    assert not unreadable
    assert not list(tmp_path.glob("*.part"))


def test_forgotten(tmp_path: Path) -> None:
    store(tmp_path, RUN, plane(), {})
    forget(tmp_path, RUN)
    forget(tmp_path, RUN)
    assert not list(tmp_path.iterdir())
