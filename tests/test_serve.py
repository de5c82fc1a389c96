"""`heatledger serve` as a process of its own: the way of a reading from the broker to the pages, and its end."""

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

import api.service as service_module
from api.broker import EmbeddedBroker
from api.commands import main
from api.directory import RecordsDirectory
from api.importing import intake_of
from api.migrate import open_records
from api.open_store import open_store
from api.service_file import Service, publish_service, running_service
from api.settings import Settings
from ingest.mqtt import Ingester
from tests.plain_house import SITE, site_text
from tests.running_service import RunningService, is_gone, serving_process
from tests.servers import answers, free_port, wait_until


@pytest.fixture
def data(tmp_path: Path) -> Path:
    (tmp_path / "house.toml").write_text(site_text())
    assert main(["add", str(tmp_path / "house.toml"), "--data", str(tmp_path / "data")]) == 0
    return tmp_path / "data"


@pytest.fixture
def service(data: Path) -> Iterator[RunningService]:
    with serving_process(["serve"], data) as running:
        yield running


def publish(port: int, topic: str, payload: bytes) -> None:
    """Publish as a gateway: QoS 1, and wait until the broker has it."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="test-gateway")
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        message = client.publish(topic, payload, qos=1)
        message.wait_for_publish(30)
        assert message.is_published()
    finally:
        client.disconnect()
        client.loop_stop()


def health(service: RunningService) -> dict:  # type: ignore[type-arg]
    return httpx.get(f"{service.url}/api/health", timeout=30).json()  # type: ignore[no-any-return]


def test_a_reading_goes_from_the_broker_to_the_pages_while_commands_work_beside(
    service: RunningService, data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wait_until(lambda: health(service)["problems"] == [], within_s=60, what="the ingester to connect")
    now_s = round(time.time())
    pack = [{"bn": f"{SITE}/", "bt": now_s, "n": "tank.top", "u": "Cel", "v": 51.25}, {"n": "loft", "v": 1}]
    publish(service.broker_port, f"sites/{SITE}/readings", json.dumps(pack).encode())
    wait_until(lambda: "mqtt" in health(service)["intake"], within_s=60, what="the reading to be stored")
    counts = health(service)["intake"]["mqtt"]
    assert (counts["received"], counts["stored"], counts["quarantined"]) == (2, 1, 1)
    latest = httpx.get(f"{service.url}/api/sites/{SITE}/latest", timeout=30).json()
    assert latest["tank.top"]["value"] == 51.25
    assert httpx.get(f"{service.url}/sites/{SITE}", timeout=60).status_code == 200

    more = tmp_path / "more.csv"
    more.write_text("time,tank.top\n2026-03-10T11:00:00Z,50.5\n2026-03-10T11:05:00Z,50.75\n")
    capsys.readouterr()
    assert main(["import", SITE, str(more), "--data", str(data)]) == 0
    assert "2 readings received: 2 stored" in capsys.readouterr().out
    assert main(["ledger", SITE, "--data", str(data), "--format", "json", "--to", "2026-03-10"]) == 0
    assert [day["day"] for day in json.loads(capsys.readouterr().out)["days"]] == ["2026-03-10"]
    assert main(["alerts", "--data", str(data), "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out) == httpx.get(f"{service.url}/api/alerts", timeout=60).json()
    assert main(["quarantine", "--replay", "--data", str(data)]) == 1
    assert "1 still in quarantine" in capsys.readouterr().out
    assert main(["import", SITE, str(tmp_path / "house.toml"), "--data", str(data)]) == 2
    assert "house.toml" in capsys.readouterr().err


def test_a_site_added_while_the_service_runs_is_taken_readings_of(
    service: RunningService, data: Path, tmp_path: Path
) -> None:
    (tmp_path / "second.toml").write_text(site_text(site="second"))
    assert main(["add", str(tmp_path / "second.toml"), "--data", str(data)]) == 0
    record = {"bn": "second/", "bt": round(time.time()), "n": "cold", "u": "Cel", "v": 9.5}

    def is_taken() -> bool:
        # Before it is noticed the reading lies in quarantine; the gateway's next one is taken.
        publish(service.broker_port, "sites/second/readings", json.dumps([record]).encode())
        record["bt"] += 1
        return "cold" in httpx.get(f"{service.url}/api/sites/second/latest", timeout=30).json()

    wait_until(is_taken, within_s=60, what="the new site")


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_in_order_and_leaves_nothing_behind(service: RunningService, data: Path, how: signal.Signals) -> None:
    children = service.children()
    assert children
    assert service.stop(how) == 0
    wait_until(lambda: all(is_gone(child) for child in children), within_s=30, what="the children to end")
    assert not (data / "service.json").exists()
    assert "Traceback" not in service.log.read_text()


def test_killed_it_takes_its_children_along_and_can_be_started_again(service: RunningService, data: Path) -> None:
    children = service.children()
    service.stop(signal.SIGKILL)
    wait_until(lambda: all(is_gone(child) for child in children), within_s=30, what="the children to end")
    assert (data / "service.json").exists()
    assert running_service(data) is None
    with serving_process(["serve"], data) as again:
        assert health(again)["sign_in"] is False


def test_a_second_service_on_the_same_folder_says_who_holds_it(
    service: RunningService, data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["serve", "--data", str(data), "--port", "0"]) == 2
    assert f"in use by process {service.process.pid}" in capsys.readouterr().err


def test_a_port_that_is_taken_is_named_with_the_remedy(
    service: RunningService, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port = service.url.rpartition(":")[2]
    assert main(["serve", "--data", str(tmp_path / "other"), "--port", port]) == 2
    assert f"127.0.0.1:{port} cannot be had" in capsys.readouterr().err


def test_the_services_key_is_for_the_folders_owner_only(service: RunningService, data: Path) -> None:
    assert (data / "service.json").stat().st_mode & 0o777 == 0o600
    found = running_service(data)
    assert found is not None
    assert found.url == service.url
    assert httpx.get(f"{service.url}/api/service", timeout=30).status_code == 401


def test_a_service_file_that_a_crash_left_behind_is_not_believed(tmp_path: Path) -> None:
    publish_service(tmp_path, Service(f"http://127.0.0.1:{free_port()}", 1, "key"))
    assert running_service(tmp_path) is None


def test_the_embedded_broker_takes_another_port_where_its_own_is_taken() -> None:
    with EmbeddedBroker(free_port()) as first, EmbeddedBroker(first.port) as second:
        assert first.port != second.port
        assert first.is_running
        assert second.is_running


def test_the_brokers_door_opens_once_the_ingester_listens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service_module, "_LISTENS_WITHIN_S", 0.2)
    settings = Settings(data=tmp_path)
    with (
        open_records(settings.resolved_records_url) as records,
        open_store(settings) as store,
        EmbeddedBroker(0) as broker,
    ):
        intake = intake_of(records, store, way="mqtt", directory=RecordsDirectory(records))
        place = service_module.ingest_settings(broker.inner_url, settings, is_embedded=True)
        ingester = Ingester(place, intake)
        with service_module.opening_for(broker, ingester):
            assert not answers(broker.port)
            with ingester:
                wait_until(lambda: answers(broker.port), within_s=20, what="the door to open")
                assert ingester.status.is_listening
