"""What a site's detectors have to judge is worked out once for a description, and anew for another."""

from dataclasses import replace
from datetime import date

from analytics.detection import DETECTORS
from analytics.detection.precedence import explainers
from analytics.detection.watchlist import watchlist
from ingest.virtual import SCENARIOS, simulate

_SITE = simulate(SCENARIOS["two-tank"], start=date(2026, 6, 1), days=1).site


def test_a_watchlist_is_what_each_detector_needs_with_what_would_explain_it() -> None:
    for detector in DETECTORS:
        listed = watchlist(_SITE, detector)
        assert [entry.need for entry in listed] == list(detector.needs(_SITE))
        for entry in listed:
            assert entry.explained_by == explainers(_SITE, detector.kind, entry.need.component)
    assert sum(len(watchlist(_SITE, detector)) for detector in DETECTORS) > 100


def test_an_edited_description_has_a_watchlist_of_its_own() -> None:
    first = next(iter(_SITE.stages))
    fewer = replace(_SITE, stages={first: _SITE.stages[first]})
    for detector in DETECTORS:
        watchlist(_SITE, detector)
        assert [entry.need for entry in watchlist(fewer, detector)] == list(detector.needs(fewer))
