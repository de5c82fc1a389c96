"""What is shown in place of a page that cannot be shown: why, and the way back to the house."""

import re
from dataclasses import dataclass
from datetime import date

from analytics.site import Site
from dashboards.contexts import ErrorContext
from dashboards.links import home_link, site_link
from dashboards.numbers import display_of, show_day

__all__ = ["ErrorPage", "error_page"]

_DAY = re.compile(r"(?<![\w'-])\d{4}-\d\d-\d\d(?![\w'-])")  # but for what was asked for to the letter
_COMMAND = re.compile(r" \(`[^`]*`[^)]*\)")  # for those who have a terminal before them


@dataclass(frozen=True, slots=True)
class ErrorPage:
    """`name` and its links are empty where the address names no house that there is."""

    name: str
    sentence: str
    site_link: str
    home_link: str


def error_page(context: ErrorContext) -> ErrorPage:
    site, told = context.site, _COMMAND.sub("", context.message)
    if site is None:
        return ErrorPage("", _sentence(told), "", "")
    return ErrorPage(site.name, _sentence(_in_readers_words(told, site)), site_link(site.id), home_link(site.id))


def _in_readers_words(message: str, site: Site) -> str:
    """The house by its name where the message has its id, and days as the house's reader writes them."""
    named = re.sub(rf"(?<![\w./-]){re.escape(site.id)}(?![\w/-])", lambda _: site.name, message)
    return (
        _DAY.sub(lambda found: _day(found[0], site), named)
        .replace("a ledger", "an account")
        .replace("ledger", "account")
    )


def _day(text: str, site: Site) -> str:
    try:
        return show_day(date.fromisoformat(text), display_of(site), year=True)
    except ValueError:
        return text


def _sentence(message: str) -> str:
    return f"{message[:1].upper()}{message[1:].rstrip('.')}."
