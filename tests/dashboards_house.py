"""
An invented house for the tests of the pages: its readings are drawn by hand, its accounts are real.

Curves are simple shapes (a sunny noon, four draws a day), not physics; what matters is that the ledgers and the courses
come from the same code as in service.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analytics.day import DayResult, account_day
from analytics.site import Site
from analytics.site_file import parse_site
from analytics.trace import LocalDay, Trace, local_day
from dashboards.contexts import (
    AlertContext,
    AlertView,
    FleetContext,
    FleetSite,
    HomeContext,
    Latest,
    SiteContext,
    Transition,
)

__all__ = ["DAY", "NOW", "alert", "alert_context", "days", "fleet_context", "home_context", "house", "site_context"]

_FILE = Path(__file__).parent / "cases" / "dashboards" / "house.toml"
DAY = date(2026, 3, 12)
NOW = datetime(2026, 3, 12, 19, 30, tzinfo=UTC)  # 15:30 at the house
_N_DAYS = 12
_STEP_S = 60


@cache
def house() -> Site:
    return parse_site(_FILE.read_text(), file=_FILE.name)


def _bump(hour: NDArray[np.float64], middle: float, width: float) -> NDArray[np.float64]:
    """A rounded hill, 1 high."""
    return np.clip(1 - ((hour - middle) / width) ** 2, 0, None)


def _drawing(hour: NDArray[np.float64]) -> NDArray[np.bool_]:
    openings = ((7.0, 8), (7.5, 4), (12.5, 3), (18.0, 9))
    return np.any([(hour >= start) & (hour < start + minutes / 60) for start, minutes in openings], axis=0)


def _curves(hour: NDArray[np.float64], sun: float, *, pump_works: bool) -> Mapping[str, NDArray[np.float64]]:
    """One value a minute for every point, at local hours since midnight; `sun` is how bright the day is, 0 to 1."""
    light = sun * _bump(hour, 12.5, 4.5)
    called, pumping = (light > 0.15) * 1.0, (light > 0.15) * (1.0 if pump_works else 0.0)
    compressor = ((hour % 6 > 1) & (hour % 6 < 3)) * 1.0
    element = ((hour > 5) & (hour < 5.6) | (hour > 19) & (hour < 19.3 + (1 - sun))) * 1.0
    store = 44 + 12 * sun * pumping.mean() + 8 * np.sin((hour - 9) / 24 * 2 * np.pi) * pumping.mean()
    flat = np.ones_like(hour)
    return {
        "cold.temp": 7.5 * flat,
        "draw.flow": np.where(_drawing(hour), 7.5, 0.0),
        "preheat.top": 30 + 5 * np.sin((hour - 3) / 6 * 2 * np.pi),
        "preheat.bottom": 21 + 3 * np.sin((hour - 3) / 6 * 2 * np.pi),
        "preheat.out": 30 + 5 * np.sin((hour - 3) / 6 * 2 * np.pi),
        "solar.top": store + 6,
        "solar.middle": store,
        "solar.bottom": store - 9,
        "hot.temp": store + 5,
        "mixed.temp": np.minimum(store + 4, 48.5),
        "dsh.entering": 28 * flat,
        "dsh.leaving": 28 + 6 * compressor,
        "dsh.flow": 4.0 * compressor,
        "dsh.pump": compressor,
        "ground.entering": 4 - 3 * compressor,
        "ground.leaving": 4 + 0 * compressor,
        "ground.flow": 26 * compressor,
        "ground.pump": 140 * compressor,
        "hp.power": 2300 * compressor,
        "collector.entering": store - 8,
        "collector.leaving": store - 8 + np.where(pumping > 0, 9 * light, 60 * light * called),
        "collector.flow": 5.2 * pumping,
        "collector.pump": 45 * called,
        "collector.sun": 900 * light,
        "element.power": 4500 * element,
        "outdoor.temp": 3 + 5 * light,
    }


def _traces(days_wanted: Sequence[LocalDay]) -> Mapping[str, Trace]:
    """Readings of several days in a row; the collector's pump has failed from the last day's 9 o'clock on."""
    parts: dict[str, list[NDArray[np.float64]]] = {}
    times = []
    for i, day in enumerate(days_wanted):
        second = np.arange(0, day.seconds, _STEP_S)
        times.append(day.start_ms + (second * 1000).astype(np.int64))
        sun = (0.9, 0.35, 0.7, 0.1, 0.8)[i % 5]
        curves = _curves(second / 3600, sun, pump_works=i < len(days_wanted) - 1)
        for point, values in curves.items():
            ripple = 0.04 * np.sin(np.arange(len(values)) * 0.7)  # a sensor that never moves would be taken for stuck
            is_warmth = house().points[point].quantity == "temperature"
            parts.setdefault(point, []).append(np.round(values + ripple * is_warmth, 3))
    time_ms = np.concatenate(times)
    return {point: Trace(time_ms, np.concatenate(values)) for point, values in parts.items()}


