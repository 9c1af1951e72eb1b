"""Pressure on elements and body, and velocity anywhere."""

import math
from dataclasses import replace

import numpy as np
import pytest
from lift_cases import four_digit, wing
from test_lift_estimate import LOWER, SPEED, UPPER, saloon

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.elements.loft import loft
from wingfettle.core.errors import InputError
from wingfettle.core.lift.estimate import air_of, estimate_lift, prepare_body
from wingfettle.core.lift.fields import flow_field
from wingfettle.core.lift.section import section_state

SHAPE = four_digit(0.04, 0.4, 0.12)
PAIR = Assembly("pair", (LOWER, replace(UPPER, leading_edge=np.array([0.25, 0.0, 1.25]))))
X = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 101)))


@pytest.fixture(scope="module")
def prepared():
    return prepare_body(saloon())


@pytest.fixture(scope="module")
def on_car(prepared):
    return flow_field(PAIR, SPEED, prepared=prepared)


def sides(field, element, eta):
    """Pressure on upper and lower side, (n, 101) each, at the surface's points."""
    up, low = element.surfaces(eta, X)
    return [field.surface_pressure(element.name, p.reshape(-1, 3)).reshape(len(eta), -1) for p in (up, low)]


def test_long_wing_shows_its_sections_pressure():
    # In the middle of a very long wing the flow is plane, and the strip's incidence the wing's.
    long = wing("long", chord=0.3, span=300.0, degrees=4.0, at=(0.0, 0.0, 100.0), shape=SHAPE)
    field = flow_field(Assembly("long", (long,)), SPEED, case="alone", element="long")
    contour = SHAPE.contour(61)
    state = section_state(contour, math.radians(4.0), SPEED * 0.3 / air_of(288.15).viscosity_m2_s)
    up, low = sides(field, long, np.zeros(1))
    for got, half in ((up[0], slice(60, None, -1)), (low[0], slice(60, None))):
        wanted = np.interp(X, contour[half, 0], state.pressure[half])
        inner = (X > 0.02) & (X < 0.98)
        assert np.abs(got - wanted)[inner].max() < 0.06


@pytest.mark.parametrize("case", ["alone", "group"])
def test_pressure_sums_up_to_the_lift(case):
    answer = estimate_lift(PAIR, SPEED)
    for e, one in zip(PAIR.elements, answer.elements, strict=True):
        field = flow_field(PAIR, SPEED, case=case, element=e.name)
        eta = np.linspace(-0.999, 0.999, 81)
        up, low = sides(field, e, eta)
        across = 0.5 * ((low - up)[:, 1:] + (low - up)[:, :-1]) @ np.diff(X) * e.chord_m
        lift = float(np.sum(0.5 * (across[1:] + across[:-1]) * np.diff(eta))) * 0.5 * e.span_m
        force = one.load(case).force_n[2] / (0.5 * 1.225 * SPEED**2)
        assert lift == pytest.approx(force, rel=0.12)


def test_pressure_lies_between_vacuum_like_suction_and_stagnation(on_car):
    for e in PAIR.elements:
        mesh = loft(e, 20, 24)
        pressure = on_car.surface_pressure(e.name, mesh.points)
        assert np.isfinite(pressure).all()
        assert pressure.max() < 1.3
        assert pressure.min() > -8.0
        flipped = on_car.surface_pressure(e.name, mesh.points * [1.0, -1.0, 1.0])
        assert flipped == pytest.approx(pressure, abs=1e-6)


def test_suction_on_the_side_away_from_the_force():
    field = flow_field(PAIR, SPEED, case="group")
    for e, sign in zip(PAIR.elements, (1.0, -1.0), strict=True):
        up, low = sides(field, e, np.array([0.0]))
        assert np.all(sign * (low - up)[0, 20:80] > 0.0)


def test_wind_runs_along_road_and_body(on_car, prepared):
    at = np.column_stack([np.linspace(-2.0, 3.0, 11), np.zeros(11), np.zeros(11)])
    assert np.abs(on_car.velocity(at)[:, 2]).max() < 1e-9
    assert np.isnan(on_car.velocity(at - [0.0, 0.0, 0.01])).all()
    panels = prepared.panels
    firm = ~panels.base & (panels.middles[:, 2] > 0.3)
    wind = on_car.velocity(panels.middles[firm] + 1e-6 * panels.normals[firm])
    assert np.abs(np.einsum("ij,ij->i", wind, panels.normals[firm])).max() < 1e-3


def test_wind_far_away_is_the_cars(on_car):
    far = np.array([[60.0, 0.0, 40.0], [0.0, 80.0, 30.0]])
    assert on_car.velocity(far) == pytest.approx(np.array([[-1.0, 0.0, 0.0]] * 2), abs=0.01)


def test_wind_is_alike_left_and_right(on_car):
    at = np.random.default_rng(1).uniform([-0.5, 0.05, 0.9], [1.0, 0.9, 1.8], (40, 3))
    flip = np.array([1.0, -1.0, 1.0])
    assert on_car.velocity(at * flip) * flip == pytest.approx(on_car.velocity(at), abs=1e-9)


def test_body_pressure_follows_bernoulli(on_car, prepared):
    # By definition: one less the square of the speed along the panel.
    panels = prepared.panels
    pressure = on_car.body_pressure()
    firm = np.flatnonzero(~panels.base & (panels.middles[:, 2] > 0.3))[::25]
    wind = on_car.velocity(panels.middles[firm] + 1e-6 * panels.normals[firm])
    assert pressure[firm] == pytest.approx(1.0 - np.sum(wind**2, axis=1), abs=2e-3)
    assert on_car.body_pressure(panels.middles[firm]) == pytest.approx(pressure[firm])


def test_bad_questions(on_car):
    with pytest.raises(InputError, match="no case"):
        flow_field(PAIR, SPEED, case="beside")
    with pytest.raises(InputError, match="scanned body"):
        flow_field(PAIR, SPEED)
    with pytest.raises(InputError, match="Name the element"):
        flow_field(PAIR, SPEED, case="alone")
    with pytest.raises(InputError, match="no body"):
        flow_field(PAIR, SPEED, case="group").body_pressure()
    with pytest.raises(InputError, match="does not stand"):
        flow_field(PAIR, SPEED, case="alone", element="lower").pressure_at("upper", np.zeros(1), np.zeros(1), True)
    with pytest.raises(InputError, match="three numbers"):
        on_car.velocity(np.zeros(3))
