"""The ledger as JSON, as CSV and as a table for the terminal."""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from rich.console import Console
from rich.table import Table

from analytics.figure_paths import figures_in_record
from analytics.figures import shown_of
from analytics.period import By, Period, calendar_days
from analytics.site import Site
from analytics.units import shown
from dashboards.explain import is_fraction
from dashboards.figure_names import figure_name
from dashboards.numbers import MINUS, UNKNOWN, display_of, plural, show_figure
from dashboards.side_by_side import Beside, figures_beside, show_change

__all__ = ["EXPORT_SUFFIXES", "alerts_table", "comparison_table", "ledger_csv", "ledger_json", "ledger_table"]

_WIDTH_WITH_PATHS = 120
_MUCH_DOUBT = 1.0  # kWh, or what a column shows: from here on a ± larger than its figure is told in the table
_WELL_COVERED = 0.9  # of a period; below, two that are compared say so
_COOLING = " (cooling)"
_OF_PERIODS = {"first day": "first", "last day": "last", "days": "days", "days known": "known"}
_VOLUMES = {"si": "Litres", "us": "Gallons"}
EXPORT_SUFFIXES = (".csv", ".parquet", ".xlsx")


def ledger_json(site: Site, days: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """The contract's JSON of `ledger`, from days as they are kept."""
    return {"site": site.id, "timezone": site.timezone, "days": shown_of(list(days))}


def ledger_csv(ledger: Mapping[str, Any]) -> str:
    """One row a day; each figure with its half-width and basis beside it, its unit in the heading."""
    rows = [dict(_columns(day)) for day in ledger["days"]]
    headings = list(dict.fromkeys(heading for row in rows for heading in row)) or ["day", "coverage"]
    out = io.StringIO()
    writer = csv.DictWriter(out, headings, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _columns(day: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    yield "day", day["day"]
    if "known" in day:
        yield from ((heading, day[name]) for heading, name in _OF_PERIODS.items())
    yield "coverage", day["coverage"]
    for path, figure in figures_in_record(day):
        unit = f" [{figure['unit']}]" if figure["unit"] not in ("", "1") else ""
        yield f"{path}{unit}", _blank(figure["value"])
        yield f"{path} plus_minus{unit}", _blank(figure["plus_minus"])
        yield f"{path} basis", figure["basis"]


def _blank(value: float | None) -> float | str:
    return "" if value is None else value


def ledger_table(ledger: Mapping[str, Any], site: Site, console: Console) -> None:
    """The figures that a technician looks at first; `json` and `csv` have all of them."""
    table = Table(title=f"{site.name} ({site.id}), local days of {site.timezone}")
    table.add_column(str(ledger.get("by", "day")).capitalize(), no_wrap=True)
    by = ledger.get("by")
    headings = ["Days"] if by else []
    headings += [f"{stage.name or stage.id} kWh" for stage in site.stages.values()]
    headings += ["Hot water kWh", _VOLUMES[site.units], "Backup %", "COP", "Bought kWh", "Saved kWh", "Coverage %"]
    for heading in headings:
        table.add_column(heading, justify="right")
    for day in ledger["days"]:
        table.add_row(day["day"], *([_days_known(day, by)] if by else []), *_cells(day, site))
    if ledger["days"]:
        console.print(table)
        console.print(f"~ estimated, {UNKNOWN} not available; `--format json` says why, and gives each figure's ±.")
    else:
        console.print(f"No readings of {site.id} in these days.")


def _days_known(period: Mapping[str, Any], by: By) -> str:
    """Of how many of its days there is an account; of a week, month, season or year, of its whole days."""
    n_days = period["days"] if by == "all" else calendar_days(by, date.fromisoformat(period["first"]))
    return f"{period['known']} of {n_days}"


def _cells(day: Mapping[str, Any], site: Site) -> list[str]:
    stages = {line["stage"]: line["heat"] for line in day["stages"]}
    cells = [_cell(stages.get(stage), "{:.2f}") for stage in site.stages]
    cells.append(_cell(day["hot_water"]["heat"], "{:.2f}"))
    cells.append(_cell(day["hot_water"]["volume"], "{:.0f}", times=shown(1.0, "l", system=site.units)))
    cells.append(_cell(day["backup_fraction"], "{:.0f}", times=100))
    cells.append(_cop(day))
    cells.append(_cell(day["purchased"], "{:.2f}"))
    cells.append(_cell(day["saved"]["energy"], "{:.2f}"))
    cells.append(f"{100 * day['coverage']:.0f}")
    return cells


def _cop(day: Mapping[str, Any]) -> str:
    """In heating, or in cooling where the day or period only cooled."""
    cops = [(mode, pump[mode]["cop"]) for pump in day["heat_pumps"] for mode in ("heating", "cooling")]
    mode, cop = next(((mode, cop) for mode, cop in cops if cop["value"] is not None), ("", None))
    return _cell(cop, "{:.2f}") + (_COOLING if mode == "cooling" else "")


def _cell(figure: Mapping[str, Any] | None, form: str, *, times: float = 1) -> str:
    if figure is None or figure["value"] is None:
        return UNKNOWN
    mark = "~" if figure["basis"] == "estimated" else ""
    half_width = times * (figure["plus_minus"] or 0.0)
    is_swamped = half_width >= _MUCH_DOUBT and half_width > abs(times * figure["value"])
    doubt = f" ±{half_width:.0f}" if is_swamped else ""
    return mark + form.format(times * figure["value"]).replace("-", MINUS) + doubt


def comparison_table(earlier: Period, later: Period, *, site: Site, console: Console) -> None:
    """Two periods of a house side by side, and their difference with how far that can be off."""
    has_paths = console.width >= _WIDTH_WITH_PATHS
    table = Table(title=f"{site.name} ({site.id})")
    for heading in ("Figure", earlier.span.name, later.span.name, "Difference"):
        table.add_column(heading, justify="left" if heading == "Figure" else "right")
    if has_paths:
        table.add_column("For `explain`")
    told, n_unknown = figures_beside(earlier, later)
    for one in told:
        table.add_row(figure_name(site, one.path), *_beside(one, site), *([one.path] if has_paths else []))
    console.print(table)
    for line in _about_comparison((earlier, later), n_unknown=n_unknown):
        console.print(line)
    if not has_paths:
        console.print(f"`heatledger explain {site.id} --list` has the names by which figures are asked for.")


def _beside(one: Beside, site: Site) -> Iterator[str]:
    """The two, and later less earlier, to the digits that each interval allows."""
    display, as_percent = display_of(site), is_fraction(one.path)
    yield from (show_figure(figure, display, as_percent=as_percent) for figure in (one.earlier, one.later))
    yield show_change(one.changed, one.path, display)


def _about_comparison(periods: Sequence[Period], *, n_unknown: int) -> Iterator[str]:
    for each in periods:
        if each.n_known < each.span.n_days:
            yield f"{each.span.name}: {each.n_known} of {each.span.n_days} days have a ledger."
        if each.total.coverage < _WELL_COVERED:
            yield f"{each.span.name}: usable readings cover {100 * each.total.coverage:.0f} % of its days."
    if n_unknown:
        verb = "is" if n_unknown == 1 else "are"
        yield f"{plural(n_unknown, 'more figure')} {verb} not known in either; `--format json` says why."


def alerts_table(alerts: Sequence[Mapping[str, Any]], console: Console) -> None:
    """The alerts, worst and newest first as given; each with its sentence."""
    if not alerts:
        console.print("No alerts.")
        return
    table = Table()
    for heading in ("Site", "Severity", "Kind", "Component", "Began", "Ended", "What it says"):
        table.add_column(heading)
    for alert in alerts:
        # "2026-03-03T10:12", or the day alone where no more is known.
        n_shown = len("2026-03-03") if alert.get("is_by_day") else len("2026-03-03T10:12")
        began, ended = (alert[key][:n_shown].replace("T", " ") if alert[key] else "lasts" for key in ("began", "ended"))
        facts = (alert["site"], alert["severity"], alert["kind"], alert["component"], began, ended)
        table.add_row(*facts, alert["summary"])
    console.print(table)
