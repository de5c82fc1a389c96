"""
An installed base lives through a day of three invented houses: two ingesters on one shared subscription, two watchers
with leases, one web process, all with the settings of docker-compose.yml, on real Mosquitto, PostgreSQL and InfluxDB.

One ingester and one watcher are killed on the way. What the pages' JSON shows at the end is held against what the
embedded program (DuckDB and SQLite, through its commands) computes from the same readings.
"""

import contextlib
import io
import json
import os
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from analytics.trace import Trace
from api.commands import main
from ingest.influx_http import InfluxSettings
from ingest.influx_store import open_influx_store
from ingest.virtual import SCENARIOS, Broker, Gateway, VirtualRun, simulate, write_run
from ingest.virtual.scenario import site_of
from tests.accounts import day_traces
from tests.installed_base import InstalledBase
from tests.servers import InfluxServer, PostgresServer, program, wait_until

DAY = date(2026, 3, 10)
LAYOUTS = ("two-tank", "boiler-backup", "energy-counters")
MARK = SCENARIOS["assumed-flow"]
PASSWORD = "gateway-of-a-test"
WITHIN_S = 120.0
NOON_MS = round(datetime(2026, 3, 10, 12, tzinfo=UTC).timestamp() * 1000)
LATE_MS = 2**42


@dataclass
class Story:
    """What came to pass, for the tests to judge."""

    runs: Sequence[VirtualRun]
    n_readings: int
    n_when_killed: int = 0
    n_waiting_for_dead: int = 0
    killed_watcher: str = ""
    leased_when_killed: Sequence[str] = ()
    intake: Mapping[str, int] = field(default_factory=dict)
    shown: Mapping[str, Any] = field(default_factory=dict)
    expected: Mapping[str, Any] = field(default_factory=dict)
    stored: Mapping[str, Mapping[str, Trace]] = field(default_factory=dict)


@pytest.fixture(scope="module")
def base(
    tmp_path_factory: pytest.TempPathFactory, influx_server: InfluxServer, postgres_server: PostgresServer
) -> Iterator[InstalledBase]:
    for name in ("mosquitto", "mosquitto_passwd"):
        if program(name) is None:
            pytest.skip(f"{name} is not installed (Debian package mosquitto)")
    folder = tmp_path_factory.mktemp("installed-base")
    with InstalledBase(folder, influx=influx_server, postgres=postgres_server) as base:
        yield base


@pytest.fixture(scope="module")
def story(base: InstalledBase, influx_server: InfluxServer, tmp_path_factory: pytest.TempPathFactory) -> Story:
    runs = [simulate(SCENARIOS[layout], start=DAY, days=1, seed=7) for layout in LAYOUTS]
    story = Story(runs, sum(len(trace.value) for run in runs for trace in run.traces.values()))
    story.expected = {run.site.id: embedded_ledger(run, tmp_path_factory.mktemp(run.site.id)) for run in runs}
    open_up(base, runs)
    live_through_the_day(base, story)
    with contextlib.suppress(TimeoutError):  # The test says what differs.
        wait_until(lambda: shown(base, runs) == story.expected, within_s=WITHIN_S, what="the day's ledgers")
    story.shown, story.intake = shown(base, runs), base.intake()
    settings = InfluxSettings(url=influx_server.url, database="heatledger", write_api="v1")
    with open_influx_store(settings) as store:
        story.stored = {
            run.site.id: store.read(run.site.id, list(run.traces), start_ms=0, end_ms=LATE_MS) for run in runs
        }
    return story


def embedded_ledger(run: VirtualRun, folder: Path) -> Any:
    """The day's ledger as `heatledger add`, `import` and `ledger` give it on a data folder."""
    written = write_run(run, folder)
    data = ["--data", str(folder / "data")]
    run_command("add", str(written.site), *data)
    run_command("import", run.site.id, str(written.readings), *data)
    day = DAY.isoformat()
    ledger = run_command("ledger", run.site.id, *data, "--from", day, "--to", day, "--format", "json")
    return json.loads(ledger)


def run_command(*arguments: str) -> str:
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        assert main(arguments) == 0
    return printed.getvalue()


def open_up(base: InstalledBase, runs: Sequence[VirtualRun]) -> None:
    """Sites, gateways' accounts, and every process of the compose file up and well."""
    for service in ("ingest-1", "ingest-2", "web"):
        base.start(service)
    for name in ("watch-1", "watch-2"):
        base.start("watch", name)
    base.add_site(MARK.site_toml)
    for site in (site_of(MARK), *(run.site for run in runs)):
        base.broker.give_account(site.id, PASSWORD)
    with mock.patch.dict(os.environ, base.settings_of("web", "command")):  # saves starting a process for each
        for run in runs:
            run_command("add", str(written_site(base.folder, run)))
    base.await_health("ingest-1", "ingest-2", "watch-1", "watch-2", "web")


def written_site(folder: Path, run: VirtualRun) -> Path:
    file = folder / f"{run.site.id}.toml"
    file.write_text(run.site_toml)
    return file


