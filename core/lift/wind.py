"""The whole flow in three dimensions: elements, brackets, road and body in a wind from ahead.

Vortex rings on the elements and sources on the body are one set of linear equations. The body's part
is factored once and kept; the rings' part is what is left when the body's strengths are eliminated
(Schur's complement), so an element that moves costs its own columns only. Where everything is alike
left and right the left half alone is solved.

Each strip of an element takes an offset of its incidence, which stands for what the boundary layers
do to it (Mukherjee & Gopalarathnam, "Poststall Prediction of Multiple-Lifting-Surface Configurations
Using a Decambering Approach", Journal of Aircraft 43(3), 2006). Strengths are linear in the offsets,
solved once for all strips; loads follow from the strengths without solving again.

All loads are over the dynamic pressure of the free wind: N at 1 Pa, which is m2. The wind is 1 m/s.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..elements.element import Element
from ..errors import InputError
from .body import BodyFlow, BodyPanels
from .lattice import COLUMNS, CORE_SHARE, ROWS, Lattice, Sheet, bracket_sheet, forces, images, left_of, sheets_of

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MIRROR = np.array([1.0, -1.0, 1.0])
AHEAD = np.array([-1.0, 0.0, 0.0])
"""The free wind, m/s."""


@dataclass(frozen=True)
class Strips:
    """The elements' chordwise strips, element by element, from the right tip to the left.

    Attributes:
        owner: (k,) index of the element.
        middle: (k, 3) m, on the quarter-chord line.
        width_m, chord_m: (k,).
        incidence_rad: (k,) of the chord line to the road.
        zero_lift_rad: (k,) incidence without lift in plane flow, by thin-section theory on the lattice's rows.
    """

    owner: NDArray[np.intp]
    middle: Floats
    width_m: Floats
    chord_m: Floats
    incidence_rad: Floats
    zero_lift_rad: Floats


@dataclass(frozen=True)
class Loads:
    """What the wind does, over its dynamic pressure. Elements come first, brackets after them.

    Attributes:
        strip_force: (k, 3) m2 of each strip, without end plates.
        circulation: (k,) m2/s in a wind of 1 m/s, positive when it lifts.
        lift_coefficient: (k,) by circulation, on the strip's own chord and speed.
        incidence_rad: (k,) effective: of the chord line to the wind that the strip feels, so that the strip's
            section, ``offset`` added, carries its circulation in plane flow.
        element_force, element_moment: (e, 3) m2, m3 with end plates; moments about the origin.
        side_force, side_moment: (e, 2, 3) of the parts at y < 0 and y > 0.
        centre: (e, 3) m, where the load acts: segments' middles weighted with their lift's size.
        induced_drag: m2, of everything, by the momentum far behind (Trefftz plane).
        pressure: (rows, k, 2) coefficients on the upper and the lower side of a sheet without thickness,
            at the places ``row_share`` of the chord.
        row_share: (rows,).
    """

    strip_force: Floats
    circulation: Floats
    lift_coefficient: Floats
    incidence_rad: Floats
    element_force: Floats
    element_moment: Floats
    side_force: Floats
    side_moment: Floats
    centre: Floats
    induced_drag: float
    pressure: Floats
    row_share: Floats

    @property
    def strip_lift(self) -> Floats:
        """(k,) m2, up."""
        return self.strip_force[:, 2]


@dataclass(frozen=True)
class _Part:
    """One element or bracket, with the body's answer to its rings.

    Attributes:
        thing: the element or outline; what is the same object need not be worked out again.
        sheets: its lattices, owner 0.
        at_rings: (n, p) through its control points, of each panel's unit source; None without a body.
        answer: (p, n) strengths that keep the rings' air out of the body, for unit strength of each ring.
    """

    thing: Element | Floats
    sheets: list[Sheet]
    at_rings: Floats | None
    answer: Floats | None


class Wind:
    """Everything in the wind, with what can be kept between solutions.

    Attributes:
        elements, brackets: as given.
        body: its panels, or None.
        half: whether the left half alone is solved, because all is alike left and right.
    """

    def __init__(
        self,
        elements: Sequence[Element],
        body: BodyPanels | None = None,
        brackets: Sequence[Floats] = (),
        *,
        rows: int = ROWS,
        columns: int = COLUMNS,
        road: bool = True,
        half: bool | None = None,
    ) -> None:
        """
        Args:
            elements: in vehicle axes over the road, m.
            body: from ``body_panels``.
            brackets: outlines (m, 3) m of upright flat plates.
            rows, columns: of each element's lattice; columns even, or the whole is never solved by halves.
            road: whether there is one, at z = 0.
            half: False to solve both halves whatever they are like; None to decide by likeness.

        Raises:
            InputError: no element, or a bracket that is not flat and upright (see ``bracket_sheet``).
        """
        self._build(tuple(elements), body, tuple(brackets), (rows, columns, road, half), None)

    def with_elements(self, elements: Sequence[Element], brackets: Sequence[Floats] | None = None) -> Wind:
        """The same road and body with other elements (and brackets); those that are the same objects cost nothing."""
        new = object.__new__(Wind)
        kept = self.brackets if brackets is None else tuple(brackets)
        new._build(tuple(elements), self.body, kept, self._options, self)
        return new

    def _build(
        self,
        elements: tuple[Element, ...],
        body: BodyPanels | None,
        brackets: tuple[Floats, ...],
        options: tuple[int, int, bool, bool | None],
        before: Wind | None,
    ) -> None:
        if not elements:
            raise InputError("There is no element, so there is nothing that the wind could lift.")
        self.elements, self.body, self.brackets, self._options = elements, body, brackets, options
        rows, columns, road, half = options
        alike = columns % 2 == 0 and (body is None or body.mirrored) and _alike(elements, brackets)
        self.half = alike if half is None else half and alike
        usable = before is not None and before.half == self.half
        self._body: BodyFlow | None = None
        if body is not None:
            self._body = before._body if before and usable else BodyFlow(body, road, self.half)
        old = before._parts if before and usable else []
        things: list[Element | Floats] = [*elements, *brackets]
        self._parts: list[_Part] = []
        for thing in things:
            found = next((part for part in old if part.thing is thing), None)
            self._parts.append(found or self._part(thing))

    def _part(self, thing: Element | Floats) -> _Part:
        rows, columns, road, _ = self._options
        sheets = sheets_of(thing, 0, rows, columns) if isinstance(thing, Element) else [bracket_sheet(thing, 0, rows)]
        if self.half:
            sheets = left_of(sheets)
        if self._body is None or not sheets:
            return _Part(thing, sheets, None, None)
        lattice = Lattice(sheets, self.half)
        panels = self._body.panels
        normal = lattice.through(panels.middles, panels.normals, road)
        return _Part(thing, sheets, self._body.through(lattice.controls, lattice.normals), self._body.solve(normal))

    def solve(
        self,
        active: Collection[int] | None = None,
        *,
        body: bool = True,
        wake: bool = True,
        body_share: float = 1.0,
    ) -> WindFlow:
        """The flow with some or all of what there is.

        Args:
            active: indices of elements and, after them, brackets; None for all. When halves are solved a bracket brings
                its mirror image along.
            body: whether the body stands in the wind, if there is one.
            wake: whether a wake follows blunt ends, or the air closes behind them.
            body_share: share of the body's sources that acts, for a study of what the body matters.

        Raises:
            InputError: an index of no element, or none that carries load.
        """
        count = len(self._parts)
        chosen = set(range(count) if active is None else active)
        if not all(0 <= i < count for i in chosen):
            raise InputError(f"There are {count} elements and brackets; {sorted(chosen)} names others.")
        if not any(i < len(self.elements) for i in chosen):
            raise InputError("None of the elements is chosen, so there is nothing that the wind could lift.")
        if self.half:
            chosen |= {int(self._twins[i]) for i in chosen}
        parts = [(i, self._parts[i]) for i in sorted(chosen) if self._parts[i].sheets]
        return WindFlow(self, parts, self._body if body else None, wake, body_share)

    @cached_property
    def _twins(self) -> NDArray[np.intp]:
        """(e,) number of the element or bracket that mirrors each one: an element itself, a bracket another one."""
        count, twins = len(self.elements), list(range(len(self._parts)))
        for i, one in enumerate(self.brackets):
            for j, other in enumerate(self.brackets):
                if _same_outline(np.asarray(one, np.float64) * MIRROR, np.asarray(other, np.float64)):
                    twins[count + i] = count + j
        return np.array(twins)


class WindFlow:
    """One solution of a ``Wind``.

    Attributes:
        strips: of the elements that take part.
        speed: (k,) that each strip feels, over the free wind's: mean over its chord of everything but its own
            element's rings, at no offset.
    """

    def __init__(
        self, wind: Wind, parts: list[tuple[int, _Part]], body: BodyFlow | None, wake: bool, share: float
    ) -> None:
        _, _, self._road, _ = wind._options
        self._wind, self._body, self._half = wind, body, wind.half
        sheets = [_owned(sheet, i) for i, part in parts for sheet in part.sheets]
        lattice = self._lattice = Lattice(sheets, self._half)
        own = [(np.flatnonzero(lattice.owner == i), np.flatnonzero(lattice.bound_owner == i)) for i, _ in parts]
        control = lattice.velocity(lattice.controls, lattice.owner, self._road)
        matrix = np.einsum("ni,inm->nm", lattice.normals, control)
        right = -(lattice.normals @ AHEAD)
        strips, self._strip_share = _strips(wind.elements, lattice)
        self._tilt = _strip_rings(lattice)
        if body is not None:
            at_rings = np.concatenate([part.at_rings for _, part in parts if part.at_rings is not None])
            answer = np.concatenate([part.answer for _, part in parts if part.answer is not None], axis=1)
            ahead = -(body.panels.normals @ AHEAD)
            if wake:
                ahead[body.panels.base] = 0.0
            ahead = share * body.solve(ahead[:, None])[:, 0]
            matrix -= share * (at_rings @ answer)
            right -= at_rings @ ahead
        strength = lattice.solve(matrix, right[:, None])
        wind_at = control @ strength[:, 0] + AHEAD[:, None]
        alien = wind_at.copy()
        for rings, _ in own:
            alien[:, rings] -= control[:, rings][:, :, rings] @ strength[rings, 0]
        if body is not None:
            sources = (ahead - share * (answer @ strength[:, 0]))[:, None]
            of_body = body.velocity(lattice.controls, sources)[..., 0]
            wind_at += of_body
            alien += of_body
        # A strip turned nose up turns its normals; what that lets through the rings have to stop.
        x, _, z = lattice.normals.T
        turned = wind_at[2] * x - wind_at[0] * z
        by_offset = lattice.solve(matrix, -turned[:, None] * self._tilt)
        self._strength = np.column_stack([strength, by_offset])
        middle = lattice.bound_middle
        self._bound_wind = lattice.velocity(middle, lattice.bound_owner, self._road) @ self._strength
        if body is not None:
            self._sources = np.column_stack([sources, -share * (answer @ by_offset)])
            self._bound_wind += body.velocity(middle, self._sources)
        self._bound_wind[:, :, 0] += AHEAD[:, None]
        self._half_speed = np.linalg.norm(alien, axis=0) @ self._tilt / self._tilt.sum(axis=0)
        self._half_strips = strips
        self._spread, self._flipped = _spread(strips.owner, self._half)
        self.strips = _full_strips(strips, self._spread, self._flipped)
        self.speed = self._half_speed[self._spread]

    @cached_property
    def influence(self) -> Floats:
        """(k, k) m2/rad: what one strip's offset does to each strip's lift, at no offset.

        When halves are solved an offset counts as half of itself on both sides: the sum over a strip and its twin
        is then right for offsets alike left and right.
        """
        edge = self._lattice.bound_to - self._lattice.bound_from
        share = self._lattice.bound_share @ self._strength
        wind = self._bound_wind
        rise = wind[0] * edge[:, 1, None] - wind[1] * edge[:, 0, None]
        change = 2.0 * (share[:, 1:] * rise[:, :1] + share[:, :1] * rise[:, 1:])
        return np.asarray((self._strip_share @ change)[self._spread] @ self._fold)

    def loads(self, offsets: Floats | None = None) -> Loads:
        """Loads with each strip's incidence offset.

        Args:
            offsets: (k,) rad, positive nose up; None for none. When halves are solved the mean of both sides counts.

        Raises:
            InputError: not one finite offset a strip.
        """
        lattice, strips = self._lattice, self._half_strips
        weights = self._weights(offsets)
        strength = self._strength @ weights
        wind = self._bound_wind @ weights
        force = 2.0 * forces(lattice, strength, wind, 1.0)
        last = np.concatenate([_last_row(s, strength[p]) for s, (_, p) in self._wings])
        circulation = -last
        coefficient = 2.0 * circulation / (self._half_speed * strips.chord_m)
        incidence = coefficient / (2.0 * np.pi) + strips.zero_lift_rad - weights[1:]
        strip_force = (self._strip_share @ force)[self._spread]
        strip_force[self._flipped, 1] *= -1.0
        at, owner = lattice.bound_middle, lattice.bound_owner
        if self._half:
            force, at = np.concatenate([force, force * MIRROR]), np.concatenate([at, at * MIRROR])
            owner = np.concatenate([owner, self._wind._twins[owner]])
        side = _element_sums(force, at, owner, len(self._wind._parts))
        total = side.sum(axis=1)
        return Loads(
            strip_force=strip_force,
            circulation=circulation[self._spread],
            lift_coefficient=coefficient[self._spread],
            incidence_rad=incidence[self._spread],
            element_force=total[:, :3],
            element_moment=total[:, 3:],
            side_force=side[..., :3],
            side_moment=side[..., 3:],
            centre=_centres(force, at, owner, len(self._wind._parts)),
            induced_drag=self._far_drag(strength),
            pressure=self._pressure(strength, wind)[:, self._spread],
            row_share=_row_share(self._wings[0][0]),
        )

    def velocity(self, at: Floats, offsets: Floats | None = None) -> Floats:
        """(m, 3) velocity over the free wind's at ``at`` (m, 3) m, for streamlines."""
        weights = self._weights(offsets)
        out = np.tile(AHEAD, (len(at), 1))
        strength = self._strength @ weights
        for start in range(0, len(at), 512):
            part = slice(start, start + 512)
            out[part] += (self._lattice.velocity(at[part], road=self._road) @ strength).T
        if self._body is not None:
            out += self._body.velocity(at, (self._sources @ weights)[:, None])[..., 0].T
        return out

    def body_pressure(self, offsets: Floats | None = None) -> Floats:
        """(p,) pressure coefficients on the body's panels; in the wake (``base``) they are the model's, not the car's.

        Raises:
            InputError: there is no body in this flow.
        """
        if self._body is None:
            raise InputError("There is no body in this flow, so no pressure on it.")
        wind = self.velocity(self._body.panels.middles, offsets)
        pressure = 1.0 - np.einsum("ij,ij->i", wind, wind)
        return np.tile(pressure, 2) if self._half else pressure

    @cached_property
    def _wings(self) -> list[tuple[Sheet, tuple[slice, slice]]]:
        pairs = zip(self._lattice.sheets, self._lattice.places, strict=True)
        return [(sheet, place) for sheet, place in pairs if not sheet.plate]

    @cached_property
    def _fold(self) -> Floats:
        """(h, k) strips solved for from all strips: the mean of both sides."""
        out = np.zeros((len(self._half_strips.owner), len(self._spread)))
        out[self._spread, np.arange(len(self._spread))] = 0.5 if self._half else 1.0
        return out

    def _weights(self, offsets: Floats | None) -> Floats:
        """(1 + h,) one, for the flow without offsets, and the offset of each strip solved for."""
        count = len(self._spread)
        given = np.zeros(count) if offsets is None else np.asarray(offsets, np.float64)
        if given.shape != (count,) or not np.isfinite(given).all():
            raise InputError(f"There are {count} strips; give one finite offset for each.")
        return np.concatenate([[1.0], self._fold @ given])

    def _far_drag(self, strength: Floats) -> float:
        """Drag left in the wake's cross flow; each sheet's wake is cut where its panels are."""
        lattice = self._lattice
        flips = images(self._road, self._half)
        starts = [s.nodes[-1, :-1, 1:] for s in lattice.sheets]
        ends = [s.nodes[-1, 1:, 1:] for s in lattice.sheets]
        owner = np.concatenate([np.full(len(s.nodes[0]) - 1, s.owner) for s in lattice.sheets])
        start, end = np.concatenate(starts), np.concatenate(ends)
        at = np.concatenate([s.controls[-1, :, 1:] for s in lattice.sheets])
        last = np.concatenate(
            [_last_row(s, strength[p]) for s, (_, p) in zip(lattice.sheets, lattice.places, strict=True)]
        )
        core2 = np.where(owner[:, None] == owner, 0.0, CORE_SHARE**2 * ((end - start) ** 2).sum(axis=1))
        across = np.zeros((2, len(at)))
        for flip in flips:
            sign = flip[1:]
            for corner, turn in ((end, 1.0), (start, -1.0)):
                ray = (at * sign)[:, None] - corner
                factor = turn / (2.0 * np.pi * ((ray**2).sum(axis=2) + core2))
                across[0] += sign[0] * ((ray[..., 1] * factor) @ last)
                across[1] -= sign[1] * ((ray[..., 0] * factor) @ last)
        edge = end - start
        drag = -float(last @ (across[0] * edge[:, 1] - across[1] * edge[:, 0]))
        return 2.0 * drag if self._half else drag

    def _pressure(self, strength: Floats, wind: Floats) -> Floats:
        out = []
        for sheet, (bound, place) in self._wings:
            rows, columns = sheet.controls.shape[:2]
            rings = strength[place].reshape(rows, columns)
            net = rings - np.vstack([np.zeros(columns), rings[:-1]])
            speed = np.linalg.norm(wind[:, bound][:, : rows * columns], axis=0).reshape(rows, columns)
            share = _row_share(sheet)
            # Each row stands for this much of the chord (Lan).
            width = np.pi / rows * np.sqrt(share * (1.0 - share))
            chord = self._chords(sheet)
            jump = -net / (width[:, None] * chord)
            out.append(1.0 - np.stack([speed + 0.5 * jump, speed - 0.5 * jump], axis=-1) ** 2)
        return np.concatenate(out, axis=1)

    def _chords(self, sheet: Sheet) -> Floats:
        return self._half_strips.chord_m[self._half_strips.owner == sheet.owner]


