"""Presence: what each site's gateway last said of itself, online or offline, and since when."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from sqlalchemy import Connection, Engine, select

from ingest.admit import PresenceNews
from ingest.tables import site_presence, upsert

__all__ = ["Presence", "note_presence", "presence"]


@dataclass(frozen=True, slots=True)
class Presence:
    """`since_ms` is when the state was first heard of; a gateway that repeats itself does not move it."""

    state: Literal["online", "offline"]
    since_ms: int


def note_presence(connection: Connection, news: Iterable[PresenceNews]) -> None:
    """Keep the last that each site said. Heard again from the broker's memory, or late, it changes nothing."""
    for each in news:
        state = "online" if each.online else "offline"
        statement = upsert(connection, site_presence, {"site": each.site, "state": state, "since_ms": each.at_ms})
        is_change = (site_presence.c.state != state) & (site_presence.c.since_ms <= each.at_ms)
        change = {"state": state, "since_ms": each.at_ms}
        connection.execute(statement.on_conflict_do_update(index_elements=["site"], set_=change, where=is_change))


def presence(engine: Engine) -> Mapping[str, Presence]:
    """Site to presence, of the sites that ever said something."""
    with engine.connect() as connection:
        rows = connection.execute(select(site_presence)).all()
    return {site: Presence(state, since_ms) for site, state, since_ms in rows}
