"""What is expected of a house, between the analytics and the records: carried from day to day with each day's state."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from functools import lru_cache
from math import inf
from typing import Any

from analytics.detection import DETECTORS, Detector
from analytics.detection.loop_low_flow import LoopLowFlow
from analytics.detection.stage_below_expected import StageBelowExpected
from analytics.expected.first_flows import flows_so_far
from analytics.expected.stages import watch_site
from analytics.expected.subjects import Subject, subjects_of
from analytics.expected.watching import Watched, watched_from_json
from analytics.figures import DayLedger
from analytics.site import Site
from analytics.trace import LocalDay, local_day
from api.sites import parsed

__all__ = ["detectors_knowing", "expected_so_far", "troubled_on", "watched_on"]


def expected_so_far(state: Mapping[str, Any] | None) -> dict[str, Watched]:
    """What a day's state (JSON) says of what is expected; nothing in states from before it was kept."""
    return watched_from_json((state or {}).get("expected") or {})


def detectors_knowing(known: Mapping[str, Watched]) -> Sequence[Detector]:
    """The detectors, with what is expected of the house."""
    return [
        replace(each, watched=known) if isinstance(each, StageBelowExpected | LoopLowFlow) else each
        for each in DETECTORS
    ]


def watched_on(
    text: str, known: Mapping[str, Watched], ledger: DayLedger, *, alerts: Sequence[Mapping[str, Any]]
) -> Mapping[str, Watched]:
    """
    The same after one more whole day.

    Args:
        text: Of the site file that held on that day.
        alerts: Those at its end.
    """
    site = parsed(text)
    if site.commissioned is not None and ledger.day < site.commissioned:
        return {}
    troubled = troubled_on(site, [ledger.day], alerts).get(ledger.day, ())
    stages = watch_site(_subjects(text), known, ledger, troubled=troubled)
    return stages | flows_so_far(site, known, ledger, troubled=troubled)


@lru_cache(maxsize=64)
def _subjects(text: str) -> Sequence[Subject]:
    return subjects_of(parsed(text))


def troubled_on(site: Site, days: Sequence[date], alerts: Sequence[Mapping[str, Any]]) -> dict[date, set[str]]:
    """By day, parts and sensors that alerts speak of, but for those that say that a stage gives too little."""
    spans = [
        (alert["component"], _ms(alert["began"]), inf if alert["ended"] is None else _ms(alert["ended"]))
        for alert in alerts
        if alert["kind"] != StageBelowExpected.kind
    ]
    if not spans:
        return {}
    return {day: _spoken_of(local_day(day, site.timezone), spans) for day in days}


def _spoken_of(day: LocalDay, spans: Sequence[tuple[str, float, float]]) -> set[str]:
    return {component for component, began, ended in spans if began < day.end_ms and ended > day.start_ms}


def _ms(text: str) -> float:
    return datetime.fromisoformat(text).timestamp() * 1000
