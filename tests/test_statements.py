"""Statements as a user makes them: kept as sent, corrected, withdrawn; on the pages and as JSON."""

import hashlib
import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import httpx
import pytest
from sqlalchemy import select

from api.app import create_app
from api.commands import main
from api.migrate import open_records
from api.parts import Parts
from api.records import Records, StatementRow
from api.settings import Settings
from api.sites import add_version
from api.watcher import new_watch, step
from ingest.duckdb_store import open_duckdb_store
from tests.browser import CHROMIUM, chromium, visit
from tests.plain_house import SITE, days_of, first_ms, readings, site_text
from tests.running_web import serving

DAYS = days_of("2024-03-10", 3)
MONTH = "2024-03"
OVER_MS = first_ms("2024-04-02") + 10 * 3_600_000
DEARER = site_text().replace("electricity_per_kwh = 0.30", "electricity_per_kwh = 0.40")


class House:
    """The house with three days of March, in records and a store that its own watcher computes."""

    def __init__(self, folder: Path, records: Records) -> None:
        self.folder, self.records = folder, records
        self.now_ms = OVER_MS

    def change(self, text: str, *, later_ms: int = 86_400_000) -> None:
        """Another version of the file since ever, and what it touches computed again."""
        self.now_ms += later_ms
        with self.records.begin() as session:
            add_version(session, text, valid_from="", today=date(2024, 4, 2), now_ms=self.now_ms)
        self.compute()

    def compute(self) -> None:
        assert step(self.watch, now_ms=self.now_ms, is_live=False).failures == []


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with open_records(f"sqlite:///{tmp_path / 'records.db'}") as records, open_duckdb_store(tmp_path) as store:
        made = House(tmp_path, records)
        made.watch = new_watch(records, store)
        store.write(readings(first_ms(DAYS[0]), first_ms(DAYS[-1]) + 86_400_000))
        made.change(site_text(), later_ms=0)
        yield made


@pytest.fixture
def web(house: House) -> Iterator[httpx.Client]:
    parts = Parts(
        settings=Settings(data=house.folder),
        records=house.records,
        store=house.watch.store,
        clock=lambda: house.now_ms,
    )
    with serving(create_app(parts)) as url, httpx.Client(base_url=url, timeout=60) as client:
        yield client


def issue(web: httpx.Client, **more: object) -> httpx.Response:
    return web.post(f"/api/sites/{SITE}/statements", json={"month": MONTH, "by": "A. Fitter", **more})


def test_a_statement_keeps_its_figures_and_its_page_when_the_past_moves(house: House, web: httpx.Client) -> None:
    sent = issue(web)
    assert (sent.status_code, sent.json()["number"]) == (201, "2024-03-1")
    (version,) = sent.json()["versions"]
    assert version == {"from": None, "digest": hashlib.sha256(site_text().encode()).hexdigest()[:12]}
    page = web.get(f"/sites/{SITE}/statements/2024-03-1").text
    assert f"Made with the site file {version['digest']} that holds from the start." in page
    house.change(DEARER)
    (kept,) = web.get(f"/api/sites/{SITE}/statements").json()
    assert kept["figures"] == sent.json()["figures"]
    assert web.get(f"/sites/{SITE}/statements/2024-03-1").text == page
    (moved,) = kept["moved"]
    assert moved["figure"] == "saved.money"
    assert moved["sent"] == sent.json()["figures"]["saved.money"]
    assert moved["now"]["value"] == pytest.approx(moved["sent"]["value"] * 4 / 3)
    assert moved["causes"] == [{"kind": "version", "changes": ["prices electricity_per_kwh 0.3 → 0.4"]}]


def test_the_paper_says_what_its_money_rests_on_and_which_days_it_lacks(house: House, web: httpx.Client) -> None:
    """With the price of each stretch of days, and whatever day the house is said to have been commissioned on."""
    start = ("longitude = 13.4", "longitude = 13.4\ncommissioned = 2024-05-01")
    house.change(site_text().replace(*start))
    with house.records.begin() as session:
        dearer = DEARER.replace(*start)
        add_version(session, dearer, valid_from=DAYS[1], today=date(2024, 4, 2), now_ms=house.now_ms)
    house.compute()
    issue(web)
    page = web.get(f"/sites/{SITE}/statements/2024-03-1").text
    assert "Compared with an electric tank heater" in page
    assert "1 March to 10 March 2024: Electricity at €0.30 per kWh." in page
    assert "11 March to 31 March 2024: Electricity at €0.40 per kWh." in page
    assert "28 days have no usable readings and count for nothing here" in page