def _until(traces: Mapping[str, Trace], now: datetime) -> Mapping[str, Trace]:
    last = int(now.timestamp() * 1000)
    return {p: Trace(t.time_ms[t.time_ms <= last], t.value[t.time_ms <= last]) for p, t in traces.items()}


@cache
def days() -> tuple[DayResult, ...]:
    """Twelve days that end with the day in progress."""
    site, wanted = house(), [DAY - timedelta(days=i) for i in range(_N_DAYS)][::-1]
    cut = [local_day(day, site.timezone) for day in wanted]
    traces, state, results = _until(_traces(cut), NOW), None, []
    for day in cut:
        until = int(NOW.timestamp() * 1000) if day.end_ms > NOW.timestamp() * 1000 else None
        results.append(account_day(site, traces, day, state=state, until_ms=until))
        state = results[-1].state
    return tuple(results)


def _latest() -> Mapping[str, Latest]:
    signals = days()[-1].plant.signals
    at = NOW - timedelta(seconds=42)
    return {point: Latest(at, float(signal.value[-1])) for point, signal in signals.items() if len(signal.value)}


def alert(**changes: object) -> AlertView:
    """The failed circulator of the last day, or another alert where fields are changed."""
    began = datetime(2026, 3, 12, 13, 0, tzinfo=UTC)
    usual = AlertView(
        id="quarry-road-3.loop-no-flow.collector.20260312",
        site="quarry-road-3",
        kind="loop-no-flow",
        component="collector",
        severity="urgent",
        state="open",
        began=began,
        detected=began + timedelta(minutes=10),
        ended=None,
        summary="The collector pump is called for, and nothing moves: 0.0 l/min for 20 minutes, at least 1.0 expected.",
        evidence={
            "flow_l_min": 0.0,
            "flow_limit_l_min": 1.0,
            "pump_called_min": 20,
            "leaving_degc": 88.4,
            "irradiance_w_m2": 640.0,
            "usual_flow_l_min": None,
        },
        likely_causes=["The circulator has failed.", "A valve in the loop is closed.", "Air stands in the loop."],
        checks=[
            "Is there voltage at the circulator?",
            "Are both valves open?",
            "Does the pressure gauge show pressure?",
        ],
        cost_per_day=0.93,
    )
    return replace(usual, **changes)


def fleet_context(**changes: object) -> FleetContext:
    """Three houses: one broken, one silent, one quiet."""
    site, last = house(), days()[-2].ledger
    silent = replace(site, id="mill-lane-8", name="Mill Lane 8")
    quiet = replace(site, id="orchard-5", name="Orchard 5")
    lines = [
        FleetSite(site=quiet, alerts=[], newest_reading=NOW - timedelta(seconds=20), last_day=last),
        FleetSite(site=silent, alerts=[], newest_reading=NOW - timedelta(hours=7), last_day=None),
        FleetSite(site=site, alerts=[alert()], newest_reading=NOW - timedelta(seconds=42), last_day=last),
    ]
    return replace(FleetContext(sites=lines, now=NOW), **changes)


def site_context(**changes: object) -> SiteContext:
    usual = SiteContext(
        site=house(),
        now=NOW,
        day=DAY,
        plant=days()[-1].plant,
        ledgers=[result.ledger for result in days()],
        alerts=[alert()],
        latest=_latest(),
        first_day=DAY - timedelta(days=_N_DAYS - 1),
        last_day=DAY,
        span_days=14,
    )
    return replace(usual, **changes)


def alert_context(**changes: object) -> AlertContext:
    shown = alert()
    usual = AlertContext(
        alert=shown,
        site=house(),
        now=NOW,
        transitions=[Transition(at=shown.detected, state="open")],
        plants=[result.plant for result in days()[-2:]],
        ledgers=[result.ledger for result in days()],
    )
    return replace(usual, **changes)


def home_context(**changes: object) -> HomeContext:
    usual = HomeContext(
        site=house(),
        now=NOW,
        month=DAY.replace(day=1),
        ledgers=[result.ledger for result in days()],
        alerts=[],
        newest_reading=NOW - timedelta(seconds=42),
        first_month=date(2026, 2, 1),
        last_month=date(2026, 3, 1),
    )
    return replace(usual, **changes)
