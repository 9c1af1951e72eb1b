"""Panel: variants of the wing, side by side."""

from __future__ import annotations

import bpy
from bpy.props import BoolProperty, StringProperty

from ..core.elements.element import turned_over
from ..core.errors import InputError
from . import answers, bridge, settings
from .operator import JobOperator, JobPanel

_STAYS = "The wing as found stays as it was found; start a new variant to change it."


MIRROR_PICTURE = "Mirror view"


def show_only(scene: bpy.types.Scene, shown: settings.VariantItem) -> None:
    """Show one variant, in the viewport and in renders, with its collisions and its mirror view; hide the others."""
    for variant in scene.wingfettle.variants:
        if variant.elements is not None:
            hidden = variant.name != shown.name
            variant.elements.hide_viewport = variant.elements.hide_render = hidden
    mark_collisions(scene, shown)
    view = answers.shown(scene, shown, "mirror")[0]
    if view is not None:
        bridge.show_picture(MIRROR_PICTURE, view.picture)


def mark_collisions(scene: bpy.types.Scene, variant: settings.VariantItem) -> None:
    """Paint the faces that collide as the variant's answer tells; none where there is no answer, or no longer."""
    job = scene.wingfettle
    checked = answers.shown(scene, variant, "clearance")[0] or ()
    hits = {c.part: c.part_hits for c in checked if len(c.body_hits)}
    for obj in settings.element_objects(variant):
        bridge.flag_element(obj, hits.get(obj.wingfettle.element))
    if job.body is not None:
        bridge.flag_body(job.body, answers.body(scene) if hits else None, [c.body_hits for c in checked])
    state = _marks_state(scene, variant) if hits else ""
    if job.marks_of != state:
        job.marks_of = state


def marks_hold(scene: bpy.types.Scene) -> bool:
    """Whether the collisions that the meshes show are still those of the chosen variant as it stands."""
    variant = settings.active_variant(scene)
    marked = scene.wingfettle.marks_of
    return not marked or (variant is not None and marked == _marks_state(scene, variant))


def _marks_state(scene: bpy.types.Scene, variant: settings.VariantItem) -> str:
    try:
        return f"{variant.name} {answers.digest(scene, variant, 'clearance')}"
    except InputError:
        return "none"


def active(scene: bpy.types.Scene) -> settings.VariantItem:
    """The chosen variant.

    Raises:
        InputError: there is none yet, or its collection was deleted.
    """
    variant = settings.active_variant(scene)
    if variant is None:
        raise InputError("There is no variant yet; measure an element first.")
    if variant.elements is None:
        raise InputError(f"The collection of “{variant.name}” was deleted, and its elements with it; undo that.")
    return variant


def changeable(scene: bpy.types.Scene) -> settings.VariantItem:
    """The chosen variant, if it may be changed.

    Raises:
        InputError: it is the wing as found, or there is none yet.
    """
    variant = active(scene)
    if variant.name == settings.AS_FOUND:
        raise InputError(_STAYS)
    return variant


def refuse_as_found(scene: bpy.types.Scene, obj: bpy.types.Object) -> None:
    """Refuse to change an element of the wing as found.

    Raises:
        InputError: ``obj`` is one.
    """
    found = settings.variant_named(scene, settings.AS_FOUND)
    if found is not None and found.elements is not None and obj.name in found.elements.objects:
        raise InputError(_STAYS)


def element_object(variant: settings.VariantItem, name: str) -> bpy.types.Object:
    """The variant's element called ``name``.

    Raises:
        InputError: it has none of that name.
    """
    for obj in settings.element_objects(variant):
        if obj.wingfettle.element == name:
            return obj
    raise InputError(f"Variant “{variant.name}” has no element “{name}”.")


