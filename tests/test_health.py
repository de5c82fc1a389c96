"""A process without pages says that it is well in a file, and what watches over it believes only a fresh one."""

import threading
from pathlib import Path

import pytest

from api.health import health_told, main, trouble_in
from tests.servers import wait_until

AT_MS = 1_780_000_000_000


def test_a_process_is_well_while_it_says_so_and_not_after_its_end(tmp_path: Path) -> None:
    file = tmp_path / "health.json"
    with health_told(file, lambda: "", clock=lambda: AT_MS):
        wait_until(file.exists, within_s=10, what="the first word")
        assert trouble_in(file, now_ms=AT_MS + 30_000) == ""
    assert trouble_in(file, now_ms=AT_MS) == f"there is no {file}: the process has not started, or has ended"
    assert list(tmp_path.iterdir()) == []


def test_what_is_wrong_is_passed_on(tmp_path: Path) -> None:
    file = tmp_path / "health.json"
    with health_told(file, lambda: "readings wait at the broker: no store", clock=lambda: AT_MS):
        wait_until(file.exists, within_s=10, what="the first word")
        assert trouble_in(file, now_ms=AT_MS) == "readings wait at the broker: no store"


def test_a_process_that_fell_silent_is_not_well(tmp_path: Path) -> None:
    file = tmp_path / "health.json"
    file.write_text(f'{{"written_ms": {AT_MS}, "problem": ""}}')
    assert trouble_in(file, now_ms=AT_MS + 30_001) == "the process has not been heard of for 30 s"


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"written_ms": "soon", "problem": ""}'])
def test_a_file_that_makes_no_sense_is_not_health(text: str, tmp_path: Path) -> None:
    file = tmp_path / "health.json"
    file.write_text(text)
    assert trouble_in(file, now_ms=AT_MS).startswith(f"{file} cannot be read (")


def test_whoever_watches_is_told_by_exit_code_and_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "health.json"
    assert main([str(file)]) == 1
    assert capsys.readouterr().err == f"there is no {file}: the process has not started, or has ended\n"
    file.write_text('{"written_ms": 99999999999999, "problem": ""}')
    assert main([str(file)]) == 0


def test_without_a_file_nothing_is_written_and_no_thread_started() -> None:
    n_threads = threading.active_count()
    with health_told(None, lambda: "", clock=lambda: AT_MS):
        assert threading.active_count() == n_threads
