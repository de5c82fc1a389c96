"""A virtual house in files, and over a real broker."""

import json
import threading
from dataclasses import replace
from datetime import date
from itertools import count

import duckdb
import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from analytics.site_file import parse_site
from ingest.virtual import DEMO_FLEET, SCENARIOS, Broker, LiveSite, publish, simulate, write_run, write_scenario
from ingest.virtual.gateway import packs
from ingest.virtual.scenario import site_of

START = date(2026, 4, 20)


@pytest.fixture(scope="module")
def run():
    return simulate(SCENARIOS["passing-heater"], start=START, days=2, seed=6)


@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_readings_come_back_from_the_file_as_they_were(run, tmp_path, file_format):
    written = write_run(run, tmp_path / "house", file_format=file_format)
    assert written.n_readings == sum(len(trace.value) for trace in run.traces.values())
    for point, trace in run.traces.items():
        query = f'SELECT epoch_ms(time::TIMESTAMP), "{point}" FROM \'{written.readings}\' WHERE "{point}" IS NOT NULL'
        rows = duckdb.sql(query).fetchnumpy()
        time_ms, value = rows.values()
        np.testing.assert_array_equal(time_ms, trace.time_ms)
        np.testing.assert_array_equal(value, trace.value)


def test_a_csv_file_has_its_times_in_utc_and_an_empty_cell_for_no_reading(run, tmp_path):
    head, first, second, *_ = write_run(run, tmp_path, file_format="csv").readings.read_text().splitlines()
    assert head.split(",")[:2] == ["time", "cold.temp"]
    assert first.startswith("2026-04-19T14:30:0")
    assert first.split(",")[0].endswith("Z")
    assert ",," in second


def test_the_site_file_and_the_truth_lie_beside_the_readings(run, tmp_path):
    written = write_run(run, tmp_path)
    site = parse_site(written.site.read_text(), file="site.toml")
    truth = json.loads(written.truth.read_text())
    assert site == run.site
    assert [day["day"] for day in truth["days"]] == ["2026-04-20", "2026-04-21"]
    assert truth["days"][0]["hot_water"]["heat"] == run.truth[0].hot_water_j / 3.6e6
    assert [stage["stage"] for stage in truth["days"][0]["stages"]] == list(site.stages)


def test_a_house_was_commissioned_before_its_first_reading(run, tmp_path):
    early = replace(run, truth=[replace(run.truth[0], day=date(2024, 5, 6)), *run.truth[1:]])
    site = parse_site(write_run(early, tmp_path).site.read_text(), file="site.toml")
    assert site == replace(run.site, commissioned=date(2024, 5, 6))
    assert site != run.site


def test_writing_day_by_day_gives_the_same_files_and_tells_its_progress(run, tmp_path):
    told = []
    at_once = write_run(run, tmp_path / "a")
    by_day = write_scenario(
        SCENARIOS["passing-heater"],
        tmp_path / "b",
        start=START,
        days=2,
        seed=6,
        progress=lambda done, wanted: told.append((done, wanted)),
    )
    assert told == [(1, 2), (2, 2)]
    assert by_day.truth.read_text() == at_once.truth.read_text()
    same = f"SELECT * FROM '{at_once.readings}' EXCEPT SELECT * FROM '{by_day.readings}'"
    assert duckdb.sql(same).fetchall() == []


def test_packs_hold_every_reading_once(run):
    found = packs(run.site, run.traces)
    records = [json.loads(payload) for _, payload in found]
    assert sum(len(pack) for pack in records) == sum(len(trace.value) for trace in run.traces.values())
    first = records[0][0]
    assert (first["bn"], first["bt"]) == ("wattle-court-2/", found[0][0] / 1000)
    assert {r.get("u") for pack in records for r in pack if r["n"] == "cold.temp"} == {"Cel"}


def collect(port, site, into, ended):
    """A subscriber that keeps all that a site says, and tells by `ended` that the site has said good-bye."""

    def hear(_client, _data, message):
        into.append((message.topic, message.payload))
        if message.payload == b"offline":
            ended.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    subscribed = threading.Event()
    client.on_message = hear
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", port)
    client.subscribe(f"sites/{site}/#", qos=1)
    client.loop_start()
    assert subscribed.wait(10.0)
    return client


def test_a_gateway_publishes_all_that_its_house_says(mosquitto_server):
    live = LiveSite(SCENARIOS["passing-heater"], start=START, seed=6)
    wanted = live.copy().advance(live.now_ms + 600_000)
    heard, ended = [], threading.Event()
    client = collect(mosquitto_server.port, live.site.id, heard, ended)
    # A clock that gains half a second at each look: ten minutes pass quickly, and always in the same steps.
    ticks = count()
    n_packs = publish(
        [live],
        broker=Broker(port=mosquitto_server.port),
        now=lambda: next(ticks) * 0.5,
        stop=threading.Event(),
        speed=400.0,
        until_ms=live.now_ms + 600_000,
    )
    assert ended.wait(30.0)
    client.disconnect()
    client.loop_stop()
    topics = [topic for topic, _ in heard]
    readings = [json.loads(payload) for topic, payload in heard if topic.endswith("/readings")]
    assert topics.count(f"sites/{live.site.id}/readings") == n_packs > 50
    assert sum(len(pack) for pack in readings) == sum(len(trace.value) for trace in wanted.values())
    assert [payload for topic, payload in heard if topic.endswith("/presence")] == [b"online", b"offline"]


def test_the_fleet_has_eight_houses_of_their_own_of_which_some_are_broken():
    ids = [site_of(house.scenario).id for house in DEMO_FLEET]
    assert len(set(ids)) == len(ids) == 8
    assert {house.scenario.layout for house in DEMO_FLEET} == set(SCENARIOS)
    broken = [house for house in DEMO_FLEET if any(f.end_ms > 2**50 for f in house.faults(1_775_000_000_000))]
    assert 3 <= len(broken) <= 5


def test_every_sensor_fault_of_the_fleet_names_points_of_its_house():
    for house in DEMO_FLEET:
        named = [point for fault in house.faults(1_775_000_000_000) for point in fault.points]
        assert set(named) <= set(site_of(house.scenario).points)


def test_site_files_say_that_they_are_invented():
    for scenario in SCENARIOS.values():
        assert "invented" in scenario.site_toml.split("schema = 1")[0]
