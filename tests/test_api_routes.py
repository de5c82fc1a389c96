"""Routes over real HTTP: what they answer, who may do what, and what their errors say."""

import base64
import json

import cbor2
import httpx
import pytest

from api.records import AlertRow
from api.schemas import (
    AlertDetailOut,
    ComparedOut,
    CoursesOut,
    ExpectedOut,
    HealthOut,
    LedgerOut,
    MonthOut,
    ReceiptOut,
    SiteOut,
)
from tests.plain_house import POINTS, SITE
from tests.served_house import DAYS, KEY, NOW_MS, Web, add_alert


def pack(value: float = 51.5, *, time_s: float = NOW_MS / 1000 + 30, name: str = "tank.top") -> list[dict[str, object]]:
    return [{"bn": f"{SITE}/", "bt": time_s, "n": name, "u": "Cel", "v": value}]


def post(web: Web, payload: bytes, *, kind: str = "application/senml+json", token: str | None = None) -> httpx.Response:
    token = web.token if token is None else token
    headers = {"Content-Type": kind} | ({"Authorization": f"Bearer {token}"} if token else {})
    return web.client.post(f"/api/sites/{SITE}/readings", content=payload, headers=headers)


@pytest.mark.parametrize(
    ("is_by_day", "when"), [(False, "13:30 on 11 March"), (True, "11 March")], ids=["by the minute", "by the day"]
)
def test_an_alert_that_is_over_says_so_before_its_sentence(web: Web, is_by_day: bool, when: str) -> None:
    alert = add_alert(web.records)
    with web.records.begin() as session:
        row = session.get_one(AlertRow, alert)
        over = {"ended": "2026-03-11T13:30:00+01:00", "is_by_day": is_by_day}
        row.state, row.body = "resolved", {**row.body, **over}
    (listed,) = web.client.get("/api/alerts").json()
    assert listed["summary"] == f"Over since {when}. While it lasted: Water is too hot."
    assert web.client.get(f"/api/alerts/{alert}").json()["summary"] == listed["summary"]


def test_the_fleet_tells_each_site_with_its_newest_reading_and_last_whole_day(web: Web) -> None:
    (site,) = web.client.get("/api/sites").json()
    SiteOut.model_validate(site)
    assert site["newest_reading"] == "2026-03-12T11:00:00+00:00"
    assert site["last_day"]["day"] == DAYS[1]
    assert web.client.get(f"/api/sites/{SITE}").json() == site


def test_the_ledger_is_the_contracts_json_for_the_days_asked_for(web: Web) -> None:
    found = web.client.get(f"/api/sites/{SITE}/ledger", params={"from": DAYS[0], "to": DAYS[1]}).json()
    LedgerOut.model_validate(found)
    assert (found["site"], found["timezone"]) == (SITE, "Europe/Berlin")
    assert [day["day"] for day in found["days"]] == list(DAYS[:2])
    heat = found["days"][0]["stages"][0]["heat"]
    assert set(heat) == {"value", "unit", "plus_minus", "basis", "coverage", "why"}
    assert heat["value"] == pytest.approx(7.4, abs=0.2)  # 2.95 kW for 2.5 h


def test_a_month_beside_the_year_before_says_that_there_is_none_yet(web: Web) -> None:
    found = MonthOut.model_validate(web.client.get(f"/api/sites/{SITE}/month/2026-03").json())
    assert (found.last, found.in_progress) == (DAYS[1], True)
    assert [each.why for each in found.compared] == ["There is no account of 2025-03.", "There is no account of 2025."]
    assert "Electricity at €0.30 per kWh." in found.assumptions


def test_two_periods_side_by_side_are_the_ledgers_own(web: Web) -> None:
    asked = {"earlier": DAYS[0], "later": f"{DAYS[0]}..{DAYS[1]}"}
    found = ComparedOut.model_validate(web.client.get(f"/api/sites/{SITE}/compare", params=asked).json())
    days = LedgerOut.model_validate(web.client.get(f"/api/sites/{SITE}/ledger").json()).days
    heats = [day.hot_water.heat.value for day in days[:2]]
    assert [each.days for each in found.periods] == [1, 2]
    assert [each.hot_water.heat.value for each in found.periods] == pytest.approx([heats[0], sum(heats)])
    assert found.differences["hot_water.heat"].value == pytest.approx(heats[1])
    assert "Electricity at €0.30 per kWh." in found.assumptions


