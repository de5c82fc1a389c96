"""
Sites in the records: versions of their files in time, and the tokens of their gateways.

On a local day the version holds whose first day is the last one not after it; of two with the same first day, the
one added later. The first version of a site holds since ever, unless it is said otherwise.
"""

import hashlib
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from difflib import get_close_matches
from functools import lru_cache
from typing import Literal

from sqlalchemy import Table, bindparam, func, select
from sqlalchemy.orm import Session

from analytics.site import Site
from analytics.site_changes import site_changes
from analytics.site_file import parse_site
from api.records import DayRow, SiteRow, SiteVersionRow, TokenRow
from api.work import mark_due

__all__ = [
    "SINCE_EVER",
    "Added",
    "SiteVersion",
    "UnknownSiteError",
    "add_version",
    "admission_sites",
    "is_token_of",
    "new_token",
    "parsed",
    "present_site",
    "present_sites",
    "site_ids",
    "site_versions",
    "version_on",
    "versions_mark",
]

SINCE_EVER = ""
_FEW_SITES = 10  # more are no help to read

_VERSIONS: Table = SiteVersionRow.__table__
_SITE_IDS = select(SiteRow.__table__.c.id).order_by(SiteRow.__table__.c.id)
_VERSIONS_OF_SITE = (
    select(_VERSIONS.c.text, _VERSIONS.c.digest, _VERSIONS.c.valid_from)
    .where(_VERSIONS.c.site_id == bindparam("site"))
    .order_by(_VERSIONS.c.valid_from, _VERSIONS.c.id)
)


class UnknownSiteError(LookupError):
    """No such site in the records."""

    def __init__(self, site: str, known: Sequence[str]) -> None:
        super().__init__(f"there is no site {site!r}; {_known(site, known)}")


def _known(site: str, known: Sequence[str]) -> str:
    """The sites there are; of many those whose ids are nearest."""
    if len(known) <= _FEW_SITES:
        return f"known sites: {', '.join(sorted(known)) or 'none'}"
    near = get_close_matches(site, known, n=3)
    return f"it may be {' or '.join(near)}" if near else f"none of {len(known)} known sites has an id like it"


@dataclass(frozen=True, slots=True)
class SiteVersion:
    """`valid_from` is an ISO day, or empty: since ever."""

    text: str
    digest: str
    valid_from: str

    @property
    def site(self) -> Site:
        return parsed(self.text)


@dataclass(frozen=True, slots=True)
class Added:
    """
    What `add_version` did.

    Args:
        valid_from: The first day of the version ("" since ever).
        days_due: Days that will be computed again.
        changes: What differs from the version that held on that day before, as phrases.
        until: The first day of the version after it ("" where it is the last).
    """

    site: Site
    outcome: Literal["new", "version", "same"]
    valid_from: str
    days_due: int
    changes: Sequence[str] = ()
    until: str = ""


# As many texts as a large installed base has sites; each Site is a few kB.
@lru_cache(maxsize=4096)
def parsed(text: str) -> Site:
    """The site of a file's text that was validated when it was added."""
    return parse_site(text, file="site file in the records")


def site_ids(session: Session) -> Sequence[str]:
    return session.scalars(_SITE_IDS).all()


def site_versions(session: Session, site: str) -> Sequence[SiteVersion]:
    """
    A site's versions, the one that holds first in time first.

    Raises:
        UnknownSiteError: If there is no such site.
    """
    versions = [SiteVersion(*row) for row in session.execute(_VERSIONS_OF_SITE, {"site": site})]
    if not versions:
        raise UnknownSiteError(site, site_ids(session))
    return versions


def version_on(versions: Sequence[SiteVersion], day: date) -> SiteVersion:
    """The version that held on a day; before the first one's first day, the first one."""
    held = [version for version in versions if version.valid_from <= day.isoformat()]
    return held[-1] if held else versions[0]


def present_site(session: Session, site: str) -> Site:
    """The version that holds last in time."""
    return site_versions(session, site)[-1].site


