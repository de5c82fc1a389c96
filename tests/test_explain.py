"""A figure's working as people get it: by the command, over HTTP, and on its page."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import httpx
import numpy as np
import pytest

from analytics.figures import Figure
from api.app import create_app
from api.explain_text import explained_text
from api.explaining import _changed, explained, work_day
from api.migrate import open_records
from api.parts import Parts
from api.schemas_explain import ExplainedOut
from api.settings import Settings
from api.sites import add_version
from api.span_names import span_of
from api.watcher import new_watch, step
from dashboards.contexts import FigureContext
from dashboards.render import render_figure
from ingest.duckdb_store import open_duckdb_store
from tests.calculator import typed_in
from tests.plain_house import INTERVAL_MS, SITE, batch_of, days_of, first_ms, readings, site_text
from tests.running_web import serving
from tests.test_dashboards_pages import Outline

DAYS = days_of("2026-03-09", 4)  # a Monday and three days of the same week; the last one is in progress
NOW_MS = first_ms(DAYS[3]) + 12 * 3_600_000


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Parts]:
    folder: Path = tmp_path_factory.mktemp("explain")
    with open_records(f"sqlite:///{folder / 'records.db'}") as records, open_duckdb_store(folder) as store:
        with records.begin() as session:
            add_version(session, site_text(), valid_from=None, today=None, now_ms=0)  # type: ignore[arg-type]
        store.write(readings(first_ms(DAYS[0]), NOW_MS))
        step(new_watch(records, store), now_ms=NOW_MS)
        yield Parts(settings=Settings(data=folder), records=records, store=store, clock=lambda: NOW_MS)


@pytest.fixture(scope="module")
def client(parts: Parts) -> Iterator[httpx.Client]:
    with serving(create_app(parts)) as url, httpx.Client(base_url=url, timeout=60) as opened:
        yield opened


def asked(client: httpx.Client, figure: str, of: str) -> httpx.Response:
    return client.get(f"/api/sites/{SITE}/explain", params={"figure": figure, "of": of})


@pytest.mark.parametrize("of", [DAYS[1], DAYS[3], "2026-W11", "2026-03", "2026"])
def test_a_figure_of_a_day_or_a_period_is_told_with_its_amounts(client: httpx.Client, of: str) -> None:
    told = asked(client, "stages.backup.heat", of).json()
    ExplainedOut.model_validate(told)
    assert told["working"]["steps"][-1]["value"] == pytest.approx(told["value"])
    # Doubts are kept to some four digits.
    assert told["interval"]["steps"][-1]["value"] == pytest.approx(told["plus_minus"], rel=1e-3)
    assert told["changed"] == ""


@pytest.mark.parametrize(("of", "days", "missing"), [("2026-W11", 4, 0), ("2026-03", 12, 8), ("2026", 71, 67)])
def test_of_a_period_that_runs_on_only_the_days_up_to_now_count(
    client: httpx.Client, of: str, days: int, missing: int
) -> None:
    told = asked(client, "stages.backup.heat", of).json()
    assert (told["days"], told["known"]) == (days, 4)
    of_day = [asked(client, "stages.backup.heat", day).json()["coverage"] for day in DAYS]
    assert told["coverage"] == pytest.approx(sum(of_day) / days)
    says = [remark for remark in told["working"]["remarks"] if "No account of that day." in remark]
    assert [f"Not in it, {missing} of {days} days: 2026-0" in remark for remark in says] == [True] * (missing > 0)


def test_a_days_working_begins_with_what_the_day_before_left(parts: Parts) -> None:
    with parts.records.look() as session:
        assert work_day(session, parts.store, SITE, day=span_of(DAYS[0]).first).before is None
        assert work_day(session, parts.store, SITE, day=span_of(DAYS[1]).first).before is not None


@pytest.mark.parametrize(
    ("figure", "of", "status", "says"),
    [
        ("heat", DAYS[0], 404, f"names more than one figure of {SITE}; it may be stages.backup.heat"),
        (
            "steam",
            DAYS[0],
            404,
            f"names no figure of {SITE} (`heatledger explain {SITE} --list` has all",
        ),
        ("hot_watr.heat", DAYS[0], 404, f"names no figure of {SITE}; it may be hot_water.heat"),
        ("hot_water.heat", "9999-12", 400, "is no day, week, month or year"),
        ("hot_water.heat", "2001-01-01", 404, "has no ledger of 2001-01-01"),
        ("hot_water.heat", "2001-W05", 404, "has no ledger of any day of 2001-W05"),
        ("hot_water.heat", "last week", 400, "is no day, week, month or year; write it as 2026-01-05, 2026-W03"),
    ],
)
def test_what_cannot_be_explained_is_said(client: httpx.Client, figure: str, of: str, status: int, says: str) -> None:
    answer = asked(client, figure, of)
    assert answer.status_code == status
    assert says in answer.json()["error"]["message"]


@pytest.mark.parametrize("of", [DAYS[1], "2026-W11"])
def test_the_page_of_a_figure_shows_what_its_twin_says(client: httpx.Client, of: str) -> None:
    told = asked(client, "hot_water.heat", of).json()
    page = Outline(client.get(f"/sites/{SITE}/explain", params={"figure": "hot_water.heat", "of": of}).text)
    assert (page.faults, page.open) == ([], [])
    assert told["working"]["steps"][-1]["expression"] in page.text
    assert all(row[0] in page.text for table in told["working"]["tables"] for row in table["rows"])
    assert all(part[key] in page.text for part in told["doubt"] for key in ("shown", "expression", "because"))
    assert [len(page.tags(tag)) for tag in ("main", "h1")] == [1, 1]
    (twin,) = [link for link in page.values("href") if link.startswith("/api/")]
    assert client.get(twin).json() == told


@pytest.mark.parametrize("figure", ["stages.backup.heat", "hot_water.heat", "tanks.store.residual"])
def test_each_source_of_a_days_doubt_is_told_with_its_sum(client: httpx.Client, figure: str) -> None:
    told = asked(client, figure, DAYS[1]).json()
    assert told["doubt"]
    for part in told["doubt"]:
        typed = typed_in(part["expression"])
        assert f"{typed:.3g}" == f"{part['standard_uncertainty']:.3g}", part["source"]
        assert part["because"].endswith(".")
    text = explained_text(told)
    assert all(f"= {part['expression']}" in text and part["because"] in text for part in told["doubt"])


def test_heat_by_origin_is_told_tank_by_tank_and_layer_by_layer(client: httpx.Client) -> None:
    told = asked(client, "stages.backup.delivered", DAYS[1]).json()
    titles = [table["title"] for table in told["working"]["tables"]]
    for title in ("Heat in store by origin", "Layers by origin: store at the start", "Water that left store"):
        assert any(each.startswith(title) for each in titles), titles
    page = Outline(
        client.get(f"/sites/{SITE}/explain", params={"figure": "stages.backup.delivered", "of": DAYS[1]}).text
    )
    assert (page.faults, page.open) == ([], [])
    assert all(title in page.text for title in titles)
    assert len(page.tags("details")) == sum(len(table["rows"]) > 12 for table in told["working"]["tables"])


def test_a_house_that_is_shown_in_gallons_is_told_first_that_its_amounts_are_metric(tmp_path: Path) -> None:
    text = site_text().replace("longitude = 13.4\n", 'longitude = 13.4\nunits = "us"\n')
    with open_records(f"sqlite:///{tmp_path / 'records.db'}") as records, open_duckdb_store(tmp_path) as store:
        with records.begin() as session:
            add_version(session, text, valid_from=None, today=None, now_ms=0)  # type: ignore[arg-type]
        store.write(readings(first_ms(DAYS[0]), first_ms(DAYS[1])))
        step(new_watch(records, store), now_ms=first_ms(DAYS[1]))
        with records.look() as session:
            told = explained(session, store, SITE, figure="hot_water.volume", span=span_of(DAYS[0]), now_ms=NOW_MS)
    first = explained_text(told).splitlines()[:4]
    assert any("litres, °C and kWh" in line and "gallons and °F" in line for line in first), first
    assert explained_text({**told, "units_note": ""}).count("gallons") == 0


def test_the_houses_page_leads_to_every_figure(client: httpx.Client) -> None:
    page = Outline(client.get(f"/sites/{SITE}", params={"day": DAYS[1]}).text)
    links = page.values("data-from")
    assert len(links) == page.text.count("How is it worked out?")
    assert {client.get(link).status_code for link in links} == {200}


def test_a_figure_leads_to_its_week_its_month_and_its_year_and_a_homeowner_to_the_months_money(
    client: httpx.Client,
) -> None:
    def links(path: str) -> list[str]:
        return [href for href in Outline(client.get(path).text).values("href") if "explain?figure=saved.money" in href]

    start = f"/sites/{SITE}/explain?figure=saved.money&of="
    wider = [f"{start}{of}" for of in ("2026-W11", "2026-03", "2026")]
    assert [href for href in links(f"{start}{DAYS[1]}") if "/api/" not in href] == wider
    assert [href for href in links(wider[0]) if "/api/" not in href] == wider[1:]
    assert [href for href in links(wider[2]) if "/api/" not in href] == []
    assert links(f"/sites/{SITE}/home?month=2026-03") == [wider[1]]
    assert [client.get(href).status_code for href in wider] == [200, 200, 200]


def test_a_figure_that_is_not_known_has_a_page_with_the_reason(parts: Parts) -> None:
    with parts.records.look() as session:
        site = work_day(session, parts.store, SITE, day=span_of(DAYS[1]).first).plant.site
        told = explained(session, parts.store, SITE, figure="hot_water.heat", span=span_of(DAYS[1]), now_ms=NOW_MS)
    unknown = {**told, "value": None, "plus_minus": None, "basis": "unavailable", "why": "The meter was silent."}
    page = Outline(render_figure(FigureContext(site=site, told={**unknown, "working": None, "interval": None})))
    assert "is not known" in page.text
    assert "The meter was silent." in page.text


def test_readings_that_came_since_are_said_to_have_changed_the_figure(tmp_path: Path) -> None:
    day = span_of(DAYS[1])
    with open_records(f"sqlite:///{tmp_path / 'records.db'}") as records, open_duckdb_store(tmp_path) as store:
        with records.begin() as session:
            add_version(session, site_text(), valid_from=None, today=None, now_ms=0)  # type: ignore[arg-type]
        store.write(readings(first_ms(DAYS[0]), NOW_MS))
        step(new_watch(records, store), now_ms=NOW_MS)
        noon_ms = first_ms(DAYS[1]) + 12 * 3_600_000 + np.arange(6, dtype=np.int64) * INTERVAL_MS
        store.write(batch_of(noon_ms, {"element": np.full(6, 1000.0)}))
        with records.look() as session:
            told = explained(session, store, SITE, figure="stages.backup.heat", span=day, now_ms=NOW_MS)
            other = explained(session, store, SITE, figure="hot_water.volume", span=day, now_ms=NOW_MS)
    assert told["changed"].startswith("Readings or the program changed since this day was accounted: worked out again")
    assert told["working"]["steps"][-1]["value"] < told["value"] - 0.5
    assert other["changed"] == ""


def test_an_interval_of_an_earlier_program_is_said_to_be_another_now() -> None:
    kept = Figure(2.437, "kWh", 0.26, "measured", 1.0, "")
    assert _changed(kept, kept) == ""
    assert _changed(kept, replace(kept, plus_minus=0.3523)).endswith("its ± is 0.3523 kWh, and the sums show that.")
    assert "it is 2.5 kWh" in _changed(kept, replace(kept, value=2.5, plus_minus=0.3523))


def test_a_week_in_which_the_site_file_changed_says_from_which_day_and_what(tmp_path: Path) -> None:
    mended = site_text().replace("electricity_per_kwh = 0.30", "electricity_per_kwh = 0.36")
    with open_records(f"sqlite:///{tmp_path / 'records.db'}") as records, open_duckdb_store(tmp_path) as store:
        with records.begin() as session:
            add_version(session, site_text(), valid_from=None, today=None, now_ms=0)  # type: ignore[arg-type]
            add_version(session, mended, valid_from=DAYS[1], today=date(2026, 3, 12), now_ms=0)
        store.write(readings(first_ms(DAYS[0]), NOW_MS))
        step(new_watch(records, store), now_ms=NOW_MS)
        with records.look() as session:
            changed = {
                of: explained(session, store, SITE, figure="saved.money", span=span_of(of), now_ms=NOW_MS)["changed"]
                for of in ("2026-W11", DAYS[0], DAYS[1])
            }
    assert changed["2026-W11"] == (
        "Within these days the site file changed: from 10 March 2026 on (prices electricity_per_kwh 0.3 → 0.36)."
    )
    assert changed[DAYS[0]] == changed[DAYS[1]] == ""
