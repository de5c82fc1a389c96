"""What is expected of a house, between the analytics and the records: carried from day to day with each day's state."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from analytics.detection import DETECTORS, Detector
from analytics.detection.stage_below_expected import StageBelowExpected
from analytics.expected.stages import watch_site
from analytics.expected.subjects import Subject, subjects_of
from analytics.expected.watching import Watched, watched_from_json
from analytics.figures import DayLedger
from analytics.site import Site
from analytics.trace import local_day
from api.sites import parsed

__all__ = ["detectors_knowing", "expected_so_far", "troubled_on", "watched_on"]


def expected_so_far(state: Mapping[str, Any] | None) -> dict[str, Watched]:
    """What a day's state (JSON) says of what is expected; nothing in states from before it was kept."""
    return watched_from_json((state or {}).get("expected") or {})


def detectors_knowing(known: Mapping[str, Watched]) -> Sequence[Detector]:
    """The detectors, with what is expected of the house."""
    return [replace(each, watched=known) if isinstance(each, StageBelowExpected) else each for each in DETECTORS]


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
    return watch_site(_subjects(text), known, ledger, troubled=troubled_on(site, ledger.day, alerts))


@lru_cache(maxsize=64)
def _subjects(text: str) -> Sequence[Subject]:
    return subjects_of(parsed(text))


def troubled_on(site: Site, day: date, alerts: Sequence[Mapping[str, Any]]) -> set[str]:
    """Parts and sensors that alerts speak of on a day, but for those that say that a stage gives too little."""
    local = local_day(day, site.timezone)
    return {
        alert["component"]
        for alert in alerts
        if alert["kind"] != StageBelowExpected.kind
        and _ms(alert["began"]) < local.end_ms
        and (alert["ended"] is None or _ms(alert["ended"]) > local.start_ms)
    }


def _ms(text: str) -> float:
    return datetime.fromisoformat(text).timestamp() * 1000
