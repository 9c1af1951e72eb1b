"""What Wingfettle keeps in the scene and on objects."""

from __future__ import annotations

import uuid

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from ..core.errors import InputError
from . import bridge

UNITS = [
    (u, u, f"One scan unit is one {w}")
    for u, w in (("mm", "millimetre"), ("cm", "centimetre"), ("m", "metre"), ("in", "inch"))
]


def _edited(numbers: ObjectNumbers, context: bpy.types.Context) -> None:
    if numbers.building or numbers.role != "ELEMENT":
        return
    obj = numbers.id_data
    try:
        bridge.build_element(obj)
        numbers.problem = ""
    except InputError as problem:
        # A property cannot report: the panel shows it, and the mesh stays as it was.
        numbers.problem = str(problem)
    for collection in obj.users_collection:
        drop_marks(collection)


def _number(name: str, unit: str, text: str, **limits: float) -> FloatProperty:
    return FloatProperty(
        name=f"{name} ({unit})" if unit else name, description=text, precision=2, update=_edited, **limits
    )


class ObjectNumbers(bpy.types.PropertyGroup):
    """An object's part in the job, and the numbers of a rebuilt element."""

    building: BoolProperty(options={"HIDDEN", "SKIP_SAVE"})
    problem: StringProperty(options={"HIDDEN", "SKIP_SAVE"})
    role: EnumProperty(
        items=[(r, r.title(), "") for r in ("NONE", "BODY", "PART", "PLACE", "ELEMENT", "MARK")], default="NONE"
    )
    element: StringProperty(name="Element", description="The wing element this belongs to")
    leading_edge_mm: FloatVectorProperty(
        name="Leading edge (mm)",
        description="Leading edge at mid-span: ahead of the bumper, to the left, above the road",
        precision=1,
        update=_edited,
    )
    span_mm: _number("Span", "mm", "Tip to tip", min=10.0, default=1000.0)
    chord_mm: _number("Chord", "mm", "Chord at mid-span", min=5.0, default=150.0)
    taper: _number("Taper", "", "Tip chord over mid-span chord", min=0.1, max=3.0, default=1.0)
    sweep_deg: _number("Sweep", "°", "Of the quarter-chord line, positive with the tips aft", min=-60.0, max=60.0)
    dihedral_deg: _number("Dihedral", "°", "Positive with the tips higher", min=-60.0, max=60.0)
    incidence_deg: _number(
        "Incidence", "°", "Chord line to the road at mid-span, positive leading edge up", min=-60.0, max=60.0
    )
    twist_deg: _number("Twist", "°", "Incidence of the tips less that of mid-span", min=-30.0, max=30.0)
    thickness_weights: FloatVectorProperty(size=6)
    mean_weights: FloatVectorProperty(size=6)
    trailing_edge: FloatProperty()
    tip_thickness_weights: FloatVectorProperty(size=6)
    tip_mean_weights: FloatVectorProperty(size=6)
    tip_trailing_edge: FloatProperty()
    has_plate: BoolProperty(name="End plates", update=_edited)
    plate_above_mm: _number("Above", "mm", "Above the tip's chord line", min=0.0)
    plate_below_mm: _number("Below", "mm", "Below the tip's chord line", min=0.0)
    plate_ahead_mm: _number("Ahead", "mm", "Ahead of the leading edge")
    plate_behind_mm: _number("Behind", "mm", "Behind the trailing edge")
    plate_thickness_mm: _number("Sheet", "mm", "Sheet thickness", min=0.2, default=3.0)
    measured: StringProperty(description="The sections this element was rebuilt from, as JSON")


class CentrePick(bpy.types.PropertyGroup):
    """A point picked on the car's centre line."""

    point: FloatVectorProperty(name="Point (m)", precision=4)


