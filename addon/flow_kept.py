"""Flow runs that have ended: kept in this session and beside the file, and which of them still hold for the scene."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import bpy

from ..core.errors import InputError
from ..core.flow.job import FlowJob
from ..core.flow.result import FlowRun
from ..core.flow.slices import FlowSlice, picture
from ..core.flow.store import folder_beside, kept_fields, store, stored
from ..core.flow.whole import put
from ..core.report.png import animated, png_bytes
from . import answers, bridge, settings

FRAME_MS = 60
"""How long each frame of the clip is shown."""
UNSAVED = "The file is not saved yet: the result stays in this session; save the file, and it is kept beside it."
Key = tuple[str, str, str, str, bool]
"""Variant, form, case, the element run alone, and whether the air clings."""
ASKED = {"both": (True, False), "clings": (True,), "lets go": (False,)}
"""For each choice of walls what is run, see ``result.WALLS``."""


@dataclass(frozen=True, eq=False)
class Kept:
    """A run that has ended, or was read from beside the file.

    Attributes:
        run: the answer.
        state: of the scene when it was started, see ``answers.digest``; empty where that is not known.
        mean: the mean flow at the middle, None where it is not known.
        surface: pressure coefficients at the parts' points.
        job: what was run; None for runs read from files.
        frames: of the clip.
        folder: where it lies; empty for this session only.
    """

    run: FlowRun
    state: str
    mean: FlowSlice | None
    surface: dict[str, Any]
    job: FlowJob | None
    frames: tuple[Any, ...] = ()
    folder: str = ""


kept_all: dict[tuple[Key, str], Kept] = answers.of_file({})
"""By what was run and in which state of the scene, the newest last."""
_read: dict[str, float] = answers.of_file({})
unreadable: dict[str, tuple[str, ...]] = answers.of_file({})
"""By folder: what cannot be read there."""


def keys_now(job: settings.SceneSettings, variant: settings.VariantItem) -> tuple[Key, ...]:
    """Which runs the panel speaks of, in the order in which they are run."""
    element = job.flow_element if job.flow_case == "alone" else ""
    return tuple((variant.name, job.flow_form, job.flow_case, element, walls) for walls in ASKED[job.flow_walls])


def key_of(run: FlowRun) -> Key:
    """Which run it is."""
    return run.variant, run.form, run.case, run.element, run.wall_function


def stamped(run: FlowRun, state: str) -> FlowRun:
    """A run that also tells of which state of the scene it is, see ``answers.digest`` of the kind "flow run"."""
    return replace(run, rests_on=f"{run.rests_on.split(' ')[0]} {state}")


def state_of(run: FlowRun) -> str:
    """Of which state of the scene it is; empty where that is not known."""
    return run.rests_on.partition(" ")[2]


def folder() -> Path | None:
    """Where results lie beside the file; None while it is not saved."""
    return folder_beside(Path(bpy.data.filepath)) if bpy.data.filepath else None


def hold(one: Kept) -> None:
    """Keep a run in this session, as the newest."""
    which = key_of(one.run), one.state
    kept_all.pop(which, None)
    kept_all[which] = one


def _look_beside() -> None:
    """Read what lies beside the file, and again when that has changed."""
    place = folder()
    if place is None:
        return
    try:
        changed = place.stat().st_mtime
    except OSError:
        return
    if _read.get(str(place)) == changed:
        return
    _read[str(place)] = changed
    found, unreadable[str(place)] = stored(place, every=True)
    for run in reversed(found):
        mine = kept_all.get((key_of(run), state_of(run)))
        same = mine is not None and (mine.run.rests_on, mine.run.time_s) == (run.rests_on, run.time_s)
        # What this session found has its fields at hand.
        hold(mine if mine is not None and same else Kept(run, state_of(run), None, {}, None, (), str(place)))


def _newest(scene: bpy.types.Scene, variant: settings.VariantItem) -> list[tuple[Kept, bool]]:
    """Of each run of the variant that which holds for the scene as it is now, else the newest; and whether it holds."""
    _look_beside()
    try:
        state = answers.digest(scene, variant, "flow run")
    except InputError:
        state = "none"
    newest = {key: one for (key, _), one in kept_all.items() if key[0] == variant.name}
    order = sorted(newest.items(), key=lambda one: (*one[0][:4], not one[0][4]))
    return [(kept_all.get((key, state), one), (key, state) in kept_all) for key, one in order]


def kept_runs(scene: bpy.types.Scene, variant: settings.VariantItem) -> list[tuple[FlowRun, bool]]:
    """The variant's runs, and whether each is of the wing, the car and the air as they are now."""
    return [(one.run, holds) for one, holds in _newest(scene, variant)]


def held_runs(scene: bpy.types.Scene, variant: settings.VariantItem) -> tuple[FlowRun, ...]:
    """Those of them that hold."""
    return tuple(run for run, holds in kept_runs(scene, variant) if holds)


def chosen(scene: bpy.types.Scene, variant: settings.VariantItem) -> Kept | None:
    """The run that the panel speaks of, if it holds, with its fields; of both the first that is there."""
    held = {key_of(one.run): one for one, holds in _newest(scene, variant) if holds}
    key = next((one for one in keys_now(scene.wingfettle, variant) if one in held), None)
    found = None if key is None else held[key]
    if found is not None and key is not None and found.mean is None and found.folder and not found.surface:
        try:
            mean, surface = kept_fields(Path(found.folder), found.run)
        except InputError as problem:
            mean, surface = None, {}
            unreadable[found.folder] = (*unreadable.get(found.folder, ()), str(problem))
        # An empty name keeps a file without fields from being read at every redraw.
        found = kept_all[key, found.state] = replace(found, mean=mean, surface=surface or {"": ()})
    return found


def needed(scene: bpy.types.Scene, variant: settings.VariantItem) -> Kept:
    """The same where it is asked for.

    Raises:
        InputError: there is none that holds.
    """
    found = chosen(scene, variant)
    if found is None:
        raise InputError(f"There is no flow run of “{variant.name}” as it is now and as chosen here; start one.")
    return found


def keep_beside(one: Kept) -> str:
    """Write a run beside the file; why it is not there, or nothing."""
    place = folder()
    if place is None:
        return UNSAVED
    if one.folder == str(place):
        return ""
    try:
        path = store(place, one.run, one.mean, {k: v for k, v in one.surface.items() if k})
        stem = str(path.with_suffix(""))
        if one.mean is not None:
            shown = picture(one.mean, "speed", one.run.speed_m_s)
            put(Path(f"{stem}.png"), png_bytes(bridge.png_rows(shown)))
        if one.frames:
            put(Path(f"{stem}-clip.png"), animated([bridge.png_rows(f) for f in one.frames], FRAME_MS))
        _read[str(place)] = place.stat().st_mtime
    except InputError as problem:
        return f"{problem} Until then it stays in this session."
    except OSError as problem:
        return f"The result could not be written into {place} ({problem.strerror}): it stays in this session."
    hold(replace(one, folder=str(place)))
    return ""
