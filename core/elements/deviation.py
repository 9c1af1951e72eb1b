"""How far a scan and a rebuilt element lie apart, point by point and in a few numbers.

Every number of the summary is weighted by area, because a scanner's points lie denser here than there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..geometry.signed import SignedSurface, triangle_areas
from ..scan.topology import pieces
from ..units import to_mm

Floats = NDArray[np.float64]

REACH_M = 0.02
"""Scan points farther off than this belong to something else: a bracket, a plate, a tuft of filler. Common practice,
no source."""
BINS_WITHIN = 8
"""Histogram bins that the tolerance band is parted into where no width is asked for."""
BANDS_SHOWN = 3.0
"""Histogram's half width over the tolerance where no limit is asked for; the rest is counted in the end bins."""
_MOST_BINS = 400


@dataclass(frozen=True)
class Extreme:
    """Attributes: deviation_m: m, signed; place: (3,) m, the scan point that has it."""

    deviation_m: float
    place: Floats


@dataclass(frozen=True)
class Histogram:
    """Shares of the area by deviation.

    Attributes:
        edges_m: (k + 1,) m, even steps, symmetric about 0.
        shares: (k,) of the area that has a partner.
        below, above: shares beyond the outer edges.
    """

    edges_m: Floats
    shares: Floats
    below: float
    above: float


@dataclass(frozen=True)
class DeviationSummary:
    """The scan's deviation from the element in numbers; shares and means are by area.

    Attributes:
        count: scan points with a partner on the element.
        without_partner: share of the scan farther than the reach from the element, inside or outside.
        deep_inside: scan points inside the element by more than the reach.
        covered: share of the element's surface that has the scan within reach.
        reach_m, tolerance_m: what was asked for.
        within: share whose absolute deviation is no more than the tolerance.
        mean_m: m, signed (bias).
        rms_m, p95_m: m, root mean square and 95th percentile of the absolute deviation.
        lowest, highest: the extreme points.
        histogram: of the signed deviation.
    """

    count: int
    without_partner: float
    deep_inside: int
    covered: float
    reach_m: float
    tolerance_m: float
    within: float
    mean_m: float
    rms_m: float
    p95_m: float
    lowest: Extreme
    highest: Extreme
    histogram: Histogram

    @property
    def sentence(self) -> str:
        """The summary in one line for people, mm."""
        mean = f"{abs(to_mm(self.mean_m)):.2f} mm"
        if mean != "0.00 mm":
            mean += " outside" if self.mean_m > 0.0 else " inside"
        text = (
            f"{100.0 * self.within:.1f} % of the scan lies within {to_mm(self.tolerance_m):g} mm of the rebuilt "
            f"element; on average {mean}, 95 % within {to_mm(self.p95_m):.2f} mm, "
            f"extremes {to_mm(self.lowest.deviation_m):+.2f} and {to_mm(self.highest.deviation_m):+.2f} mm."
        )
        if self.without_partner > 0.0005:
            text += f" {100.0 * self.without_partner:.1f} % has no partner within {to_mm(self.reach_m):g} mm"
            text += f", {self.deep_inside} points of it deep inside." if self.deep_inside else "."
        if self.covered < 0.9995:
            text += f" {100.0 * (1.0 - self.covered):.1f} % of the element was not scanned."
        return text


@dataclass(frozen=True)
class Deviation:
    """Signed distances of both bodies, to paint either of them.

    Attributes:
        scan_m: (n,) m for each scan point, positive outside the element; nan without a partner.
        element_m: (k,) m for each element point, positive outside the scanned surface (the element stands proud of
            the part); nan where nothing was scanned.
        summary: of ``scan_m``.
    """

    scan_m: Floats
    element_m: Floats
    summary: DeviationSummary


