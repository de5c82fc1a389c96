"""Opens the readings store that the settings name."""

from api.settings import Settings, require_data
from ingest.duckdb_store import open_duckdb_store
from ingest.store import ReadingStore

__all__ = ["open_store"]


def open_store(settings: Settings) -> ReadingStore:
    """
    The store, ready for use.

    Raises:
        StoreUnavailableError: If it cannot be opened; StoreBusyError if another process holds it.
    """
    if settings.is_embedded_store:
        return open_duckdb_store(require_data(settings))
    # Its client takes a third of a second to load, which the embedded store need not pay.
    from ingest.influx_http import InfluxSettings
    from ingest.influx_store import open_influx_store

    return open_influx_store(
        InfluxSettings(
            url=settings.store_url,
            token=settings.store_token,
            org=settings.store_org,
            database=settings.store_bucket,
            write_api="v1" if settings.store_api == "v1" else "v2",
            is_shared=True,
        )
    )
