"""What was to be expected, as commands, JSON and pages tell it, and where the sun is known from neighbours only."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from analytics.expected.stages import expected_of_record
from analytics.expected.subjects import why_no_expectation
from analytics.figures import day_from_json
from analytics.trace import local_day
from api.commands import main
from api.day_rows import store_outcomes
from api.expected_record import expected_json, expected_record
from api.migrate import open_records
from api.neighbours import NEAR_KM, distance_km, sky_of_neighbours
from api.pages import Sources, alert_context
from api.records import AlertRow, Records
from api.schemas import ExpectedOut
from api.sites import add_version, parsed, present_site
from dashboards.contexts import SiteContext
from dashboards.render import render_alert, render_site
from ingest.duckdb_store import open_duckdb_store
from ingest.virtual import SCENARIOS, Fault, simulate
from tests.accounts import account_days
from tests.virtual_days import layout_text, virtual_days

_START, _DAYS, _BROKEN = date(2026, 3, 20), 44, 34
_SITE, _ZONE = "olive-lane-12", "Europe/Madrid"


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with a house whose collector dust has covered since its 35th day."""
    folder = tmp_path_factory.mktemp("data")
    began_ms = local_day(_START + timedelta(days=_BROKEN), _ZONE).start_ms
    fault = Fault(name="collector-fouled", start_ms=began_ms)
    outcomes = virtual_days("solar-one-tank", _START, days=_DAYS, faults=[fault])
    with open_records(f"sqlite:///{folder / 'records.db'}") as records, records.begin() as session:
        add_version(session, layout_text("solar-one-tank"), valid_from=None, today=_START, now_ms=0)
        store_outcomes(session, _SITE, outcomes, due={}, computed_ms=0)
    return folder


@pytest.fixture
def records(data: Path) -> Iterator[Records]:
    with open_records(f"sqlite:///{data / 'records.db'}") as opened:
        yield opened


def _told(records: Records, **span: date) -> dict[str, object]:
    with records.look() as session:
        return expected_json(expected_record(session, _SITE, **span))


def test_the_json_says_what_was_had_and_what_was_to_be_expected(records: Records) -> None:
    told = _told(records)
    ExpectedOut.model_validate(told)
    (sun,) = told["parts"]  # type: ignore[misc]
    assert (sun["component"], sun["state"]) == ("sun", "less")
    assert abs((date.fromisoformat(sun["since"]) - _START).days - _BROKEN) <= 2
    judged = [day for day in sun["days"] if day["standardised"] is not None]
    for day in judged:
        off = (day["value"] - day["expected"]) / (day["plus_minus"] / 2)
        assert day["standardised"] == pytest.approx(off, rel=0.06, abs=0.01), (
            day
        )  # the interval is Student's, not twice
    assert sun["fits"][0]["is_within_limits"]
    (backup,) = told["backups"]  # type: ignore[misc]
    assert len(backup["days"]) == _DAYS
    assert told["silent"] == {}


def test_some_days_asked_for_are_those_of_the_whole_record(records: Records) -> None:
    """Read from what the day before handed on, without the days that came before."""
    first = _START + timedelta(days=30)
    (some,), (whole,) = _told(records, first=first)["parts"], _told(records)["parts"]  # type: ignore[misc]
    assert some["days"] == whole["days"][30:]
    assert (some["since"], some["fits"]) == (whole["since"], whole["fits"])