def _owned(sheet: Sheet, owner: int) -> Sheet:
    return Sheet(owner, sheet.nodes, sheet.controls, sheet.normals, sheet.plate)


def _alike(elements: tuple[Element, ...], brackets: tuple[Floats, ...]) -> bool:
    """Whether elements stand on the centre plane and each bracket has its mirror image among them."""
    if any(abs(float(e.leading_edge[1])) > 1e-9 for e in elements):
        return False
    outlines = [np.asarray(b, np.float64) for b in brackets]
    return all(any(_same_outline(b * MIRROR, other) for other in outlines) for b in outlines if b.shape[1:] == (3,))


def _same_outline(one: Floats, other: Floats) -> bool:
    """Whether two outlines have the same points, wherever they start and whichever way they run."""
    if one.shape != other.shape:
        return False
    apart = np.linalg.norm(one[:, None] - other, axis=2)
    size = 1e-6 * max(float(np.ptp(one, axis=0).max()), 1e-12)
    return bool(apart.min(axis=0).max() < size and apart.min(axis=1).max() < size)


def _row_share(sheet: Sheet) -> Floats:
    rows = sheet.controls.shape[0]
    return np.asarray(0.5 * (1.0 - np.cos((np.arange(rows) + 0.5) * np.pi / rows)))


