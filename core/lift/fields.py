"""The flow as pictures need it: pressure on elements and body, velocity anywhere.

Pressure on an element is that of its plane section with boundary layers, at the incidence that the strip feels; as far
as a channel has taken load from it, at the incidence where the section by itself carries that load: a section in a
separated channel shows the right load but not the dead air's even pressure. Where other elements and the body make the
strip's wind faster or slower than the car, speeds along the section change with it:
Cp = 1 - (strip's wind / car's speed)^2 (1 - Cp of the section). Between the places along the span that are worked out
pressure runs in straight lines. An end plate shows what the tip's section has beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..assembly.assembly import Assembly
from ..elements.element import Element
from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh
from .coupling import Settled, settled
from .estimate import PreparedBody, air_of, checked, prepare_body
from .result import Air
from .section import CONTOUR_COUNT, LEAST_REYNOLDS, MOST_REYNOLDS, STEEPEST, section_state
from .wind import Wind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CASES = ("alone", "group", "on car")
PLACES = (0.0, 0.35, 0.65, 0.85, 0.97)
"""Shares of the half span at which sections are worked out."""
NODES = 81
"""Places along the chord, spaced by the cosine rule, at which pressure is kept."""


@dataclass(frozen=True)
class FlowField:
    """One case's flow.

    Attributes:
        case: one of ``CASES``.
        elements: of the variant, in its order.
        members: numbers of those that stand in this wind.
    """

    case: str
    elements: tuple[Element, ...]
    members: tuple[int, ...]
    _found: Settled
    _wind: Wind
    _reynolds_per_m: float
    _tables: dict[int, tuple[Floats, Floats]] = field(default_factory=dict, repr=False)

    def velocity(self, points: Floats) -> Floats:
        """(n, 3) of the wind at points (n, 3) m over the car's speed; not a number under the road.

        Near a sheet it is the sheet's, which has no thickness; within the body it means nothing.
        """
        at = _points(points)
        out = np.full(at.shape, np.nan)
        over = at[:, 2] >= 0.0
        if over.any():
            out[over] = self._found.system.flow.velocity(at[over], self._found.answer.offsets)
        return out

    def surface_pressure(self, element: str, points: Floats) -> Floats:
        """(n,) pressure coefficients at points (n, 3) m on the element's surface, such as ``QuadMesh.points``.

        Raises:
            InputError: no such element in this wind, or points that are no places.
        """
        number = self._number(element)
        e, at = self.elements[number], _points(points)
        eta = np.clip((at[:, 1] - e.leading_edge[1]) / (0.5 * e.span_m), -1.0, 1.0)
        nose, chord, incidence = e.planform(eta)
        off = at - nose
        x = -(off[:, 0] * np.cos(incidence) + off[:, 2] * np.sin(incidence)) / chord
        z = (-off[:, 0] * np.sin(incidence) + off[:, 2] * np.cos(incidence)) / chord
        x = np.clip(x, 0.0, 1.0)
        return self.pressure_at(element, eta, x, z >= _mean_line(e, eta, x))

    def pressure_at(self, element: str, eta: Floats, x: Floats, upper: Bools) -> Floats:
        """(n,) pressure coefficients at ``eta`` (-1 right tip .. 1 left tip) and x/chord, on the upper or lower side.

        Raises:
            InputError: no such element in this wind.
        """
        number = self._number(element)
        if number not in self._tables:
            self._tables[number] = self._table(number)
        places, table = self._tables[number]
        return np.where(
            upper, *(_bilinear(places, table[..., side], np.asarray(eta), np.asarray(x)) for side in (0, 1))
        )

    def body_pressure(self, points: Floats | None = None) -> Floats:
        """(p,) pressure coefficients on the body's panels, or (n,) at points (n, 3) m from the nearest panel.

        Raises:
            InputError: there is no body in this wind.
        """
        if self._wind.body is None or self.case != "on car":
            raise InputError(f"There is no body in the wind of the case “{self.case}”, so no pressure on it.")
        on_panels = self._found.system.flow.body_pressure(self._found.answer.offsets)
        if points is None:
            return on_panels
        corners = self._wind.body.corners
        mesh = TriMesh(corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3))
        return np.asarray(on_panels[TriangleIndex.build(mesh).nearest(_points(points))[1]])

    def _number(self, element: str) -> int:
        for i in self.members:
            if self.elements[i].name == element:
                return i
        raise InputError(f"Element “{element}” does not stand in the wind of the case “{self.case}”.")

    def _table(self, number: int) -> tuple[Floats, Floats]:
        """Places (m,) along the span and pressure coefficients (m, NODES, 2) on the upper and the lower side."""
        e, strips, answer = self.elements[number], self._found.system.strips, self._found.answer
        rows = np.flatnonzero(strips.owner == number)
        at = (strips.middle[rows, 1] - e.leading_edge[1]) / (0.5 * e.span_m)
        taken = self._found.company.hold
        alpha = answer.incidence_rad + taken * (self._found.curves.incidence(answer.cl) - answer.incidence_rad)
        alpha = alpha[rows]
        pace = self._found.system.flow.speed[rows]
        twins = bool(np.allclose(alpha, alpha[::-1], atol=1e-9))
        places = np.array(PLACES) if twins else np.array([-p for p in PLACES[:0:-1]] + list(PLACES))
        table = np.empty((len(places), NODES, 2))
        for k, place in enumerate(places):
            station = e.station(float(place))
            reynolds = float(np.clip(self._reynolds_per_m * station.chord_m, LEAST_REYNOLDS, MOST_REYNOLDS))
            contour = station.shape.contour(CONTOUR_COUNT)
            angle = float(np.clip(np.interp(place, at, alpha), -STEEPEST, STEEPEST))
            pressure = section_state(contour, angle, reynolds).pressure
            over, under = slice(CONTOUR_COUNT - 1, None, -1), slice(CONTOUR_COUNT - 1, None)
            for side, half in enumerate((over, under)):
                table[k, :, side] = np.interp(_nodes(), contour[half, 0], pressure[half])
            table[k] = 1.0 - float(np.interp(place, at, pace)) ** 2 * (1.0 - table[k])
        if twins:
            places = np.concatenate([-places[:0:-1], places])
            table = np.concatenate([table[:0:-1], table])
        return places, table


def flow_field(
    assembly: Assembly,
    speed_m_s: float,
    body: TriMesh | None = None,
    air: Air | None = None,
    brackets: Sequence[Floats] = (),
    *,
    case: str = "on car",
    element: str | None = None,
    prepared: PreparedBody | None = None,
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> FlowField:
    """The flow of one case, for pictures.

    Args:
        assembly, speed_m_s, body, air, brackets, prepared, tick: as in ``estimate_lift``. With the ``prepared`` body
            of an estimate just made, its equations and sections are not worked out again.
        case: "alone", "group" or "on car".
        element: the one that is alone; only for that case.

    Raises:
        InputError: as ``estimate_lift``; an unknown case; "on car" without a body; "alone" without an element's name.
    """
    if case not in CASES:
        raise InputError(f"There is no case “{case}”; choose one of {', '.join(CASES)}.")
    air = air_of(288.15) if air is None else air
    checked(assembly, speed_m_s, air)
    with_body = case == "on car"
    if with_body and prepared is None and body is None:
        raise InputError("Give the scanned body for the flow on the car.")
    elements = assembly.elements
    active: Collection[int] | None = None
    if case == "alone":
        if element is None:
            raise InputError("Name the element that is to be alone in the wind.")
        active = [elements.index(assembly.element(element))]
    tick(0.0, "equations of elements and body")
    if with_body and prepared is None and body is not None:
        prepared = prepare_body(body)
    wind = Wind(elements, None, brackets) if not with_body or prepared is None else prepared.wind(elements, brackets)
    per_m = speed_m_s / air.viscosity_m2_s
    tick(0.4, "boundary layers")
    found = settled(wind, per_m, active, body=with_body)
    tick(1.0, "flow")
    return FlowField(case, elements, tuple(found.members), found, wind, per_m)


def _points(points: Floats) -> Floats:
    at = np.asarray(points, np.float64)
    if at.ndim != 2 or at.shape[1] != 3:
        raise InputError(f"Places are three numbers each; these have the form {at.shape}.")
    return at


def _nodes() -> Floats:
    return np.asarray(0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, NODES))))


def _mean_line(e: Element, eta: Floats, x: Floats) -> Floats:
    """(n,) ordinate of the mean line over the chord at places and x/chord."""
    places = e.shares
    lines = [0.5 * np.sum(shape.surfaces(_nodes()), axis=0) for shape in e.shapes]
    return _bilinear(places, np.array(lines), np.abs(eta), x)


def _bilinear(places: Floats, table: Floats, eta: Floats, x: Floats) -> Floats:
    """Values of ``table`` (m, NODES) at ``eta`` (n,), held beyond ``places`` (m,), and x (n,) on ``_nodes``."""
    i = np.clip(np.searchsorted(places, eta, side="right") - 1, 0, len(places) - 2)
    part = np.clip((eta - places[i]) / (places[i + 1] - places[i]), 0.0, 1.0)
    along = np.arccos(np.clip(1.0 - 2.0 * x, -1.0, 1.0)) * (NODES - 1) / np.pi
    j = np.clip(along.astype(np.intp), 0, NODES - 2)
    rest = along - j
    rows = [(1.0 - rest) * table[k, j] + rest * table[k, j + 1] for k in (i, i + 1)]
    return np.asarray((1.0 - part) * rows[0] + part * rows[1])
