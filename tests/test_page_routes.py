"""Pages over real HTTP: drawn from one's own files alone, who may change what, and how an error looks."""

import csv
import html
import io
import re

import pytest

from tests.plain_house import SITE
from tests.served_house import DAYS, Web, add_alert


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01", "soon"])
def test_a_page_of_an_impossible_day_says_so(web: Web, day: str) -> None:
    answer = web.client.get(f"/sites/{SITE}", params={"day": day})
    assert answer.status_code == 400
    assert "<p>Day" in answer.text


def test_a_form_takes_an_alert_on_and_leads_back_to_its_page(web: Web) -> None:
    alert = add_alert(web.records)
    answer = web.client.post(f"/alerts/{alert}/acknowledge", data={"by": "Ada"})
    assert (answer.status_code, answer.headers["location"]) == (303, f"/alerts/{alert}")


def test_a_page_of_another_site_may_change_nothing(web: Web) -> None:
    alert = add_alert(web.records)
    answer = web.client.post(
        f"/alerts/{alert}/acknowledge", data={"by": "Eve"}, headers={"Origin": "https://elsewhere.example"}
    )
    assert answer.status_code == 403
    assert web.client.get(f"/api/alerts/{alert}").json()["state"] == "open"


@pytest.mark.parametrize(
    "path",
    [
        "/",
        f"/sites/{SITE}",
        f"/sites/{SITE}?day={DAYS[0]}",
        f"/sites/{SITE}/home?month=2026-03",
        f"/sites/{SITE}/periods",
        f"/sites/{SITE}/periods?by=all",
        f"/sites/{SITE}/compare",
        f"/sites/{SITE}/compare?earlier={DAYS[0]}&later=2026-03",
        "/alerts/an-alert",
    ],
)
def test_every_page_is_drawn_and_loads_nothing_from_elsewhere(web: Web, path: str) -> None:
    add_alert(web.records)
    answer = web.client.get(path)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("text/html")
    assert "Mill Lane 1" in answer.text
    assert "no sign-in" in answer.text
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "script-src 'self';" in policy


@pytest.mark.parametrize(
    ("asked", "status", "says"),
    [
        ("periods?by=decade", 400, "By: input should be"),
        ("periods?by=week&day=2026-02-30", 400, "Day must be a day, written as YYYY-MM-DD; it is"),
        (
            "periods?by=week&day=2001-01-01",
            404,
            "1 January 2001 lies outside the account of Mill Lane 1, from 10 March 2026",
        ),
        (f"compare?earlier={DAYS[0]}", 400, "Only one of the two periods is named; choose both."),
        (f"compare?earlier=2026-13&later={DAYS[0]}", 400, "is no day, week, month or year"),
        (f"compare?earlier={DAYS[1]}&earlier_last={DAYS[0]}&later={DAYS[0]}&later_last={DAYS[0]}", 400, "ends before"),
        (f"compare?earlier=2001&later={DAYS[0]}", 404, "from 1 January 2001 to 31 December 2001 has an account"),
    ],
)
def test_a_period_that_there_is_not_is_told_in_a_sentence(web: Web, asked: str, status: int, says: str) -> None:
    answer = web.client.get(f"/sites/{SITE}/{asked}")
    assert answer.status_code == status
    (sentence,) = re.findall(r"<p>([^<]*)</p>", answer.text)
    assert says in sentence
    assert sentence.endswith(".")


def test_a_periods_page_leads_to_the_page_of_each_figure(web: Web) -> None:
    """Every link is followed: the page that works the figure out tells the same figure."""
    page = web.client.get(f"/sites/{SITE}/periods?by=week").text
    rows = re.findall(r'class="number">([^<]*)</span>.*?href="([^"]*/explain[^"]*)"', page, re.DOTALL)
    assert len(rows) > 10
    for shown, link in rows:
        answer = web.client.get(html.unescape(link))
        assert answer.status_code == 200, answer.text
        heading = re.search("<h1>([^<]*)</h1>", answer.text)
        assert heading is not None
        assert ("is not known" if shown == "—" else shown) in heading[1]


def test_an_error_on_a_page_is_a_page(web: Web) -> None:
    answer = web.client.get("/sites/none")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert "There is no site" in answer.text


def test_a_page_that_a_house_does_not_have_names_the_house_and_leads_back_to_it(web: Web) -> None:
    text = web.client.get(f"/sites/{SITE}/explain?figure=purchased&of=2020-01-01").text
    assert "<p>Mill Lane 1 has no account of 1 January 2020.</p>" in text
    assert f'href="/sites/{SITE}"' in text
    missing = web.client.get(f"/sites/{SITE}/explain?figure=nothing-alike&of={DAYS[0]}").text
    assert "names no figure of Mill Lane 1" in missing
    assert "--list" not in missing
    unknown = web.client.get("/sites/none/nothing")
    assert (unknown.status_code, f'href="/sites/{SITE}"' in unknown.text) == (404, False)


def test_a_periods_days_are_taken_away_as_files(web: Web) -> None:
    text = web.client.get(f"/sites/{SITE}/periods?by=month&day={DAYS[1]}").text
    links = [html.unescape(link) for link in re.findall(r'href="([^"]*/ledger\.[^"]*)" download', text)]
    assert [link.split("?")[0].rpartition(".")[2] for link in links] == ["xlsx", "csv", "parquet"]
    sheet, plain, parquet = (web.client.get(link) for link in links)
    assert (sheet.content[:2], parquet.content[:4]) == (b"PK", b"PAR1")
    rows = list(csv.DictReader(io.StringIO(plain.text)))
    assert [row["day"] for row in rows] == list(DAYS)
    told = web.client.get(f"/api/sites/{SITE}/ledger", params={"from": DAYS[0], "to": DAYS[0]}).json()["days"][0]
    assert float(rows[0]["hot_water.heat [kWh]"]) == told["hot_water"]["heat"]["value"]
    assert plain.headers["content-disposition"].endswith('-days.csv"')
    assert web.client.get(f"/api/sites/{SITE}/ledger.pdf").status_code == 400


def test_scripts_come_from_here_zipped_and_are_not_sent_twice(web: Web) -> None:
    first = web.client.get("/static/plotly.min.js")
    assert first.headers["content-encoding"] == "gzip"
    assert len(first.content) > 1_000_000
    again = web.client.get("/static/plotly.min.js", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert web.client.get("/static/app.css").status_code == 200
    for path in ("/static/..%2fapp.py", "/static/none.js", "/static/.hidden"):
        assert web.client.get(path).status_code == 404


def test_pages_are_sent_zipped_to_those_who_read_it(web: Web) -> None:
    zipped, plain = (web.client.get(f"/sites/{SITE}", headers={"Accept-Encoding": how}) for how in ("gzip", "identity"))
    assert zipped.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert int(zipped.headers["content-length"]) < len(plain.content) / 3
    assert zipped.text[:200] == plain.text[:200]
