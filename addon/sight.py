"""Panel: whether lamps are seen past the wing, and what the driver sees in the mirror."""

from __future__ import annotations

import bpy
from bpy.props import EnumProperty, StringProperty

from ..core.errors import InputError
from ..core.sight.lamps import lamp_sight, rule_for
from ..core.sight.mirror import FIELDS, InteriorMirror, mirror_view
from ..core.units import from_mm
from . import answers, bridge, settings
from .operator import JobOperator, JobPanel, LongOperator, Steps, aside, say
from .variants import MIRROR_PICTURE, active

MARKS = {"clear": "CHECKMARK", "partly hidden": "ERROR", "hidden": "CANCEL"}


class WINGFETTLE_OT_set_lamps(JobOperator, bpy.types.Operator):
    """Say whether the zone holds this lamp"""

    bl_idname = "wingfettle.set_lamps"
    bl_label = "Lamp in Zone"
    zone: StringProperty(name="Zone")
    lamp: EnumProperty(name="Lamp", items=settings.LAMP_KINDS)

    def work(self, context: bpy.types.Context) -> str:
        zone = context.scene.wingfettle.zones.get(self.zone)
        if zone is None:
            raise InputError(f"There is no zone “{self.zone}”.")
        zone.lamps = set(zone.lamps) ^ {self.lamp}
        return f"“{self.zone}” holds: {', '.join(sorted(zone.lamps)) or 'no lamp'}."


class WINGFETTLE_OT_check_lamps(LongOperator, bpy.types.Operator):
    """From which of the angles asked for each lamp is seen past the chosen variant"""

    bl_idname = "wingfettle.check_lamps"
    bl_label = "Check Lamps"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        ticket = answers.ticket(scene, variant, "lamps")
        lamps = [(zone.name, kind) for zone in job.zones for kind in sorted(zone.lamps)]
        if not lamps:
            raise InputError("No zone holds a lamp; tick in the panel which lamps each zone holds.")
        _, parts, poses = zip(*answers.parts(variant), strict=True)
        found, left_out = [], []
        for number, (zone, kind) in enumerate(lamps):
            yield number / len(lamps), f"{zone}, {kind}"
            try:
                rule = rule_for(job.market, kind)
            except InputError as problem:
                left_out.append(str(problem))
                continue
            faces = answers.zone_faces(scene, zone)
            low, high = number / len(lamps), (number + 1) / len(lamps)
            found.append((yield from aside(lamp_sight, zone, faces, rule, parts, poses, low=low, high=high)))
        if not found:
            raise InputError(" ".join(left_out))
        answers.keep(ticket, (tuple(found), tuple(left_out)))
        hidden = [f"{s.zone} ({s.rule.kind})" for s in found if s.verdict != "clear"]
        words = f"Hidden at least in part: {', '.join(hidden)}." if hidden else "No lamp is hidden."
        return " ".join([words, *left_out])


class WINGFETTLE_OT_look_back(LongOperator, bpy.types.Operator):
    """What the driver sees through the interior mirror, and what the chosen variant hides of the road asked for"""

    bl_idname = "wingfettle.look_back"
    bl_label = "Look Through Mirror"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        ticket = answers.ticket(scene, variant, "mirror")
        eyes, glass = bridge.pick(job.eye_picks), bridge.pick(job.mirror_picks)
        if eyes is None or glass is None:
            raise InputError("Say where the driver's eyes and the mirror's glass are first: pick both, or type them.")
        width, height = (from_mm(v) for v in job.mirror_mm)
        mirror = InteriorMirror(eyes, glass, width, height)
        yield 0.02, "Looking back"
        index = answers.body_index(scene)
        number = job.zones.find(job.window)
        window = bridge.zones_of(job.body) == number if number >= 0 else None
        _, parts, poses = zip(*answers.parts(variant), strict=True)
        rule = next(f for f in FIELDS if job.market.split()[0] in f.market)
        found = yield from aside(mirror_view, mirror, index, window, parts, poses, rule, low=0.1, high=1.0)
        answers.keep(ticket, found)
        bridge.show_picture(MIRROR_PICTURE, found.picture)
        return found.sentence


class WINGFETTLE_PT_lamps(JobPanel, bpy.types.Panel):
    bl_label = "Lamps"
    bl_idname = "WINGFETTLE_PT_lamps"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        scene, job = context.scene, context.scene.wingfettle
        col = self.layout.column()
        col.prop(job, "market")
        for zone in job.zones:
            row = col.row(align=True)
            row.label(text=zone.name)
            row.operator_menu_enum(
                "wingfettle.set_lamps", "lamp", text=", ".join(sorted(zone.lamps)) or "no lamp"
            ).zone = zone.name
        col.operator("wingfettle.check_lamps")
        found, problem = answers.shown(scene, settings.active_variant(scene), "lamps")
        say(col, problem, "ERROR")
        seen, left_out = found or ((), ())
        for one in seen:
            if one.verdict == "clear":
                col.label(text=f"{one.zone}, {one.rule.kind}: all seen", icon=MARKS[one.verdict])
            else:
                say(col, one.sentence, MARKS[one.verdict])
        for words in left_out:
            say(col, words, "INFO")
        if seen:
            say(col, "Shapes alone are looked at, not the light given out; local code decides.")


class WINGFETTLE_PT_mirror(JobPanel, bpy.types.Panel):
    bl_label = "Mirror"
    bl_idname = "WINGFETTLE_PT_mirror"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        scene, job = context.scene, context.scene.wingfettle
        col = self.layout.column()
        for words, purpose, picks in (("Eyes", "EYE", job.eye_picks), ("Glass", "MIRROR", job.mirror_picks)):
            row = col.row(align=True)
            row.operator("wingfettle.pick_point", text=f"Place {words}").purpose = purpose
            row.operator("wingfettle.drop_picks", text="", icon="X").purpose = purpose
            for pick in picks:
                col.prop(pick, "point", text=f"{words} (m)")
        col.prop(job, "mirror_mm")
        col.prop_search(job, "window", job, "zones")
        col.operator("wingfettle.look_back")
        found, problem = answers.shown(scene, settings.active_variant(scene), "mirror")
        say(col, problem, "ERROR")
        if found is None:
            return
        picture = bpy.data.images.get(MIRROR_PICTURE)
        if picture is not None and picture.preview is not None:
            col.template_icon(icon_value=picture.preview.icon_id, scale=9.0)
        say(col, found.sentence)


CLASSES = (
    WINGFETTLE_OT_set_lamps,
    WINGFETTLE_OT_check_lamps,
    WINGFETTLE_OT_look_back,
    WINGFETTLE_PT_lamps,
    WINGFETTLE_PT_mirror,
)
