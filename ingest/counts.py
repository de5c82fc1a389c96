"""How many readings went which way: `received` = `stored` + `duplicate` + `quarantined`, always, and in the totals."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass

from sqlalchemy import Connection, Engine, select

from ingest.tables import intake_totals, upsert

__all__ = ["Counts", "add_totals", "totals"]


@dataclass(frozen=True, slots=True)
class Counts:
    """`replaced` is a part of `stored`: a later, different value for the same point and time."""

    received: int = 0
    stored: int = 0
    duplicate: int = 0
    quarantined: int = 0
    replaced: int = 0

    def __add__(self, other: "Counts") -> "Counts":
        return Counts(*(mine + its for mine, its in zip(_numbers(self), _numbers(other), strict=True)))


def _numbers(counts: Counts) -> tuple[int, ...]:
    return counts.received, counts.stored, counts.duplicate, counts.quarantined, counts.replaced


def add_totals(connection: Connection, way: str, counts: Counts) -> None:
    """Add to the running totals of one way in; safe among any number of processes."""
    statement = upsert(connection, intake_totals, {"way": way, **asdict(counts)})
    more = {name: intake_totals.c[name] + statement.excluded[name] for name in asdict(counts)}
    connection.execute(statement.on_conflict_do_update(index_elements=["way"], set_=more))


def totals(engine: Engine) -> Mapping[str, Counts]:
    """
    The running totals since ever, by way in (mqtt, http, file).

    A batch is counted after it is durable. A crash between the two makes the broker send it again, and it is then
    counted as duplicate: the sum holds, `stored` may fall short of what the store holds.
    """
    with engine.connect() as connection:
        rows = connection.execute(select(intake_totals)).mappings().all()
    return {row["way"]: Counts(**{name: row[name] for name in row if name != "way"}) for row in rows}
