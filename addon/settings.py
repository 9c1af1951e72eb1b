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
from ..core.flow.job import RunWishes
from ..core.sight.lamps import KINDS, MARKETS
from . import bridge

AS_FOUND = "as found"

_USUAL_CELLS = [
    round(RunWishes().for_run(form, case)["cells_on_chord"])
    for form, case in (("mid-span", "group"), ("full", "group"), ("full", "on car"))
]
UNITS = [
    (u, u, f"One scan unit is one {w}")
    for u, w in (("mm", "millimetre"), ("cm", "centimetre"), ("m", "metre"), ("in", "inch"))
]


def _edited(changed: ObjectNumbers | StationNumbers, context: bpy.types.Context) -> None:
    obj = changed.id_data
    numbers = obj.wingfettle
    if numbers.building or numbers.role != "ELEMENT":
        return
    try:
        bridge.build_element(obj)
        numbers.problem = ""
        if numbers.deviation:  # its map no longer holds, and the element was hidden behind it
            numbers.deviation = ""
            if obj.name in context.view_layer.objects:
                obj.hide_set(False)
    except InputError as problem:
        # A property cannot report: the panel shows it, and the mesh stays as it was.
        numbers.problem = str(problem)
    for collection in obj.users_collection:
        drop_marks(collection)


KMH_OF_MPH = 1.609344
"""The international mile of 1959, exact."""


def _get_mph(job: SceneSettings) -> float:
    # No lambda: one inside an annotation does not see this module's names.
    return job.speed_kmh / KMH_OF_MPH


def _set_mph(job: SceneSettings, value: float) -> None:
    job.speed_kmh = value * KMH_OF_MPH


def _followed(changed: SceneSettings, _context: bpy.types.Context) -> None:
    """Have what follows the scene look at it once more."""
    changed.id_data.update_tag()


def _number(name: str, unit: str, text: str, **limits: float) -> FloatProperty:
    return FloatProperty(
        name=f"{name} ({unit})" if unit else name, description=text, precision=2, update=_edited, **limits
    )


class StationNumbers(bpy.types.PropertyGroup):
    """A station between mid-span and tip, told by how far it leaves the straight lines between these."""

    place_percent: _number("Place", "%", "Of the half span, from mid-span to tip", min=0.1, max=99.9, default=50.0)
    chord_percent: _number("Chord", "%", "Of the straight line's chord", min=5.0, max=500.0, default=100.0)
    turn_deg: _number("Turn", "°", "Incidence less the straight line's", min=-45.0, max=45.0)
    aft_mm: _number("Aft", "mm", "Quarter-chord point behind the straight line")
    up_mm: _number("Up", "mm", "Quarter-chord point above the straight line")
    section: StringProperty(options={"HIDDEN"}, description="Shape, as JSON")
    section_name: StringProperty(name="Section", description="Where the section comes from")


