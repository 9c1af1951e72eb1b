"""What a wing must keep clear of: the body scan with its zones, ready to be asked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..scan.scan_mesh import ScanMesh


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
        """Index the body.

        Raises:
            InputError: no zones, a zone without faces, faces in a zone that has no name, or a requirement
                that is no length.
        """
        if not scan.zones:
            raise InputError("There are no zones yet; select faces of the body and name them.")
        present = set(np.unique(scan.zone_of_face).tolist())
        for k, zone in enumerate(scan.zones):
            if k not in present:
                raise InputError(f"Zone “{zone.name}” holds no faces of the body; mark its faces or take the zone out.")
            if not 0.0 <= zone.required_m < np.inf:
                raise InputError(f"The clearance asked for at zone “{zone.name}” must be a length of 0 mm or more.")
        if max(present) >= len(scan.zones):
            raise InputError(
                f"Faces are marked as zone number {max(present)}, but only {len(scan.zones)} zones have names."
            )
        return Surroundings(scan, TriangleIndex.build(scan.mesh, scan.zone_of_face))
