"""The commands as a user runs them: what they print, their exit codes, and one sentence where something is wrong."""

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics.figure_paths import figures_in_record
from api.commands import main
from api.migrate import open_records
from api.records import DayRow
from api.settings import Settings
from ingest import quarantine
from ingest.admit import Rejection
from ingest.decode import Message
from tests.plain_house import POINTS, SITE, days_of, first_ms, site_text, wide_csv

DAYS = days_of("2026-03-10", 3)
SERVICES = ["demo", "serve", "ingest", "watch", "web"]
LOOKING = ["ledger", "compare", "month", "explain", "expected", "alerts", "moved", "recompute", "statement"]
COMMANDS = [*SERVICES, "check", "add", "token", "import", "quarantine", "virtual", *LOOKING]


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "house.toml"
    path.write_text(site_text())
    return path


@pytest.fixture
def csv_file(tmp_path: Path) -> Path:
    """Three days of the house as a wide CSV file."""
    return wide_csv(tmp_path / "readings.csv", first_ms(DAYS[0]), first_ms(DAYS[2]) + 86_399_000)


@pytest.fixture
def data(tmp_path: Path, site_file: Path, csv_file: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A data folder with the house and its readings."""
    folder = tmp_path / "data"
    assert main(["add", str(site_file), "--data", str(folder)]) == 0
    assert main(["import", SITE, str(csv_file), "--data", str(folder)]) == 0
    capsys.readouterr()
    return folder


def run(arguments: list[str], **more: object) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("HEATLEDGER_")}
    return subprocess.run(
        [sys.executable, "-m", "api", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        env=environment,
        **more,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, "--help"]) == 0
    assert f"heatledger {command}" in capsys.readouterr().out


def test_the_program_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    assert [command for command in COMMANDS if f"    {command}" not in shown] == []


def test_a_file_without_a_reading_is_told(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "empty.csv"
    path.write_text("time,element\n")
    assert main(["import", SITE, str(path), "--data", str(data)]) == 1
    assert capsys.readouterr().out.startswith("No reading was found")


def test_recompute_shows_what_a_renewed_program_moves_and_nothing_where_nothing_does(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = [SITE, "--data", str(data)]
    assert main(["recompute", *asked, "--to", "2026-03-09"]) == 0
    assert capsys.readouterr().out == f"No computed day of {SITE} lies there.\n"
    assert main(["recompute", *asked]) == 0
    assert capsys.readouterr().out == f"3 days of {SITE} computed again; no figure has moved.\n"
    with open_records(f"sqlite:///{data / 'records.db'}") as records, records.begin() as session:
        row = session.get_one(DayRow, (SITE, DAYS[1]))
        row.ledger = row.ledger | {"purchased": row.ledger["purchased"] | {"value": 1000.0}}
    assert main(["recompute", *asked, "--from", DAYS[1]]) == 0
    shown = capsys.readouterr().out
    assert "The program was renewed, and computes some figures otherwise." in shown
    assert "Figures moved on 2026-03-11" in shown
    assert main(["recompute", *asked, "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["causes"] == []


def test_the_next_ledger_after_an_update_has_the_figures_of_the_program_of_now(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["ledger", SITE, "--data", str(data), "--format", "json"]
    assert main(asked) == 0
    before = capsys.readouterr()
    assert "another version" not in before.err
    with open_records(f"sqlite:///{data / 'records.db'}") as records, records.begin() as session:
        row = session.get_one(DayRow, (SITE, DAYS[1]))
        row.program, row.ledger = "", row.ledger | {"purchased": row.ledger["purchased"] | {"value": 1000.0}}
    assert main(asked) == 0
    after = capsys.readouterr()
    assert "Days that another version of the program computed are computed again" in after.err
    assert json.loads(after.out) == json.loads(before.out)
    assert main(["moved", SITE, "--data", str(data)]) == 0
    assert "The program was renewed, and computes some figures otherwise." in capsys.readouterr().out


def test_check_tells_what_a_site_file_will_give(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(site_file)]) == 0
    shown = capsys.readouterr().out
    assert "Mill Lane 1 (mill-lane-1) is valid, with 6 points" in shown
    assert "backup fraction" in shown


def test_check_lists_every_fault_on_standard_error(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site_file.write_text(site_text().replace('unit = "W"', 'unit = "Wat"').replace("volume_l = 300", "volume_l = -1"))
    assert main(["check", str(site_file)]) == 1
    told = capsys.readouterr()
    assert told.out == ""
    faults = told.err.strip().splitlines()
    assert len(faults) == 2
    assert all(str(site_file) in fault for fault in faults)


def test_add_says_what_it_did_and_gives_a_new_site_a_token(
    site_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = ["--data", str(tmp_path / "data")]
    assert main(["add", str(site_file), *folder]) == 0
    first = capsys.readouterr().out
    assert "added with 6 points; its first version holds from the start" in first
    assert "Token of its gateway" in first
    assert main(["add", str(site_file), *folder]) == 0
    assert "nothing was changed" in capsys.readouterr().out
    site_file.write_text(site_text(ua_w_per_k=3.0))
    assert main(["add", str(site_file), "--from", "2026-03-11", *folder]) == 0
    assert "a new version holds from 2026-03-11 on" in capsys.readouterr().out
    site_file.write_text(site_text(ua_w_per_k=2.5))
    assert main(["add", str(site_file), "--from", "ever", *folder]) == 0
    assert "holds from the start until the version of 2026-03-11 takes over" in capsys.readouterr().out
    assert main(["token", SITE, *folder]) == 0
    assert len(capsys.readouterr().out.strip()) == 32  # 24 random bytes in base64


def test_import_counts_and_the_same_file_again_is_duplicate(
    data: Path, csv_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["import", SITE, str(csv_file), "--data", str(data)]) == 0
    n_readings = (len(csv_file.read_text().splitlines()) - 1) * len(POINTS)
    assert f"{n_readings} readings received: 0 stored, {n_readings} duplicate" in capsys.readouterr().out


def test_the_ledger_as_json_is_all_that_is_printed(data: Path) -> None:
    done = run(["ledger", SITE, "--data", str(data), "--format", "json"])
    assert (done.returncode, done.stderr) == (0, "")
    found = json.loads(done.stdout)
    assert set(found) == {"site", "timezone", "days"}
    assert [day["day"] for day in found["days"]] == list(DAYS)
    backup = found["days"][0]["stages"][0]
    assert (backup["stage"], backup["heat"]["unit"]) == ("backup", "kWh")
    assert backup["heat"]["value"] == pytest.approx(7.4, abs=0.2)  # 2.95 kW for 2.5 h
    assert found["days"][0]["hot_water"]["volume"]["value"] == pytest.approx(4.0 * 30, rel=0.03)  # 4 l/min for 30 min


def test_the_ledger_of_some_days_is_the_same_again_and_by_environment(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = ["ledger", SITE, "--format", "json", "--from", DAYS[1], "--to", DAYS[1]]
    assert main([*wanted, "--data", str(data)]) == 0
    first = capsys.readouterr().out
    monkeypatch.setenv("HEATLEDGER_DATA", str(data))
    assert main(wanted) == 0
    assert capsys.readouterr().out == first
    assert [day["day"] for day in json.loads(first)["days"]] == [DAYS[1]]


def test_a_second_ledger_equals_a_fresh_computation(
    data: Path, site_file: Path, csv_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = csv_file.read_text().splitlines()
    folder = ["--data", str(tmp_path / "piecewise")]
    main(["add", str(site_file), *folder])
    for part in (lines[:200], [lines[0], *lines[500:]], [lines[0], *lines[200:500]]):
        csv_file.write_text("\n".join(part) + "\n")
        assert main(["import", SITE, str(csv_file), *folder]) == 0
        capsys.readouterr()
        assert main(["ledger", SITE, "--format", "json", *folder]) == 0
    piecewise = capsys.readouterr().out
    assert main(["ledger", SITE, "--format", "json", "--data", str(data)]) == 0
    assert capsys.readouterr().out == piecewise


def test_the_ledger_as_csv_has_a_row_a_day_with_units_in_its_headings(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["ledger", SITE, "--data", str(data), "--format", "csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["day"] for row in rows] == list(DAYS)
    assert float(rows[0]["stages.backup.heat [kWh]"]) == pytest.approx(7.4, abs=0.2)
    assert rows[0]["stages.backup.heat basis"] in ("measured", "derived", "estimated")


def test_days_add_up_to_months_and_to_all(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = {}
    for by in ("day", "month", "all"):
        assert main(["ledger", SITE, "--data", str(data), "--by", by, "--format", "json"]) == 0
        told[by] = json.loads(capsys.readouterr().out)["days"]
    (whole,) = told["all"]
    assert (whole["first"], whole["last"], whole["known"]) == (DAYS[0], DAYS[-1], len(DAYS))
    heat = sum(day["hot_water"]["heat"]["value"] for day in told["day"])
    assert whole["hot_water"]["heat"]["value"] == pytest.approx(heat, rel=1e-12)
    assert sum(month["hot_water"]["heat"]["value"] for month in told["month"]) == pytest.approx(heat, rel=1e-12)


@pytest.mark.parametrize(("by", "n_days"), [("week", 7), ("month", 31), ("season", 92), ("year", 365), ("all", 3)])
def test_a_period_says_how_many_of_its_days_it_knows(
    by: str, n_days: int, data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["ledger", SITE, "--data", str(data), "--by", by]) == 0
    assert f"│ {len(DAYS)} of {n_days} " in capsys.readouterr().out


@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".xlsx"])
def test_the_ledger_goes_to_a_file_with_units_and_intervals(
    suffix: str, data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Read back with pandas, through pyarrow and openpyxl."""
    file = tmp_path / f"ledger{suffix}"
    assert main(["ledger", SITE, "--data", str(data), "--out", str(file)]) == 0
    assert capsys.readouterr().out == f"{file}: {len(DAYS)} rows.\n"
    read = {".csv": pd.read_csv, ".parquet": pd.read_parquet, ".xlsx": pd.read_excel}[suffix]
    frame = read(file)
    days = frame["day"] if suffix == ".csv" else pd.to_datetime(frame["day"]).dt.strftime("%Y-%m-%d")
    assert list(days) == list(DAYS)
    assert frame["stages.backup.heat [kWh]"][0] == pytest.approx(7.4, abs=0.2)
    assert frame["stages.backup.heat plus_minus [kWh]"][0] > 0


def test_two_periods_stand_side_by_side_with_their_difference(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", SITE, DAYS[0], DAYS[1], "--data", str(data)]) == 0
    shown = capsys.readouterr().out
    heading, line = (next(each for each in shown.splitlines() if word in each) for word in ("Figure", "hot_water.heat"))
    assert [each.strip() for each in heading.split("┃")[1:5]] == ["Figure", DAYS[0], DAYS[1], "Difference"]
    name, before, after, changed, _ = (each.strip() for each in line.split("│")[1:6])
    # 120 l at the meter's default accuracy: to a tenth; what both err alike cancels, so the difference has more digits.
    assert (name, before, after) == ("Heat in hot water", "6.4 ± 0.3 kWh", "6.4 ± 0.3 kWh")
    assert changed == "+0.0115 ± 0.0014 kWh"
    assert "2 more figures are not known in either" in shown
    assert main(["compare", SITE, DAYS[0], f"{DAYS[0]}..{DAYS[1]}", "--data", str(data), "--format", "json"]) == 0
    one, two = json.loads(capsys.readouterr().out)["periods"]
    assert (one["days"], two["days"]) == (1, 2)
    assert main(["compare", SITE, "2026-W11", "2026-03", "--data", str(data), "--format", "json"]) == 0
    assert [each["days"] for each in json.loads(capsys.readouterr().out)["periods"]] == [7, 31]


def test_the_json_of_two_periods_has_the_differences_of_the_table(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", SITE, DAYS[0], DAYS[1], "--data", str(data), "--format", "json"]) == 0
    found = json.loads(capsys.readouterr().out)
    heats = [each["hot_water"]["heat"] for each in found["periods"]]
    changed = found["differences"]["hot_water.heat"]
    assert (round(changed["value"], 4), round(changed["plus_minus"], 4)) == (0.0115, 0.0014)
    assert changed["value"] == pytest.approx(heats[1]["value"] - heats[0]["value"])
    assert changed["plus_minus"] < 0.1 * heats[0]["plus_minus"]
    unknown = [each for each in found["differences"].values() if each["value"] is None]
    assert len(unknown) == 2
    assert all(each["why"] for each in unknown)


def test_a_figure_says_how_it_is_known(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", SITE, "backup.heat", DAYS[0], "--data", str(data)]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("Electric element: heat put in (stages.backup.heat) of ")
    assert "How: Input power" in shown
    assert "errs alike every day" in shown


def test_the_figures_of_a_site_are_listed_with_their_names(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", SITE, "--list", "--data", str(data)]) == 0
    listed = dict(line.split("  ", 1) for line in capsys.readouterr().out.splitlines())
    assert listed["stages.backup.heat"].strip() == "Electric element: heat put in"
    assert main(["ledger", SITE, "--data", str(data), "--format", "json"]) == 0
    days = json.loads(capsys.readouterr().out)["days"]
    assert list(listed) == [path for path, _ in figures_in_record(days[-1])]
    assert main(["explain", SITE, "--list", "--data", str(data), "--format", "json"]) == 0
    assert [each["figure"] for each in json.loads(capsys.readouterr().out)] == list(listed)


def test_the_parts_of_a_figures_doubt_make_its_interval(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """JCGM 100, 5.1.2: the squares add up; the interval of 95 % is 1.6 to 2 times the root, by the parts' shapes."""
    assert main(["explain", SITE, "hot_water.heat", DAYS[0], "--data", str(data), "--format", "json"]) == 0
    told = json.loads(capsys.readouterr().out)
    standard = sum(part["standard_uncertainty"] ** 2 for part in told["doubt"]) ** 0.5
    assert 1.64 * standard <= told["plus_minus"] * 1.001
    assert told["plus_minus"] <= 1.97 * standard * 1.001
    assert sum(part["part_of_variance"] for part in told["doubt"]) == pytest.approx(1.0, abs=1e-3)
    assert set(told["points"]) <= set(POINTS)


def test_the_ledger_as_a_table_names_the_stages(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ledger", SITE, "--data", str(data)]) == 0
    shown = capsys.readouterr().out
    assert "Electric element kWh" in shown
    assert DAYS[0] in shown


def test_alerts_as_json_are_the_contracts(data: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    hot = tmp_path / "hot.csv"
    times = np.arange(first_ms(DAYS[1]), first_ms(DAYS[2]), 300_000).astype("datetime64[ms]")
    hot.write_text("time,point,value\n" + "".join(f"{time}Z,element,2950\n" for time in times))
    assert main(["import", SITE, str(hot), "--data", str(data)]) == 0
    capsys.readouterr()
    assert main(["alerts", "--data", str(data), "--format", "json"]) == 0
    alerts = json.loads(capsys.readouterr().out)
    wanted = "id site kind component severity began detected ended summary evidence likely_causes checks cost_per_day"
    assert all(set(wanted.split()) <= set(alert) for alert in alerts)
    assert main(["alerts", SITE, "--data", str(data), "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out) == alerts
    assert main(["alerts", SITE, "--data", str(data)]) == 0
    assert f"{SITE}: judged up to its last reading, at " in capsys.readouterr().out


def test_what_cannot_be_used_is_listed_and_replayed_once_it_is_mended(
    data: Path, site_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = ["--data", str(data)]
    odd = tmp_path / "odd.csv"
    odd.write_text("time,tank.top,loft\n2026-03-09T10:00:00Z,50.0,17.5\n")
    assert main(["import", SITE, str(odd), *folder]) == 0
    assert "2 readings received: 1 stored, 0 duplicate, 1 in quarantine" in capsys.readouterr().out
    assert main(["quarantine", "--format", "json", *folder]) == 0
    (entry,) = json.loads(capsys.readouterr().out)
    assert "loft" in entry["reason"]
    assert main(["quarantine", *folder]) == 0
    assert "loft" in capsys.readouterr().out
    assert main(["quarantine", "--replay", *folder]) == 1
    assert "1 still in quarantine" in capsys.readouterr().out
    site_file.write_text(site_text() + '[points.loft]\nquantity = "temperature"\nunit = "degC"\n')
    assert main(["add", str(site_file), *folder]) == 0
    capsys.readouterr()
    assert main(["quarantine", "--replay", *folder]) == 0
    assert "1 stored" in capsys.readouterr().out
    assert main(["quarantine", "--format", "json", *folder]) == 0
    assert json.loads(capsys.readouterr().out) == []


def test_what_came_for_a_site_that_does_not_exist_is_listed_by_its_name(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_records(Settings(data=data).resolved_records_url) as records:
        message = Message("sites/attic-9/readings", b"[]", first_ms(DAYS[0]))
        quarantine.add(records.engine, [Rejection(message, "there is no site 'attic-9'", None, 1)], way="mqtt")
    assert main(["quarantine", "--site", "attic-9", "--format", "json", "--data", str(data)]) == 0
    assert [entry["topic"] for entry in json.loads(capsys.readouterr().out)] == ["sites/attic-9/readings"]
    assert main(["quarantine", "--site", SITE, "--data", str(data)]) == 0
    assert "Nothing is in quarantine" in capsys.readouterr().out


def test_virtual_writes_a_site_that_the_other_commands_take(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, folder = tmp_path / "out", ["--data", str(tmp_path / "data")]
    assert main(["virtual", "solar-one-tank", "--out", str(out), "--days", "2", "--start", "2026-05-01"]) == 0
    truth = json.loads((out / "truth.json").read_text())
    assert f"heatledger import {truth['site']} {out / 'readings.csv'} --data DIR" in capsys.readouterr().out
    assert [day["day"] for day in truth["days"]] == ["2026-05-01", "2026-05-02"]
    assert main(["check", str(out / "site.toml")]) == 0
    assert main(["add", str(out / "site.toml"), *folder]) == 0
    assert main(["alerts", *folder]) == 0
    assert f"{truth['site']}: no reading has arrived yet, so nothing could be judged." in capsys.readouterr().out
    assert main(["import", truth["site"], str(out / "readings.csv"), *folder]) == 0
    capsys.readouterr()
    assert main(["ledger", truth["site"], "--format", "json", *folder]) == 0
    days = json.loads(capsys.readouterr().out)["days"]
    assert [day["day"] for day in days] == ["2026-05-01", "2026-05-02"]
    assert days[0]["hot_water"]["volume"]["value"] > 10


def test_a_reader_that_has_enough_is_no_fault(data: Path) -> None:
    command = f"{sys.executable} -m api ledger {SITE} --data {data} --format csv | head -c 10"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True, timeout=120)
    assert (done.stdout, done.stderr) == ("day,covera", "")
