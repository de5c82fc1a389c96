"""The ledger as JSON, as CSV and as a table for the terminal."""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from math import isnan
from typing import Any

from rich.console import Console
from rich.table import Table

from analytics.figure_paths import figures_in_record
from analytics.figures import Figure, day_to_record, figure_from_json, shown_of
from analytics.period import Period, difference
from analytics.site import Site
from analytics.units import shown, shown_unit

__all__ = ["EXPORT_SUFFIXES", "alerts_table", "comparison_table", "ledger_csv", "ledger_json", "ledger_table"]

_DASH = "–"
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
    headings = [f"{stage.name or stage.id} kWh" for stage in site.stages.values()]
    headings += ["Hot water kWh", _VOLUMES[site.units], "Backup %", "COP", "Bought kWh", "Saved kWh", "Coverage %"]
    for heading in headings:
        table.add_column(heading, justify="right")
    for day in ledger["days"]:
        table.add_row(day["day"], *_cells(day, site))
    if ledger["days"]:
        console.print(table)
        console.print("~ estimated, – not available; `--format json` says why, and how far each figure can be off.")
    else:
        console.print(f"No readings of {site.id} in these days.")


def _cells(day: Mapping[str, Any], site: Site) -> list[str]:
    stages = {line["stage"]: line["heat"] for line in day["stages"]}
    cells = [_cell(stages.get(stage), "{:.2f}") for stage in site.stages]
    cells.append(_cell(day["hot_water"]["heat"], "{:.2f}"))
    cells.append(_cell(day["hot_water"]["volume"], "{:.0f}", times=shown(1.0, "l", system=site.units)))
    cells.append(_cell(day["backup_fraction"], "{:.0f}", times=100))
    cops = [pump[mode]["cop"] for pump in day["heat_pumps"] for mode in ("heating", "cooling")]
    cells.append(_cell(next((cop for cop in cops if cop["value"] is not None), None), "{:.2f}"))
    cells.append(_cell(day["purchased"], "{:.2f}"))
    cells.append(_cell(day["saved"]["energy"], "{:.2f}"))
    cells.append(f"{100 * day['coverage']:.0f}")
    return cells


def _cell(figure: Mapping[str, Any] | None, form: str, *, times: float = 1) -> str:
    if figure is None or figure["value"] is None:
        return _DASH
    mark = "~" if figure["basis"] == "estimated" else ""
    return mark + form.format(times * figure["value"])


def comparison_table(earlier: Period, later: Period, *, site: Site, console: Console) -> None:
    """Two periods of a house side by side, and their difference with how far that can be off."""
    table = Table(title=f"{site.name} ({site.id})")
    for heading in ("Figure", "Unit", earlier.span.name, later.span.name, "Difference"):
        table.add_column(heading, justify="left" if heading in ("Figure", "Unit") else "right")
    before, after = (dict(figures_in_record(day_to_record(each.total))) for each in (earlier, later))
    for path, figure in after.items():
        if path in before:
            told = [figure_from_json(dict(one)) for one in (before[path], figure)]
            changed = difference(told[1], told[0])
            unit = shown_unit(changed.unit, site.units)
            table.add_row(path, "" if unit == "1" else unit, *(_plus_minus(one, site) for one in (*told, changed)))
    console.print(table)
    for each in (earlier, later):
        if each.n_known < each.span.n_days:
            console.print(f"{each.span.name}: {each.n_known} of {each.span.n_days} days have a ledger.")


def _plus_minus(figure: Figure, site: Site) -> str:
    """A figure of a sum or a ratio; those have units whose zero is the same in every system."""
    if isnan(figure.value):
        return _DASH
    value, spread = (shown(each, figure.unit, system=site.units) for each in (figure.value, figure.plus_minus))
    return f"{round(value, 2) + 0.0:.2f} ± {spread:.2f}"


def alerts_table(alerts: Sequence[Mapping[str, Any]], console: Console) -> None:
    """The alerts, worst and newest first as given; each with its sentence."""
    if not alerts:
        console.print("No alerts.")
        return
    table = Table()
    for heading in ("Site", "Severity", "Kind", "Component", "Began", "Ended", "What it says"):
        table.add_column(heading)
    for alert in alerts:
        ended = alert["ended"][:16] if alert["ended"] else "lasts"
        facts = (alert["site"], alert["severity"], alert["kind"], alert["component"], alert["began"][:16], ended)
        table.add_row(*facts, alert["summary"])
    console.print(table)
