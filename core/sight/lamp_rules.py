"""The fields from which lamps must be seen, by market and kind, as a table."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import InputError
from ..units import from_degrees


@dataclass(frozen=True)
class LampRule:
    """The field from which a kind of lamp must be seen.

    Attributes:
        market: "UN R48" or "FMVSS 108".
        kind: such as "rear position"; see ``KINDS``.
        paragraph: where it stands, with "(from memory)" where it was not read.
        inward_rad, outward_rad: toward and away from the car's median plane.
        up_rad, down_rad: vertical angles.
        low_down_rad: the vertical angle below for a lamp mounted below ``low_m``.
        low_m: m above the road; 0 when there is no such rule.
        least_area_m2: lens area that must be seen from each direction, where the rule asks for one; else 0.
        note: what else the rule asks for that this check does not look at.
    """

    market: str
    kind: str
    paragraph: str
    inward_rad: float
    outward_rad: float
    up_rad: float
    down_rad: float
    low_down_rad: float
    low_m: float
    least_area_m2: float
    note: str


KINDS = ("rear position", "stop", "direction indicator", "high-level stop", "rear fog", "reversing", "plate")
MARKETS = ("UN R48", "FMVSS 108")

_ALONE = "Lamps of which two stand on each side may share the angles."
_LENS = "Where light is measured instead of lens area, other angles hold."

# market, kind, paragraph, degrees: (inward, outward), (up, down), (down when low, m), least area in m2, note.
# 6.10.5 was read in a collection of clauses. National texts that carry the same angles were read for the stop lamps
# (45; 15 up and down) and the rear fog lamps (25; 5 up and down); the numbers of those paragraphs are from memory.
_TABLE: tuple[
    tuple[str, str, str, tuple[float, float], tuple[float, float], tuple[float, float], float, str], ...
] = (
    ("UN R48", "rear position", "6.10.5",
        (45, 80), (15, 15), (5, 0.75), 0.0,
        f"{_ALONE} Optional ones 2.1 m or more above the road need 5° up."),
    ("UN R48", "stop", "6.7.5, categories S1 and S2 (from memory)",
        (45, 45), (15, 15), (5, 0.75), 0.0,
        "Later series of amendments let the inward angle of low ones fall to 20°."),
    ("UN R48", "direction indicator", "6.5.5, categories 2a and 2b (from memory)",
        (45, 80), (15, 15), (5, 0.75), 0.0,
        "Side repeaters have a field of their own."),
    ("UN R48", "high-level stop", "6.7.5, categories S3 and S4 (from memory)",
        (10, 10), (10, 5), (5, 0.0), 0.0,
        "Where it may sit is ruled as well."),
    ("UN R48", "rear fog", "6.11.5 (from memory)",
        (25, 25), (5, 5), (5, 0.0), 0.0,
        "It must stand more than 100 mm from any stop lamp."),
    ("UN R48", "reversing", "6.4.5 (from memory)",
        (30, 45), (15, 5), (5, 0.0), 0.0,
        "These are the angles for a pair; a single reversing lamp needs 45° to both sides."),
    ("UN R48", "plate", "EU 1003/2010 (from memory); UN R48, 6.8, asks no angles for the lamp that lights the plate",
        (30, 30), (15, 15), (0, 1.2), 0.0,
        "The 1.2 m are to the plate's upper edge. Whether its lamp lights all of it is not looked at."),
    ("FMVSS 108", "rear position", "49 CFR 571.108, tail lamps by lens area (from memory)",
        (45, 80), (15, 15), (5, 0.75), 12.5e-4, _LENS),
    ("FMVSS 108", "stop", "49 CFR 571.108, stop lamps by lens area (from memory)",
        (45, 45), (15, 15), (5, 0.75), 12.5e-4, _LENS),
    ("FMVSS 108", "direction indicator", "49 CFR 571.108, rear turn signals by lens area (from memory)",
        (45, 80), (15, 15), (5, 0.75), 12.5e-4, _LENS),
    ("FMVSS 108", "high-level stop", "49 CFR 571.108, high-mounted stop lamps (from memory)",
        (45, 45), (10, 5), (5, 0.0), 0.0,
        "Asked for are 45° to both sides, and light from 10° up to 5° down within 10° to both sides; the field here "
        "holds both. Where a wing hides it, a second lamp that complies can stand in for it."),
)  # fmt: skip

RULES = tuple(
    LampRule(
        market, kind, paragraph, from_degrees(inward), from_degrees(outward), from_degrees(up), from_degrees(down),
        from_degrees(low_down), low_m, area, note,
    )
    for market, kind, paragraph, (inward, outward), (up, down), (low_down, low_m), area, note in _TABLE
)  # fmt: skip


def rule_for(market: str, kind: str) -> LampRule:
    """The rule of a market for a kind of lamp.

    Raises:
        InputError: no such market or kind, or a kind that the market sets no angles for.
    """
    if market not in MARKETS:
        raise InputError(f"No angles are known for the market “{market}”; choose one of {', '.join(MARKETS)}.")
    if kind not in KINDS:
        raise InputError(f"“{kind}” is no kind of lamp with angles of its own; choose one of {', '.join(KINDS)}.")
    for rule in RULES:
        if (rule.market, rule.kind) == (market, kind):
            return rule
    raise InputError(
        f"No angles of {market} are known here for the kind “{kind}”; leave it out, or check it by the rules of "
        f"{' or '.join(r.market for r in RULES if r.kind == kind)}."
    )
