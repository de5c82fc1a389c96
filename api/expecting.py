"""What is expected of a house, between the analytics and the records: carried from day to day with each day's state."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from functools import lru_cache
from math import inf
from typing import Any

from analytics.detection import DETECTORS, Detector
from analytics.detection.cop_rise import CopRise
from analytics.detection.ground_loop_cold import GroundLoopCold
from analytics.detection.heat_pump_balance import HeatPumpBalance
from analytics.detection.heat_pump_low_cop import HeatPumpLowCop
from analytics.detection.heater_no_output import HeaterNoOutput
from analytics.detection.loop_low_flow import LoopLowFlow
from analytics.detection.loop_never_called import LoopNeverCalled
from analytics.detection.loop_no_flow import LoopNoFlow
from analytics.detection.stage_below_expected import StageBelowExpected
from analytics.expected.balance import balance_subjects
from analytics.expected.first_flows import flows_so_far
from analytics.expected.nearby import NearbySun
from analytics.expected.stages import watch_site
from analytics.expected.subjects import Subject, at_a_stand, subjects_of
from analytics.expected.watching import Watched, watched_from_json
from analytics.figures import DayLedger
from analytics.site import Site
from analytics.trace import LocalDay, local_day
from api.sites import parsed

__all__ = ["detectors_knowing", "expected_so_far", "troubled_on", "watched_on"]

_STANDS = frozenset((LoopNoFlow.kind, LoopNeverCalled.kind, HeaterNoOutput.kind))


def expected_so_far(state: Mapping[str, Any] | None) -> dict[str, Watched]:
    """What a day's state (JSON) says of what is expected; nothing in states from before it was kept."""
    return watched_from_json((state or {}).get("expected") or {})


def detectors_knowing(known: Mapping[str, Watched], nearby: NearbySun | None = None) -> Sequence[Detector]:
    """The detectors, with what is expected of the house, and with the sun that houses near by agree on."""
    return [_knowing(each, known, nearby) for each in DETECTORS]


def _knowing(detector: Detector, known: Mapping[str, Watched], nearby: NearbySun | None) -> Detector:
    match detector:
        case StageBelowExpected():
            return replace(detector, watched=known, nearby=nearby)
        case GroundLoopCold() | LoopLowFlow() | HeatPumpLowCop() | CopRise() | HeatPumpBalance():
            return replace(detector, watched=known)
        case _:
            return detector


def watched_on(
    text: str,
    known: Mapping[str, Watched],
    ledger: DayLedger,
    *,
    alerts: Sequence[Mapping[str, Any]],
    earlier: DayLedger | None = None,
    nearby: NearbySun | None = None,
) -> Mapping[str, Watched]:
    """
    The same after one more whole day.

    Args:
        text: Of the site file that held on that day.
        alerts: Those at its end.
        earlier: The day before. What rests on the sun of houses near by is held against it a day late: by then their
            days have been computed.
    """
    site = parsed(text)
    if site.commissioned is not None and ledger.day < site.commissioned:
        return {}
    troubled = troubled_on(site, [ledger.day], alerts).get(ledger.day, ())
    own = watch_site(_subjects(text), known, ledger, troubled=troubled)
    flows = flows_so_far(site, known, ledger, troubled=troubled)
    return own | flows | _by_neighbours(site, known, earlier, alerts=alerts, nearby=nearby)


def _by_neighbours(
    site: Site,
    known: Mapping[str, Watched],
    day: DayLedger | None,
    *,
    alerts: Sequence[Mapping[str, Any]],
    nearby: NearbySun | None,
) -> Mapping[str, Watched]:
    """What is expected of collectors without a sun sensor; unchanged where nobody near by tells of the day."""
    if all(collector.irradiance for collector in site.collectors.values()):
        return {}
    blind = [s for s in subjects_of(site, sky=nearby.parts if nearby else {}) if s.rests_on_sky]
    kept = {subject.key: known[subject.key] for subject in blind if subject.key in known}
    if nearby is None or day is None or day.day not in nearby.parts:
        return kept
    return watch_site(blind, kept, day, troubled=troubled_on(site, [day.day], alerts).get(day.day, ()))


@lru_cache(maxsize=64)
def _subjects(text: str) -> Sequence[Subject]:
    site = parsed(text)
    return (*subjects_of(site), *balance_subjects(site))


def troubled_on(site: Site, days: Sequence[date], alerts: Sequence[Mapping[str, Any]]) -> dict[date, set[str]]:
    """
    By day, parts and sensors that alerts speak of, but for those that themselves rest on what was expected.

    What stands still is named twice, by itself and as something that other stages work without.
    """
    spans = [
        (name, _ms(alert["began"]), inf if alert["ended"] is None else _ms(alert["ended"]))
        for alert in alerts
        if alert["kind"] != StageBelowExpected.kind and "cusum_sd" not in alert["evidence"]
        for name in _names(alert)
    ]
    if not spans:
        return {}
    return {day: _spoken_of(local_day(day, site.timezone), spans) for day in days}


def _names(alert: Mapping[str, Any]) -> Sequence[str]:
    part = alert["component"]
    return (part, at_a_stand(part)) if alert["kind"] in _STANDS else (part,)


def _spoken_of(day: LocalDay, spans: Sequence[tuple[str, float, float]]) -> set[str]:
    return {component for component, began, ended in spans if began < day.end_ms and ended > day.start_ms}


def _ms(text: str) -> float:
    return datetime.fromisoformat(text).timestamp() * 1000
