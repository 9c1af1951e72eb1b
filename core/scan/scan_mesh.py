"""The body scan with its named zones, as it passes to the later rooms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh


@dataclass(frozen=True)
class Zone:
    """A named part of the body that a wing must keep clear of.

    Attributes:
        name: as shown to people.
        required_m: the clearance asked for.
        reason: why that much.
    """

    name: str
    required_m: float
    reason: str


@dataclass(frozen=True)
class ScanMesh:
    """A scan in vehicle axes.

    Attributes:
        mesh: its triangles, m.
        zones: the named zones.
        zone_of_face: (m,) int32, index into ``zones``; -1 for faces in none.
    """

    mesh: TriMesh
    zones: tuple[Zone, ...]
    zone_of_face: NDArray[np.int32]


ZONE_DEFAULTS = {
    # Required clearances are common practice, no source: starting values that the user sets.
    "boot lid": (0.015, "lid seal movement and wing deflection under load"),
    "tail lamp left": (0.020, "lamp service access and sight lines"),
    "tail lamp right": (0.020, "lamp service access and sight lines"),
    "high stop lamp": (0.020, "lamp service access and sight lines"),
    "rear window": (0.025, "glass: no contact under flutter, room to clean"),
    "number plate": (0.010, "plate legible and removable"),
    "bumper": (0.015, "bumper travel and fit-up"),
}


def zone_named(name: str) -> Zone:
    """A zone with the customary clearance for its name; 15 mm for names of the user's own."""
    required, reason = ZONE_DEFAULTS.get(name, (0.015, "paint and fit-up"))
    return Zone(name, required, reason)
