"""The scanned body as panels that give off air, on a coarse copy of its shell.

Each panel carries an even source, so strong that no air crosses the panel from outside. The shell
may be open (holes, a missing nose): only its outside counts. Behind a blunt end the air does not
follow the body; there the wake is taken to carry the body on straight aft at the wind's own speed:
through faces which fall away more steeply than ``ATTACHED_SLOPE`` the wind passes as if they were
not there, and nothing else does.

Source of the method: Hess & Smith, "Calculation of Potential Flow about Arbitrary Bodies",
Progress in Aeronautical Sciences 8, 1967.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh, face_normals
from .lattice import images

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PANELS = 3000
ROAD_CLEARANCE_M = 0.1
"""Faces below this height are left out: the floor, and sills whose flow the scan does not show."""
ATTACHED_SLOPE = math.radians(30.0)
"""Steepest fall of a rear slope that the air follows (Ahmed et al., SAE 840300: the flow leaves above 30 degrees)."""
NEAR = 4.0
"""Within this many panel lengths a panel is integrated exactly, beyond it acts as one point: at most 0.8 % of its
own share off there (second moment of a triangle), less with the square of the distance."""
SYMMETRY_SHARE = 0.15
"""A body whose halves differ by less than this over a panel's length, nine tenths of it, is taken as symmetric."""
BLOCK = 65536
"""Pairs of place and panel worked on at a time, so that what is at hand stays in the processor's cache."""
PAIRS = 8192
"""Near pairs worked on at a time, for the same reason."""
PIVOT = 256
"""Rows and columns eliminated at a time."""