def deviation(
    scan: TriMesh | SignedSurface,
    element: TriMesh,
    reach_m: float = REACH_M,
    *,
    tolerance_m: float = 0.0005,
    bin_m: float | None = None,
    limit_m: float | None = None,
) -> Deviation:
    """Compare the scanned part with the element rebuilt from it.

    Args:
        scan: the scanned part, outward faces; open and with holes. As a ``SignedSurface``, built once, it saves
            a quarter of the time each time that one scan is compared with another element.
        element: closed shells, outward faces, such as ``loft(...).triangles()``; cavities (shells that face inwards)
            are left out, since a scanner sees none of them.
        reach_m: scan and element do not belong together where they are farther apart.
        tolerance_m: the largest deviation that is still good; half a millimetre is common in body repair (common
            practice, no source).
        bin_m: width of the histogram's bins; None parts the tolerance band into ``BINS_WITHIN``.
        limit_m: where the histogram ends, rounded up to whole bins; None for ``BANDS_SHOWN`` tolerances.

    Raises:
        InputError: reach, tolerance, bin width or limit not above zero, a mesh with coordinates that are not numbers,
            an element without outward shells, or no scan point within reach.
    """
    for what, value in (("reach", reach_m), ("tolerance", tolerance_m), ("bin width", bin_m), ("limit", limit_m)):
        if value is not None and not (math.isfinite(value) and value > 0.0):
            raise InputError(f"The deviation map is asked for with a {what} of {value:g} m; it must be above zero.")
    bin_m = 2.0 * tolerance_m / BINS_WITHIN if bin_m is None else bin_m
    limit_m = BANDS_SHOWN * tolerance_m if limit_m is None else limit_m
    if limit_m / bin_m > 0.5 * _MOST_BINS:
        raise InputError(
            f"The histogram would have bins of {to_mm(bin_m):g} mm up to {to_mm(limit_m):g} mm, more than {_MOST_BINS} "
            "in all; make the bins wider."
        )
    whole = scan if isinstance(scan, SignedSurface) else None
    scan = scan.mesh if isinstance(scan, SignedSurface) else scan
    for what, mesh in (("scan", scan), ("element", element)):
        if not np.isfinite(mesh.points).all():
            raise InputError(f"The {what} has points whose coordinates are not numbers; clean it first.")
    outer = _outer(element)
    surface = SignedSurface.build(outer)
    low, high = element.points.min(axis=0) - reach_m, element.points.max(axis=0) + reach_m
    near = np.flatnonzero(((scan.points >= low) & (scan.points <= high)).all(axis=1))
    scan_m = np.full(len(scan.points), np.nan)
    scan_m[near] = surface.distance(scan.points[near], reach_m).distance_m
    element_m = np.full(len(element.points), np.nan)
    seen = np.unique(outer.triangles)
    element_m[seen] = (
        whole.distance(element.points[seen], reach_m).distance_m
        if whole is not None
        else _off_scan(element.points[seen], scan, low, high, reach_m)
    )

    weight, known = _point_areas(scan), ~np.isnan(scan_m)
    if not weight[known].any():
        raise InputError(
            f"No part of the scan lies within {to_mm(reach_m):g} mm of the rebuilt element; check the element's place "
            "and the scan's axes and units."
        )
    lost = near[~known[near]]
    area = _point_areas(outer)
    off, points, share = scan_m[known], scan.points[known], weight[known] / weight[known].sum()
    size = np.abs(off)
    order = np.argsort(size)
    steps = math.ceil(limit_m / bin_m - 1e-9)
    edges = np.asarray(bin_m * np.arange(-steps, steps + 1), np.float64)
    counted = np.asarray(np.bincount(np.searchsorted(edges, off, "right"), share, len(edges) + 1), np.float64)
    lowest, highest = (Extreme(float(off[i]), points[i]) for i in (np.argmin(off), np.argmax(off)))
    summary = DeviationSummary(
        count=len(off),
        without_partner=float(weight[~known].sum() / weight.sum()),
        deep_inside=int((surface.distance(scan.points[lost]).distance_m < -reach_m).sum()),
        covered=float(area[~np.isnan(element_m)].sum() / area.sum()),
        reach_m=reach_m,
        tolerance_m=tolerance_m,
        within=float(share[size <= tolerance_m].sum()),
        mean_m=float(share @ off),
        rms_m=float(np.sqrt(share @ off**2)),
        p95_m=float(size[order[np.searchsorted(np.cumsum(share[order]), 0.95)]]),
        lowest=lowest,
        highest=highest,
        histogram=Histogram(edges, counted[1:-1], float(counted[0]), float(counted[-1])),
    )
    return Deviation(scan_m, element_m, summary)


def deviation_summary(plain: Mapping[str, Any]) -> DeviationSummary:
    """The summary whose fields ``plain`` holds, arrays as nested lists (as JSON keeps them); other keys are ignored."""
    own = {f.name: plain[f.name] for f in fields(DeviationSummary)}
    for end in ("lowest", "highest"):
        own[end] = Extreme(float(plain[end]["deviation_m"]), np.asarray(plain[end]["place"], np.float64))
    arrays = {key: np.asarray(plain["histogram"][key], np.float64) for key in ("edges_m", "shares")}
    own["histogram"] = Histogram(**{**plain["histogram"], **arrays})
    return DeviationSummary(**own)


def _outer(element: TriMesh) -> TriMesh:
    """The element without its cavities: shells whose signed volume is below zero."""
    piece = pieces(element.triangles, len(element.points))
    a, b, c = (element.corners - element.points.mean(axis=0)).transpose(1, 0, 2)
    volume = np.bincount(piece, np.einsum("nk,nk->n", a, np.cross(b, c)), 1)
    outer = volume[piece] > 0.0
    if not outer.any():
        raise InputError(
            "The rebuilt element has no shell whose faces look outwards, so it has no outside; rebuild it."
        )
    return TriMesh(element.points, element.triangles[outer])


def _off_scan(points: Floats, scan: TriMesh, low: Floats, high: Floats, reach_m: float) -> Floats:
    """Signed distance (k,) of points to the scan, whose faces beyond the box ``low``, ``high`` cannot be near."""
    outside = np.zeros(len(scan.triangles), bool)
    for beyond in (scan.points < low, scan.points > high):
        for axis in np.flatnonzero(beyond.any(axis=0)):
            outside |= beyond[:, axis][scan.triangles].all(axis=1)
    if outside.any():
        scan = scan.subset(~outside)
    if len(scan.triangles) == 0:
        return np.full(len(points), np.nan)
    return SignedSurface.build(scan).distance(points, reach_m).distance_m


def _point_areas(mesh: TriMesh) -> Floats:
    """(n,) m2: a third of the triangles round each point."""
    thirds = np.repeat(triangle_areas(mesh) / 3.0, 3)
    return np.asarray(np.bincount(mesh.triangles.ravel(), thirds, len(mesh.points)), np.float64)
