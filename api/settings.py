"""
Settings of one process: what the command line says, then the environment, then embedded defaults.

`from_environment` is the only place of the program that looks at the environment.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import urlsplit

__all__ = [
    "DEFAULT_PORT",
    "PLACEHOLDER",
    "VARIABLES",
    "Settings",
    "SettingsError",
    "default_data",
    "from_environment",
    "require_data",
]

DEFAULT_PORT = 8420
PLACEHOLDER = "change-me"
"""What stands in `.env.example` where a secret belongs."""

VARIABLES: Mapping[str, str] = {
    "data": "HEATLEDGER_DATA",
    "records_url": "HEATLEDGER_RECORDS_URL",
    "store_url": "HEATLEDGER_STORE_URL",
    "store_token": "HEATLEDGER_STORE_TOKEN",
    "store_org": "HEATLEDGER_STORE_ORG",
    "store_bucket": "HEATLEDGER_STORE_BUCKET",
    "store_api": "HEATLEDGER_STORE_API",
    "broker_url": "HEATLEDGER_BROKER_URL",
    "broker_username": "HEATLEDGER_BROKER_USERNAME",
    "broker_password": "HEATLEDGER_BROKER_PASSWORD",
    "client_id": "HEATLEDGER_CLIENT_ID",
    "shared_group": "HEATLEDGER_SHARED_GROUP",
    "host": "HEATLEDGER_HOST",
    "port": "HEATLEDGER_PORT",
    "hosts": "HEATLEDGER_HOSTS",
    "workers": "HEATLEDGER_WORKERS",
    "lease_s": "HEATLEDGER_LEASE_S",
    "health_file": "HEATLEDGER_HEALTH_FILE",
}
"""The variable of each setting."""

_CLIENT_ID = "heatledger-ingest"


class SettingsError(ValueError):
    """A setting that is missing or cannot be used; the message says which one and what would be right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """
    Args:
        data: Folder of the embedded store, the embedded records and the log; None where all of them are servers.
        records_url: SQLAlchemy URL; empty means SQLite in the data folder.
        store_url: http(s) URL of an InfluxDB; empty means DuckDB in the data folder.
        store_bucket: The bucket of InfluxDB 2, the database of 1.x and 3.
        store_api: How it is written to: "v2" is /api/v2/write, "v1" is /write of InfluxDB before 1.8.
        broker_url: mqtt://HOST[:PORT]; empty means the broker that comes with the program, as a child process.
        client_id: Names the ingester's session at the broker; another one for each process.
        shared_group: Ingesters of one group share the messages; empty means that there is only one.
        host, port: Where the pages are served. Loopback by default, since there is no sign-in yet.
        hosts: Names, separated by commas, under which the pages may be asked for; empty means loopback's where the
            pages are on loopback, and any elsewhere.
        workers: Processes for recomputing history; 0 means one for each core.
        lease_s: A watcher that stored nothing for so long is taken for dead, and another one serves its sites. [s]
        health_file: Where an ingester or a watcher says how it fares (`api.health`); None means nowhere.
    """

    data: Path | None = None
    records_url: str = ""
    store_url: str = ""
    store_token: str = ""
    store_org: str = "heatledger"
    store_bucket: str = "heatledger"
    store_api: str = "v2"
    broker_url: str = ""
    broker_username: str = ""
    broker_password: str = ""
    client_id: str = _CLIENT_ID
    shared_group: str = ""
    host: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    hosts: str = ""
    workers: int = 0
    lease_s: int = 120
    health_file: Path | None = None

    @property
    def is_embedded_store(self) -> bool:
        return not self.store_url

    @property
    def resolved_records_url(self) -> str:
        return self.records_url or f"sqlite:///{require_data(self) / 'records.db'}"


def require_data(settings: Settings) -> Path:
    """
    The data folder.

    Raises:
        SettingsError: If none was named.
    """
    if settings.data is None:
        raise SettingsError("no data folder: say --data DIR, or set HEATLEDGER_DATA")
    return settings.data


def default_data() -> Path | None:
    """The data folder that the environment names."""
    named = os.environ.get(VARIABLES["data"])
    return Path(named) if named else None


def from_environment(environment: Mapping[str, str] | None = None, **given: object) -> Settings:
    """
    Settings from the environment, overridden by what the command line gave (None means not given).

    Raises:
        SettingsError: If a value cannot be used; the message names the variable.
    """
    source = os.environ if environment is None else environment
    values: dict[str, object] = {}
    for field, variable in VARIABLES.items():
        if source.get(variable):
            values[field] = _parsed(field, source[variable], name=variable)
    values |= {field: value for field, value in given.items() if value is not None}
    return _checked(replace(Settings(), **values))  # type: ignore[arg-type]


def _parsed(field: str, text: str, *, name: str) -> object:
    if field in ("data", "health_file"):
        return Path(text)
    if field in ("port", "workers", "lease_s"):
        if not text.isdigit():
            raise SettingsError(f"{name} must be a whole number; it is {text!r}")
        return int(text)
    return text


def _checked(settings: Settings) -> Settings:
    _refuse_placeholders(settings)
    if settings.shared_group and settings.client_id == _CLIENT_ID:
        raise SettingsError(
            "ingesters that share the messages each need a name of their own, the same after every restart: "
            "set HEATLEDGER_CLIENT_ID, or say --client-id"
        )
    if settings.lease_s < 1:
        raise SettingsError(f"HEATLEDGER_LEASE_S must be 1 or more seconds; it is {settings.lease_s}")
    if not 0 <= settings.port <= 65535:
        raise SettingsError(f"the port must be between 0 and 65535; it is {settings.port}")
    if settings.broker_url and urlsplit(settings.broker_url).scheme not in ("mqtt", "mqtts"):
        raise SettingsError(f"the broker's address must be mqtt://HOST[:PORT]; it is {settings.broker_url!r}")
    if settings.store_api not in ("v1", "v2"):
        raise SettingsError(f"HEATLEDGER_STORE_API must be v1 or v2; it is {settings.store_api!r}")
    if settings.store_url and urlsplit(settings.store_url).scheme not in ("http", "https"):
        raise SettingsError(f"the store's address must be http://HOST:PORT; it is {settings.store_url!r}")
    return settings


def _refuse_placeholders(settings: Settings) -> None:
    for field, variable in VARIABLES.items():
        if PLACEHOLDER in str(getattr(settings, field)):
            raise SettingsError(
                f"{variable} still holds the placeholder {PLACEHOLDER!r} of .env.example; put a secret of your own "
                "into .env"
            )
