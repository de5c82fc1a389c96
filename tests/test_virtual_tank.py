"""The stratified tank: heat is conserved to rounding, whatever is done to it, and by origin too."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.virtual.fluid_fits import enthalpy, fit_fluid, temperature
from ingest.virtual.tank import conduct, exchange_coil, flow_down, flow_up, lose, mix_inversions

WATER = fit_fluid("water")
NODES, ORIGINS = 8, 4


def tank(degc):
    """Nodes at these temperatures, with heat of two origins above cold water of 10 degC."""
    h = np.array([enthalpy(WATER, t) for t in degc])
    cold = np.full(len(h), enthalpy(WATER, 10.0))
    e = np.zeros((len(h), ORIGINS))
    e[:, 0], e[:, 1] = 0.7 * (h - cold), 0.3 * (h - cold)
    return h, e, cold


def assert_origins_make_up_the_heat(h, e, cold):
    np.testing.assert_allclose(cold + e.sum(axis=1), h, rtol=1e-12)


def test_a_draw_from_three_nodes_gives_the_worked_example():
    # Duffie and Beckman ch. 8, one explicit step: 3 nodes of 100 kg, 0.1 kg/s for 60 s, inlet 10 degC, cp 4180.
    capacity = 4180.0
    h = np.array([60.0, 50.0, 40.0]) * capacity
    e, cold = np.zeros((3, 2)), h.copy()
    before = h.sum() * 100.0
    flow_up(h, e, cold, 6.0 / 100.0, 10.0 * capacity, np.zeros(2), 10.0 * capacity)
    np.testing.assert_allclose(h / capacity, [59.4, 49.4, 38.2], rtol=1e-12)
    assert h.sum() * 100.0 - before == pytest.approx(6.0 * capacity * (10.0 - 60.0), rel=1e-9)


temperatures = st.lists(st.floats(4.0, 95.0), min_size=NODES, max_size=NODES)


@settings(max_examples=60, deadline=None)
@given(degc=temperatures, share=st.floats(0.0, 1.0))
def test_a_draw_takes_from_the_tank_what_it_gives_to_the_tap(degc, share):
    h, e, cold = tank(degc)
    before, top, h_in = h.sum(), h[0], enthalpy(WATER, 8.0)
    flow_up(h, e, cold, share, h_in, np.zeros(ORIGINS), h_in)
    assert before - h.sum() == pytest.approx(share * (top - h_in), rel=1e-9, abs=1e-6)
    assert_origins_make_up_the_heat(h, e, cold)


@settings(max_examples=60, deadline=None)
@given(degc=temperatures, share=st.floats(0.0, 1.0), added=st.floats(0.0, 60e3))
def test_water_sent_through_the_desuperheater_brings_back_its_own_heat_and_the_gain(degc, share, added):
    h, e, cold = tank(degc)
    before = h.sum()
    flow_down(h, e, cold, share, added, 1)
    assert h.sum() - before == pytest.approx(share * added, rel=1e-9, abs=1e-6)
    assert_origins_make_up_the_heat(h, e, cold)


@settings(max_examples=60, deadline=None)
@given(degc=temperatures)
def test_mixing_leaves_a_stable_tank_with_the_same_heat(degc):
    h, e, cold = tank(degc)
    before, by_origin = h.sum(), e.sum(axis=0)
    mix_inversions(h, e, cold)
    assert np.all(np.diff(h) <= 1e-3)
    assert h.sum() == pytest.approx(before, rel=1e-12)
    np.testing.assert_allclose(e.sum(axis=0), by_origin, rtol=1e-9, atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(degc=temperatures)
def test_conduction_moves_heat_and_makes_none(degc):
    h, e, cold = tank(degc)
    before = h.sum()
    conduct(h, e, np.array(degc), 1.6, 30.0 / 20.0)
    assert h.sum() == pytest.approx(before, rel=1e-12)
    assert_origins_make_up_the_heat(h, e, cold)


@settings(max_examples=60, deadline=None)
@given(degc=temperatures, room=st.floats(0.0, 40.0))
def test_the_room_receives_what_the_tank_loses(degc, room):
    h, e, cold = tank(degc)
    before = h.sum()
    lost_j = lose(h, e, np.array(degc), 2.0, room, 600.0, 20.0)
    assert (before - h.sum()) * 20.0 == pytest.approx(lost_j, rel=1e-9, abs=1e-3)
    assert_origins_make_up_the_heat(h, e, cold)


def test_losses_fall_on_all_origins_in_proportion():
    h, e, _ = tank([60.0] * NODES)
    lose(h, e, np.full(NODES, 60.0), 2.0, 20.0, 3600.0, 20.0)
    np.testing.assert_allclose(e[:, 0] / e[:, 1], 7.0 / 3.0, rtol=1e-9)


@settings(max_examples=60, deadline=None)
@given(degc=temperatures, entering=st.floats(5.0, 95.0), kg_s=st.floats(0.005, 0.3))
def test_a_coil_gives_the_tank_what_its_fluid_loses(degc, entering, kg_s):
    glycol = fit_fluid("propylene-glycol", 40.0)
    h, e, cold = tank(degc)
    before = h.sum()
    coil = (4, 7, 400.0, 2, 5.0, 20.0)
    leaving = exchange_coil(h, e, np.array(degc), coil, kg_s, glycol, entering)
    lost_j = kg_s * (enthalpy(glycol, entering) - enthalpy(glycol, leaving)) * 5.0
    assert (h.sum() - before) * 20.0 == pytest.approx(lost_j, rel=1e-8, abs=1e-3)
    assert_origins_make_up_the_heat(h, e, cold)


@settings(max_examples=60, deadline=None)
@given(degc=temperatures, entering=st.floats(5.0, 95.0), kg_s=st.floats(0.005, 0.3))
def test_only_what_a_coils_fluid_brought_is_its_stages_heat(degc, entering, kg_s):
    # A stable tank: what the fluid takes from warm nodes above it gives on to cooler ones below, as what it was.
    h, e, _ = tank(sorted(np.maximum(degc, 11.0), reverse=True))
    before = e[:, :2].sum()
    exchange_coil(
        h, e, np.array([temperature(WATER, x) for x in h]), (2, 7, 400.0, 2, 5.0, 20.0), kg_s, WATER, entering
    )
    net = e.sum() - before
    assert e[:, 2].sum() == pytest.approx(max(net, 0.0), rel=1e-8, abs=1e-3)
    assert e[:, :2].sum() - before == pytest.approx(min(net, 0.0), rel=1e-8, abs=1e-3)


def test_a_tank_left_alone_cools_as_the_exponential_says():
    # 300 l, UA 2.0 W/K, 60 degC in a room of 20 degC: 54.79 degC and 1.792 kWh after 24 h (tau = 172.1 h, by hand).
    kg = 300.0 * 0.9832 / NODES  # density of water at 60 degC
    h, e, _ = tank([60.0] * NODES)
    lost_j = 0.0
    for _ in range(24 * 60):
        degc = np.array([temperature(WATER, x) for x in h])
        lost_j += lose(h, e, degc, 2.0, 20.0, 60.0, kg)
    assert temperature(WATER, h.mean()) == pytest.approx(54.79, abs=0.02)
    assert lost_j / 3.6e6 == pytest.approx(1.792, abs=0.005)
