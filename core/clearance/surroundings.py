"""What a wing must keep clear of: the body scan with its zones, ready to be asked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.signed import SignedSurface
from ..scan.outward import is_inside_out
from ..scan.scan_mesh import ScanMesh, Zone


@dataclass(frozen=True)
class Surroundings:
    """The body, indexed once; parts are moved against it.

    Attributes:
        scan: the body with its zones; faces in no zone are ignored.
        index: over its triangles, labelled with each face's zone.
    """

    scan: ScanMesh
    index: TriangleIndex

    @staticmethod
    def build(scan: ScanMesh) -> Surroundings:
        """Index the body and prepare to tell its sides.

        1.0 M triangles take about 0.7 s on one core and, beyond the scan itself, 130 MB (17 MB of it for telling
        sides), 215 MB while they are built. A move takes 10 MB more, a map some 150 bytes a point and 20 MB.

        Raises:
            InputError: no zones, a zone without faces or with the name of another, marks that do not fit the faces,
                faces in a zone that has no name, a requirement that is no length, or coordinates that are not numbers.
        """
        _check_zones(scan.zones)
        marks = scan.zone_of_face
        if len(marks) != len(scan.mesh.triangles):
            raise InputError(
                f"The zones are marked on {len(marks)} face{'s' * (len(marks) != 1)} but the body has "
                f"{len(scan.mesh.triangles)}; mark it anew."
            )
        tally = np.bincount(np.maximum(marks, -1) + 1, minlength=len(scan.zones) + 1)[1:]
        for k, zone in enumerate(scan.zones):
            if tally[k] == 0:
                raise InputError(f"Zone “{zone.name}” holds no faces of the body; mark its faces or take the zone out.")
        if len(tally) > len(scan.zones):
            raise InputError(
                f"Faces are marked as zone number {len(tally) - 1}, but only {len(scan.zones)} zones have names."
            )
        around = Surroundings(scan, TriangleIndex.build(scan.mesh, marks))
        _ = around.surface, around.inside_out
        return around

    def asking(self, zones: tuple[Zone, ...]) -> Surroundings:
        """The same body with the same faces in each zone, but other names or clearances; nothing is built anew.

        Raises:
            InputError: another number of zones, two of one name, or a requirement that is no length.
        """
        count = len(self.scan.zones)
        if len(zones) != count:
            raise InputError(
                f"The body is marked with {count} zone{'s' * (count != 1)}, but {len(zones)} are given; mark it anew."
            )
        _check_zones(zones)
        other = Surroundings(replace(self.scan, zones=zones), self.index)
        other.__dict__.update({name: made for name, made in self.__dict__.items() if name != "scan"})
        return other

    @cached_property
    def surface(self) -> SignedSurface:
        """The zones' faces, to be asked on which side of them points lie; it shares the index."""
        return SignedSurface.over(self.scan.mesh, self.index, self.scan.zone_of_face)

    @cached_property
    def inside_out(self) -> bool:
        """Whether the body as a whole is inside out: then all sides that its surface tells are the other ones."""
        return is_inside_out(self.scan.mesh, self.index)

    def behind(self, point: NDArray[np.float64], distance_m: float) -> bool:
        """Whether a point lies behind the body's surface.

        It does when it lies behind the nearest zone and no face that is in no zone, yet nearer, has it before it.

        Args:
            point: (3,) m.
            distance_m: from the nearest zone.

        Returns:
            False beside a border.
        """
        reach, sign = distance_m * (1.0 + 1e-6) + 1e-9, -1.0 if self.inside_out else 1.0
        sides = (self.surface, self._everything) if (self.scan.zone_of_face < 0).any() else (self.surface,)
        return all(sign * side.distance(point[None], reach).distance_m[0] < 0.0 for side in sides)

    @cached_property
    def _everything(self) -> SignedSurface:
        """As ``surface``, with the faces that are in no zone; 1.0 M triangles take 0.2 s and 17 MB once it is asked."""
        return SignedSurface.over(self.scan.mesh, self.index)


def _check_zones(zones: tuple[Zone, ...]) -> None:
    if not zones:
        raise InputError("There are no zones yet; select faces of the body and name them.")
    names = [zone.name for zone in zones]
    for k, zone in enumerate(zones):
        if zone.name in names[:k]:
            raise InputError(f"Two zones are called “{zone.name}”; give each its own name.")
        if not 0.0 <= zone.required_m < np.inf:
            raise InputError(f"The clearance asked for at zone “{zone.name}” must be a length of 0 mm or more.")
