"""The four pages as markup: whole, balanced, free of scripts and styles of their own, and true to their contexts."""

import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from analytics.detection.findings import CAUTION
from analytics.figure_paths import figures_by_path
from analytics.figures import day_to_json, unavailable
from analytics.site import Prices
from dashboards.charts.script import style_guards
from dashboards.contexts import Transition
from dashboards.evidence_words import evidence_line
from dashboards.explain import figure_groups
from dashboards.figure_names import figure_name
from dashboards.numbers import display_of, show_figure
from dashboards.pages.alert import cautions
from dashboards.render import render_alert, render_fleet, render_home, render_site
from tests.dashboards_house import (
    DAY,
    NOW,
    alert,
    alert_context,
    days,
    fleet_context,
    home_context,
    house,
    site_context,
)

VOID = {"meta", "link", "input", "img", "br", "hr"}
SHOW = display_of(house())


class Outline(HTMLParser):
    """Reads a page strictly: every element closed in order, ids unique, references resolved."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "script":
            self.words.append(data)

    def values(self, attribute: str) -> list[str]:
        return [attrs[attribute] or "" for _, attrs in self.found if attribute in attrs]

    def tags(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.found if name == tag]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())  # a no-break space is a space here


PAGES: dict[str, Callable[[], str]] = {
    "fleet": lambda: render_fleet(fleet_context()),
    "fleet, empty": lambda: render_fleet(fleet_context(sites=[])),
    "fleet, nothing found": lambda: render_fleet(fleet_context(query="no such house")),
    "site": lambda: render_site(site_context(notice="There is no sign-in yet.")),
    "site, nothing known": lambda: render_site(
        site_context(plant=None, ledgers=[], latest={}, alerts=[], first_day=None, last_day=None)
    ),
    "alert": lambda: render_alert(alert_context()),
    "alert, over": lambda: render_alert(
        alert_context(alert=alert(state="resolved", ended=NOW, cost_per_day=math.nan), plants=[], ledgers=[])
    ),
    "home": lambda: render_home(home_context()),
    "home, nothing known": lambda: render_home(home_context(ledgers=[], newest_reading=None, first_month=None)),
}


@pytest.fixture(params=PAGES, ids=str)
def outline(request: pytest.FixtureRequest) -> Outline:
    return Outline(PAGES[request.param]())


def test_every_element_is_closed_in_order(outline: Outline) -> None:
    assert outline.faults == []
    assert outline.open == []


def test_ids_are_unique_and_every_reference_is_met(outline: Outline) -> None:
    ids = outline.values("id")
    assert len(set(ids)) == len(ids)
    wanted = outline.values("aria-labelledby") + outline.values("for")
    wanted += [link[1:] for link in outline.values("href") if link.startswith("#")]
    assert set(wanted) <= set(ids)


# WCAG 2.2: 3.1.1 language, 2.4.2 title, 2.4.1 a way past the blocks, 1.3.1 landmarks and one first heading.
def test_a_page_names_its_language_title_landmarks_and_first_heading(outline: Outline) -> None:
    assert outline.tags("html") == [{"lang": "en"}]
    assert [len(outline.tags(tag)) for tag in ("main", "header", "footer", "h1")] == [1, 1, 1, 1]
    head = [tag for tag, _ in outline.found[: [tag for tag, _ in outline.found].index("body")]]
    assert head.count("title") == 1
    assert outline.tags("a")[0] == {"class": "skip", "href": "#main"}


def test_headings_do_not_skip_a_level(outline: Outline) -> None:
    levels = [int(tag[1]) for tag, _ in outline.found if re.fullmatch("h[1-6]", tag)]
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_a_page_carries_no_script_and_no_style_of_its_own(outline: Outline) -> None:
    attributes = {name for _, attrs in outline.found for name in attrs}
    assert not [name for name in attributes if name.startswith("on") or name == "style"]
    assert outline.tags("style") == []
    assert all(attrs.get("src") or attrs.get("type") == "application/json" for attrs in outline.tags("script"))


def test_a_page_asks_nothing_of_another_machine(outline: Outline) -> None:
    links = outline.values("href") + outline.values("src") + outline.values("action")
    assert all(link.startswith(("/", "#")) and not link.startswith("//") for link in links)


def test_every_input_has_its_label_and_every_picture_its_words(outline: Outline) -> None:
    asked = {attrs["id"] for attrs in outline.tags("input") if attrs.get("type") != "hidden"}
    assert asked <= set(outline.values("for"))
    assert all("alt" in attrs for attrs in outline.tags("img"))
    drawn = [attrs for _, attrs in outline.found if attrs.get("role") == "img"]
    assert all(attrs.get("aria-label") for attrs in drawn)


def test_every_chart_has_its_question_its_answer_and_its_table() -> None:
    page = Outline(render_site(site_context()))
    charts = [a for a in page.tags("figure") if a.get("class") == "chart"]
    assert len(charts) == 11
    assert render_site(site_context()).count('<details class="twin"><summary>The numbers') == len(charts)


def test_a_page_without_readings_says_so_and_shows_no_zero() -> None:
    text = Outline(PAGES["site, nothing known"]()).text
    assert "No reading has arrived from this house yet." in text
    assert "No readings of this day are stored." in text
    assert not re.search(r"\b0 (kWh|W|°F)", text)


def test_the_days_figures_are_those_of_the_ledger_each_with_its_grounds() -> None:
    page, ledger = Outline(render_site(site_context())).text, days()[-1].ledger
    for figure in (ledger.hot_water.heat, ledger.purchased, ledger.saved.money, ledger.stages[0].heat):
        assert show_figure(figure, SHOW) in page
    assert page.count("How is it worked out?") == sum(len(g.rows) for g in figure_groups(house(), ledger))


def test_every_figure_of_the_ledger_can_be_asked() -> None:
    ledger = days()[-1].ledger
    figures = [row.figure for group in figure_groups(house(), ledger) for row in group.rows]
    in_json = re.findall(r'"basis": "', json.dumps(day_to_json(ledger)))
    heaters_without_reverse = sum(1 for stage in house().stages.values() if stage.heater)
    assert len(figures) == len(in_json) - heaters_without_reverse


def test_a_figure_tells_its_reason() -> None:
    reason = "The ground's return sensor was silent from 03:00 on."
    ledger = replace(days()[-1].ledger, purchased=unavailable("kWh", reason))
    page = Outline(render_site(site_context(ledgers=[ledger]))).text
    assert "The ground's return sensor was silent from 3:00 am on." in page  # as a house in US units says it


def test_the_fleet_lists_the_worst_first_and_hides_what_was_not_asked_for() -> None:
    watch = alert(id="w", severity="watch", summary="Keep an eye on this.", cost_per_day=9.0)
    sites = list(fleet_context().sites)
    sites[0] = replace(sites[0], alerts=[watch])
    page = Outline(render_fleet(fleet_context(sites=sites)))
    assert page.text.index("Quarry Road 3") < page.text.index("Orchard 5") < page.text.index("Mill Lane 8")
    assert "Mill Lane 8" not in Outline(render_fleet(fleet_context(sites=sites, show="attention"))).text
    assert "Quarry Road 3" not in Outline(render_fleet(fleet_context(sites=sites, show="quiet"))).text
    assert "Mill Lane 8" not in Outline(render_fleet(fleet_context(sites=sites, query="ORCHARD"))).text


def test_costs_in_two_currencies_rank_by_the_electricity_that_they_would_buy() -> None:
    # 20 NOK at 2 NOK/kWh are 10 kWh; 3 USD at 0.15 USD/kWh are 20 kWh.
    sites = list(fleet_context().sites)[:2]
    priced = [("NOK", 2.0, 20.0, "Fjord Road 1"), ("USD", 0.15, 3.0, "Hill Road 2")]
    for place, (currency, per_kwh, cost, name) in enumerate(priced):
        site = replace(house(), name=name, prices=Prices(currency=currency, electricity_per_kwh=per_kwh))
        sites[place] = replace(sites[place], site=site, alerts=[alert(id=name[:2], severity="soon", cost_per_day=cost)])
    page = Outline(render_fleet(fleet_context(sites=sites)))
    assert page.text.index("Hill Road 2") < page.text.index("Fjord Road 1")


def test_the_fleet_shows_that_readings_arrive() -> None:
    text = Outline(render_fleet(fleet_context())).text
    assert "The newest reading arrived 20 s ago; 2 of 3 houses reported within the last hour." in text


def test_names_from_a_site_file_cannot_become_markup() -> None:
    evil = "<script>alert(1)</script>"
    site = replace(house(), name=evil)
    sites = [replace(line, site=site) for line in fleet_context().sites]
    for page in (
        render_fleet(fleet_context(sites=sites, query=evil)),
        render_site(site_context(site=site, alerts=[alert(summary=evil)])),
        render_alert(alert_context(site=site, alert=alert(summary=evil, evidence={evil: evil}))),
        render_home(home_context(site=site)),
    ):
        assert evil not in page
        assert "&lt;script&gt;" in page


def test_an_alert_shows_its_evidence_and_its_cautions_before_its_checks() -> None:
    shown = alert_context()
    text = Outline(render_alert(shown)).text
    for words in (*shown.alert.likely_causes, *shown.alert.checks):
        assert words in text
    assert "Flow limit 0.264 gal/min" in text
    assert text.index(CAUTION) < text.index(shown.alert.checks[0])
    assert "local code and a licensed practitioner decide" in text


@pytest.mark.parametrize(
    ("kind", "component", "words"),
    [
        ("outlet-too-hot", "", ("scald", "live")),
        ("collector-stagnation", "roof", ("pressures that injure", "live", "relief valve")),
        ("tank-lukewarm", "preheat", ("Legionella", "scald")),
        ("heater-always-on", "element", ("scald", "live", "relief valve")),
        ("sensor-missing", "hot.temp", ("live",)),
        ("site-silent", "", ("live",)),
    ],
)
def test_checks_carry_the_cautions_of_what_they_touch(kind: str, component: str, words: tuple[str, ...]) -> None:
    told = " ".join(cautions(alert(kind=kind, component=component)))
    assert [word for word in words if word not in told] == []


@pytest.mark.parametrize(
    ("name", "value", "line"),
    [
        ("flow_l_min", 3.785411784, ("Flow", "1.00 gal/min")),
        ("any_limit_degc", 52.0, ("Limit for any draw", "125.6 °F")),
        ("now_w_k", 8.2, ("Now", "8.20 W per kelvin")),
        ("fall_k_per_kw", 0.5, ("Fall", "0.900 °F/kW")),
        ("leak_l_day", 378.5411784, ("Leak", "100 gal a day")),
        ("taken_kwh_day", 0.8, ("Taken", "0.800 kWh a day")),
        ("shift_kwh_per_day", 3, ("Shift", "3.00 kWh a day")),
        ("collector_limit_l_min_m2", 0.4, ("Collector limit", "0.400 l/(min m²)")),
        ("sun_height_deg", -7.9, ("Sun height", "−7.90 °")),
        ("most_cop", 2.08, ("Most COP", "2.08")),
        ("min_days", 2, ("Days, at least", "2 days")),
        ("by_day_k", "11 Apr -5.5", ("Day by day, K", "11 Apr -5.5")),
        ("lift_limit_k", 10.0, ("Lift limit", "18.0 °F")),
        ("called_min", 20, ("Called for", "20 min")),
        ("min_run_hours", 2.0, ("Run, at least", "2 h")),
        ("limit_percent", 50.0, ("Limit", "50.0 %")),
        ("draws", 4, ("Draws", "4")),
        ("usual_flow_l_min", None, ("Usual flow", "—")),
        ("since", "10:12 on 5 January", ("Since", "10:12 am on January 5")),
        ("short_kwh", 2.5, ("Too little by", "2.50 kWh")),
        ("impossible_percent", 100.0, ("Of it above Carnot's COP", "100.0 %")),
        ("of_sheet_power_percent", 15.0, ("Power, of the maker's sheet", "15.0 %")),
        ("wrong", "hp.power", ("May be wrong", "hp.power")),
    ],
)
def test_evidence_is_written_in_the_readers_units(name: str, value: float, line: tuple[str, str]) -> None:
    assert evidence_line(name, value, SHOW) == line


def test_evidence_that_was_not_used_has_no_row_and_a_length_of_time_has_one() -> None:
    evidence = {"needless_min": 425, "needless": "7 h 5 min", "until": None}
    page = Outline(render_alert(alert_context(alert=alert(evidence=evidence)))).text
    assert page.count("Without need") == 1
    assert "Until" not in page


def test_the_parts_in_an_alerts_evidence_have_their_names() -> None:
    evidence = {"loop": "collector", "point": "solar.top", "site_name": "Quarry Road 3", "against": "its own record"}
    page = Outline(render_alert(alert_context(alert=alert(evidence=evidence)))).text
    assert "Collector loop" in page
    assert "Solar top (solar.top)" in page
    assert "its own record" in page


def test_the_numbers_stand_behind_what_to_check() -> None:
    page = render_alert(alert_context())
    assert page.index('id="evidence"') < page.index('id="checks"') < page.index('id="numbers"')


def test_only_a_house_with_a_collector_is_warned_of_it() -> None:
    low_flow = alert(kind="loop-low-flow", component="ground")
    assert any("collector" in told for told in cautions(low_flow))
    assert not any("collector" in told for told in cautions(low_flow, has_collector=False))


def test_an_alert_that_is_known_by_the_day_is_dated_by_the_day() -> None:
    midnight = datetime(2026, 3, 5, 5, 0, tzinfo=UTC)  # at the house
    page = Outline(render_alert(alert_context(alert=alert(began=midnight, is_by_day=True)))).text
    assert "Began March 5 Noticed" in page
    assert "Began March 5 at 12:00 am Noticed" in Outline(render_alert(alert_context(alert=alert(began=midnight)))).text


def test_every_figure_of_a_ledger_has_a_name_and_the_page_uses_it() -> None:
    ledger = site_context().ledgers[-1]
    labels = {row.path: row.label for group in figure_groups(house(), ledger) for row in group.rows}
    for path in figures_by_path(ledger):
        name = figure_name(house(), path)
        assert name != path
        assert name.lower().endswith(labels.get(path, name).lower())
    assert figure_name(house(), "heat_pumps.hp.heating.cop") == "Heat pump: COP in heating"
    assert figure_name(house(), "tanks.preheat.loss") == "Preheat tank: lost through the walls"
    assert figure_name(house(), "stages.sun.heat") == "Solar: heat put in"
    assert figure_name(house(), "heat_pumps.hp.steam") == "heat_pumps.hp.steam"


def test_only_an_open_alert_can_be_acknowledged() -> None:
    assert 'action="/alerts/' in render_alert(alert_context())
    taken = alert_context(
        alert=alert(state="acknowledged"),
        transitions=[Transition(at=NOW - timedelta(hours=1), state="acknowledged", by="Ann", note="going there")],
    )
    page = render_alert(taken)
    assert "<form" not in page
    assert "Taken up by Ann today at 2:30 pm : going there" in Outline(page).text.replace("pm:", "pm :")


def test_the_token_of_a_form_is_sent_back() -> None:
    page = Outline(render_alert(alert_context(form_token="abc")))
    assert {"type": "hidden", "name": "token", "value": "abc"} in page.tags("input")


def test_days_and_months_are_paged_only_where_there_is_something() -> None:
    assert 'rel="next"' not in render_site(site_context())
    assert f"day={DAY - timedelta(days=1)}" in render_site(site_context())
    assert 'rel="prev"' in render_home(home_context())
    assert 'rel="next"' not in render_home(home_context())


def test_the_charting_script_is_kept_from_writing_styles() -> None:
    assert len(style_guards()) >= 1
    assert all(f'id="{guard}"' in render_site(site_context()) for guard in style_guards())
