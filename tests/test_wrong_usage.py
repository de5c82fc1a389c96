"""Wrong usage and bad input: exit code 2, and one sentence on standard error that says what would be right."""

import subprocess
import sys
from pathlib import Path

import pytest

from api.commands import main
from tests.plain_house import SITE, days_of, first_ms, site_text, wide_csv

DAYS = days_of("2026-03-10", 2)
VIRTUAL = ["virtual", "two-tank", "--out", "x", "--fault"]


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with the house and its readings, and some files beside it."""
    folder = tmp_path_factory.mktemp("usage")
    (folder / "house.toml").write_text(site_text())
    (folder / "nothing.csv").touch()
    (folder / "broken").mkdir()
    (folder / "broken" / "records.db").write_text("no database")
    readings = wide_csv(folder / "readings.csv", first_ms(DAYS[0]), first_ms(DAYS[1]) + 86_399_000)
    assert main(["add", str(folder / "house.toml"), "--data", str(folder / "data")]) == 0
    assert main(["import", SITE, str(readings), "--data", str(folder / "data")]) == 0
    return folder / "data"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["ledger", "house"], "no data folder: say --data DIR, or set HEATLEDGER_DATA"),
        (["ledger", "house", "--data", "nowhere"], "there is no data folder nowhere"),
        (["ledger", "none", "--data", "DATA"], f"there is no site 'none'; known sites: {SITE}"),
        (["alerts", "none", "--data", "DATA"], "there is no site 'none'"),
        (["quarantine", "--site", "none", "--data", "DATA"], f"there is no site 'none'; known sites: {SITE}"),
        (["quarantine", "--replay", "--site", "none", "--data", "DATA"], "there is no site 'none'"),
        (
            ["ledger", SITE, "--data", "DATA", "--from", "2026-02-30"],
            "'2026-02-30' is not a day; write it as YYYY-MM-DD",
        ),
        (["ledger", SITE, "--data", "DATA", "--from", "2026-02-02", "--to", "2026-01-01"], "no day lies between them"),
        (["ledger", SITE, "--data", "DATA", "--out", "x.pdf"], "x.pdf does not tell its kind; end it in .csv"),
        (["compare", SITE, "2026-02-02..2026-01-01", "2026-03-01", "--data", "DATA"], "ends before it begins"),
        (["compare", SITE, "2001-02-02", "2001-03-01", "--data", "DATA"], "from 2001-02-02 to 2001-02-02 has a ledger"),
        (["add", "house.toml", "--data", "house.toml"], "house.toml"),
        (["explain", SITE, "heat", "2026-03-10", "--data", "DATA"], f"names more than one figure of {SITE}; it may be"),
        (["explain", SITE, "hot_water.heat", "2001-01-01", "--data", "DATA"], "has no ledger of 2001-01-01"),
        (["import", SITE, "none.csv", "--data", "DATA"], "there is no file none.csv"),
        (["import", "none", "DATA/../readings.csv", "--data", "DATA"], "there is no site 'none'"),
        (["check", "none.toml"], "none.toml cannot be read: No such file or directory"),
        (["token", "none", "--data", "DATA"], "there is no site 'none'"),
        (["virtual", "castle", "--out", "DATA/x"], "there is no scenario 'castle'; the scenarios are two-tank"),
        (["virtual", "two-tank"], "say with --out DIR"),
        ([*VIRTUAL, "gremlin@2025-01-01"], "'gremlin' is not a fault; `heatledger virtual list` names them all"),
        ([*VIRTUAL, "sensor-stuk:cold.temp@2025-01-01"], "'sensor-stuk' is not a fault; it may be sensor-stuck"),
        ([*VIRTUAL, "sensor-stuck:cold@2025-01-01"], "two-tank has no point 'cold'; it may be cold.temp"),
        ([*VIRTUAL, "boiler-lockout@2025-01-01"], "two-tank has nothing that boiler-lockout could befall"),
        ([*VIRTUAL, "collector-soiled@2026-03-01"], "begins after the last day that is written, 2025-12-31"),
        ([*VIRTUAL, "collector-soiled@2025-03-02..2025-03-01"], "ends before it begins"),
        (["virtual", "two-tank", "--out", "x", "--seed", "-1"], "--seed must be 0 or more; it is -1"),
        (["virtual", "two-tank", "--out", "house.toml"], "house.toml is a file, where the folder"),
        (["virtual", "two-tank", "--out", "x", "--days", "99999999"], "--days must be 1 to 3660"),
        (["serve", "--data", "DATA", "--host", "999.1.1.1"], "this machine has no address 999.1.1.1; --host names one"),
        (["serve", "--data", "DATA", "--broker", "http://x"], "the broker's address must be mqtt://HOST[:PORT]"),
        (["demo", "--houses", "9"], "--houses must be 1 to 8; it is 9"),
        (["ingest", "--data", "DATA"], "no broker: say --broker"),
        (["sing"], "there is no command 'sing'; `heatledger --help` lists them"),
        (["ledgr"], "there is no command 'ledgr'; did you mean 'ledger'?"),
        ([], "say which command; `heatledger --help` lists them"),
        (["month", "house"], "MONTH is missing: write `heatledger month SITE MONTH`"),
        (["import"], "SITE and FILE are missing: write `heatledger import SITE FILE`"),
        (["ledger", SITE, "attic", "--data", "DATA"], "'attic' is more than `heatledger ledger` takes"),
        (["ledger", SITE, "--frm", "2026-02-02"], "`heatledger ledger` has no option --frm; did you mean --from?"),
        (["ledger", SITE, "--f", "2026-02-02"], "--f may be --from or --format"),
        (["ledger", SITE, "--from"], "--from needs a value after it"),
        (["ledger", SITE, "--format", "xml"], "--format cannot be 'xml'; it may be table, json, csv"),
        (["virtual", "two-tank", "--days", "x"], "--days must be a whole number; it is 'x'"),
        (["quarantine", "--replay=yes"], "--replay takes no value"),
        (["ledger", SITE, "--data", "house.toml"], "house.toml is a file, where the data folder should be"),
        (["alerts", "--data", "."], "the folder . holds no data of heatledger; `heatledger add"),
        (["ledger", SITE, "--data", "broken"], "broken/records.db is not a records file of heatledger; move it away"),
        (["demo", "--data", "house.toml"], "house.toml is a file, where the data folder should be"),
        (["month", SITE, "9999-12", "--data", "DATA"], "MONTH: 9999-12-01 is not between 2000-01-01 and 2999"),
        (["explain", SITE, "hot_water.heat", "9999", "--data", "DATA"], "'9999' is no day, week, month or year"),
        (["explain", SITE, "hot_water.heat"], "say which figure of which day"),
        (["import", SITE, ".", "--data", "DATA"], ". is a folder; name the files in it"),
        (["import", SITE, "nothing.csv", "--data", "DATA"], "nothing.csv is empty; a file of readings begins with"),
        (
            ["statement", SITE, "2026-03", "--out", "no/x.html", "--data", "DATA"],
            "there is no folder no to write x.html",
        ),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(
    arguments: list[str], says: str, data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("HEATLEDGER_DATA", raising=False)
    monkeypatch.chdir(data.parent)
    assert main([each.replace("DATA", str(data)) for each in arguments]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert says in told.err
    assert told.err.startswith("heatledger: ")
    assert told.err.count("\n") == 1
    assert "usage" not in told.err


def _loaded_by(*modules: str) -> set[str]:
    """What a fresh interpreter has loaded after some imports."""
    program = f"import sys, {', '.join(modules)}; print(*sys.modules)"
    return set(
        subprocess.run(
            [sys.executable, "-c", program], timeout=120, check=True, capture_output=True, text=True
        ).stdout.split()
    )


def test_the_program_starts_without_the_account() -> None:
    """What only looks things up, or complains, need not load it, nor the client of another store."""
    assert _loaded_by("api.commands").isdisjoint({"analytics.day", "influxdb_client"})


def test_days_are_computed_without_the_library_that_the_fluids_were_fitted_to() -> None:
    """It takes seconds to load; `tests/test_fluids.py` holds the fits against it."""
    assert _loaded_by("api.compute", "api.open_store").isdisjoint({"CoolProp", "influxdb_client"})
