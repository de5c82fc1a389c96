"""
The installed base of docker-compose.yml without a container engine: the same commands with the same settings, as
processes on this machine, against real servers.

What differs from the compose file: addresses and ports, the folders of files, InfluxDB 1.x in place of 2 (so the store
is written as "v1"), and a shorter lease, so that a test need not wait for two minutes.
"""

import json
import os
import re
import signal
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from queue import Queue
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as paho
import psycopg
import yaml
from paho.mqtt.enums import CallbackAPIVersion

from api.health import trouble_in
from ingest.mqtt import wall_clock_ms
from tests.servers import HOST, InfluxServer, PostgresServer, Server, free_port, program, wait_until

__all__ = [
    "ROOT",
    "SECRETS",
    "ComposeBroker",
    "InstalledBase",
    "command_of",
    "compose",
    "environment_of",
    "interpolated",
    "variables_in",
]

ROOT = Path(__file__).parents[1]
SECRETS: Mapping[str, str] = {
    "RECORDS_PASSWORD": "records-of-a-test",
    "STORE_TOKEN": "store-of-a-test",
    "BROKER_PASSWORD": "broker-of-a-test",
}
LEASE_S = 4
_READY_WITHIN_S = 60.0
_VARIABLE = re.compile(r"\$(?:\$|\{(\w+)(?::\?[^}]*)?\})")


@cache
def compose() -> Mapping[str, Any]:
    """The compose file as it stands, anchors resolved, variables not."""
    return yaml.safe_load((ROOT / "docker-compose.yml").read_text())


def interpolated(text: str, values: Mapping[str, str]) -> str:
    """Compose's `${NAME}` and `${NAME:?sentence}` filled in, and `$$` made a dollar sign."""
    return _VARIABLE.sub(lambda found: values[found[1]] if found[1] else "$", text)


def variables_in(text: str) -> set[str]:
    """Names of the variables that compose looks for in `.env`; comments count, too."""
    return {name for name in _VARIABLE.findall(text) if name}


def environment_of(service: str, values: Mapping[str, str] = SECRETS) -> dict[str, str]:
    """What a service finds in its environment."""
    return {name: interpolated(value, values) for name, value in compose()["services"][service]["environment"].items()}


def command_of(service: str) -> Sequence[str]:
    """The arguments of `heatledger` of a service."""
    return list(compose()["services"][service]["command"])


class ComposeBroker(Server):
    """Mosquitto as the compose file starts it: its script, its configuration and its access rules."""

    def command(self) -> Sequence[str]:
        (self.folder / "data").mkdir(exist_ok=True)
        (self.folder / "config").mkdir(exist_ok=True)
        for name in ("mosquitto.conf", "mosquitto.acl", "start-broker.sh"):
            self._place(name)
        password = environment_of("broker")["BROKER_PASSWORD"]
        path = os.pathsep.join((os.environ["PATH"], "/usr/sbin"))
        return ["env", f"PATH={path}", f"BROKER_PASSWORD={password}", "sh", str(self.folder / "config/start-broker.sh")]

    def _place(self, name: str) -> None:
        text = (ROOT / ".docker" / name).read_text().replace("/mosquitto/", f"{self.folder}/")
        if name == "mosquitto.conf":
            text = text.replace("\nlistener 1883\n", f"\nlistener {self.port} {HOST}\n")
            # Started by root, it would become a user who cannot enter the folder; in its container it is no root.
            text += "user root\n" if os.geteuid() == 0 else ""
        (self.folder / "config" / name).write_text(text)

    def give_account(self, username: str, password: str) -> None:
        """As start-broker.sh tells the operator to."""
        passwords = self.folder / "data" / "passwords"
        command = [program("mosquitto_passwd") or "mosquitto_passwd", "-b", str(passwords), username, password]
        subprocess.run(command, check=True, capture_output=True)
        assert self.process is not None
        self.process.send_signal(signal.SIGHUP)
        wait_until(lambda: self._lets_in(username, password), within_s=20.0, what=f"the account of {username}")

    def _lets_in(self, username: str, password: str) -> bool:
        """Whether the broker has taken notice of an account."""
        answers: Queue[bool] = Queue()
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"knock-{username}")
        client.username_pw_set(username, password)
        client.on_connect = lambda _client, _data, _flags, reason, _properties: answers.put(not reason.is_failure)
        client.connect(HOST, self.port)
        client.loop_start()
        try:
            return answers.get(timeout=10.0)
        finally:
            client.disconnect()
            client.loop_stop()


