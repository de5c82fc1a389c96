"""
Real servers for tests and benchmarks, each on free loopback ports with its data in a folder of its own.

A server can be started, stopped in order, killed, and started again on the same port and data.
"""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Sequence
from itertools import count
from pathlib import Path
from types import TracebackType
from typing import Self

__all__ = [
    "InfluxServer",
    "MosquittoServer",
    "PostgresServer",
    "Server",
    "VictoriaServer",
    "answers",
    "free_port",
    "program",
    "wait_until",
]

HOST = "127.0.0.1"
START_WITHIN_S = 30.0
STOP_WITHIN_S = 30.0


def free_port() -> int:
    """A TCP port that nothing listens on at this moment."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def program(name: str) -> str | None:
    """Path of an installed server program; looks where Debian puts servers, too."""
    folders = [os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"]
    folders += sorted(str(path) for path in Path("/usr/lib/postgresql").glob("*/bin"))
    return shutil.which(name, path=os.pathsep.join(folders))


def wait_until(is_true: Callable[[], bool], *, within_s: float, what: str) -> None:
    """Return as soon as a condition holds; fail with `what` if it does not in time."""
    deadline = time.monotonic() + within_s
    while not is_true():
        if time.monotonic() > deadline:
            raise TimeoutError(f"{what} did not come true within {within_s:g} s")
        time.sleep(0.01)


def answers(port: int) -> bool:
    """Whether something listens at a TCP port."""
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex((HOST, port)) == 0


class Server:
    """One server process; `with` starts and stops it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.process: subprocess.Popen[bytes] | None = None

    def command(self) -> Sequence[str]:
        raise NotImplementedError

    def is_ready(self) -> bool:
        return answers(self.port)

    @property
    def log(self) -> Path:
        return self.folder / "server.log"

    def start(self) -> None:
        """Start, or start again after `stop` or `kill`; returns when the server answers."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self.command(), stdout=log, stderr=log, start_new_session=True)
        wait_until(self._is_up_or_dead, within_s=START_WITHIN_S, what=f"{type(self).__name__} on port {self.port}")
        if self.process.poll() is not None:
            raise RuntimeError(f"{type(self).__name__} ended at once: {self.log.read_text()[-2000:]}")

    def _is_up_or_dead(self) -> bool:
        return (self.process is not None and self.process.poll() is not None) or self.is_ready()

    def stop(self) -> None:
        """End in order (SIGTERM), so that the server can save what it holds."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End at once (SIGKILL), as a power cut would."""
        self._end(signal.SIGKILL)

    def _end(self, how: signal.Signals) -> None:
        if self.process is None:
            return
        with contextlib.suppress(ProcessLookupError):
            self.process.send_signal(how)
        try:
            self.process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(STOP_WITHIN_S)
        self.process = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


class MosquittoServer(Server):
    """Mosquitto with persistent sessions. `options` are further lines of its configuration."""

    def __init__(self, folder: Path, *, options: Sequence[str] = ("max_queued_messages 0",)) -> None:
        super().__init__(folder)
        self.options = options

    def command(self) -> Sequence[str]:
        config = self.folder / "mosquitto.conf"
        user = ["user root"] if os.geteuid() == 0 else []
        lines = [f"listener {self.port} {HOST}", "allow_anonymous true", "persistence true", *user]
        lines += [f"persistence_location {self.folder}/", "max_inflight_messages 0", *self.options]
        config.write_text("\n".join(lines) + "\n")
        return [program("mosquitto") or "mosquitto", "-c", str(config)]


class _HttpServer(Server):
    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}"

    def is_ready(self) -> bool:
        with contextlib.suppress(OSError), urllib.request.urlopen(self.url + self.health_path, timeout=1) as answer:
            return bool(answer.status < 300)
        return False

    health_path = "/"


