"""Panel: the numbers of the chosen element, its stations, and what can be made."""

from __future__ import annotations

import bpy
from bpy.props import FloatProperty

from ..core.elements.element import Element, with_station, without_station
from ..core.errors import InputError
from ..core.units import to_degrees, to_mm
from . import bridge, settings
from .operator import JobOperator, JobPanel, say


def chosen(context: bpy.types.Context) -> bpy.types.Object | None:
    """The active object, hidden or not, if it is a rebuilt element."""
    obj = context.view_layer.objects.active
    return obj if obj is not None and obj.wingfettle.role == "ELEMENT" else None


def needed(context: bpy.types.Context) -> bpy.types.Object:
    """The active object, an element.

    Raises:
        InputError: it is none.
    """
    obj = chosen(context)
    if obj is None:
        raise InputError("Select a rebuilt element first; it has to be the active object.")
    return obj


def rewritten(obj: bpy.types.Object, element: Element, source: str = "") -> None:
    """Give an element's object other numbers; arrows and the deviation map that no longer hold go."""
    if obj.wingfettle.deviation:
        obj.hide_set(False)
    bridge.write_element(obj, element, source)
    for collection in obj.users_collection:
        settings.drop_marks(collection)


class WINGFETTLE_OT_add_station(JobOperator, bpy.types.Operator):
    """Add a station between mid-span and tip; the form stays until its numbers are changed"""

    bl_idname = "wingfettle.add_station"
    bl_label = "Add Station"
    place_percent: FloatProperty(name="Place (% of the half span)", default=50.0, min=0.1, max=99.9)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        return context.window_manager.invoke_props_dialog(self)

    def work(self, context: bpy.types.Context) -> str:
        obj = needed(context)
        rewritten(obj, with_station(bridge.element_of(obj), 0.01 * self.place_percent))
        places = [s.place_percent for s in obj.wingfettle.inner]
        obj.wingfettle.inner_chosen = min(
            range(len(places)), key=lambda k: abs(places[k] - self.place_percent)
        )  # fmt: skip
        return f"Station at {self.place_percent:.1f} % of the half span."


class WINGFETTLE_OT_remove_station(JobOperator, bpy.types.Operator):
    """Remove the chosen station; its neighbours are joined by straight lines"""

    bl_idname = "wingfettle.remove_station"
    bl_label = "Remove Station"

    def work(self, context: bpy.types.Context) -> str:
        obj = needed(context)
        numbers = obj.wingfettle
        rewritten(obj, without_station(bridge.element_of(obj), bridge.chosen_station(obj)))
        numbers.inner_chosen = max(min(numbers.inner_chosen, len(numbers.inner) - 1), 0)
        return "Station removed."


class WINGFETTLE_UL_stations(bpy.types.UIList):
    """Stations between mid-span and tip"""

    def draw_item(
        self,
        context: bpy.types.Context,
        layout: bpy.types.UILayout,
        data: object,
        item: settings.StationNumbers,
        icon: int,
        active_data: object,
        active_property: str,
    ) -> None:
        """Place and section of one."""
        row = layout.row()
        row.label(text=f"{item.place_percent:.1f} %")
        row.label(text=item.section_name)


class WINGFETTLE_PT_element(JobPanel, bpy.types.Panel):
    bl_label = "Element"
    bl_idname = "WINGFETTLE_PT_element"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        obj = chosen(context)
        if obj is None:
            say(col, "Select a rebuilt element to edit its numbers.")
            return
        numbers = obj.wingfettle
        col.label(text=obj.name, icon="MESH_DATA")
        say(col, numbers.problem, "ERROR")
        for field in ("chord_mm", "span_mm", "taper", "incidence_deg", "twist_deg", "sweep_deg", "dihedral_deg"):
            col.prop(numbers, field)
        col.prop(numbers, "leading_edge_mm")


class OfElement(JobPanel):
    """A panel under that of the chosen element; there while one is chosen."""

    bl_parent_id = "WINGFETTLE_PT_element"
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Whether an element is chosen."""
        return chosen(context) is not None


class WINGFETTLE_PT_stations(OfElement, bpy.types.Panel):
    bl_label = "Stations"
    bl_idname = "WINGFETTLE_PT_stations"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        obj = needed(context)
        numbers = obj.wingfettle
        col.label(text=f"Mid-span: {numbers.section_name}")
        row = col.row()
        row.template_list("WINGFETTLE_UL_stations", "", numbers, "inner", numbers, "inner_chosen", rows=2)
        side = row.column(align=True)
        side.operator("wingfettle.add_station", text="", icon="ADD")
        side.operator("wingfettle.remove_station", text="", icon="REMOVE")
        col.label(text=f"Tip: {numbers.tip_section_name}")
        if numbers.inner_chosen < len(numbers.inner) and not numbers.problem:
            station = numbers.inner[numbers.inner_chosen]
            for field in ("place_percent", "chord_percent", "turn_deg", "aft_mm", "up_mm"):
                col.prop(station, field)
            made = bridge.element_of(obj).station(0.01 * station.place_percent)
            say(col, f"There: chord {to_mm(made.chord_m):.1f} mm, incidence {to_degrees(made.incidence_rad):.2f}°.")


class WINGFETTLE_PT_making(OfElement, bpy.types.Panel):
    bl_label = "Tips and Making"
    bl_idname = "WINGFETTLE_PT_making"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        numbers = needed(context).wingfettle
        col.prop(numbers, "has_plate")
        if numbers.has_plate:
            for field in (
                "plate_above_mm",
                "plate_below_mm",
                "plate_ahead_mm",
                "plate_behind_mm",
                "plate_thickness_mm",
            ):
                col.prop(numbers, field)
            form = "as scanned or drawn" if numbers.plate_outline else "rectangle with round corners"
            col.label(text=f"Outline: {form}")
            col.operator("wingfettle.plate_from_curve")
        else:
            col.prop(numbers, "rounded_tips")
        col.prop(numbers, "least_edge_mm")
        col.prop(numbers, "skin_mm")
        col.prop(numbers, "quads_along_section")
        col.prop(numbers, "quads_along_span")
        say(col, "Thin edges cut: round off what a hand can touch, and follow local rules on outer edges.", "ERROR")


class WINGFETTLE_OT_plate_from_curve(JobOperator, bpy.types.Operator):
    """Take the other selected object, a flat drawn curve or mesh outline seen from the side, as the plate's form"""

    bl_idname = "wingfettle.plate_from_curve"
    bl_label = "Outline from Drawn Curve"

    def work(self, context: bpy.types.Context) -> str:
        obj = needed(context)
        drawn = [o for o in context.selected_objects if o != obj and o.type in {"CURVE", "MESH"}]
        if len(drawn) != 1:
            raise InputError("Select one drawn curve (seen from the side) and then the element.")
        element = bridge.element_of(obj)
        if element.end_plate is None:
            raise InputError(f"“{obj.name}” has no end plates; switch them on first.")
        rewritten(obj, bridge.with_drawn_plate(element, drawn[0]))
        return f"End plates of “{obj.name}” follow “{drawn[0].name}”."


CLASSES = (
    WINGFETTLE_OT_add_station,
    WINGFETTLE_OT_remove_station,
    WINGFETTLE_OT_plate_from_curve,
    WINGFETTLE_UL_stations,
    WINGFETTLE_PT_element,
    WINGFETTLE_PT_stations,
    WINGFETTLE_PT_making,
)