class InstalledBase:
    """Broker, databases and the program's processes; `with` starts the servers, and ends everything."""

    def __init__(self, folder: Path, *, influx: InfluxServer, postgres: PostgresServer) -> None:
        self.folder = folder
        self.broker = ComposeBroker(folder)
        self._influx, self._postgres = influx, postgres
        self._web_port = free_port()
        self._parts: dict[str, subprocess.Popen[bytes]] = {}

    def __enter__(self) -> Self:
        where = environment_of("records")
        name, password = where["POSTGRES_USER"], where["POSTGRES_PASSWORD"]
        with psycopg.connect(self._postgres_address, autocommit=True) as connection:
            connection.execute(f"CREATE ROLE {name} LOGIN PASSWORD '{password}'")
            connection.execute(f"CREATE DATABASE {where['POSTGRES_DB']} OWNER {name}")
        self._ask_influx(f'CREATE DATABASE "{environment_of("store")["DOCKER_INFLUXDB_INIT_BUCKET"]}"')
        self.broker.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in self._parts.values():
            process.send_signal(signal.SIGTERM)
        for process in self._parts.values():
            process.wait(30)
        self.broker.stop()

    @property
    def _postgres_address(self) -> str:
        return f"host={HOST} port={self._postgres.port} user=postgres dbname=postgres"

    def records(self) -> psycopg.Connection:
        """A connection to the program's own database."""
        return psycopg.connect(f"host={HOST} port={self._postgres.port} user=heatledger dbname=heatledger")

    def _ask_influx(self, sql: str) -> Any:
        request = f"{self._influx.url}/query?" + urllib.parse.urlencode({"db": "heatledger", "q": sql})
        with urllib.request.urlopen(urllib.request.Request(request, method="POST"), timeout=30) as answer:
            return json.load(answer)

    def n_stored(self) -> int:
        """Readings in the store, all sites together."""
        series = self._ask_influx("SELECT count(value) FROM readings")["results"][0].get("series")
        return series[0]["values"][0][1] if series else 0

    def settings_of(self, service: str, name: str) -> dict[str, str]:
        """A service's environment with this machine's addresses in it."""
        changed = {
            "records:5432": f"{HOST}:{self._postgres.port}",
            "store:8086": f"{HOST}:{self._influx.port}",
            "broker:1883": f"{HOST}:{self.broker.port}",
            "/tmp/health.json": str(self._health_file(name)),
        }
        environment = environment_of(service)
        for old, new in changed.items():
            environment = {key: value.replace(old, new) for key, value in environment.items()}
        environment |= {"HEATLEDGER_STORE_API": "v1", "HEATLEDGER_LEASE_S": str(LEASE_S)}
        if service == "web":
            environment |= {"HEATLEDGER_HOST": HOST, "HEATLEDGER_PORT": str(self._web_port)}
        return environment

    def _health_file(self, name: str) -> Path:
        return self.folder / f"{name}.health.json"

    def _surroundings(self, service: str, name: str) -> dict[str, str]:
        own = {key: value for key, value in os.environ.items() if not key.startswith("HEATLEDGER_")}
        # PGAPPNAME only lets a test tell the processes apart in PostgreSQL's own tables.
        return own | self.settings_of(service, name) | {"PGAPPNAME": name}

    def add_site(self, text: str) -> None:
        """`heatledger add /dev/stdin < SITE.toml` in the place of the web process, as the compose file's head says."""
        command = [sys.executable, "-m", "api", "add", "/dev/stdin"]
        surroundings = self._surroundings("web", "command")
        done = subprocess.run(command, env=surroundings, input=text, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr

    def start(self, service: str, name: str = "") -> None:
        """Start a service's process, under a name where there are several; `await_health` waits for it."""
        name = name or service
        command = [sys.executable, "-m", "api", *command_of(service)]
        with (self.folder / f"{name}.log").open("ab") as log:
            self._parts[name] = subprocess.Popen(
                command, env=self._surroundings(service, name), stdout=log, stderr=log, start_new_session=True
            )

    def await_health(self, *names: str) -> None:
        """Return when what the compose file's health checks ask for holds of these processes."""
        for name in names:
            wait_until(lambda name=name: self._is_well(name), within_s=_READY_WITHIN_S, what=f"health of {name}")

    def _is_well(self, name: str) -> bool:
        ended = self._parts[name].poll()
        assert ended is None, f"{name} ended ({ended}): {(self.folder / f'{name}.log').read_text()[-2000:]}"
        if name != "web":
            return trouble_in(self._health_file(name), now_ms=wall_clock_ms()) == ""
        try:
            return "status" in self.get("/api/health")
        except OSError:
            return False

    def running(self) -> Sequence[str]:
        """Names of the processes that were started and not killed."""
        return list(self._parts)

    def kill(self, name: str) -> None:
        """End a process at once, as a power cut would (SIGKILL)."""
        process = self._parts.pop(name)
        process.kill()
        assert process.wait(30) == -signal.SIGKILL
        self._health_file(name).unlink(missing_ok=True)

    def get(self, path: str) -> Any:
        """The JSON of the web process at a path."""
        with urllib.request.urlopen(f"http://{HOST}:{self._web_port}{path}", timeout=30) as answer:
            return json.load(answer)

    def intake(self) -> Mapping[str, int]:
        """What the ingesters have counted together."""
        return self.get("/api/health")["intake"].get("mqtt", {"received": 0})