def test_a_days_courses_have_a_value_a_minute_and_null_where_nothing_is_known(web: Web) -> None:
    found = web.client.get(f"/api/sites/{SITE}/day/{DAYS[2]}/courses").json()
    CoursesOut.model_validate(found)
    top = found["temperatures_degc"]["tank.top"]
    assert len(top) == 1440
    assert top[-1] is None
    assert 50 < top[300] < 60
    assert max(value for value in found["power_w"]["rod"] if value is not None) == pytest.approx(2950, abs=15)


def test_the_newest_readings_are_told_with_their_units(web: Web) -> None:
    found = web.client.get(f"/api/sites/{SITE}/latest").json()
    assert set(found) == set(POINTS)
    assert found["draw"]["unit"] == "l/min"
    assert found["draw"]["at"] == "2026-03-12T11:00:00+00:00"


@pytest.mark.parametrize(
    ("kind", "encode"),
    [
        ("application/senml+json", lambda records: json.dumps(records).encode()),
        (
            "application/senml+cbor",
            lambda records: cbor2.dumps([{-2: r["bn"], -3: r["bt"], 0: r["n"], 1: r["u"], 2: r["v"]} for r in records]),
        ),
    ],
    ids=["json", "cbor"],
)
def test_a_pack_with_the_sites_token_is_durable_when_it_is_answered(web: Web, kind: str, encode) -> None:
    answer = post(web, encode(pack()), kind=kind)
    assert answer.status_code == 200, answer.text
    ReceiptOut.model_validate(answer.json())
    assert (answer.json()["received"], answer.json()["stored"]) == (1, 1)
    assert web.client.get(f"/api/sites/{SITE}/latest").json()["tank.top"]["value"] == 51.5
    assert post(web, encode(pack()), kind=kind).json()["duplicate"] == 1


def test_what_cannot_be_used_is_counted_and_lies_in_quarantine_with_its_bytes(web: Web) -> None:
    answer = post(web, json.dumps([*pack(), *pack(name="tank.tpo")]).encode()).json()
    assert (answer["received"], answer["stored"], answer["quarantined"]) == (2, 1, 1)
    assert "tank.tpo" in answer["reasons"][0]
    (entry,) = web.client.get("/api/quarantine").json()
    assert "tank.tpo" in entry["reason"]
    assert b"tank.tpo" in base64.b64decode(entry["payload"])
    health = web.client.get("/api/health").json()
    HealthOut.model_validate(health)
    counts = health["intake"]["http"]
    assert counts["received"] == counts["stored"] + counts["duplicate"] + counts["quarantined"] == 2


@pytest.mark.parametrize("token", ["", "wrong"])
def test_readings_without_the_sites_token_are_refused_and_not_stored(web: Web, token: str) -> None:
    answer = post(web, json.dumps(pack()).encode(), token=token)
    assert answer.status_code == 401
    assert answer.json()["error"]["message"].endswith(f"`heatledger token {SITE}` makes one")
    assert web.client.get("/api/health").json()["intake"] == {}


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("/api/sites/none", 404, f"there is no site 'none'; known sites: {SITE}"),
        ("/api/sites/none/ledger", 404, "there is no site 'none'"),
        ("/api/alerts/none", 404, "there is no alert 'none'"),
        (f"/api/sites/{SITE}/ledger?from=2026-02-02&to=2026-01-01", 400, "is after to"),
        (
            f"/api/sites/{SITE}/ledger?from=yesterday",
            400,
            "from must be a day, written as YYYY-MM-DD; it is",
        ),
        (f"/api/sites/{SITE}/day/9999-12-31/courses", 400, "day: input should be less than or equal to 2999-12-31"),
        (f"/api/sites/{SITE}/explain", 400, "figure is missing; of is missing"),
        (f"/api/sites/{SITE}/compare?earlier={DAYS[0]}", 400, "later is missing"),
        (f"/api/sites/{SITE}/compare?earlier={DAYS[1]}..{DAYS[0]}&later=2026-03", 400, "ends before it begins"),
        (f"/api/sites/{SITE}/compare?earlier=2001&later=2026-03", 404, "from 2001-01-01 to 2001-12-31 has a ledger"),
        (f"/api/sites/{SITE}/month/March", 400, "'March' is not a month; write it as YYYY-MM"),
        (f"/api/sites/{SITE}/month/2027-01", 404, f"no whole day of {SITE} in 2027-01 has a ledger"),
        (f"/api/sites/{SITE}/day/2001-01-01/courses", 400, "there is no reading"),
        (f"/api/sites/{SITE}/ledger?frm=2026-01-01", 400, "frm is no parameter of this address; it takes by, "),
        ("/api/health?of=us", 400, "of is no parameter of this address; it takes none"),
        ("/api/nothing", 404, "there is nothing at /api/nothing"),
        ("/api/service", 401, "data folder"),
    ],
)
def test_every_error_has_the_same_body_and_says_what_is_wrong(web: Web, path: str, status: int, says: str) -> None:
    answer = web.client.get(path)
    assert answer.status_code == status
    assert answer.json()["error"]["status"] == status
    assert says in answer.json()["error"]["message"]