def _last_row(sheet: Sheet, strength: Floats) -> Floats:
    return np.asarray(strength.reshape(sheet.controls.shape[:2])[-1])


def _strips(elements: tuple[Element, ...], lattice: Lattice) -> tuple[Strips, Floats]:
    """The strips solved for, and (h, s) the share of each bound segment's force that is each strip's."""
    found, shares = [], []
    for sheet, (bound, _) in zip(lattice.sheets, lattice.places, strict=True):
        if sheet.plate:
            continue
        e = elements[sheet.owner]
        rows, columns = sheet.controls.shape[:2]
        nose, chord, incidence = e.planform((sheet.controls[0, :, 1] - e.leading_edge[1]) / (0.5 * e.span_m))
        aft = np.stack([-np.cos(incidence), np.zeros(columns), -np.sin(incidence)], axis=1)
        # Thin-section theory (Glauert), integrated by Lan's own rule.
        tilt = np.arctan2(-sheet.normals[..., 0], sheet.normals[..., 2])
        weight = 1.0 - np.cos(np.arange(1, rows + 1) * np.pi / rows)
        weight[-1] *= 0.5
        edge = np.diff(sheet.nodes[0], axis=0)
        found.append(
            Strips(
                np.full(columns, sheet.owner),
                nose + 0.25 * chord[:, None] * aft,
                np.hypot(edge[:, 1], edge[:, 2]),
                chord,
                incidence,
                incidence - weight @ tilt / rows,
            )
        )
        share = np.zeros((columns, len(lattice.bound_owner)))
        across = bound.start + np.arange(rows * columns).reshape(rows, columns)
        along = bound.start + rows * columns + np.arange(rows * (columns + 1)).reshape(rows, columns + 1)
        for column in range(columns):
            share[column, across[:, column]] = 1.0
            share[column, along[:, column]] += 0.5 if column else 1.0
            share[column, along[:, column + 1]] += 0.5 if column < columns - 1 else 1.0
        shares.append(share)
    return Strips(*(np.concatenate(column) for column in zip(*(vars(s).values() for s in found), strict=True))), (
        np.concatenate(shares)
    )


