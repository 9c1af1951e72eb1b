"""Panel: what the measured sections tell, and section files in and out."""

from __future__ import annotations

import json
import os
from pathlib import Path

import bpy
from bpy.props import EnumProperty, StringProperty

from ..core.elements.element import with_section
from ..core.errors import InputError
from ..core.sections.coordinates import ROUND, SIDES, read_coordinates, shape_from_coordinates, write_coordinates
from ..core.units import to_mm
from . import bridge, variants
from .element import chosen, needed, rewritten
from .operator import JobOperator, JobPanel, say

PLACES = [
    ("ALL", "All stations", "Mid-span, tip and what lies between"),
    ("MIDDLE", "Mid-span", "The station at mid-span"),
    ("TIP", "Tip", "The station at the tip"),
    ("CHOSEN", "Chosen station", "The station chosen in the list"),
]


class WINGFETTLE_OT_read_section(JobOperator, bpy.types.Operator):
    """Give the element the section of a coordinate list; chord and incidence stay"""

    bl_idname = "wingfettle.read_section"
    bl_label = "Section from File"
    filepath: StringProperty(subtype="FILE_PATH")
    filter_glob: StringProperty(default="*.txt;*.dat;*.csv", options={"HIDDEN"})
    where: EnumProperty(name="Where", items=PLACES)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def work(self, context: bpy.types.Context) -> str:
        obj = needed(context)
        variants.refuse_as_found(context.scene, obj)
        what = f"“{os.path.basename(self.filepath)}”"
        element = bridge.element_of(obj)
        coordinates = read_coordinates(_text(self.filepath, what), what)
        shape, rms, largest = shape_from_coordinates(
            coordinates, len(element.shape.half_thickness), len(element.shape.mean_line)
        )
        number = _station(obj, self.where)
        rewritten(obj, with_section(element, shape, number), coordinates.name or what if number is None else "")
        if number is not None:
            _name_station(obj, number, coordinates.name or what)
        return (
            f"{what}: {len(coordinates.upper)} points above, {len(coordinates.lower)} below, chord of "
            f"{coordinates.chord:g} ({coordinates.measure}); on this chord the shape stays within "
            f"{to_mm(largest * element.chord_m):.3f} mm of the list ({to_mm(rms * element.chord_m):.3f} mm rms)."
        )


class WINGFETTLE_OT_write_section(JobOperator, bpy.types.Operator):
    """Write the section at a station as a plain list of coordinates"""

    bl_idname = "wingfettle.write_section"
    bl_label = "Section to File"
    filepath: StringProperty(subtype="FILE_PATH")
    filter_glob: StringProperty(default="*.txt;*.dat;*.csv", options={"HIDDEN"})
    where: EnumProperty(name="Where", items=PLACES[1:])
    order: EnumProperty(
        name="Order",
        items=[
            (ROUND, "Round", "From the trailing edge over the upper side and the nose back to the trailing edge"),
            (SIDES, "Side by side", "Upper side, then lower side, each from nose to tail"),
        ],
    )

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        obj = chosen(context)
        self.filepath = f"{obj.wingfettle.element if obj is not None else 'section'}.txt"
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def work(self, context: bpy.types.Context) -> str:
        obj = needed(context)
        element = bridge.element_of(obj)
        number = _station(obj, self.where)
        shape = element.shapes[number if number is not None else 0]
        text = write_coordinates(shape, f"{obj.name} {self.where.lower()}", self.order)
        try:
            Path(self.filepath).write_text(text, encoding="utf-8")
        except OSError as problem:
            raise InputError(f"“{self.filepath}” cannot be written: {problem.strerror}.") from problem
        return f"Written to {self.filepath}."


def _text(path: str, what: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8-sig", errors="replace")
    except OSError as problem:
        raise InputError(f"{what} cannot be read: {problem.strerror}.") from problem


def _station(obj: bpy.types.Object, where: str) -> int | None:
    """Number of the station: 0 at mid-span, then the inner ones, last the tip; None for all."""
    inner = len(obj.wingfettle.inner)
    if where == "CHOSEN" and not inner:
        raise InputError(f"“{obj.name}” has no stations between mid-span and tip; add one.")
    return {"ALL": None, "MIDDLE": 0, "TIP": inner + 1, "CHOSEN": bridge.chosen_station(obj) + 1}[where]


def _name_station(obj: bpy.types.Object, number: int, name: str) -> None:
    numbers = obj.wingfettle
    if number == 0:
        numbers.section_name = name
    elif number > len(numbers.inner):
        numbers.tip_section_name = name
    else:
        numbers.inner[number - 1].section_name = name  # just rewritten, so in order


class WINGFETTLE_PT_sections(JobPanel, bpy.types.Panel):
    bl_label = "Sections"
    bl_idname = "WINGFETTLE_PT_sections"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        obj = chosen(context)
        if obj is None:
            say(col, "Select a rebuilt element to see its sections.")
            return
        for line in obj.wingfettle.findings.splitlines():
            say(col, line)
        rows = json.loads(obj.wingfettle.measured or "[]")
        if rows:
            say(col, "At y mm: chord mm, incidence °, rms mm from the fit")
            table = col.grid_flow(row_major=True, columns=4, even_columns=True, align=True)
            for row in rows:
                table.label(text=f"{row['station_mm']:+.0f}")
                table.label(text=f"{row['chord_mm']:.2f}")
                table.label(text=f"{row['incidence_deg']:.2f}")
                table.label(text=f"{row['rms_mm']:.3f}", icon="NONE" if row["within_tolerance"] else "ERROR")
        buttons = col.row(align=True)
        buttons.operator("wingfettle.read_section")
        buttons.operator("wingfettle.write_section")


CLASSES = (WINGFETTLE_OT_read_section, WINGFETTLE_OT_write_section, WINGFETTLE_PT_sections)