def test_taking_on_an_alert_without_a_body_says_that_it_is_missing(web: Web) -> None:
    answer = web.client.post("/api/alerts/none/acknowledge")
    assert (answer.status_code, answer.json()["error"]["message"]) == (400, "the body is missing")


def test_a_wrong_content_type_is_told_the_right_ones(web: Web) -> None:
    answer = post(web, b"x", kind="text/plain")
    assert answer.status_code == 400
    assert "application/senml+json" in answer.json()["error"]["message"]


def test_an_alert_is_taken_on_once_and_remembers_by_whom(web: Web) -> None:
    alert = add_alert(web.records)
    answer = web.client.post(f"/api/alerts/{alert}/acknowledge", json={"by": "Ada", "note": "on my way"})
    AlertDetailOut.model_validate(answer.json())
    assert answer.json()["state"] == "acknowledged"
    assert answer.json()["acknowledged"] == {"by": "Ada", "note": "on my way"}
    assert [change["by"] for change in answer.json()["transitions"]] == ["Ada"]
    again = web.client.post(f"/api/alerts/{alert}/acknowledge", json={"by": "Bob"})
    assert again.status_code == 409
    assert web.client.get("/api/alerts", params={"open": True}).json()[0]["state"] == "acknowledged"


def test_a_name_that_points_here_from_the_internet_is_not_answered(web: Web) -> None:
    answer = web.client.get("/api/sites", headers={"Host": "elsewhere.example"})
    assert answer.status_code == 403


def test_openapi_describes_every_json_route_with_its_units(web: Web) -> None:
    described = web.client.get("/api/openapi.json").json()
    assert {"/api/sites", "/api/sites/{site}/ledger", "/api/alerts/{alert}", "/api/health"} <= set(described["paths"])
    assert "kWh" in json.dumps(described["components"]["schemas"]["StageOut"])


def test_files_and_replays_are_for_the_owner_of_the_folder(web: Web) -> None:
    content = b"time,tank.top\n2026-03-09T10:00:00Z,50.25\n"
    target = f"/api/sites/{SITE}/files?name=more.csv"
    assert web.client.post(target, content=content).status_code == 401
    assert web.client.post("/api/quarantine/replay").status_code == 401
    owner = {"Authorization": f"Bearer {KEY}"}
    assert web.client.post(target, content=content, headers=owner).json()["stored"] == 1
    assert web.client.post("/api/quarantine/replay", headers=owner).json()["received"] == 0


def test_what_was_to_be_expected_is_told_and_for_a_backup_what_was_left_over(web: Web) -> None:
    answer = web.client.get(f"/api/sites/{SITE}/expected", params={"from": DAYS[0], "to": DAYS[1]})
    assert answer.status_code == 200
    told = ExpectedOut.model_validate(answer.json())
    assert told.parts == []
    assert [line.day for line in told.backups[0].days] == DAYS[:2]
    wrong = web.client.get(f"/api/sites/{SITE}/expected", params={"from": DAYS[1], "to": DAYS[0]})
    assert (wrong.status_code, "no day lies between them" in wrong.text) == (400, True)
    assert web.client.get("/api/sites/nowhere/expected").status_code == 404
