"""The comparison of all variants as a table for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from ..units import to_kmh
from .results import VariantResult, common_speed, results_table, variant_notes

_HEADS = (
    "element", "direction", "chord mm", "incidence deg", "alone N", "group N", "on car N", "nearest mm", "collides"
)  # fmt: skip
_FIGURES = range(2, 7)  # columns set to the right


def comparison_text(variants: Sequence[VariantResult]) -> str:
    """A fixed-width table: a heading a variant, a line an element, a line for the total.

    Under a heading stands what holds for the whole variant: the lid's first contact and hidden lamps, if checked.

    Forces are "value (low to high)", positive up.

    Raises:
        InputError: see ``results.common_speed``.
    """
    speed = common_speed(variants)
    head = "No force was estimated."
    if speed is not None:
        head = f"At {to_kmh(speed):g} km/h; forces positive up, downforce negative, with the range they may lie in."
    rows = results_table(variants)
    cells = [
        tuple(
            " ".join(cell.split())  # a name may hold line breaks
            for cell in (
                r.element,
                r.direction,
                r.chord_mm,
                r.incidence_deg,
                r.alone_n,
                r.group_n,
                r.on_car_n,
                r.nearest,
                r.collides,
            )  # fmt: skip
        )
        for r in rows
    ]
    widths = [max(len(line[i]) for line in [_HEADS, *cells]) for i in range(len(_HEADS))]
    lines = [
        head,
        _line(_HEADS, widths),
        "-" * (sum(widths) + 2 * len(widths)),
    ]
    last, notes = None, {v.name: variant_notes(v) for v in variants}
    for row, line in zip(rows, cells, strict=True):
        if row.variant != last:
            lines.append(" ".join(row.variant.split()))
            lines += ["    " + " ".join(note.split()) for note in notes[row.variant]]
            last = row.variant
        lines.append(_line(line, widths))
    return "\n".join(lines) + "\n"


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    set_out = (c.rjust(w) if i in _FIGURES else c.ljust(w) for i, (c, w) in enumerate(zip(cells, widths, strict=True)))
    return ("  " + "  ".join(set_out)).rstrip()
