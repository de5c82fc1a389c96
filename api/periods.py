"""The contexts of the pages of periods: days added up, and two such periods side by side."""

from collections.abc import Mapping, Sequence
from datetime import date

from sqlalchemy.orm import Session

from analytics.period import By, Period, Span, spans
from analytics.site import Site
from analytics.trace import local_day_at
from api.compared import compare
from api.day_rows import day_span
from api.held import held_versions
from api.pages import NOTICE, Sources
from api.results import NoLedgerError, period
from api.sites import present_site
from api.span_names import days_of
from dashboards.contexts import CompareContext, PeriodContext

__all__ = ["compare_context", "period_context"]

_KINDS: Sequence[By] = ("month", "week", "season", "year")


def period_context(sources: Sources, site: str, *, by: By, day: date | None) -> PeriodContext:
    """
    The week, month, season or year that holds a day (the newest without one), or all since the commissioning.

    Raises:
        UnknownSiteError: If there is no such site.
        NoLedgerError: If the day lies outside its account.
    """
    with sources.records.look() as session:
        present = present_site(session, site)
        found = _spans(present, by, _account(session, sources, present))
        shown = _holding(present, found, day)
        return PeriodContext(
            site=present,
            now=sources.now,
            by=by,
            spans=found,
            span=shown,
            period=None if shown is None else _sums(session, site, shown),
            held=() if shown is None else held_versions(session, site, shown.first, shown.last),
            notice=NOTICE,
        )


def _account(session: Session, sources: Sources, site: Site) -> tuple[date, date] | None:
    """First and last day of a site's account, which does not reach beyond today."""
    kept = day_span(session, site.id)
    if kept is None:
        return None
    return kept[0], max(kept[0], min(kept[1], local_day_at(sources.now_ms, site.timezone).date))


def _spans(site: Site, by: By, account: tuple[date, date] | None) -> Sequence[Span]:
    if account is None:
        return ()
    first, last = account
    if by == "all" and site.commissioned is not None and first < site.commissioned <= last:
        first = site.commissioned
    return spans(by, first, last)


def _holding(site: Site, found: Sequence[Span], day: date | None) -> Span | None:
    if not found:
        return None
    if day is None:
        return found[-1]
    for span in found:
        if span.first <= day <= span.last:
            return span
    raise NoLedgerError(f"{day} lies outside the account of {site.name}, from {found[0].first} to {found[-1].last}")


def _sums(session: Session, site: str, span: Span) -> Period | None:
    try:
        return period(session, site, first=span.first, last=span.last)
    except NoLedgerError:
        return None  # a gap in the account


def compare_context(sources: Sources, site: str, *, earlier: str, later: str) -> CompareContext:
    """
    Two periods side by side, named as `days_of` takes them; with neither named, what there is to choose from.

    Raises:
        UnknownSiteError: If there is no such site.
        ValueError: If one of them names no days.
        NoLedgerError: If none of the days of one has a ledger.
    """
    with sources.records.look() as session:
        present = present_site(session, site)
        account = _account(session, sources, present)
        choices: Mapping[By, Sequence[Span]] = {by: _spans(present, by, account) for by in _KINDS}
        found = compare(session, site, days_of(earlier), days_of(later)) if earlier or later else None
    return CompareContext(
        site=present,
        now=sources.now,
        periods=None if found is None else found.periods,
        asked=(earlier, later),
        choices=choices,
        assumptions=() if found is None else found.assumptions,
        notice=NOTICE,
    )
