"""Purchased and saved by hand: each baseline, prices by the clock and in time, standby, the heat pump's share."""

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analytics.prices import electricity_price, times_of_prices
from analytics.site import Baseline, FluidMix, Heater, HeatPump, HotWater, Loop, Prices, Stage, Tank, TariffBand
from analytics.trace import local_day
from tests.reference_tables import rows
from tests.small_sites import DAY, account, constant, point, site, stepped

HOUR = 3600.0
GALLON_L = 3.785411784
POINTS = [
    point("cold", "temperature", "degC"),
    point("hot", "temperature", "degC"),
    point("draw", "flow", "l/min", sampling="mean"),
]
ROD_POWER = point("rod.power", "power", "W", sampling="mean")
FLAT = Prices(electricity_per_kwh=0.2, electricity_co2_kg_per_kwh=0.5)
# A house that buys nothing: what it saves is what the baseline would have bought.
FREE = site(POINTS, hot_water=HotWater(cold="cold", hot="hot", flow="draw"))


def _readings():
    """Ten minutes of draw at 19:00 and at 03:00, 10 l/min, 10 to 55 degC: twice the same heat."""
    evening, night = stepped(19 * HOUR, 19 * HOUR + 600, 10.0), stepped(3 * HOUR, 3 * HOUR + 600, 10.0)
    return {
        "cold": constant(10.0),
        "hot": constant(55.0),
        "draw": replace(evening, value=evening.value + night.value),
    }


def _saved(baseline, prices):
    ledger = account(replace(FREE, baseline=baseline, prices=prices), _readings()).ledger
    return ledger.saved, ledger.hot_water.heat.value


# Prices and costs of a useful kWh: a handbook's arithmetic, worked from US units (UEF from memory, heating values EIA).
USUAL = [
    ("electric-tank", {"electricity_per_kwh": 0.16}, 0.1739),
    ("heat-pump-tank", {"electricity_per_kwh": 0.16}, 0.0485),
    ("gas-tank", {"gas_per_kwh": 1.40 / 29.3071}, 0.0796),
    ("propane-tank", {"propane_per_litre": 2.60 / GALLON_L}, 0.1619),
    ("oil-tank", {"oil_per_litre": 3.80 / GALLON_L}, 0.1510),
]


@pytest.mark.parametrize(("kind", "price", "per_useful_kwh"), USUAL)
def test_each_baselines_cost_of_a_useful_kwh_is_the_handbooks(kind, price, per_useful_kwh):
    saved, heat = _saved(Baseline(kind=kind), Prices(currency="USD", **price))
    # Half the last digit, and 0.13 % between the two editions of the heating value of propane.
    assert saved.money.value / heat == pytest.approx(per_useful_kwh, rel=2e-3)


@pytest.mark.parametrize(
    ("kind", "fuel", "efficiency"), [("gas-tank", "natural gas", 0.6), ("oil-tank", "heating oil No.2", 0.62)]
)
def test_a_fuel_baselines_co2_follows_the_published_factor(kind, fuel, efficiency):
    """Factors in kg/MMBtu: EIA, Carbon Dioxide Emissions Coefficients, 2016."""
    row = next(row for row in rows("fuel_conversion.csv") if row["fuel"] == fuel)
    per_kwh = float(row["kg_CO2_per_MMBtu"]) * 3412.14 / 1e6
    saved, heat = _saved(Baseline(kind=kind), Prices())
    assert saved.co2.value == pytest.approx(heat / efficiency * per_kwh, rel=1e-3)


@pytest.mark.parametrize("kind", ["electric-tank", "heat-pump-tank"])
def test_co2_of_electricity_is_never_guessed(kind):
    saved, heat = _saved(Baseline(kind=kind, efficiency=2.0), Prices(electricity_per_kwh=0.3))
    assert saved.co2.basis == "unavailable"
    saved, heat = _saved(Baseline(kind=kind, efficiency=2.0), Prices(electricity_co2_kg_per_kwh=0.4))
    assert saved.co2.value == pytest.approx(heat / 2.0 * 0.4)


def test_a_standby_loss_counts_only_where_it_is_stated():
    """60 W for 24 h are 1.44 kWh of heat; at an efficiency of 0.9, 1.6 kWh bought."""
    plain, heat = _saved(Baseline(efficiency=0.9), Prices())
    assert plain.energy.value == pytest.approx(heat / 0.9)
    saved, _ = _saved(Baseline(efficiency=0.9, standby_w=60.0), Prices())
    assert saved.energy.value == pytest.approx(heat / 0.9 + 1.6)
    assert saved.energy.plus_minus == pytest.approx(plain.energy.plus_minus)
    assert saved.energy.why.endswith("efficiency of 0.9 and a standby loss of 60 W.")


def test_the_standby_of_a_class_b_tank_is_that_of_its_label():
    """300 l, class B: 70.06 W at 45 K, Regulation (EU) 812/2013, table 2: 1.68 kWh a day."""
    row = next(row for row in rows("tank_label_class.csv") if row["V_l"] == "300")
    baseline = Baseline(efficiency=1.0, standby_w=float(row["S_B_W"]))
    saved, heat = _saved(baseline, Prices())
    assert saved.energy.value - heat == pytest.approx(1.681, abs=0.001)