class PairPick(bpy.types.PropertyGroup):
    """One place seen on a torn part and on the body."""

    on_part: FloatVectorProperty(name="On part (m)", precision=4)
    on_body: FloatVectorProperty(name="On body (m)", precision=4)
    mirrored: BoolProperty(
        name="Other side", description="The place on the body is the mirror image of the picked point"
    )


class ZoneItem(bpy.types.PropertyGroup):
    """A named zone of the body."""

    required_mm: FloatProperty(name="Keep clear (mm)", min=0.0, precision=1)
    reason: StringProperty()


class VariantItem(bpy.types.PropertyGroup):
    """A variant; its elements lie in the collection."""

    elements: PointerProperty(type=bpy.types.Collection)
    picture: StringProperty(subtype="FILE_PATH")


class SceneSettings(bpy.types.PropertyGroup):
    """The job."""

    unit: EnumProperty(name="Scan unit", items=UNITS, default="mm")
    torn_part: StringProperty(
        name="Torn element", description="Name of the element that was scanned apart", default="upper"
    )
    new_element: StringProperty(name="Element", description="Name of the element to box in", default="lower")
    half: EnumProperty(name="Scanned half", items=[("left", "Left", ""), ("right", "Right", "")], default="left")
    body: PointerProperty(type=bpy.types.Object)
    body_state: StringProperty(description="Changes whenever the body's faces or zones do", options={"HIDDEN"})
    centre_picks: CollectionProperty(type=CentrePick)
    pair_picks: CollectionProperty(type=PairPick)
    zones: CollectionProperty(type=ZoneItem)
    variants: CollectionProperty(type=VariantItem)
    variant: IntProperty(name="Variant", min=0)
    speed_kmh: FloatProperty(
        name="Speed (km/h)", description="Forces are given for this speed", min=1.0, max=400.0, default=100.0
    )
    tolerance_mm: FloatProperty(
        name="Tolerance (mm)",
        default=0.5,
        min=0.01,
        description="Largest deviation of a fitted section; half a millimetre is common in body repair "
        "(common practice, no source)",
    )
    intake: StringProperty(description="What was removed and found while taking in the scans, one line each")


CLASSES = (ObjectNumbers, CentrePick, PairPick, ZoneItem, VariantItem, SceneSettings)


def register() -> None:
    bpy.types.Object.wingfettle = PointerProperty(type=ObjectNumbers)
    bpy.types.Scene.wingfettle = PointerProperty(type=SceneSettings)


def unregister() -> None:
    del bpy.types.Object.wingfettle
    del bpy.types.Scene.wingfettle


def variant_named(scene: bpy.types.Scene, name: str) -> VariantItem | None:
    """The variant called ``name``, or none."""
    return scene.wingfettle.variants.get(name)


def active_variant(scene: bpy.types.Scene) -> VariantItem | None:
    """The variant chosen in the panel, or none."""
    job = scene.wingfettle
    return job.variants[job.variant] if job.variant < len(job.variants) else None


def element_objects(variant: VariantItem) -> list[bpy.types.Object]:
    """The variant's elements, by name."""
    return sorted(
        (o for o in variant.elements.objects if o.wingfettle.role == "ELEMENT"), key=lambda o: o.wingfettle.element
    )


def drop_marks(collection: bpy.types.Collection) -> None:
    """Remove force arrows and their labels: they no longer hold once an element has changed."""
    for obj in [o for o in collection.objects if o.wingfettle.role == "MARK"]:
        remove_object(obj)


def remove_object(obj: bpy.types.Object) -> None:
    """Remove an object and its data, if nothing else uses it."""
    data = obj.data
    bpy.data.objects.remove(obj)
    if data is not None and data.users == 0:
        (bpy.data.meshes if isinstance(data, bpy.types.Mesh) else bpy.data.curves).remove(data)


def body_changed(scene: bpy.types.Scene) -> None:
    """Say that the body's faces or zones have changed, so that answers worked out before no longer hold."""
    scene.wingfettle.body_state = uuid.uuid4().hex
