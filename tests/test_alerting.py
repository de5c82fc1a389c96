"""The table of alerts, as days are computed again in turn."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from api.alerting import acknowledge_alert, store_alerts
from api.migrate import open_records
from api.records import AlertRow, AlertTransitionRow, Records
from api.sites import add_version
from tests.plain_house import SITE, days_of, first_ms, site_text

_DAYS = days_of("2026-03-10", 4)
_OPEN: dict[str, Any] = {
    "id": "a1",
    "site": SITE,
    "kind": "outlet-too-hot",
    "component": "hot_water",
    "state": "open",
    "began": "2026-03-10T10:00:00+01:00",
    "ended": None,
}
_OVER = _OPEN | {"state": "resolved", "ended": "2026-03-10T14:00:00+01:00"}


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    with open_records(f"sqlite:///{tmp_path / 'records.db'}") as opened:
        with opened.begin() as session:
            add_version(session, site_text(), valid_from=None, today=None, now_ms=0)  # type: ignore[arg-type]
        yield opened


def _store(records: Records, day: str, *, earlier: list[Any], replaced: list[Any], found: list[Any], at: int) -> None:
    with records.begin() as session:
        store_alerts(session, earlier=earlier, replaced=replaced, found=found, from_ms=first_ms(day), now_ms=at)


def _row(records: Records) -> tuple[str, str, str, list[str]]:
    with records.look() as session:
        row = session.get_one(AlertRow, "a1")
        changes = session.scalars(select(AlertTransitionRow.state).order_by(AlertTransitionRow.id)).all()
        return row.state, row.acknowledged_by, row.note, list(changes)


def test_an_alert_that_is_over_is_not_taken_back_by_the_silent_days_after_it(records: Records) -> None:
    # Its day and two silent days after it are computed; then readings end it, and the days are computed one by one,
    # each from what the day before it hands on: that day alone knows of what was over before it began.
    _store(records, _DAYS[0], earlier=[], replaced=[], found=[_OPEN], at=1)
    with records.begin() as session:
        acknowledge_alert(session, session.get_one(AlertRow, "a1"), by="Ann", note="Friday", now_ms=2)
    _store(records, _DAYS[0], earlier=[], replaced=[_OPEN], found=[_OVER], at=3)
    _store(records, _DAYS[1], earlier=[_OVER], replaced=[_OPEN], found=[], at=4)
    _store(records, _DAYS[2], earlier=[], replaced=[_OPEN], found=[], at=5)
    assert _row(records) == ("resolved", "Ann", "Friday", ["open", "acknowledged", "resolved"])


def test_an_alert_whose_own_day_no_longer_has_it_is_taken_back(records: Records) -> None:
    _store(records, _DAYS[0], earlier=[], replaced=[], found=[_OVER], at=1)
    _store(records, _DAYS[0], earlier=[], replaced=[_OVER], found=[], at=2)
    _store(records, _DAYS[1], earlier=[], replaced=[_OVER], found=[], at=3)
    assert _row(records)[0] == "withdrawn"
    assert _row(records)[3] == ["open", "resolved", "withdrawn"]
