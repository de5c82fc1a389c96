"""A house served over real HTTP: two whole days and half a third, computed; what tests of routes share."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from api.app import create_app
from api.migrate import open_records
from api.parts import Parts
from api.records import AlertRow, Records
from api.settings import Settings
from api.sites import add_version, new_token
from api.watcher import new_watch, step
from ingest.duckdb_store import open_duckdb_store
from tests.plain_house import SITE, days_of, first_ms, readings, site_text
from tests.running_web import serving

__all__ = ["DAYS", "KEY", "NOW_MS", "Web", "add_alert", "served_house"]

DAYS = days_of("2026-03-10", 3)
NOW_MS = first_ms(DAYS[2]) + 12 * 3_600_000
KEY = "a-key-that-only-the-folder-knows"


@dataclass(frozen=True)
class Web:
    client: httpx.Client
    records: Records
    token: str


@contextmanager
def served_house(folder: Path) -> Iterator[Web]:
    with open_records(f"sqlite:///{folder / 'records.db'}") as records, open_duckdb_store(folder) as store:
        with records.begin() as session:
            add_version(session, site_text(), valid_from=None, today=None, now_ms=0)  # type: ignore[arg-type]
            token = new_token(session, SITE, now_ms=0)
        store.write(readings(first_ms(DAYS[0]), NOW_MS))
        watch = new_watch(records, store)
        step(watch, now_ms=NOW_MS)
        parts = Parts(
            settings=Settings(data=folder),
            records=records,
            store=store,
            clock=lambda: NOW_MS,
            settle=lambda sites: step(watch, now_ms=NOW_MS, sites=sites),  # type: ignore[arg-type, return-value]
            key=KEY,
        )
        with serving(create_app(parts)) as url, httpx.Client(base_url=url, timeout=60) as client:
            yield Web(client, records, token)


def add_alert(records: Records) -> str:
    body = {
        "id": "an-alert",
        "site": SITE,
        "kind": "outlet-too-hot",
        "component": "hot_water",
        "severity": "urgent",
        "began": "2026-03-11T10:00:00+01:00",
        "detected": "2026-03-11T10:20:00+01:00",
        "ended": None,
        "summary": "Water is too hot.",
        "evidence": {"hot_degc": 71.0},
        "likely_causes": ["mixing valve"],
        "checks": ["Measure at the tap."],
        "cost_per_day": None,
        "caution": "Water can scald.",
    }
    with records.begin() as session:
        session.add(AlertRow(id="an-alert", site_id=SITE, state="open", body=body, acknowledged_by="", note=""))
    return "an-alert"
