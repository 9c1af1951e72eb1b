"""What is taken off every distance: room for what may move, in any direction."""

from __future__ import annotations

import math

from ..errors import InputError
from ..units import to_mm


def check_allowance(allowance_m: float) -> None:
    """Refuse an allowance that is no length.

    Raises:
        InputError: below 0, or no number.
    """
    if not 0.0 <= allowance_m < math.inf:
        raise InputError("The allowance must be a length of 0 mm or more.")


def allowance_words(allowance_m: float) -> str:
    """A sentence for answers that follow parts about as rigid bodies: what their distances leave out."""
    if allowance_m == 0.0:
        return "No allowance is taken off, and bending under load is not counted."
    return (
        f"An allowance of {to_mm(allowance_m):.1f} mm is taken off every distance; bending under load is not counted."
    )
