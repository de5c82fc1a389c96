"""What the records keep of the plain house: its days, and what moved in them."""

import json

from sqlalchemy import select

from api.moved_report import moved_rows
from api.records import DayRow, MovedDayRow, Records
from tests.plain_house import SITE

__all__ = ["kept", "moves"]


def moves(records: Records) -> list[MovedDayRow]:
    with records.look() as session:
        return list(moved_rows(session, SITE))


def kept(records: Records) -> str:
    with records.look() as session:
        days = session.scalars(select(DayRow).order_by(DayRow.day))
        return json.dumps([(row.day, row.ledger, row.state) for row in days], sort_keys=True)
