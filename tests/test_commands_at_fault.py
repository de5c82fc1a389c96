"""What a command says when the program itself fails, or is stopped."""

from pathlib import Path

import pytest

from api.commands import main
from tests.plain_house import SITE, site_text


@pytest.fixture
def data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A data folder with a house that has not spoken yet."""
    file, folder = tmp_path / "house.toml", tmp_path / "data"
    file.write_text(site_text())
    assert main(["add", str(file), "--data", str(folder)]) == 0
    capsys.readouterr()
    return folder


def test_a_fault_of_the_program_is_a_sentence_with_the_place_of_its_details(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise ZeroDivisionError("out of cheese")

    monkeypatch.setattr("api.commands_results.compute_here", breaks)
    assert main(["ledger", SITE, "--data", str(data)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert (
        f"a fault of the program (ZeroDivisionError: out of cheese); the details are in {data / 'heatledger.log'}"
        in told
    )
    assert "Traceback" in (data / "heatledger.log").read_text()


def test_a_log_that_cannot_be_written_is_no_second_fault(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise ZeroDivisionError("out of cheese")

    monkeypatch.setattr("api.commands_results.compute_here", breaks)
    monkeypatch.setattr("tempfile.tempdir", str(data.parent))
    (data / "heatledger.log").mkdir()
    assert main(["ledger", SITE, "--data", str(data)]) == 2
    assert f"the details are in {data.parent / 'heatledger.log'}" in capsys.readouterr().err


def test_an_interrupted_command_says_so(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("api.commands_results.compute_here", interrupted)
    assert main(["alerts", "--data", str(data)]) == 2
    assert capsys.readouterr().err == "heatledger: stopped before it was done\n"
