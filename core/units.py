"""Conversions between SI (inside core) and the units people read."""

import math

UNIT_METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": 0.0254}
"""Length of one scan unit in metres, by its usual abbreviation (ISO 80000-3; inch exact since 1959)."""


def to_mm(metres: float) -> float:
    """Metres to millimetres."""
    return metres * 1000.0


def from_mm(millimetres: float) -> float:
    """Millimetres to metres."""
    return millimetres * 0.001


def to_degrees(radians: float) -> float:
    """Radians to degrees."""
    return math.degrees(radians)


def from_degrees(degrees: float) -> float:
    """Degrees to radians."""
    return math.radians(degrees)


def to_kmh(metres_per_second: float) -> float:
    """Metres per second to kilometres per hour."""
    return metres_per_second * 3.6


def from_kmh(kilometres_per_hour: float) -> float:
    """Kilometres per hour to metres per second."""
    return kilometres_per_hour / 3.6