class WINGFETTLE_OT_new_variant(JobOperator, bpy.types.Operator):
    """Start a new variant from the wing as found"""

    bl_idname = "wingfettle.new_variant"
    bl_label = "New Variant"
    name: StringProperty(name="Name", default="new shape")

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        return context.window_manager.invoke_props_dialog(self)

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        found = settings.variant_named(scene, settings.AS_FOUND)
        if found is None:
            raise InputError("Measure the wing as found first; variants start from it.")
        if found.elements is None:
            raise InputError(f"The collection of “{found.name}” was deleted, and its elements with it; undo that.")
        name = self.name.strip()
        if not name or settings.variant_named(scene, name) is not None:
            raise InputError(f"A variant needs a name of its own; “{name}” is taken or empty.")
        elements = bridge.collection(scene, f"Wing {name}")
        for obj in settings.element_objects(found):
            copy = bridge.new_object(f"{obj.wingfettle.element} ({name})", elements)
            bridge.copy_element(obj, copy)
        made = job.variants.add()
        made.name, made.elements = name, elements
        job.variant = len(job.variants) - 1
        show_only(scene, made)
        return f"Variant “{name}” starts as the wing as found."


class WINGFETTLE_OT_turn_over(JobOperator, bpy.types.Operator):
    """Reflect each section of the element in its own chord line; the leading edge stays forward"""

    bl_idname = "wingfettle.turn_over"
    bl_label = "Turn Over"
    element: StringProperty(name="Element", default="lower")
    angle_too: BoolProperty(
        name="Incidence too",
        description="Change the sign of incidence and twist as well, as if the whole part were turned about its "
        "leading edge; otherwise it keeps the angle of its mounts",
    )

    def work(self, context: bpy.types.Context) -> str:
        variant = changeable(context.scene)
        obj = element_object(variant, self.element)
        bridge.write_element(obj, turned_over(bridge.element_of(obj), self.angle_too))
        settings.drop_marks(variant.elements)
        kept = "its incidence changes sign" if self.angle_too else "its incidence stays"
        return f"“{self.element}” turned over in “{variant.name}”; {kept}."


class WINGFETTLE_OT_leave_out(JobOperator, bpy.types.Operator):
    """Leave the element out of the chosen variant"""

    bl_idname = "wingfettle.leave_out"
    bl_label = "Leave Out"
    element: StringProperty(name="Element", default="lower")

    def work(self, context: bpy.types.Context) -> str:
        variant = changeable(context.scene)
        settings.remove_object(element_object(variant, self.element))
        settings.drop_marks(variant.elements)
        return f"“{self.element}” left out of “{variant.name}”."


class WINGFETTLE_OT_show_variant(JobOperator, bpy.types.Operator):
    """Show this variant and hide the others"""

    bl_idname = "wingfettle.show_variant"
    bl_label = "Show Variant"
    name: StringProperty()

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        if settings.variant_named(context.scene, self.name) is None:
            raise InputError(f"There is no variant “{self.name}”.")
        job.variant = job.variants.find(self.name)
        variant = active(context.scene)
        show_only(context.scene, variant)
        for obj in settings.element_objects(variant):
            obj.hide_set(False)
        return f"“{self.name}” is shown."


class WINGFETTLE_PT_variants(JobPanel, bpy.types.Panel):
    bl_label = "Variants"
    bl_idname = "WINGFETTLE_PT_variants"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        chosen = settings.active_variant(context.scene)
        for variant in context.scene.wingfettle.variants:
            mark = "RADIOBUT_ON" if chosen == variant else "RADIOBUT_OFF"
            col.operator("wingfettle.show_variant", text=variant.name, icon=mark).name = variant.name
        col.operator("wingfettle.new_variant")
        if chosen is not None and chosen.name != settings.AS_FOUND:
            for obj in settings.element_objects(chosen):
                row = col.row(align=True)
                row.label(text=obj.wingfettle.element)
                row.operator("wingfettle.turn_over").element = obj.wingfettle.element
                row.operator("wingfettle.leave_out").element = obj.wingfettle.element


CLASSES = (
    WINGFETTLE_OT_new_variant,
    WINGFETTLE_OT_turn_over,
    WINGFETTLE_OT_leave_out,
    WINGFETTLE_OT_show_variant,
    WINGFETTLE_PT_variants,
)
