"""Which version of a site's file held when: what the sentences under a sum of money are written from."""

from datetime import date, timedelta

from sqlalchemy.orm import Session

from api.sites import site_versions
from dashboards.assumptions import Held

__all__ = ["held_versions"]


def held_versions(session: Session, site: str, first: date, last: date) -> list[Held]:
    """The versions of a site's file that held on the days first..last, in turn."""
    versions, held = site_versions(session, site), []
    starts = [date.fromisoformat(each.valid_from) if each.valid_from else date.min for each in versions]
    starts[0] = date.min  # before its first day the first version holds
    for version, start, following in zip(versions, starts, [*starts[1:], date.max], strict=True):
        until = min(max(following, first) - timedelta(days=1), last)
        if max(start, first) <= until:
            held.append(Held(max(start, first), until, version.site))
    return held