def test_a_new_currency_leaves_what_was_sent_in_the_old_one(house: House, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["--data", str(house.folder)]
    assert main(["statement", SITE, MONTH, *asked]) == 0
    told = capsys.readouterr().out
    assert "28 days have no usable readings and count for nothing here" in told
    sent = next(line for line in told.splitlines() if "Money saved" in line)
    house.change(site_text().replace('"EUR"', '"USD"'))
    assert main(["statement", SITE, MONTH, *asked]) == 0
    again = capsys.readouterr().out
    assert sent in again.splitlines()
    assert main(["moved", SITE, *asked]) == 0
    moved = [line for line in capsys.readouterr().out.splitlines() if "Money saved" in line]
    assert len(moved) == 2
    assert all("€" in line and "$" in line and line.rstrip(" │").endswith("—") for line in moved)


def test_the_figures_sent_are_those_of_the_ledger_by_month(house: House, web: httpx.Client) -> None:
    sent = issue(web).json()["figures"]
    (month,) = web.get(f"/api/sites/{SITE}/ledger?by=month&from=2024-03-01&to=2024-03-31").json()["days"]
    assert sent["saved.energy"]["value"] == month["saved"]["energy"]["value"]
    assert sent["hot_water.heat"]["plus_minus"] == pytest.approx(month["hot_water"]["heat"]["plus_minus"])
    assert sent["stages.backup.delivered"]["value"] == month["stages"][0]["delivered"]["value"]


def test_a_correction_has_its_own_number_and_leaves_the_first_as_it_was(house: House, web: httpx.Client) -> None:
    first = issue(web).json()
    refused = issue(web, is_correction=True)
    assert refused.status_code == 409
    assert "nothing has moved since statement 2024-03-1" in refused.json()["error"]["message"]
    house.change(DEARER)
    assert issue(web).status_code == 409
    second = issue(web, is_correction=True).json()
    assert (second["number"], second["corrects"], second["moved"]) == ("2024-03-2", "2024-03-1", [])
    listed = web.get(f"/api/sites/{SITE}/statements").json()
    assert [one["number"] for one in listed] == ["2024-03-2", "2024-03-1"]
    assert listed[1]["figures"] == first["figures"]
    assert "This corrects statement 2024-03-1." in web.get(f"/sites/{SITE}/statements/2024-03-2").text


def test_a_statement_sent_by_mistake_is_withdrawn_and_kept(house: House, web: httpx.Client) -> None:
    first = issue(web).json()
    address = f"/api/sites/{SITE}/statements/2024-03-1"
    gone = web.post(f"{address}/withdraw", json={"by": "A. Fitter", "note": "wrong house"})
    assert (gone.status_code, gone.json()["note"]) == (200, "wrong house")
    assert web.post(f"{address}/withdraw", json={"by": "A. Fitter"}).status_code == 409
    assert web.get(address).json()["figures"] == first["figures"]
    assert issue(web).json()["number"] == "2024-03-2"
    with house.records.look() as session:
        assert len(session.scalars(select(StatementRow)).all()) == 2


def test_days_that_come_after_a_statement_are_told_as_late(house: House, web: httpx.Client) -> None:
    issue(web)
    house.watch.store.write(readings(first_ms("2024-03-13"), first_ms("2024-03-14")))
    house.compute()
    (kept,) = web.get(f"/api/sites/{SITE}/statements").json()
    moved = {one["figure"]: one for one in kept["moved"]}
    assert moved["hot_water.heat"]["now"]["value"] > moved["hot_water.heat"]["sent"]["value"]
    assert moved["hot_water.heat"]["causes"] == [{"kind": "readings", "changes": []}]


@pytest.mark.parametrize(
    ("path", "body", "status", "says"),
    [
        ("statements", {"month": "2024-04", "by": "me"}, 409, "2024-04 is not over; its statement can be made from"),
        ("statements", {"month": "2024-13", "by": "me"}, 400, "'2024-13' is not a month; write it as YYYY-MM"),
        ("statements", {"month": "2024-01", "by": "me"}, 404, "no day of mill-lane-1 from 2024-01-01 to 2024-01-31"),
        ("statements", {"month": MONTH, "by": "me", "is_correction": True}, 409, "there is no statement of this month"),
        ("statements/2024-03-9/withdraw", {"by": "me"}, 404, "mill-lane-1 has no statement '2024-03-9'"),
    ],
)
def test_what_cannot_be_stated_is_refused_with_the_reason(
    web: httpx.Client, path: str, body: dict[str, object], status: int, says: str
) -> None:
    answer = web.post(f"/api/sites/{SITE}/{path}", json=body)
    assert answer.status_code == status
    assert says in answer.json()["error"]["message"]


def test_what_moved_is_served_as_json_with_its_causes(house: House, web: httpx.Client) -> None:
    assert web.get(f"/api/sites/{SITE}/moved").json()["causes"] == []
    house.change(DEARER)
    told = web.get(f"/api/sites/{SITE}/moved?from={DAYS[1]}").json()
    (cause,) = told["causes"]
    assert (cause["kind"], [day["day"] for day in cause["days"]]) == ("version", list(DAYS[1:]))
    assert web.get(f"/api/sites/{SITE}/moved?from=2024-03-02&to=2024-03-01").status_code == 400
    assert web.get("/api/sites/none/moved").status_code == 404


@pytest.mark.skipif(not CHROMIUM.exists(), reason="Chromium is not installed (Debian package chromium)")
def test_a_statement_is_made_on_the_page_and_what_moved_is_told_there(house: House, web: httpx.Client) -> None:
    origin = str(web.base_url)
    home = f"{origin}/sites/{SITE}/home?month={MONTH}"
    with chromium() as browser:
        with visit(browser, home, width=390) as seen:
            seen.page.locator("section.statements summary").click()
            seen.page.get_by_label("Your name").fill("A. Fitter")
            seen.page.get_by_role("button", name="Make this month's statement").click()
            seen.page.get_by_role("link", name="Statement 2024-03-1").click()
            assert "Statement 2024-03-1, 2 April 2024, A. Fitter." in seen.page.inner_text("header")
            assert seen.page.title() == "Statement 2024-03-1, Mill Lane 1"
            assert (seen.overflow_px(), seen.complaints, seen.foreign(origin)) == (0, [], [])
        house.change(DEARER)
        with visit(browser, home, width=1280) as seen:
            told = seen.page.inner_text("section.statements")
            assert "Money saved was" in told
            assert "when this was sent on 2 April 2024; computed again on 3 April 2024, it is" in told
            assert "because a new site file holds from the start (prices electricity_per_kwh 0.3 → 0.4)." in told
        with visit(browser, f"{origin}/sites/{SITE}?day={DAYS[2]}", width=390) as seen:
            told = seen.page.inner_text("section[aria-labelledby=moved]")
            assert "Figures moved on 3 days from 10 March to 12 March 2024" in told
            assert (seen.overflow_px(), seen.complaints) == (0, [])


def test_where_the_document_cannot_be_written_no_statement_is_kept(
    house: House, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = ["--data", str(_as_data_folder(house))]
    # No right to write is told by the system in the same way; tests may run as one who has every right.
    out = tmp_path / f"{'x' * 300}.html"
    assert main(["statement", SITE, MONTH, "--out", str(out), *folder]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"heatledger: --out: {out} cannot be written (File name too long); no statement")
    assert told.err.count("\n") == 1
    assert main(["statement", SITE, "--list", *folder]) == 0
    assert "No statement" in capsys.readouterr().out
    assert list(tmp_path.glob("x*")) == []
    assert main(["statement", SITE, MONTH, "--out", str(tmp_path / "sent.html"), *folder]) == 0
    assert "made and kept" in capsys.readouterr().out


def test_the_commands_make_show_correct_and_withdraw(
    house: House, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = ["--data", str(_as_data_folder(house))], tmp_path / "sent.html"
    assert main(["statement", SITE, MONTH, "--out", str(out), *folder]) == 0
    assert "Statement 2024-03-1 of Mill Lane 1, made and kept" in capsys.readouterr().out
    sent = out.read_text()
    changed = tmp_path / "house.toml"
    changed.write_text(DEARER)
    assert main(["add", str(changed), "--from", "ever", *folder]) == 0
    told = capsys.readouterr().out
    assert "3 days will be computed again" in told
    assert "- prices electricity_per_kwh 0.3 → 0.4" in told
    assert main(["statement", SITE, MONTH, "--out", str(out), *folder]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "kept as sent" in told
    assert "Money saved was" in told
    assert out.read_text() == sent
    assert main(["statement", SITE, MONTH, "--correct", "--format", "json", *folder]) == 0
    assert json.loads(capsys.readouterr().out)["corrects"] == "2024-03-1"
    assert main(["statement", SITE, "--withdraw", "2024-03-2", "--note", "too soon", *folder]) == 0
    capsys.readouterr()
    assert main(["statement", SITE, "--list", *folder]) == 0
    listed = capsys.readouterr().out
    assert "too soon" in listed
    assert main(["moved", SITE, *folder]) == 0
    assert "prices electricity_per_kwh 0.3 → 0.4" in capsys.readouterr().out
    assert main(["moved", SITE, "--format", "json", *folder]) == 0
    assert json.loads(capsys.readouterr().out)["total"][0]["figure"] == "saved.money"


def _as_data_folder(house: House) -> Path:
    """The records and the store let go of, for commands that open them."""
    house.watch.store.__exit__(None, None, None)
    return house.folder


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["statement", SITE], "say which month (YYYY-MM), or --list"),
        (["statement", SITE, "March"], "'March' is not a month; write it as YYYY-MM"),
        (["statement", SITE, "2999-01"], "2999-01 is not over; its statement can be made from 2999-02-01 on"),
        (["statement", SITE, "--withdraw", "7"], "mill-lane-1 has no statement '7'; numbers are such as 2026-01-1"),
        (["moved", "none"], "there is no site 'none'"),
        (["moved", SITE, "--from", "2024-02-02", "--to", "2024-01-01"], "no day lies between them"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(
    arguments: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = tmp_path / "house.toml"
    house.write_text(site_text())
    folder = ["--data", str(tmp_path / "data")]
    assert main(["add", str(house), *folder]) == 0
    capsys.readouterr()
    assert main([*arguments, *folder]) == 2
    assert says in capsys.readouterr().err