class ObjectNumbers(bpy.types.PropertyGroup):
    """An object's part in the job, and the numbers of a rebuilt element."""

    building: BoolProperty(options={"HIDDEN", "SKIP_SAVE"})
    problem: StringProperty(options={"HIDDEN", "SKIP_SAVE"})
    role: EnumProperty(
        items=[
            (r, r.title(), "")
            for r in ("NONE", "BODY", "PART", "PLACE", "ELEMENT", "MARK", "SCANNED", "MOUNT", "PICTURE")
        ],
        default="NONE",
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
    section: StringProperty(options={"HIDDEN"}, description="Shape at mid-span, as JSON")
    section_name: StringProperty(name="Section", description="Where the section at mid-span comes from")
    tip_section: StringProperty(options={"HIDDEN"}, description="Shape at the tip, as JSON")
    tip_section_name: StringProperty(name="Tip section", description="Where the section at the tip comes from")
    inner: CollectionProperty(type=StationNumbers)
    inner_chosen: IntProperty(options={"HIDDEN"})
    rounded_tips: BoolProperty(name="Rounded tips", description="Half-round in place of flat", update=_edited)
    least_edge_mm: _number(
        "Least trailing edge", "mm", "Thinner trailing edges are thickened to this, so that they can be made", min=0.0
    )
    skin_mm: _number("Skin", "mm", "Wall thickness of a hollow element for print or lay-up; 0 is solid", min=0.0)
    quads_along_section: IntProperty(
        name="Quads along the section", description="From nose to trailing edge", min=4, max=400, default=48,
        update=_edited,
    )  # fmt: skip
    quads_along_span: IntProperty(
        name="Quads along the span", description="From tip to tip", min=2, max=800, default=32, update=_edited
    )
    # Files of the first form (0.1.0) kept the weights as 32-bit numbers, six of each; read where ``section`` is empty.
    thickness_weights: FloatVectorProperty(size=6, options={"HIDDEN"})
    mean_weights: FloatVectorProperty(size=6, options={"HIDDEN"})
    trailing_edge: FloatProperty(options={"HIDDEN"})
    tip_thickness_weights: FloatVectorProperty(size=6, options={"HIDDEN"})
    tip_mean_weights: FloatVectorProperty(size=6, options={"HIDDEN"})
    tip_trailing_edge: FloatProperty(options={"HIDDEN"})
    has_plate: BoolProperty(name="End plates", update=_edited)
    plate_above_mm: _number("Above", "mm", "Above the tip's chord line", min=0.0)
    plate_below_mm: _number("Below", "mm", "Below the tip's chord line", min=0.0)
    plate_ahead_mm: _number("Ahead", "mm", "Ahead of the leading edge")
    plate_behind_mm: _number("Behind", "mm", "Behind the trailing edge")
    plate_thickness_mm: _number("Sheet", "mm", "Sheet thickness", min=0.2, default=3.0)
    plate_outline: StringProperty(options={"HIDDEN"}, description="Its form, as JSON; empty for a rounded rectangle")
    measured: StringProperty(description="The sections this element was rebuilt from, as JSON")
    findings: StringProperty(description="What was found out about this element, one line each")
    covered: StringProperty(description="What of the span was measured, from -1 (right tip) to 1 (left), as JSON")
    deviation: StringProperty(description="How far the scan lies from this element, as JSON")
    rides: BoolProperty(name="Rides on the lid", description="Turns with the boot lid; otherwise it stays on the body")
    mounts_mm: FloatProperty(
        name="Mounts at (mm)", description="Where it is held: so far from mid-span on both sides", min=0.0,
        default=300.0, precision=1,
    )  # fmt: skip
    modulus_gpa: FloatProperty(
        name="Young's modulus (GPa)", min=0.1, default=8.0, precision=1,
        description="Of the skin or the solid: glass fibre mat in polyester about 8, aluminium 70 (from memory)",
    )  # fmt: skip
    wall_mm: FloatProperty(
        name="Wall (mm)", description="For the bending; 0 takes the element's own skin, and that 0 is solid",
        min=0.0, default=2.0, precision=2,
    )  # fmt: skip
    unit: StringProperty(description="The unit a scan was taken in")
    original: PointerProperty(type=bpy.types.Object, description="The scan as it was imported")


class Pick(bpy.types.PropertyGroup):
    """A point picked on the scan."""

    point: FloatVectorProperty(name="Point (m)", precision=4)


class PairPick(bpy.types.PropertyGroup):
    """One place seen on a torn part and on the body."""

    on_part: FloatVectorProperty(name="On part (m)", precision=4)
    on_body: FloatVectorProperty(name="On body (m)", precision=4)
    mirrored: BoolProperty(
        name="Other side", description="The place on the body is the mirror image of the picked point"
    )


LAMP_KINDS = [(kind, kind.capitalize(), "") for kind in KINDS]


class ZoneItem(bpy.types.PropertyGroup):
    """A named zone of the body."""

    required_mm: FloatProperty(name="Keep clear (mm)", min=0.0, precision=1)
    reason: StringProperty()
    lamps: EnumProperty(
        name="Lamps", description="Which lamps (or the plate) are in this zone", items=LAMP_KINDS,
        options={"ENUM_FLAG"},
    )  # fmt: skip


class VariantItem(bpy.types.PropertyGroup):
    """A variant; its elements lie in the collection."""

    elements: PointerProperty(type=bpy.types.Collection)
    picture: StringProperty(subtype="FILE_PATH")
    picture_mark: StringProperty(options={"HIDDEN"}, description="Which file that was, and of what")
    clearance_picture: StringProperty(subtype="FILE_PATH")
    clearance_picture_mark: StringProperty(options={"HIDDEN"}, description="Which file that was, and of what")
    pressure_picture: StringProperty(subtype="FILE_PATH")
    pressure_picture_mark: StringProperty(options={"HIDDEN"}, description="Which file that was, and of what")


class SceneSettings(bpy.types.PropertyGroup):
    """The job."""

    unit: EnumProperty(
        name="Scan unit",
        items=[("guess", "by size", "The unit that makes it the size of a car"), *UNITS],
        default="guess",
    )
    torn_part: StringProperty(
        name="Torn element", description="Name of the element that was scanned apart", default="upper"
    )
    new_element: StringProperty(name="Element", description="Name of the element to box in", default="lower")
    half: EnumProperty(
        name="Scanned side",
        items=[
            ("left", "Left", "The left half was scanned; it is mirrored"),
            ("right", "Right", "The right half was scanned; it is mirrored"),
            ("whole", "Both", "Both sides were scanned"),
        ],
        default="left",
    )
    road_from: EnumProperty(
        name="Road from",
        items=[
            ("FOUND", "Found", "The largest flat piece with the car above it"),
            ("FACES", "Faces", "The faces of the body that are selected in Edit Mode"),
            ("PICKS", "Points", "Three or more picked points"),
        ],
    )
    floor_scanned: BoolProperty(
        name="The floor was scanned", description="Take the plane from the floor near the picked one", default=True
    )
    centre_from: EnumProperty(
        name="Centre from",
        items=[
            ("PICKS", "Points", "Points picked on the car's centre line"),
            ("EDGE", "Cut edge", "The straight edge where the scan of a half car was cut"),
            ("MIRROR", "Likeness", "Where the two sides of a whole scan mirror each other best"),
        ],
    )
    body: PointerProperty(type=bpy.types.Object)
    marks_of: StringProperty(description="Of which state the collision marks on the meshes tell", options={"HIDDEN"})
    body_state: StringProperty(description="Changes whenever the body's faces or zones do", options={"HIDDEN"})
    posed: BoolProperty(description="Whether the body is in vehicle axes")
    road_picks: CollectionProperty(type=Pick)
    centre_picks: CollectionProperty(type=Pick)
    edge_picks: CollectionProperty(type=Pick)
    rear_picks: CollectionProperty(type=Pick)
    pair_picks: CollectionProperty(type=PairPick)
    zones: CollectionProperty(type=ZoneItem)
    variants: CollectionProperty(type=VariantItem)
    variant: IntProperty(name="Variant", min=0)
    speed_kmh: FloatProperty(
        name="Speed (km/h)", description="Forces are given for this speed", min=1.0, max=400.0, default=100.0
    )
    speed_mph: FloatProperty(
        name="Speed (mph)", description="Forces are given for this speed", min=0.7, max=248.0,
        get=_get_mph, set=_set_mph,
    )  # fmt: skip
    speed_unit: EnumProperty(
        name="Speed in", items=[("kmh", "km/h", "Kilometres an hour"), ("mph", "mph", "Miles an hour")]
    )
    temperature_c: FloatProperty(
        name="Air (°C)", description="Warm air is thinner, and pushes less", min=-60.0, max=60.0, default=15.0,
        precision=1,
    )  # fmt: skip
    altitude_m: FloatProperty(
        name="Altitude (m)", description="High air is thinner, and pushes less", min=-400.0, max=5000.0, precision=0
    )
    lift_case: EnumProperty(
        name="Show",
        description="Which wind pressure, curves and streamlines are shown for",
        items=[
            ("on car", "On the car", "All elements together on the car"),
            ("group", "Together", "All elements over the road, without the car"),
        ],
    )
    show_pressure: BoolProperty(description="Whether the painted pressure is shown")
    stream_y_mm: FloatProperty(name="Plane at (mm)", description="From the centre plane, positive left", precision=0)
    sweep_what: EnumProperty(
        name="What if",
        items=[
            ("gap", "raised or lowered", "The chosen element at other heights"),
            ("stagger", "moved fore or aft", "The chosen element farther forward or aft"),
            ("incidence", "turned nose up or down", "The chosen element at other incidences"),
            ("speed", "driven slower or faster", "The car at other speeds"),
        ],
    )
    sweep_element: StringProperty(name="Element", description="The one that is moved or turned", default="upper")
    sweep_reach: FloatProperty(
        name="Up to (mm, °, km/h)", description="How far either way from today", min=0.1, default=60.0, precision=1
    )
    sweep_steps: IntProperty(name="Steps each way", min=1, max=12, default=3)
    flow_form: EnumProperty(
        name="Form",
        items=[
            ("mid-span", "Mid-span", "Quick: the sections at mid-span, in two dimensions"),
            ("full", "Full", "The elements in three dimensions, with the car where it is asked for"),
        ],
    )
    flow_case: EnumProperty(
        name="Case",
        items=[
            ("group", "Together", "All elements over the road, without the car"),
            ("alone", "Alone", "One element by itself"),
            ("on car", "On the car", "All elements on the car; in the full form only"),
        ],
    )
    flow_element: StringProperty(name="Element", description="The one that is run alone", default="upper")
    flow_cells: IntProperty(
        name="Cells on the chord", min=0, max=4000,
        description="Of the finest, which lie near the wing only, along the shortest chord. Finer cells take longer "
        "and come nearer to the truth; 0 takes the usual number: {} at mid-span, {} in full, {} on the car, and in "
        "space fewer where that would be more than a card holds".format(*_USUAL_CELLS),
    )  # fmt: skip
    flow_gap_cells: IntProperty(
        name="Cells in the gap", default=0, min=0, max=400,
        description="Finer cells near the wing, at most three times, until the narrowest gap has so many; 0 leaves "
        "them as they are",
    )  # fmt: skip
    flow_minutes: FloatProperty(
        name="At most (min)", description="The run ends after so long in any case", min=0.01, max=10080.0,
        default=30.0, precision=1,
    )  # fmt: skip
    flow_interval: FloatProperty(
        name="Known to (%)", min=0.1, max=100.0, default=2.0, precision=1,
        description="The run ends once the mean forces are known so well (interval over value)",
    )  # fmt: skip
    flow_walls: EnumProperty(
        name="Walls",
        description="How the walls are treated in cells that are thicker than the layers at them; only what both say "
        "is sure",
        items=[
            ("both", "Both in turn", "One run of each kind, one after the other: two bounds of what air does"),
            ("clings", "Air clings", "The law of the wall: the air follows the walls, and leaves them too late"),
            (
                "lets go",
                "Air lets go",
                "The walls hold the air fast in whole cells: with few of them on the chord it leaves too early",
            ),
        ],
    )
    flow_half: BoolProperty(
        name="Half model", description="Run one half against a mirror: half the cells, but no flow across the middle"
    )
    flow_show: EnumProperty(
        name="Slice",
        description="What of the air at mid-span is shown in the view",
        items=[
            ("none", "Off", "No slice"),
            ("speed", "Speed", "How fast the air is"),
            ("pressure", "Pressure", "Pressure coefficient"),
        ],
        default="speed",
    )
    station_count: IntProperty(name="Stations", description="Cuts along the element's span", min=5, max=101, default=13)
    weight_count: IntProperty(
        name="Weights",
        description="Class-shape weights of thickness and mean line each; more follow finer shapes, and more noise",
        min=4, max=10, default=6,
    )  # fmt: skip
    whole_span_mm: FloatProperty(
        name="Whole span (mm)",
        description="Tip to tip, where both ends are torn off; 0 takes it from what was scanned",
        min=0.0, precision=1,
    )  # fmt: skip
    tolerance_mm: FloatProperty(
        name="Tolerance (mm)",
        default=0.5,
        min=0.01,
        description="Largest deviation of a fitted section; half a millimetre is common in body repair "
        "(common practice, no source)",
    )
    live: BoolProperty(
        name="Follow While Moving", description="Measure the chosen variant anew whenever one of its parts moves",
        update=_followed,
    )  # fmt: skip
    show_callouts: BoolProperty(
        name="Distances", description="Show the smallest distance to each zone as a dimension line", default=True
    )
    show_map: BoolProperty(name="Map", description="Colour the parts by how near the body is", update=_followed)
    map_reach_mm: FloatProperty(
        name="Map reach (mm)", description="Where the map's colours end", min=1.0, default=60.0, precision=0
    )
    allowance_mm: FloatProperty(
        name="Allowance (mm)", min=0.0, precision=1,
        description="Taken off every distance: room for what may move either part, in any direction",
    )  # fmt: skip
    bending: BoolProperty(
        name="Bent under load", description="Measure each element a second time, bent by its estimated force"
    )
    lid: StringProperty(name="Lid", description="The zone that opens", default="boot lid")
    lid_degrees: FloatProperty(
        name="Opens to (°)", description="How far the lid is to open", min=1.0, max=180.0, default=75.0, precision=1
    )
    hinge_picks: CollectionProperty(type=Pick)
    hinge_fitted: FloatVectorProperty(size=6, description="Both points as the fit to a hinge's faces gave them")
    hinge_rms_mm: FloatProperty(description="How far the faces lay off a round (rms) in that fit")
    slide_aft_mm: FloatProperty(name="Fore and aft (±mm)", min=1.0, default=60.0, precision=0)
    slide_up_mm: FloatProperty(name="Height (±mm)", min=1.0, default=60.0, precision=0)
    slide_turn_deg: FloatProperty(name="Incidence (±°)", min=0.1, default=6.0, precision=1)
    slide_steps: IntProperty(name="Steps each way", min=1, max=40, default=10)
    slide_part: StringProperty(name="Only", description="The one part to move; empty moves the whole wing")
    market: EnumProperty(
        name="Rules", items=[(m, m, "") for m in MARKETS],
        description="Whose angles are asked for; local code decides what applies to this car",
    )  # fmt: skip
    window: StringProperty(name="Window", description="The zone that is looked through", default="rear window")
    eye_picks: CollectionProperty(type=Pick)
    mirror_picks: CollectionProperty(type=Pick)
    mirror_mm: FloatVectorProperty(
        name="Glass (mm)", description="Width and height of the mirror's glass", size=2, default=(220.0, 60.0),
        min=10.0, precision=0,
    )  # fmt: skip
    intake: StringProperty(description="What was removed and found while taking in the scans, one line each")


CLASSES = (StationNumbers, ObjectNumbers, Pick, PairPick, ZoneItem, VariantItem, SceneSettings)


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
    return sorted((o for o in _objects(variant) if o.wingfettle.role == "ELEMENT"), key=lambda o: o.wingfettle.element)


def mount_objects(variant: VariantItem) -> list[bpy.types.Object]:
    """The variant's mounts, by name."""
    return sorted((o for o in _objects(variant) if o.wingfettle.role == "MOUNT"), key=lambda o: o.name)


def _objects(variant: VariantItem) -> list[bpy.types.Object]:
    """What lies in the variant's collection; nothing where that was deleted by hand."""
    return list(variant.elements.objects) if variant.elements is not None else []


def with_role(scene: bpy.types.Scene, role: str, element: str) -> bpy.types.Object | None:
    """The object that plays ``role`` for ``element``, or none."""
    return next((o for o in scene.objects if o.wingfettle.role == role and o.wingfettle.element == element), None)


def choose_only(context: bpy.types.Context, obj: bpy.types.Object) -> None:
    """Select ``obj`` alone and make it the active one."""
    for other in context.view_layer.objects:
        other.select_set(other == obj)
    context.view_layer.objects.active = obj


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