@dataclass(frozen=True)
class BodyPanels:
    """Triangles of even source strength.

    Attributes:
        corners: (p, 3, 3) m.
        middles, normals: (p, 3) m, unit outwards.
        areas: (p,) m2.
        base: (p,) whether the face lies in the wake.
        mirrored: whether the second half of the list is the first one, which lies on the left, mirrored about y = 0.
    """

    corners: Floats
    middles: Floats
    normals: Floats
    areas: Floats
    base: Bools
    mirrored: bool = False

    def left(self) -> BodyPanels:
        """The first half of a mirrored list."""
        half = slice(len(self.areas) // 2)
        return BodyPanels(self.corners[half], self.middles[half], self.normals[half], self.areas[half], self.base[half])


def body_panels(body: TriMesh, count: int = PANELS) -> BodyPanels:
    """A coarse copy of ``body`` with about ``count`` panels of even size.

    Points are gathered into patches about as wide as a panel and as flat as may be, each patch is replaced by the
    point nearest to all its faces' planes, and faces that join three patches stay (after Cohen-Steiner, Alliez &
    Desbrun 2004 and Garland & Heckbert 1997, from memory). A body that is alike left and right gets panels that
    are exactly so, from its fuller half. The scan's winding is not relied on: a face looks away from the line along
    the middle of the body, half as high as the body stands there; towards the ends the line stops a quarter of the
    length short, so that ends look outwards.

    Raises:
        InputError: no part of the body stands above the road.
    """
    points = np.asarray(body.points, np.float64)
    z = points[:, 2]
    above = sum(z[column] for column in body.triangles.T) > 3.0 * ROAD_CLEARANCE_M
    triangles = np.asarray(body.triangles[above], np.intp)
    if len(triangles) < 10:
        raise InputError(f"The body has no surface higher than {ROAD_CLEARANCE_M:g} m over the road to set panels on.")
    sample = triangles[:: max(1, len(triangles) // 50000)]
    area = float(face_normals(points[sample])[1].mean()) * len(triangles)
    length = math.sqrt(2.0 * area / count)
    corners = points[triangles] if len(triangles) < 16 * count else _fine(points, triangles, 0.3 * length)
    normals = _outward(corners)
    mirrored = _alike(corners, normals, length)
    if mirrored:
        corners = _fuller_half(corners)
        count //= 2
    if len(corners) > 1.5 * count:
        corners = _patched(corners, _outward(corners), count, length)
    corners = _even(corners, 2.0 * length**2)
    normals = _outward(corners)
    areas = face_normals(corners)[1]
    keep = areas > 0.02 * float(np.mean(areas))
    if mirrored:
        # A face in the plane between the halves would lie on its own mirror image.
        keep &= corners[..., 1].max(axis=1) > 0.0
    corners, normals, areas = corners[keep], normals[keep], areas[keep]
    if mirrored:
        flip = np.array([1.0, -1.0, 1.0])
        corners, normals = np.concatenate([corners, corners * flip]), np.concatenate([normals, normals * flip])
        areas = np.tile(areas, 2)
    return BodyPanels(
        corners, corners.mean(axis=1), normals, areas, normals[:, 0] < -math.sin(ATTACHED_SLOPE), mirrored
    )


def nose_is_missing(panels: BodyPanels) -> bool:
    """Whether the faces that look forward cover less than half of the body's height times width."""
    forward = float(np.sum(np.maximum(panels.normals[:, 0], 0.0) * panels.areas))
    _, width, height = np.ptp(panels.corners.reshape(-1, 3), axis=0)
    return forward < 0.5 * float(width * height)


class BodyFlow:
    """The panels' unit sources, with the equations for their strengths factored once.

    Attributes:
        panels: those with strengths of their own: the left half when ``mirrored``.
        mirrored: whether the other half mirrors it, in geometry and in flow.
    """

    def __init__(self, panels: BodyPanels, road: bool = True, mirrored: bool = False) -> None:
        """
        Args:
            road: with the mirror image under z = 0.
            mirrored: solve for the left half alone, for flows that are alike left and right; only of ``panels`` that
                are mirrored.
        """
        self.panels = panels.left() if mirrored else panels
        self.mirrored = mirrored
        self._flips = images(road, mirrored)
        self._table = _edge_table(self.panels)
        self._factors = _Factors(self.through(self.panels.middles, self.panels.normals))

    def solve(self, through: Floats) -> Floats:
        """(p, c) strengths whose flow takes ``through`` (p, c) m/s through each panel, outwards."""
        return self._factors.solve(through)

    def through(self, at: Floats, normals: Floats) -> Floats:
        """(m, p) velocity along ``normals`` (m, 3) at ``at`` (m, 3) for unit strength of each panel.

        On a panel itself it is the value outside it.
        """
        out = np.empty((len(at), len(self.panels.areas)))
        for part in _blocks(len(at), len(self.panels.areas)):
            out[part] = self._through(at[part], normals[part])
            for flip in self._flips[1:]:
                out[part] += self._through(at[part] * flip, normals[part] * flip)
        return out

    def velocity(self, at: Floats, strength: Floats) -> Floats:
        """(3, m, c) velocity at ``at`` (m, 3) of the panels with ``strength`` (p, c)."""
        out = np.empty((3, len(at), strength.shape[1]))
        for part in _blocks(len(at), len(self.panels.areas)):
            unit = self._unit(at[part])
            for flip in self._flips[1:]:
                image = self._unit(at[part] * flip)
                for i in range(3):
                    (np.add if flip[i] > 0.0 else np.subtract)(unit[i], image[i], out=unit[i])
            out[:, part] = (unit.reshape(-1, len(strength)) @ strength).reshape(3, -1, strength.shape[1])
        return out

    def _through(self, at: Floats, normals: Floats) -> Floats:
        target, source, factor = self._far(at)
        out = normals @ -self.panels.middles.T
        out += np.einsum("ij,ij->i", normals, at)[:, None]
        out *= factor
        near = _triangles(self._table, at[target], source)
        out[target, source] = np.einsum("ik,ki->k", near, normals[target])
        return out

    def _unit(self, at: Floats) -> Floats:
        target, source, factor = self._far(at)
        out = at.T[:, :, None] - self.panels.middles.T[:, None]
        out *= factor
        out[:, target, source] = _triangles(self._table, at[target], source)
        return out

    def _far(self, at: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
        """Pairs of place and panel that are near, and for the others strength over distance cubed."""
        middle = self.panels.middles
        r2 = (at[:, 0, None] - middle[:, 0]) ** 2
        for i in (1, 2):
            apart = at[:, i, None] - middle[:, i]
            apart *= apart
            r2 += apart
        target, source = np.nonzero(r2 < self._table[-1])
        r2[target, source] = 1.0
        factor = np.sqrt(r2)
        factor *= r2
        np.divide(self.panels.areas / (4.0 * np.pi), factor, out=factor)
        return target, source, factor


class _Factors:
    """A matrix split into a lower and an upper one by blocks, so that each right side costs two products.

    No rows change places: the diagonal blocks of even sources rule over the rest (half a unit against the solid
    angle that a panel sees of its neighbours). Should that fail, the inverse is kept instead.
    """

    def __init__(self, matrix: Floats) -> None:
        trial = np.cos(np.arange(len(matrix)))[:, None]
        wanted = matrix @ trial
        whole = matrix.copy()
        self._matrix = matrix
        self._starts = range(0, len(matrix), PIVOT)
        self._inverse: list[Floats] = []
        for start in self._starts:
            end = start + PIVOT
            self._inverse.append(np.asarray(np.linalg.inv(matrix[start:end, start:end]), np.float64))
            matrix[end:, start:end] = matrix[end:, start:end] @ self._inverse[-1]
            for low in range(end, len(matrix), 4 * PIVOT):
                rows = slice(low, low + 4 * PIVOT)
                matrix[rows, end:] -= matrix[rows, start:end] @ matrix[start:end, end:]
        if not np.abs(self.solve(wanted) - trial).max() < 1e-7:
            self._matrix, self._starts = np.empty((0, 0)), range(0)
            self._inverse = [np.asarray(np.linalg.inv(whole), np.float64)]

    def solve(self, right: Floats) -> Floats:
        if not self._starts:
            return np.asarray(self._inverse[0] @ right)
        out = right.copy()
        for start in self._starts:
            end = start + PIVOT
            out[end:] -= self._matrix[end:, start:end] @ out[start:end]
        for start, inverse in zip(reversed(self._starts), reversed(self._inverse), strict=True):
            end = start + PIVOT
            out[start:end] = inverse @ (out[start:end] - self._matrix[start:end, end:] @ out[end:])
        return out


def _blocks(count: int, width: int) -> Iterator[slice]:
    step = max(8, BLOCK // width)
    return (slice(start, start + step) for start in range(0, count, step))


# --- the velocity of one panel --------------------------------------------------------------------------------


def _edge_table(panels: BodyPanels) -> Floats:
    """(29, p): corners, outward unit vectors across each edge in the plane, edge lengths, normal, twice the area,
    offset of the plane, and the square of how far away the panel is still near."""
    corners, normals = panels.corners, panels.normals
    edges = np.roll(corners, -1, axis=1) - corners
    length = np.linalg.norm(edges, axis=2)
    across = np.cross(edges, normals[:, None]) / np.maximum(length, 1e-300)[..., None]
    inward = np.einsum("kij,kij->ki", across, corners.mean(axis=1)[:, None] - corners) > 0.0
    across = np.where(inward[..., None], -across, across)
    offset = np.einsum("ki,ki->k", corners[:, 0], normals)
    return np.vstack(
        [
            corners.reshape(-1, 9).T,
            across.reshape(-1, 9).T,
            length.T,
            normals.T,
            2.0 * panels.areas,
            offset,
            (NEAR * length.max(axis=1)) ** 2,
        ]
    )


def _triangles(table: Floats, at: Floats, source: NDArray[np.intp]) -> Floats:
    """(3, k) velocity at ``at`` (k, 3) of panel ``source`` (k,) of even unit strength each.

    The angle that a panel fills is van Oosterom and Strackee's (1983).
    """
    out = np.empty((3, len(at)))
    for start in range(0, len(at), PAIRS):
        part = slice(start, start + PAIRS)
        out[:, part] = _triangle(table[:, source[part]], at[part].T)
    return out


def _triangle(panel: Floats, at: Floats) -> Floats:
    rays = panel[:9].reshape(3, 3, -1) - at
    r = np.sqrt(rays[:, 0] ** 2 + rays[:, 1] ** 2 + rays[:, 2] ** 2)
    across, length, normal = panel[9:18].reshape(3, 3, -1), panel[18:21], panel[21:24]
    height = normal[0] * at[0] + normal[1] * at[1] + normal[2] * at[2] - panel[25]
    below = r[0] * r[1] * r[2]
    out = np.zeros((3, at.shape[1]))
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        both = r[i] + r[j]
        out += np.log((both + length[i]) / np.maximum(both - length[i], 1e-12 * length[i])) * across[i]
        below += (rays[i, 0] * rays[j, 0] + rays[i, 1] * rays[j, 1] + rays[i, 2] * rays[j, 2]) * r[k]
    angle = 2.0 * np.arctan2(np.abs(height) * panel[24], below)
    out += np.where(height >= -1e-9 * length[0], angle, -angle) * normal
    out /= 4.0 * np.pi
    return out


# --- a coarse copy of the shell -------------------------------------------------------------------------------


def _fine(points: Floats, triangles: NDArray[np.intp], cell: float) -> Floats:
    """Faces with points gathered in cubes of ``cell`` and replaced by their mean, to make large scans small."""
    used = np.zeros(len(points), bool)
    used[triangles] = True
    cube = np.zeros(len(points), np.intp)
    _, cube[used], number = np.unique(_cubes(points[used], cell), return_inverse=True, return_counts=True)
    means = np.stack([np.bincount(cube[used], points[used, i]) for i in range(3)], axis=1) / number[:, None]
    return means[_whole(cube[triangles])]


def _cubes(points: Floats, cell: float) -> NDArray[np.int64]:
    """(n,) number of the cube that each point (n, 3) lies in."""
    place = np.floor((points - points.min(axis=0)) / cell).astype(np.int64)
    size = place.max(axis=0) + 1
    return np.asarray((place[:, 0] * size[1] + place[:, 1]) * size[2] + place[:, 2])


def _whole(faces: NDArray[np.intp]) -> NDArray[np.intp]:
    """Each face with three different corners once, whichever way round."""
    a, b, c = faces.T
    faces = np.sort(faces[(a != b) & (b != c) & (c != a)], axis=1)
    count = int(faces.max(initial=0)) + 1
    _, first = np.unique((faces[:, 0] * count + faces[:, 1]) * count + faces[:, 2], return_index=True)
    return faces[first]


def _outward(corners: Floats) -> Floats:
    normals, middles = face_normals(corners)[0], corners.mean(axis=1)
    inward = np.einsum("ij,ij->i", normals, middles - _inner_line(corners)) < 0.0
    return np.where(inward[:, None], -normals, normals)


def _inner_line(corners: Floats) -> Floats:
    middles = corners.mean(axis=1)
    x = middles[:, 0]
    low, high = float(x.min()), float(x.max())
    slot = np.minimum((20.0 * (x - low) / max(high - low, 1e-9)).astype(int), 19)
    top = np.zeros(20)
    np.maximum.at(top, slot, middles[:, 2])
    bottom = np.full(20, np.inf)
    np.minimum.at(bottom, slot, middles[:, 2])
    quarter = 0.25 * (high - low)
    inner = np.clip(x, low + quarter, high - quarter)
    slot = np.minimum((20.0 * (inner - low) / max(high - low, 1e-9)).astype(int), 19)
    filled = np.isfinite(bottom)
    centres = low + (np.arange(20) + 0.5) * (high - low) / 20.0
    height = np.interp(centres, centres[filled], 0.5 * (top + bottom)[filled])
    y = corners[..., 1]
    # A left half, which ends at y = 0, has its middle there.
    across = 0.0 if y.min() == 0.0 else 0.5 * (float(middles[:, 1].min()) + float(middles[:, 1].max()))
    return np.column_stack([inner, np.full(len(x), across), height[slot]])


def _alike(corners: Floats, normals: Floats, length: float) -> bool:
    """Whether the mirrored faces lie on the faces: nine tenths within ``SYMMETRY_SHARE`` of a panel's length."""
    middles = corners.mean(axis=1)
    sample = slice(None, None, max(1, len(middles) // 1500))
    mirrored = middles[sample] * [1.0, -1.0, 1.0]
    apart, size2 = [], np.einsum("ij,ij->i", middles, middles)
    for part in _blocks(len(mirrored), len(middles)):
        nearest = np.argmin(size2 - 2.0 * mirrored[part] @ middles.T, axis=1)
        apart.append(np.abs(np.einsum("ij,ij->i", mirrored[part] - middles[nearest], normals[nearest])))
    return bool(np.quantile(np.concatenate(apart), 0.9) < SYMMETRY_SHARE * length)


def _fuller_half(corners: Floats) -> Floats:
    """The half with the larger area, on the left, cut off at y = 0."""
    y = corners[..., 1]
    areas = face_normals(corners)[1]
    if areas[y.mean(axis=1) > 0.0].sum() < areas[y.mean(axis=1) < 0.0].sum():
        corners = corners * [1.0, -1.0, 1.0]
        y = corners[..., 1]
    inside = y > 0.0
    number = inside.sum(axis=1)
    # Turned so that the corner which stands alone on its side of the plane comes first.
    alone = np.where(number == 1, inside.argmax(axis=1), (~inside).argmax(axis=1))
    turned = np.take_along_axis(corners, ((alone[:, None] + np.arange(3)) % 3)[..., None], axis=1)
    first, others = turned[:, :1], turned[:, 1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = first[..., 1:2] / (first[..., 1:2] - others[..., 1:2])
        cut = first + share * (others - first)
    cut[..., 1] = 0.0
    one, two = number == 1, number == 2
    tip = np.concatenate([first, cut], axis=1)[one]
    lower = np.concatenate([cut[:, :1], others], axis=1)[two]
    upper = np.concatenate([cut, others[:, 1:]], axis=1)[two]
    return np.concatenate([corners[number == 3], tip, lower, upper])


def _patched(corners: Floats, normals: Floats, count: int, length: float) -> Floats:
    """About ``count`` faces between the patches' points."""
    points, at = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    faces = at.reshape(-1, 3)
    areas = face_normals(corners)[1]
    weight, lean = np.zeros(len(points)), np.zeros((len(points), 3))
    for i in range(3):
        np.add.at(weight, faces[:, i], areas)
        np.add.at(lean, faces[:, i], areas[:, None] * normals)
    lean /= np.maximum(np.linalg.norm(lean, axis=1), 1e-300)[:, None]
    # Faces back to back count as half a panel's length apart, so that thin parts keep two sides.
    features = np.column_stack([points, 0.25 * length * lean])
    seeds = _seeds(points, count // 2, length)
    centres = features[seeds]
    for _ in range(4):
        patch = _nearest(features, centres)
        number = np.bincount(patch, weight, len(centres))
        held = number > 0.0
        sums = np.stack([np.bincount(patch, weight * column, len(centres)) for column in features.T], axis=1)
        centres = sums[held] / number[held, None]
    patch = _nearest(features, centres)
    rest = _resting(corners, normals, areas, patch[faces], centres[:, :3], length)
    edge = np.bincount(patch, points[:, 1] == 0.0, len(centres)) > 0
    if points[:, 1].min() == 0.0:
        rest[edge, 1] = 0.0
    return rest[_whole(patch[faces])]


def _seeds(points: Floats, count: int, length: float) -> NDArray[np.intp]:
    """About ``count`` of the points, evenly spread: one from each cube."""
    cell = length
    for _ in range(3):
        _, first = np.unique(_cubes(points, cell), return_index=True)
        cell *= math.sqrt(len(first) / count)
    return np.asarray(first)


def _nearest(features: Floats, centres: Floats) -> NDArray[np.intp]:
    size2 = np.einsum("ij,ij->i", centres, centres)
    return np.concatenate(
        [np.argmin(size2 - 2.0 * features[part] @ centres.T, axis=1) for part in _blocks(len(features), len(centres))]
    )


def _resting(
    corners: Floats, normals: Floats, areas: Floats, patches: NDArray[np.intp], middles: Floats, length: float
) -> Floats:
    """(c, 3) the point of each patch nearest to the planes of its faces, at most a panel's length from its middle."""
    matrix, right = np.zeros((len(middles), 3, 3)), np.zeros((len(middles), 3))
    outer = areas[:, None, None] * normals[:, :, None] * normals[:, None, :]
    for i in range(3):
        patch = patches[:, i]
        off = np.einsum("ij,ij->i", normals, corners[:, 0] - middles[patch])
        for j in range(3):
            right[:, j] += np.bincount(patch, areas * off * normals[:, j], len(middles))
            for k in range(3):
                matrix[:, j, k] += np.bincount(patch, outer[:, j, k], len(middles))
    # Where the planes leave a direction free the middle holds the point.
    hold = 0.05 * np.trace(matrix, axis1=1, axis2=2) + 1e-12
    step = np.linalg.solve(matrix + hold[:, None, None] * np.eye(3), right[..., None])[..., 0]
    far = np.linalg.norm(step, axis=1) > 0.5 * length
    step[far] = 0.0
    return np.asarray(middles + step)


def _even(corners: Floats, largest: float) -> Floats:
    """Faces larger than ``largest`` m2 cut in four until none is."""
    while (big := face_normals(corners)[1] > largest).any():
        a, b, c = corners[big].swapaxes(0, 1)
        ab, bc, ca = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
        parts = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
        corners = np.concatenate([corners[~big], *(np.stack(part, axis=1) for part in parts)])
    return corners