def test_standby_is_paid_around_the_clock_and_the_draws_when_they_are_drawn():
    """Dear from 18 to 22: half of the draws' heat at 0.50, half at 0.10; standby for 4 of 24 hours at 0.50."""
    bands = (
        TariffBand(from_minute=18 * 60, to_minute=22 * 60, per_kwh=0.50),
        TariffBand(from_minute=0, to_minute=1440, per_kwh=0.10),
    )
    saved, heat = _saved(Baseline(efficiency=0.9, standby_w=60.0), Prices(electricity_per_kwh=bands))
    mean = (4 * 0.50 + 20 * 0.10) / 24
    assert saved.money.value == pytest.approx(heat / 0.9 * 0.30 + 1.6 * mean, rel=1e-6)


def test_standby_counts_for_the_time_that_the_readings_cover_and_no_longer():
    readings = _readings()
    draw = readings["draw"]
    hour = (draw.time_ms - DAY.start_ms) / 3.6e6
    heard = (hour < 12) | (hour > 18)
    readings["draw"] = replace(draw, time_ms=draw.time_ms[heard], value=draw.value[heard])
    house = replace(FREE, baseline=Baseline(efficiency=1.0, standby_w=100.0))
    ledger = account(house, readings).ledger
    standby = ledger.saved.energy.value - ledger.hot_water.heat.value
    assert standby == pytest.approx(2.4 * ledger.saved.energy.coverage)
    assert ledger.saved.energy.coverage == pytest.approx(0.75, abs=0.002)


def _heard_for_an_hour(readings):
    """The same, and no reading after 01:00 of the day."""
    heard = {name: each.time_ms < DAY.start_ms + HOUR * 1000 for name, each in readings.items()}
    return {
        name: replace(each, time_ms=each.time_ms[heard[name]], value=each.value[heard[name]])
        for name, each in readings.items()
    }


def test_what_an_unheard_day_may_have_drawn_is_in_doubt_in_what_it_saved():
    """An hour in which nobody drew: nothing saved, give or take the heat's own doubt ÷ 0.9, each kWh at 0.2."""
    house = replace(FREE, baseline=Baseline(efficiency=0.9), prices=FLAT)
    ledger = account(house, _heard_for_an_hour(_readings())).ledger
    saved, heat = ledger.saved, ledger.hot_water.heat
    assert (heat.value, saved.energy.value, saved.money.value) == (0.0, 0.0, 0.0)
    assert heat.plus_minus > 1.0
    assert saved.energy.plus_minus == pytest.approx(heat.plus_minus / 0.9)
    assert saved.money.plus_minus == pytest.approx(heat.plus_minus / 0.9 * 0.2)
    assert saved.co2.plus_minus == pytest.approx(heat.plus_minus / 0.9 * 0.5)


def test_what_an_unheard_element_may_have_bought_is_in_doubt_in_what_was_saved():
    """It may have run for the 23 hours at its 2 kW: the savings are off by what was bought, kWh for kWh."""
    rod = Heater(id="rod", power="rod.power", rated_w=2000)
    stage = Stage(id="backup", name="Element", heater="rod", backup=True)
    house = replace(
        FREE, points={**FREE.points, "rod.power": ROD_POWER}, heaters={"rod": rod}, stages={"backup": stage}
    )
    readings = _heard_for_an_hour({**_readings(), "rod.power": constant(0.0)})
    ledger = account(replace(house, baseline=Baseline(efficiency=0.9), prices=FLAT), readings).ledger
    bought, heat = ledger.purchased, ledger.hot_water.heat
    assert bought.value == 0.0
    assert bought.plus_minus > 10.0
    assert ledger.saved.energy.plus_minus == pytest.approx(np.hypot(bought.plus_minus, heat.plus_minus / 0.9), rel=0.05)
    assert ledger.saved.money.plus_minus == pytest.approx(0.2 * ledger.saved.energy.plus_minus)


OVERNIGHT = (
    TariffBand(from_minute=22 * 60, to_minute=6 * 60, per_kwh=0.1, months=(1, 2, 3, 10, 11, 12), days=(0, 1, 2, 3, 4)),
    TariffBand(from_minute=12 * 60, to_minute=13 * 60, per_kwh=0.2, days=(5, 6)),
    TariffBand(from_minute=0, to_minute=1440, per_kwh=0.3),
)


def _by_the_clock(instant: datetime) -> float:
    """The tariff in words: nights of winter's working days 0.1, noon at week-ends 0.2, all else 0.3."""
    if (
        instant.month in (1, 2, 3, 10, 11, 12)
        and instant.isoweekday() <= 5
        and (instant.hour >= 22 or instant.hour < 6)
    ):
        return 0.1
    return 0.2 if instant.isoweekday() > 5 and instant.hour == 12 else 0.3


