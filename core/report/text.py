"""The comparison of all variants as a table for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from ..flow.result import CASES
from ..units import to_kmh
from .results import ResultRow, VariantResult, cases_run, common_speed, results_table, variant_notes

_BEFORE = "element", "direction", "chord mm", "incidence deg"
_BELIEVE = "which to believe"
_AFTER = "nearest mm", "collides"
_WORDS = {"element", "direction", _BELIEVE, *_AFTER}  # columns set to the left


def comparison_text(variants: Sequence[VariantResult]) -> str:
    """A fixed-width table: a heading a variant, a line an element, a line for the total.

    Under a heading stands what holds for the whole variant: the lid's first contact and hidden lamps, if checked. Where
    there are flow runs, a column a case has their force, and one more says which to believe.

    Forces are "value (low to high)", positive up.

    Raises:
        InputError: see ``results.common_speed``.
    """
    speed = common_speed(variants)
    head = "No force was estimated."
    if speed is not None:
        head = f"At {to_kmh(speed):g} km/h; forces positive up, downforce negative, with the range they may lie in."
    rows, cases = results_table(variants), cases_run(variants)
    heads = [*_BEFORE]
    for case in CASES:
        heads += [f"{case} N", *([f"flow run {case} N"] if case in cases else [])]
    heads += [*([_BELIEVE] if cases else []), *_AFTER]
    figures = {k for k, name in enumerate(heads) if name not in _WORDS}
    cells = [tuple(" ".join(cell.split()) for cell in _cells(row, cases)) for row in rows]  # a name may hold breaks
    widths = [max(len(line[i]) for line in [heads, *cells]) for i in range(len(heads))]
    lines = [
        head,
        _line(heads, widths, figures),
        "-" * (sum(widths) + 2 * len(widths)),
    ]
    last, notes = None, {v.name: variant_notes(v) for v in variants}
    for row, line in zip(rows, cells, strict=True):
        if row.variant != last:
            lines.append(" ".join(row.variant.split()))
            lines += ["    " + " ".join(note.split()) for note in notes[row.variant]]
            last = row.variant
        lines.append(_line(line, widths, figures))
    return "\n".join(lines) + "\n"


def _cells(row: ResultRow, cases: Sequence[str]) -> tuple[str, ...]:
    forces = []
    for k, (case, estimate) in enumerate(zip(CASES, (row.alone_n, row.group_n, row.on_car_n), strict=True)):
        forces.append(estimate)
        if case in cases:
            # At mid-span newtons are of another scale, see ``second_opinion``.
            form = "mid-span" if row.run_forms[k] == "mid-span" else ""
            forces.append(" ".join(filter(None, (row.runs_n[k], ", ".join(filter(None, (form, row.run_walls[k])))))))
    if cases:
        forces.append(", ".join(f"{case}: {row.believe[k]}" for k, case in enumerate(CASES) if row.believe[k]))
    return (row.element, row.direction, row.chord_mm, row.incidence_deg, *forces, row.nearest, row.collides)


def _line(cells: Sequence[str], widths: Sequence[int], figures: set[int]) -> str:
    set_out = (c.rjust(w) if i in figures else c.ljust(w) for i, (c, w) in enumerate(zip(cells, widths, strict=True)))
    return ("  " + "  ".join(set_out)).rstrip()
