"""`heatledger demo`: invented houses with a history, living on through the broker, used again on the next start."""

import json
import signal
from pathlib import Path

import httpx
import paho.mqtt.subscribe as subscribe
import pytest

from api.commands import main
from api.demo import DemoClock, gateway_of
from tests.running_service import RunningService, is_gone, serving_process
from tests.servers import HOST, MosquittoServer, program, wait_until

SMALL = ["demo", "--houses", "2", "--days", "3", "--speed", "20"]


def get(service: RunningService, path: str):  # type: ignore[no-untyped-def]
    answer = httpx.get(service.url + path, timeout=60)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_the_houses_have_a_history_live_on_and_are_used_again(tmp_path: Path) -> None:
    data = tmp_path / "demo"
    with serving_process(SMALL, data) as service:
        sites = get(service, "/api/sites")
        assert len(sites) == 2
        for site in sites:
            days = get(service, f"/api/sites/{site['id']}/ledger")["days"]
            assert len(days) in (3, 4)  # Today has its line, too, unless it has just begun.
            assert days[0]["hot_water"]["volume"]["value"] is not None
        began = {site["id"]: site["newest_reading"] for site in sites}

        def live_on() -> bool:
            counts = get(service, "/api/health")["intake"].get("mqtt", {"stored": 0})
            newest = {site["id"]: site["newest_reading"] for site in get(service, "/api/sites")}
            return counts["stored"] > 100 and all(newest[site] > began[site] for site in began)

        wait_until(live_on, within_s=120, what="new readings of both houses")
        counts = get(service, "/api/health")["intake"]["mqtt"]
        assert counts["quarantined"] == 0
        assert counts["received"] == counts["stored"] + counts["duplicate"]
        assert httpx.get(service.url + "/", timeout=60).status_code == 200
        children = service.children()
        assert service.stop(signal.SIGINT) == 0
        wait_until(lambda: all(is_gone(child) for child in children), within_s=30, what="the children to end")
    with serving_process([*SMALL, "--no-live"], data) as again:
        assert "live on" in again.log.read_text()
        assert "live through" not in again.log.read_text()
        assert len(get(again, "/api/sites")) == 2


def test_a_folder_with_something_else_in_it_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "records.db").write_text("precious")
    assert main([*SMALL, "--data", str(tmp_path), "--port", "0"]) == 2
    assert "holds something else than a demonstration" in capsys.readouterr().err
    assert (tmp_path / "records.db").read_text() == "precious"


def test_a_demonstration_that_was_stopped_half_way_is_made_anew(tmp_path: Path) -> None:
    data = tmp_path / "demo"
    data.mkdir()
    (data / "demo.json").write_text(json.dumps({"is_complete": False}))
    (data / "records.db").write_text("half of a database")
    with serving_process(["demo", "--houses", "1", "--days", "1", "--no-live"], data) as service:
        assert len(get(service, "/api/sites")) == 1


def test_the_clock_of_a_demonstration_runs_as_fast_as_asked() -> None:
    slow, fast = DemoClock(1000, speed=1.0), DemoClock(1000, speed=1000.0)
    wait_until(lambda: slow() >= 1020, within_s=10, what="20 ms to pass")
    assert fast() - 1000 >= 1000 * (slow() - 1000) * 0.5


@pytest.mark.skipif(program("mosquitto") is None, reason="Mosquitto is not installed (Debian package mosquitto)")
def test_a_house_whose_broker_opens_late_loses_nothing(tmp_path: Path) -> None:
    broker = MosquittoServer(tmp_path)
    with gateway_of("oak", f"mqtt://{HOST}:{broker.port}") as gateway:
        gateway.publish("sites/oak/readings", b"[]", qos=1, retain=True)
        with broker:
            told = subscribe.simple("sites/oak/+", hostname=HOST, port=broker.port, msg_count=2)
            assert {each.topic: each.payload for each in told} == {
                "sites/oak/presence": b"online",
                "sites/oak/readings": b"[]",
            }