def present_sites(session: Session) -> Mapping[str, Site]:
    """Every site, by id, in the version that holds last in time."""
    rows = session.scalars(select(SiteVersionRow).order_by(SiteVersionRow.valid_from, SiteVersionRow.id))
    return {site.id: site for site in sorted((parsed(row.text) for row in rows), key=lambda site: site.id)}


def admission_sites(session: Session) -> Mapping[str, Site]:
    """
    Every site as the intake should see it: the version that holds last, with the points of earlier ones too.

    Readings of a point that has since been taken out stay welcome, for late deliveries and imports of old files.
    """
    sites: dict[str, Site] = {}
    for row in session.scalars(select(SiteVersionRow).order_by(SiteVersionRow.valid_from, SiteVersionRow.id)):
        site = parsed(row.text)
        earlier = sites[row.site_id].points if row.site_id in sites else {}
        sites[row.site_id] = replace(site, points={**earlier, **site.points})
    return sites


def versions_mark(session: Session) -> int:
    """A number that rises whenever a site or a version is added: when to load `admission_sites` again."""
    return session.scalar(select(func.coalesce(func.max(SiteVersionRow.id), 0))) or 0


def add_version(session: Session, text: str, *, valid_from: str | None, today: date, now_ms: int) -> Added:
    """
    Add a site, or a new version of it, and mark the days that it changes as due.

    Args:
        valid_from: First day (ISO), "" for since ever; None for the default: since ever for a site's first
            version, `today` (the site's local date) for a later one.
    Raises:
        SiteFileError: If the text is not a valid site file; nothing is changed then.
    """
    site = parsed(text)
    digest = hashlib.sha256(text.encode()).hexdigest()
    present = _versions_or_none(session, site.id)
    first = valid_from if valid_from is not None else (today.isoformat() if present else SINCE_EVER)
    held = [version for version in present if version.valid_from <= first]
    if held and held[-1].digest == digest:
        return Added(site, "same", held[-1].valid_from, 0)
    if not present:
        session.add(SiteRow(id=site.id, added_ms=now_ms))
        session.flush()
    session.add(SiteVersionRow(site_id=site.id, text=text, digest=digest, valid_from=first, added_ms=now_ms))
    session.flush()
    days_due = _mark_changed_days(session, site.id)
    if not present:
        return Added(site, "new", first, days_due)
    until = min((version.valid_from for version in present if version.valid_from > first), default="")
    return Added(site, "version", first, days_due, site_changes((held or present[:1])[-1].site, site), until)


def _versions_or_none(session: Session, site: str) -> Sequence[SiteVersion]:
    try:
        return site_versions(session, site)
    except UnknownSiteError:
        return []


def _mark_changed_days(session: Session, site: str) -> int:
    versions = site_versions(session, site)
    computed = session.execute(select(DayRow.day, DayRow.version_digest).where(DayRow.site_id == site)).all()
    changed = [day for day, digest in computed if version_on(versions, date.fromisoformat(day)).digest != digest]
    mark_due(session, site, changed, reason="version")
    return len(changed)


def new_token(session: Session, site: str, *, now_ms: int) -> str:
    """
    A new token for a site's gateway; earlier ones stay valid. Only its hash is kept, so it is shown once.

    Raises:
        UnknownSiteError: If there is no such site.
    """
    site_versions(session, site)
    token = secrets.token_urlsafe(24)
    session.add(TokenRow(site_id=site, digest=_token_digest(token), created_ms=now_ms))
    return token


def is_token_of(session: Session, token: str, *, site: str) -> bool:
    row = session.scalar(select(TokenRow).where(TokenRow.digest == _token_digest(token)))
    return row is not None and row.site_id == site


def _token_digest(token: str) -> str:
    # A token is 24 random bytes, so a plain hash is enough: there is nothing to guess.
    return hashlib.sha256(token.encode()).hexdigest()
