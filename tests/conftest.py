"""
Fixtures that several test modules share: real servers, and a house that is served. A server that is not installed skips
its tests by name.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.servers import InfluxServer, MosquittoServer, PostgresServer, VictoriaServer, program

if TYPE_CHECKING:
    from tests.served_house import Web

__all__: list[str] = []


def _need(name: str, package: str) -> None:
    if program(name) is None:
        pytest.skip(f"{name} is not installed (Debian package {package})")


@pytest.fixture
def mosquitto_server(tmp_path: Path) -> Iterator[MosquittoServer]:
    """A running Mosquitto with persistent sessions and an unlimited queue, fresh for each test."""
    _need("mosquitto", "mosquitto")
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    with MosquittoServer(folder) as server:
        yield server


@pytest.fixture(scope="session")
def influx_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxServer]:
    """A running InfluxDB 1.x, shared; take a database of your own with `new_database()`."""
    _need("influxd", "influxdb")
    with InfluxServer(tmp_path_factory.mktemp("influx")) as server:
        yield server


@pytest.fixture(scope="session")
def victoria_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VictoriaServer]:
    """A running VictoriaMetrics, shared; use site ids of your own."""
    _need("victoria-metrics", "victoria-metrics")
    with VictoriaServer(tmp_path_factory.mktemp("victoria")) as server:
        yield server


@pytest.fixture(scope="session")
def postgres_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PostgresServer]:
    """A running PostgreSQL, shared; take a database of your own with `new_database()`."""
    _need("postgres", "postgresql")
    with PostgresServer(tmp_path_factory.mktemp("postgres")) as server:
        yield server


@pytest.fixture
def web(tmp_path: Path) -> "Iterator[Web]":
    from tests.served_house import served_house  # which imports the whole program, that few tests need

    with served_house(tmp_path) as web:
        yield web