@pytest.mark.parametrize(
    ("zone", "when"),
    [
        ("Europe/Berlin", date(2026, 3, 29)),  # 23 hours, a Sunday
        ("Europe/Berlin", date(2026, 10, 25)),  # 25 hours, a Sunday
        ("Europe/Berlin", date(2026, 10, 26)),
        ("Europe/Berlin", date(2026, 7, 6)),
        ("America/New_York", date(2026, 11, 1)),
        ("America/New_York", date(2026, 2, 6)),
        ("Australia/Lord_Howe", date(2026, 4, 5)),  # half an hour
        ("Africa/Cairo", date(2026, 4, 24)),  # a Friday of 23 hours
    ],
)
def test_the_price_of_each_minute_is_that_of_the_houses_clock(zone, when):
    day = local_day(when, zone)
    found = electricity_price(Prices(electricity_per_kwh=OVERNIGHT), day)
    step_ms = (day.end_ms - day.start_ms) / len(found)
    clock = [
        datetime.fromtimestamp((day.start_ms + n * step_ms) / 1000, UTC).astimezone(ZoneInfo(zone))
        for n in range(len(found))
    ]
    assert found.tolist() == [_by_the_clock(instant) for instant in clock]


def test_a_part_of_the_day_without_a_price_leaves_the_money_unknown_and_the_energy_known():
    bands = (TariffBand(from_minute=0, to_minute=23 * 60, per_kwh=0.1),)
    saved, _ = _saved(Baseline(), Prices(electricity_per_kwh=bands))
    assert (saved.money.basis, saved.energy.basis) == ("unavailable", "estimated")
    assert saved.money.why == "The price bands for electricity leave a part of this day without a price."


def _heat_pump_house():
    points = [
        *POINTS,
        *(point(name, "temperature", "degC") for name in ("ewt", "lwt", "din", "dout")),
        *(point(name, "flow", "l/s") for name in ("brine", "dflow")),
        point("hp", "power", "W", sampling="mean"),
    ]
    return site(
        points,
        fluids={"w": FluidMix(id="w"), "b": FluidMix(id="b", kind="propylene-glycol", mass_percent=25)},
        tanks={"store": Tank(id="store", volume_l=200.0)},
        loops={
            "ground": Loop(id="ground", fluid="b", entering="ewt", leaving="lwt", flow="brine"),
            "dsh": Loop(id="dsh", fluid="w", entering="din", leaving="dout", flow="dflow"),
        },
        heat_pumps={"hp": HeatPump(id="hp", power="hp", source_loop="ground", desuperheater_loop="dsh")},
        stages={"ground": Stage(id="ground", name="Ground", loop="dsh", tank="store")},
        hot_water=HotWater(tanks=("store",), cold="cold", hot="hot", flow="draw"),
        prices=Prices(electricity_per_kwh=0.2),
    )


def _running(entering_degc, leaving_degc):
    on = (6 * HOUR, 16 * HOUR)
    return _readings() | {
        "ewt": constant(entering_degc),
        "lwt": constant(leaving_degc),
        "brine": stepped(*on, 0.5),
        "din": constant(40.0),
        "dout": constant(45.0),
        "dflow": stepped(*on, 0.05),
        "hp": stepped(*on, 1500.0),
    }


def test_in_heating_the_hot_water_is_charged_desuperheater_heat_over_cop():
    """0.05 l/s, 40 to 45 degC: 1.03 kW for 10 h; 5.95 kW from the ground and 1.5 kW give COP 4.97: 2.08 kWh."""
    ledger = account(_heat_pump_house(), _running(0.0, -3.0)).ledger
    by_hand = 0.05 * 0.9922 * 4.179 * 5 * 10 / 4.968  # l/s x kg/l x kJ/(kg K) x K x h / COP
    assert ledger.purchased.value == pytest.approx(by_hand, rel=3e-3)


def test_in_cooling_the_hot_water_is_charged_nothing():
    ledger = account(_heat_pump_house(), _running(25.0, 30.0)).ledger
    assert ledger.stages[0].heat.value > 10
    assert ledger.purchased.value == 0.0
    assert np.isfinite(ledger.saved.money.value)


@pytest.mark.parametrize(
    ("zone", "day", "nights"),
    [
        ("America/New_York", date(2026, 2, 3), "00:00 to 06:00 and 22:00 to 24:00"),  # a Tuesday
        ("America/New_York", date(2026, 3, 7), ""),  # a Saturday
        ("Europe/Madrid", date(2026, 3, 29), ""),  # a Sunday of 23 hours
    ],
)
def test_when_each_price_of_a_day_held_is_told_by_the_clock(zone, day, nights):
    local = local_day(day, zone)
    price = electricity_price(Prices(electricity_per_kwh=OVERNIGHT), local)
    told = times_of_prices(price, local)
    assert told.get(0.1, "") == nights
    assert told.get(0.2, "") == ("" if nights else "12:00 to 13:00")
    assert told[0.3] == ("06:00 to 22:00" if nights else "00:00 to 12:00 and 13:00 to 24:00")