def live_through_the_day(base: InstalledBase, story: Story) -> None:
    """The day's readings come in; an ingester and a watcher are killed, and only the ingester is started again."""
    with ledgers_held_back(base):
        publish(base, story.runs, 0, NOON_MS)
        wait_until(lambda: base.intake()["received"] > 0, within_s=WITHIN_S, what="the first readings counted")
        base.kill("ingest-1")
        story.n_when_killed = base.intake()["received"]
        publish(base, story.runs, NOON_MS, LATE_MS)
        wait_until(lambda: bool(held_back(base)), within_s=WITHIN_S, what="a watcher that would store a ledger")
        story.killed_watcher, story.leased_when_killed = held_back(base)[0], leased(base)
        base.kill(story.killed_watcher)
    await_last_message(base)
    story.n_waiting_for_dead = story.n_readings - base.n_stored()
    base.start("ingest-1")
    base.await_health("ingest-1")
    wait_until(lambda: base.n_stored() >= story.n_readings, within_s=WITHIN_S, what="every reading stored")


@contextmanager
def ledgers_held_back(base: InstalledBase) -> Iterator[None]:
    """As long as the block lasts no ledger can be stored, so a watcher that has taken a site's lease keeps it."""
    with base.records() as connection:
        connection.execute("LOCK TABLE day_ledgers IN SHARE MODE")
        yield


def held_back(base: InstalledBase) -> Sequence[str]:
    """Watchers that hold a site's lease and wait to store its ledger."""
    waiting = """SELECT application_name FROM pg_stat_activity
        WHERE wait_event_type = 'Lock' AND query LIKE '%day_ledgers%' AND application_name LIKE 'watch-%'"""
    with base.records() as connection:
        return [name for (name,) in connection.execute(waiting).fetchall()]


def leased(base: InstalledBase) -> Sequence[str]:
    """Sites that a watcher has taken."""
    with base.records() as connection:
        return [site for (site,) in connection.execute("SELECT site_id FROM leases").fetchall()]


def publish(base: InstalledBase, runs: Sequence[VirtualRun], start_ms: int, end_ms: int) -> None:
    """What the gateways say in [start, end); returns when the broker has taken it."""
    for run in runs:
        broker = Broker(port=base.broker.port, username=run.site.id, password=PASSWORD)
        with Gateway(run.site, broker) as gateway:
            assert gateway.send(day_traces(run.traces, start_ms, end_ms)) > 0


def await_last_message(base: InstalledBase) -> None:
    """
    Return when an ingester has taken all that the broker had for it; with one ingester alive, that is the one.

    Every ingester hears of presence, and the broker keeps the order: once the gateway of a house that sends no
    readings is known to be there, nothing of before is on its way any more.
    """
    says = lambda: base.get(f"/api/sites/{site_of(MARK).id}")["presence"]  # noqa: E731
    with Gateway(site_of(MARK), Broker(port=base.broker.port, username=site_of(MARK).id, password=PASSWORD)):
        wait_until(lambda: says() == "online", within_s=WITHIN_S, what="the last message taken")
    wait_until(lambda: says() == "offline", within_s=WITHIN_S, what="the mark's end")


def shown(base: InstalledBase, runs: Sequence[VirtualRun]) -> Mapping[str, Any]:
    return {run.site.id: base.get(f"/api/sites/{run.site.id}/ledger?from={DAY}&to={DAY}") for run in runs}


def test_the_pages_show_the_same_ledgers_as_the_embedded_program(story: Story) -> None:
    for run in story.runs:
        (day,) = story.shown[run.site.id]["days"]
        assert day["coverage"] > 0.99
        assert story.shown[run.site.id] == story.expected[run.site.id]


def test_killed_ingester_loses_no_reading_and_gets_what_waited_for_it(story: Story) -> None:
    assert 0 < story.n_when_killed < story.n_readings
    assert 0 < story.n_waiting_for_dead < story.n_readings
    for run in story.runs:
        stored = story.stored[run.site.id]
        for point, sent in run.traces.items():
            assert np.array_equal(stored[point].time_ms, sent.time_ms), point
            assert np.array_equal(stored[point].value, sent.value), point


def test_over_both_ingesters_every_reading_received_is_stored_or_a_duplicate(story: Story) -> None:
    counts = story.intake
    assert counts["received"] == counts["stored"] + counts["duplicate"] + counts["quarantined"]
    assert counts["received"] >= story.n_readings
    assert (counts["quarantined"], counts["replaced"]) == (0, 0)


def test_killed_watcher_s_lease_passes_on_to_the_other(story: Story, base: InstalledBase) -> None:
    assert story.leased_when_killed
    assert story.killed_watcher not in base.running()
    assert all(story.shown[site] == story.expected[site] for site in story.leased_when_killed)
    wait_until(lambda: not leased(base), within_s=WITHIN_S, what="every lease given back")


def test_every_process_still_says_that_it_is_well(story: Story, base: InstalledBase) -> None:
    assert len(base.running()) == 4
    base.await_health(*base.running())


def test_a_gateway_cannot_write_another_site_s_readings(story: Story, base: InstalledBase) -> None:
    mine, other = story.runs[0], story.runs[1]
    before = base.intake()["received"]
    with Gateway(other.site, Broker(port=base.broker.port, username=mine.site.id, password=PASSWORD)) as gateway:
        assert gateway.send(day_traces(other.traces, NOON_MS, NOON_MS + 600_000)) > 0
    await_last_message(base)
    assert base.intake()["received"] == before


def test_without_an_account_nobody_connects(story: Story, base: InstalledBase) -> None:
    refused = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_connect = lambda client, userdata, flags, reason, properties: reason == "Not authorized" and refused.set()
    client.connect("127.0.0.1", base.broker.port)
    client.loop_start()
    assert refused.wait(10)
    client.disconnect()
    client.loop_stop()
