"""Wings that several tests loft, and what an independent mesh library says of their shells."""

import math
from dataclasses import replace

import numpy as np
import trimesh

from wingfettle.core.elements.element import Element, EndPlate
from wingfettle.core.elements.quads import FacePart, QuadMesh
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.sections.shape import SectionShape, cosine_spaced, shape_from_ordinates

# Thickness polynomial and area factors of the four-digit sections: NACA Report 460 (polynomial as
# copied in an encyclopedia, area integrated in closed form): 0.685083 t c2 with the open trailing
# edge, 0.680883 t c2 with the last coefficient -0.1036 that closes it.
OPEN, CLOSED = -0.1015, -0.1036
AREA = {OPEN: 0.685083, CLOSED: 0.680883}


def naca(thickness: float, camber: float = 0.0, last: float = OPEN) -> SectionShape:
    """A fitted four-digit section; camber is laid off square to the chord, parabolic, at mid-chord."""
    x = cosine_spaced(201)
    half = 5.0 * thickness * (0.2969 * np.sqrt(x) - 0.1260 * x - 0.3516 * x**2 + 0.2843 * x**3 + last * x**4)
    mean = 4.0 * camber * x * (1.0 - x)
    return shape_from_ordinates(np.column_stack([x, mean + half]), np.column_stack([x, mean - half]))


def wing(**change: object) -> Element:
    base = Element(
        name="upper", leading_edge=np.array([-3.9, 0.0, 1.2]), span_m=1.3, chord_m=0.24, taper=1.0, sweep_rad=0.0,
        dihedral_rad=0.0, incidence_rad=math.radians(-7.0), twist_rad=0.0, shape=naca(0.12, -0.04),
        tip_shape=naca(0.12, -0.04),
    )  # fmt: skip
    return replace(base, **change)  # type: ignore[arg-type]


PLATE = EndPlate(above_m=0.05, below_m=0.12, ahead_m=0.02, behind_m=0.03, thickness_m=0.004)
SHAPED = wing(
    taper=0.6, sweep_rad=0.3, dihedral_rad=0.1, twist_rad=math.radians(4.0), tip_shape=naca(0.09, 0.02), end_plate=PLATE
)


def checked(mesh: TriMesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.points, mesh.triangles, process=False)


def shells(mesh: QuadMesh) -> list[trimesh.Trimesh]:
    return list(checked(mesh.triangles()).split(only_watertight=False))


def crosses_itself(mesh: trimesh.Trimesh) -> bool:
    """Whether an edge pierces a face it shares no corner with, by ray casts against the whole shell."""
    edges = mesh.edges_unique
    start, end = mesh.vertices[edges[:, 0]], mesh.vertices[edges[:, 1]]
    along = end - start
    length = np.linalg.norm(along, axis=1)
    along /= length[:, None]
    place, ray, face = mesh.ray.intersects_location(start, along, multiple_hits=True)
    reach = np.linalg.norm(place - start[ray], axis=1)
    shared = (mesh.faces[face][:, :, None] == edges[ray][:, None, :]).any(axis=(1, 2))
    return bool((~shared & (reach < length[ray] * (1.0 - 1e-9)) & (reach > 1e-12)).any())


def assert_solid(shell: trimesh.Trimesh, inside_out: bool = False) -> None:
    """trimesh decides closedness, winding and the sign of the volume."""
    assert shell.is_watertight
    assert shell.is_winding_consistent
    assert shell.volume < 0.0 if inside_out else shell.volume > 0.0
    assert not crosses_itself(shell)


def triangles_of(mesh: QuadMesh, *parts: FacePart) -> TriMesh:
    chosen, q = np.isin(mesh.face_part, parts), len(mesh.quads)
    return mesh.triangles().subset(np.concatenate([np.repeat(chosen[:q], 2), chosen[q:]]))
