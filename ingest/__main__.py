"""One ingester as a process of its own: `python -m ingest --sites FOLDER --data FOLDER --broker HOST:PORT`."""

import argparse
import logging
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from sqlalchemy import create_engine

from analytics.site_file import SiteFileError
from ingest.duckdb_store import open_duckdb_store
from ingest.mqtt import IngestSettings, run_ingester
from ingest.pipeline import Intake
from ingest.site_folder import SiteFolder
from ingest.store import ReadingStore, StoreUnavailableError

__all__ = ["main"]

_STOP_SIGNALS = (signal.SIGTERM, signal.SIGINT)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run until SIGTERM or SIGINT; 2 if it cannot start."""
    given = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    stop = threading.Event()
    for number in _STOP_SIGNALS:
        signal.signal(number, lambda *_: stop.set())
    try:
        directory = SiteFolder(given.sites)
        settings = _settings(given)
        with _open_store(given) as store:
            records = create_engine(given.records or f"sqlite:///{given.data / 'ingest.db'}")
            intake = Intake(directory, store, records)
            intake.create_tables()
            run_ingester(settings, intake, stop=stop)
            records.dispose()
    except (SiteFileError, StoreUnavailableError, OSError) as error:
        print(f"heatledger ingest: {error}", file=sys.stderr)
        return 2
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m ingest", description=__doc__)
    parser.add_argument("--sites", type=_folder, required=True, help="folder of site files (*.toml)")
    parser.add_argument("--data", type=Path, default=Path(), help="folder of the embedded store and of quarantine")
    parser.add_argument("--broker", type=_address, default="127.0.0.1:1883", help="HOST:PORT (default 127.0.0.1:1883)")
    parser.add_argument("--mqtt", choices=("3.1.1", "5.0"), default="5.0", help="MQTT version (default 5.0)")
    parser.add_argument("--client-id", default="heatledger-ingest", help="fixed, and another one for each process")
    parser.add_argument("--group", help="share the messages with the other ingesters of this group")
    parser.add_argument("--username", help="for the broker")
    parser.add_argument("--password-file", type=Path, help="file with the password for the broker")
    parser.add_argument("--tls", action="store_true", help="speak TLS with the broker")
    parser.add_argument("--tls-ca", type=Path, help="authorities to trust instead of the system's")
    parser.add_argument("--influx", metavar="URL", help="keep readings in this InfluxDB instead of DuckDB in --data")
    parser.add_argument("--influx-database", default="heatledger", help="database of 1.x, bucket of 2")
    parser.add_argument("--influx-api", choices=("v1", "v2"), default="v2", help="v1 for InfluxDB before 1.8")
    parser.add_argument("--influx-org", default="", help="for InfluxDB 2")
    parser.add_argument("--influx-token-file", type=Path, help="file with the token for InfluxDB 2")
    parser.add_argument("--records", metavar="URL", help="SQLAlchemy URL of quarantine and totals (default: in --data)")
    return parser


def _folder(text: str) -> Path:
    if not Path(text).is_dir():
        raise argparse.ArgumentTypeError(f"{text!r} is not a folder")
    return Path(text)


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise argparse.ArgumentTypeError(f"{text!r} is not HOST:PORT, as 127.0.0.1:1883")
    return host, int(port)


def _settings(given: argparse.Namespace) -> IngestSettings:
    return IngestSettings(
        host=given.broker[0],
        port=given.broker[1],
        client_id=given.client_id,
        version=given.mqtt,
        username=given.username,
        password=_secret(given.password_file),
        tls=given.tls,
        tls_ca=given.tls_ca,
        shared_group=given.group,
    )


def _secret(file: Path | None) -> str | None:
    return None if file is None else file.read_text().strip()


def _open_store(given: argparse.Namespace) -> ReadingStore:
    if given.influx is None:
        return open_duckdb_store(given.data)
    # Not at the top: a second of start-up, and a restart after a crash should be quick.
    from ingest.influx_http import InfluxSettings
    from ingest.influx_store import open_influx_store

    settings = InfluxSettings(
        url=given.influx,
        database=given.influx_database,
        org=given.influx_org,
        token=_secret(given.influx_token_file) or "",
        write_api=given.influx_api,
        is_shared=given.group is not None,
    )
    return open_influx_store(settings)


if __name__ == "__main__":
    sys.exit(main())
