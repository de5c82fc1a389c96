"""The figures of a period in the groups that a day's account has, and what is said of all of them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from analytics.period import Period
from analytics.site import Site
from dashboards.days_names import days_between
from dashboards.names import heat_pump_name, tank_name
from dashboards.numbers import Display, plural, show_percent

__all__ = ["Group", "coverage_sentence", "grouped", "span_text"]


class _Named(Protocol):
    @property
    def path(self) -> str: ...


Line = TypeVar("Line", bound=_Named)

_ORDER = ("hot_water", "stages", "backup_fraction", "delivered_backup_fraction", "heat_pumps", "tanks")
_TITLES = {
    "hot_water": "Hot water",
    "stages": "Heat sources",
    "backup_fraction": "Backup",
    "delivered_backup_fraction": "Backup",
}
_LAST = "Bought and saved"


@dataclass(frozen=True, slots=True)
class Group(Generic[Line]):
    title: str
    lines: Sequence[Line]


def grouped(site: Site, lines: Iterable[Line]) -> list[Group[Line]]:
    """In the order of the heat's way from source to tap to bill; a heater takes nothing back, so that line is left."""
    found: dict[str, list[Line]] = {}
    for line in sorted((line for line in lines if not _is_idle(site, line.path)), key=_place):
        found.setdefault(_title(site, line.path), []).append(line)
    return [Group(title, members) for title, members in found.items()]


def _is_idle(site: Site, path: str) -> bool:
    stage = site.stages.get(path.removeprefix("stages.").removesuffix(".reverse"))
    return path.endswith(".reverse") and stage is not None and stage.loop is None


def _place(line: _Named) -> int:
    part = line.path.partition(".")[0]
    return _ORDER.index(part) if part in _ORDER else len(_ORDER)


def _title(site: Site, path: str) -> str:
    part, _, rest = path.partition(".")
    if part == "heat_pumps":
        pump = next((each for each in site.heat_pumps if rest.startswith(f"{each}.")), rest.partition(".")[0])
        return heat_pump_name(site, pump)
    if part == "tanks":
        return tank_name(rest.rpartition(".")[0])
    return _TITLES.get(part, _LAST)


def span_text(period: Period) -> str:
    """How its days are asked for in an address."""
    first, last = period.span.first, period.span.last
    return first.isoformat() if first == last else f"{first}..{last}"


def coverage_sentence(period: Period, display: Display) -> str:
    """Which days are counted, and how much of them was heard."""
    span = period.span
    days = f"{days_between(span.first, span.last, display)}: {plural(span.n_days, 'day')}"
    if (lacking := span.n_days - period.n_known) > 0:
        has = "has" if lacking == 1 else "have"
        days = f"{days}, of which {lacking} {has} no account and count{'s' if lacking == 1 else ''} for nothing"
    return f"{days}. Usable readings cover {show_percent(period.total.coverage)} of the time."