def _strip_rings(lattice: Lattice) -> Floats:
    """(n, h) one where a ring belongs to a strip."""
    columns = []
    for sheet, (_, place) in zip(lattice.sheets, lattice.places, strict=True):
        if not sheet.plate:
            rows, count = sheet.controls.shape[:2]
            block = np.zeros((len(lattice.owner), count))
            block[place] = np.tile(np.eye(count), (rows, 1))
            columns.append(block)
    return np.concatenate(columns, axis=1)


def _spread(owner: NDArray[np.intp], half: bool) -> tuple[NDArray[np.intp], Bools]:
    """For each strip of both sides the one solved for, and whether it is that one's mirror image."""
    if not half:
        return np.arange(len(owner)), np.zeros(len(owner), bool)
    spread, flipped = [], []
    for one in dict.fromkeys(owner.tolist()):
        left = np.flatnonzero(owner == one)
        spread += [left[::-1], left]
        flipped += [np.ones(len(left), bool), np.zeros(len(left), bool)]
    return np.concatenate(spread), np.concatenate(flipped)


def _full_strips(strips: Strips, spread: NDArray[np.intp], flipped: Bools) -> Strips:
    values = [column[spread] for column in vars(strips).values()]
    values[1][flipped, 1] *= -1.0
    return Strips(*values)


def _element_sums(force: Floats, at: Floats, owner: NDArray[np.intp], count: int) -> Floats:
    """(e, 2, 6) force and moment of each element's right and left parts; what stands at y = 0 goes half to each."""
    both = np.column_stack([force, np.cross(at, force)])
    left = 0.5 * (1.0 + np.sign(at[:, 1]))
    out = np.zeros((count, 2, 6))
    for side, share in enumerate((1.0 - left, left)):
        np.add.at(out[:, side], owner, both * share[:, None])
    return out


def _centres(force: Floats, at: Floats, owner: NDArray[np.intp], count: int) -> Floats:
    weight = np.abs(force[:, 2]) + 1e-30
    total = np.maximum(np.bincount(owner, weight, count), 1e-300)
    return np.stack([np.bincount(owner, weight * at[:, i], count) / total for i in range(3)], axis=1)