def test_the_command_tells_it_in_words_first(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expected", _SITE, "--data", str(data)]) == 0
    shown = capsys.readouterr().out
    assert "% less than its first weeks would lead one to expect, since" in shown.splitlines()[0]
    assert "CV(RMSE)" in shown
    assert "a lasting shift of 2 (3) standard deviations found after 5.7 (3.1) days" in shown
    assert main(["expected", _SITE, "--data", str(data), "--format", "json", "--from", "2026-04-30"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [day["day"] for day in told["parts"][0]["days"]] == ["2026-04-30", "2026-05-01", "2026-05-02"]


def test_days_the_wrong_way_round_are_refused(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expected", _SITE, "--data", str(data), "--from", "2026-05-01", "--to", "2026-04-01"]) == 2
    assert "no day lies between them" in capsys.readouterr().err


def test_days_without_an_account_are_refused(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["expected", _SITE, "--data", str(data), "--from", "2030-01-01"]) == 2
    assert f"{_SITE} has no ledger of any day from 2030-01-01 on" in capsys.readouterr().err


def test_days_before_the_house_was_commissioned_say_so(records: Records) -> None:
    with records.look() as session:
        found = expected_record(session, _SITE)
    site = replace(found.site, commissioned=date(2027, 2, 3))
    told = expected_json(replace(found, site=site, parts=expected_of_record(site, found.days)))
    assert told["parts"][0]["sentence"] == (
        "Solar: nothing was expected on these days. The house was commissioned on 3 February 2027; its days count from "
        "then."
    )


def test_the_page_draws_given_beside_expected_with_the_words_first(records: Records) -> None:
    last = _START + timedelta(days=_DAYS - 1)
    with records.look() as session:
        found = expected_record(session, _SITE, first=last - timedelta(days=29), last=last)
    page = render_site(
        SiteContext(
            site=found.site,
            now=datetime(2026, 5, 3, 12, tzinfo=UTC),
            day=last,
            plant=None,
            ledgers=found.days,
            alerts=[],
            latest={},
            expected=found.parts,
            silent={"other": "Nothing tells of it."},
        )
    )
    assert "Solar: what should it have given?" in page
    assert "less than its first weeks would lead one to expect, since" in page
    assert "How is it expected?" in page
    assert "CV(RMSE)" in page
    assert "Nothing tells of it." in page


def test_the_alert_of_a_lasting_shift_draws_given_beside_expected(records: Records, tmp_path: Path) -> None:
    began = _START + timedelta(days=_BROKEN)
    body = {
        "id": "sun",
        "site": _SITE,
        "kind": "stage-below-expected",
        "component": "sun",
        "severity": "soon",
        "began": f"{began}T00:00:00+02:00",
        "detected": f"{began + timedelta(days=5)}T00:00:00+02:00",
        "ended": None,
        "summary": "The sun gives less than it did.",
        "evidence": {"cusum_sd": 6.2, "had_kwh": 20.1},
        "likely_causes": [],
        "checks": [],
        "cost_per_day": None,
    }
    with records.begin() as session:
        session.add(AlertRow(id="sun", site_id=_SITE, state="open", body=body, acknowledged_by="", note=""))
    with open_duckdb_store(tmp_path) as store:
        now_ms = round(datetime(2026, 5, 3, 12, tzinfo=UTC).timestamp() * 1000)
        context = alert_context(Sources(records=records, store=store, now_ms=now_ms), "sun")
    with records.begin() as session:
        session.delete(session.get_one(AlertRow, "sun"))  # the folder is shared
    (part,) = context.expected
    assert (part.subject.key, part.days[0].day) == ("sun.heat", began - timedelta(days=14))
    page = render_alert(context)
    assert "Solar: what should it have given?" in page
    assert "CUSUM, in standard deviations" in page


def test_a_degree_of_latitude_is_111_km_long() -> None:
    """10 000 km from pole to equator, as the metre was first defined: 111.1 km a degree; Berlin to Potsdam 27 km."""
    site = parsed(layout_text("two-tank"))
    north = replace(site, latitude_deg=site.latitude_deg + 1.0)
    assert distance_km(site, north) == pytest.approx(10_000 / 90, rel=0.002)
    berlin, potsdam = (
        replace(site, latitude_deg=lat, longitude_deg=lon) for lat, lon in ((52.52, 13.405), (52.40, 13.065))
    )
    assert distance_km(berlin, potsdam) == pytest.approx(27, abs=1)


def test_the_nearest_houses_tell_of_the_sun(records: Records, tmp_path: Path) -> None:
    """A house without a sun sensor takes its neighbour's; one that is too far off says nothing."""
    with records.look() as session:
        measuring = present_site(session, _SITE)
        near = replace(measuring, id="near", latitude_deg=measuring.latitude_deg + 0.1)
        blind = {name: replace(each, irradiance=None) for name, each in measuring.collectors.items()}
        sky = sky_of_neighbours(session, replace(near, collectors=blind))
        assert sky is not None
        assert len(sky) == _DAYS
        assert all(0 < part < 1.2 for part in sky.values())
        far = replace(near, latitude_deg=measuring.latitude_deg + 1.1 * NEAR_KM / 111.1, collectors=blind)
        assert sky_of_neighbours(session, far) is None
        assert sky_of_neighbours(session, near) is None


def test_the_sun_of_neighbours_makes_an_expectation_with_a_wider_interval(records: Records) -> None:
    with records.look() as session:
        own = expected_record(session, _SITE)
    days = [_START + timedelta(days=n) for n in range(_DAYS)]
    blind = {name: replace(each, irradiance=None) for name, each in own.site.collectors.items()}
    site = replace(own.site, collectors=blind)
    began_ms = local_day(_START + timedelta(days=_BROKEN), _ZONE).start_ms
    fault = Fault(name="collector-fouled", start_ms=began_ms)
    run = simulate(SCENARIOS["solar-one-tank"], start=_START, days=_DAYS, seed=8, perfect=False, faults=[fault])
    record = [result.ledger for result in account_days(site, run.traces, days)]
    with records.look() as session:
        sky = sky_of_neighbours(session, replace(site, id="next-door"))
    (sun,) = expected_of_record(site, record, sky=sky)
    (measured,) = own.parts
    assert sun.signals
    assert sun.signals[0].way == "low"
    widths = [np.nanmedian([day.half_width for day in each.days]) for each in (sun, measured)]
    assert widths[0] > 1.3 * widths[1]


def test_without_a_sensor_and_without_neighbours_it_is_said_that_only_the_ceiling_is_known() -> None:
    site = parsed(layout_text("energy-counters"))
    assert "only the ceiling of a cloudless sky" in why_no_expectation(site, site.stages["sun"])
    assert why_no_expectation(site, site.stages["sun"], has_sky=True) == ""
    assert "no sensor of the fluid that enters" in why_no_expectation(site, site.stages["ground"])


def test_every_kept_state_tells_what_is_expected(records: Records) -> None:
    """Ledgers as kept carry all that is needed: read back, they promise the same."""
    with records.look() as session:
        found = expected_record(session, _SITE)
    again = [day_from_json(_SITE, json.loads(json.dumps(day))) for day in _kept(records)]
    (one,), (other,) = found.parts, expected_of_record(found.site, again)
    np.testing.assert_array_equal(one.lower, other.lower)


def _kept(records: Records) -> list[dict[str, object]]:
    from sqlalchemy import select

    from api.records import DayRow

    with records.look() as session:
        return list(session.scalars(select(DayRow.ledger).where(DayRow.site_id == _SITE).order_by(DayRow.day)))