_INFLUX_CONFIG = """
reporting-disabled = true
bind-address = "{host}:{backup_port}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  index-version = "tsi1"
  query-log-enabled = false
[http]
  bind-address = "{host}:{port}"
  log-enabled = false
"""


class InfluxServer(_HttpServer):
    """InfluxDB 1.x: line protocol on `/write`, InfluxQL on `/query`."""

    health_path = "/ping"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.backup_port = free_port()
        self._databases = count(1)

    def command(self) -> Sequence[str]:
        config = self.folder / "influxdb.conf"
        config.write_text(
            _INFLUX_CONFIG.format(host=HOST, folder=self.folder, port=self.port, backup_port=self.backup_port)
        )
        return [program("influxd") or "influxd", "run", "-config", str(config)]

    def new_database(self) -> str:
        """Create an empty database and return its name."""
        name = f"readings_{next(self._databases)}"
        form = urllib.parse.urlencode({"q": f'CREATE DATABASE "{name}"'}).encode()
        with urllib.request.urlopen(f"{self.url}/query", data=form, timeout=10) as answer:
            answer.read()
        return name


class VictoriaServer(_HttpServer):
    """VictoriaMetrics, single node: takes line protocol on `/api/v2/write`."""

    health_path = "/health"

    def command(self) -> Sequence[str]:
        return [
            program("victoria-metrics") or "victoria-metrics",
            f"-httpListenAddr={HOST}:{self.port}",
            f"-storageDataPath={self.folder}/victoria",
            "-retentionPeriod=100y",
            "-memory.allowedPercent=20",
        ]


class PostgresServer(Server):
    """
    PostgreSQL on a cluster of its own, reached over TCP without a password.

    It refuses to run as root, so root hands it to the account `postgres`; for the same reason its data is not in
    `folder`, which that account could not enter.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._cluster: Path | None = None
        self._databases = count(1)

    def _as_account(self) -> Sequence[str]:
        if os.geteuid() != 0:
            return []
        return [program("setpriv") or "setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups", "--"]

    def _make_cluster(self) -> Path:
        cluster = Path(tempfile.mkdtemp(prefix="heatledger-postgres-"))
        if os.geteuid() == 0:
            shutil.chown(cluster, "postgres", "postgres")
        initdb = [*self._as_account(), program("initdb") or "initdb", "-D", str(cluster / "data"), "-N"]
        initdb += ["-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C"]
        done = subprocess.run(initdb, capture_output=True, cwd=cluster)
        if done.returncode != 0:
            raise RuntimeError(f"initdb: {done.stderr.decode()[-2000:]}")
        return cluster

    def command(self) -> Sequence[str]:
        if self._cluster is None:
            self._cluster = self._make_cluster()
        settings = [f"listen_addresses={HOST}", f"port={self.port}", "unix_socket_directories=", "max_connections=50"]
        settings += ["fsync=off", "full_page_writes=off", "synchronous_commit=off"]  # a cluster for one test run
        options = [part for setting in settings for part in ("-c", setting)]
        return [
            *self._as_account(),
            program("postgres") or "postgres",
            "-D",
            str(self._cluster / "data"),
            *options,
        ]

    def is_ready(self) -> bool:
        import psycopg

        with contextlib.suppress(psycopg.OperationalError), self._connect():
            return True
        return False

    def _connect(self):
        import psycopg

        return psycopg.connect(
            f"host={HOST} port={self.port} user=postgres dbname=postgres connect_timeout=2", autocommit=True
        )

    def new_database(self) -> str:
        """Create an empty database and return its SQLAlchemy URL."""
        name = f"records_{next(self._databases)}"
        with self._connect() as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return f"postgresql+psycopg://postgres@{HOST}:{self.port}/{name}"

    def stop(self) -> None:
        """A fast shutdown (SIGINT): open connections are ended."""
        self._end(signal.SIGINT)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end(signal.SIGQUIT)
        if self._cluster is not None:
            shutil.rmtree(self._cluster, ignore_errors=True)
            self._cluster = None
