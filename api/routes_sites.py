"""The JSON of sites: the fleet, one site, its ledger, a day's courses, its newest readings."""

import math
from datetime import date
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, Depends, Query
from fastapi.responses import JSONResponse, Response
from pydantic import Field

from analytics.figures import day_to_json
from analytics.period import By
from analytics.plant import CELL_S, Course, PlantDay
from api.beside import month_beside, month_json, own_figures
from api.compared import compare, compared_json
from api.errors import RequestError, month_of
from api.expected_record import expected_json, expected_record
from api.pages import fleet_context, instant, plant_of
from api.parts import Parts, PartsOfApp
from api.results import ledger, rests_on
from api.schemas import ComparedOut, CoursesOut, ExpectedOut, LatestOut, LedgerOut, MonthOut, SiteOut
from api.sites import present_site, site_versions
from api.span_names import FIRST_DAY, LAST_DAY, days_of
from ingest.presence import presence

__all__ = ["AskedDay", "DaysAsked", "Settled", "days_named", "router", "settle"]

router = APIRouter(prefix="/api/sites", tags=["sites"])

AskedDay = Annotated[date, Field(ge=FIRST_DAY, le=LAST_DAY)]
"""A local day of which there can be readings."""
First = Annotated[AskedDay | None, Query(alias="from", description="First local day")]
Last = Annotated[AskedDay | None, Query(alias="to", description="Last local day")]


def _days_asked(first: First = None, last: Last = None) -> tuple[date | None, date | None]:
    if first and last and first > last:
        raise RequestError(f"from ({first}) is after to ({last}); no day lies between them")
    return first, last


DaysAsked = Annotated[tuple[date | None, date | None], Depends(_days_asked)]
"""First and last day, None where not said; the wrong way round they are refused."""
ByPeriod = Annotated[By | None, Query(description="Add days up to weeks, months, seasons, years, or all to one")]
Days = Annotated[str, Query(description="2026-01, 2026-W03, 2026, a day, or 2026-01-05..2026-01-31")]
_Kind = Literal["csv", "parquet", "xlsx"]
_FILES: dict[_Kind, str] = {
    "csv": "text/csv; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
Settled = Annotated[bool, Query(description="First compute all that is due; may take a while")]


def settle(parts: Parts, sites: list[str] | None) -> None:
    """Compute what is due, where this process watches."""
    if parts.settle is not None:
        parts.settle(sites)


@router.get("", response_model=list[SiteOut])
def sites(parts: PartsOfApp) -> JSONResponse:
    """Every site with its newest reading, its open alerts and its last whole day."""
    said = presence(parts.records.reading)
    return JSONResponse([_site(line, said) for line in fleet_context(parts.sources()).sites])


def _site(line: Any, said: Any) -> dict[str, Any]:
    site = line.site
    return {
        "id": site.id,
        "name": site.name,
        "timezone": site.timezone,
        "units": site.units,
        "newest_reading": None if line.newest_reading is None else line.newest_reading.isoformat(),
        "presence": said[site.id].state if site.id in said else None,
        "open_alerts": len(line.alerts),
        "last_day": None if line.last_day is None else day_to_json(line.last_day),
    }


@router.get("/{site}", response_model=SiteOut)
def site(site: str, parts: PartsOfApp) -> JSONResponse:
    """One site, as in the fleet."""
    (line,) = fleet_context(parts.sources(), only=site).sites
    return JSONResponse(_site(line, presence(parts.records.reading)))


@router.get("/{site}/versions")
def versions(site: str, parts: PartsOfApp) -> list[dict[str, str]]:
    """The versions of a site's file: first day on which each holds (empty: since ever), and its text."""
    with parts.records.look() as session:
        return [{"from": each.valid_from, "text": each.text} for each in site_versions(session, site)]


@router.get("/{site}/ledger", response_model=LedgerOut)
def site_ledger(
    site: str, parts: PartsOfApp, days: DaysAsked, by: ByPeriod = None, settled: Settled = False
) -> JSONResponse:
    """The account of heat from the first to the last of the days asked for: by day, or by week, month, season, year."""
    if settled:
        settle(parts, [site])
    with parts.records.look() as session:
        return JSONResponse(ledger(session, site, first=days[0], last=days[1], by=by))


@router.get(
    "/{site}/ledger.{kind}",
    response_class=Response,
    responses={200: {"content": {kind: {} for kind in _FILES.values()}}},
)
def site_ledger_file(site: str, kind: _Kind, parts: PartsOfApp, days: DaysAsked, by: ByPeriod = None) -> Response:
    """The same as a file to take away: text (CSV), Parquet, or a spreadsheet."""
    from api.export import ledger_file  # what writes spreadsheets is imported where one is written

    with parts.records.look() as session:
        found = ledger(session, site, first=days[0], last=days[1], by=by)
        told = rests_on(session, site, found["days"])
    content = ledger_file(found, f".{kind}", assumptions=told)
    name = "-".join((site, *(str(day) for day in days if day), by or "days"))
    headers = {"Content-Disposition": f'attachment; filename="{name}.{kind}"'}
    return Response(content, media_type=_FILES[kind], headers=headers)


@router.get("/{site}/month/{month}", response_model=MonthOut)
def month(site: str, month: str, parts: PartsOfApp, settled: Settled = False) -> JSONResponse:
    """A month (YYYY-MM), and the year up to its end, beside the same days of the year before, also corrected."""
    first = month_of(month)
    if settled:
        settle(parts, [site])
    with parts.records.look() as session:
        found = month_beside(session, site, first, now_ms=parts.sources().now_ms)
        return JSONResponse(month_json(found, own_figures(session, found)))


@router.get("/{site}/compare", response_model=ComparedOut)
def compared(site: str, parts: PartsOfApp, *, earlier: Days, later: Days, settled: Settled = False) -> JSONResponse:
    """Two periods side by side, each added up: 2026-01, 2026-W03, 2026, a day, or 2026-01-05..2026-01-31."""
    spans = [days_named(text) for text in (earlier, later)]
    if settled:
        settle(parts, [site])
    with parts.records.look() as session:
        return JSONResponse(compared_json(compare(session, site, *spans)))


def days_named(text: str) -> tuple[date, date]:
    """
    The first and last day of a period that a request names.

    Raises:
        RequestError: If it names none.
    """
    try:
        return days_of(text)
    except ValueError as error:
        raise RequestError(str(error)) from None


@router.get("/{site}/expected", response_model=ExpectedOut)
def site_expected(site: str, parts: PartsOfApp, days: DaysAsked, settled: Settled = False) -> JSONResponse:
    """What each part gave on the days asked for, beside what its first good weeks lead one to expect."""
    if settled:
        settle(parts, [site])
    with parts.records.look() as session:
        return JSONResponse(expected_json(expected_record(session, site, first=days[0], last=days[1])))


@router.get("/{site}/latest", response_model=dict[str, LatestOut])
def latest(site: str, parts: PartsOfApp) -> JSONResponse:
    """The newest reading of each point, as stored: in the point's own unit, uncalibrated."""
    with parts.records.look() as session:
        points = present_site(session, site).points
    newest = parts.store.latest(site)
    return JSONResponse(
        {
            point: {"at": instant(time_ms).isoformat(), "value": value, "unit": points[point].unit}
            for point, (time_ms, value) in newest.items()
            if point in points
        }
    )


@router.get("/{site}/day/{day}/courses", response_model=CoursesOut)
def courses(site: str, day: AskedDay, parts: PartsOfApp) -> JSONResponse:
    """A local day's courses of temperatures, flows, heat rates, powers, pumps and draws, minute by minute."""
    plant = plant_of(parts.sources(), site, day)
    if plant is None:
        raise RequestError(f"there is no reading of {site} on {day}")
    return JSONResponse(_courses(plant))


def _courses(plant: PlantDay) -> dict[str, Any]:
    return {
        "site": plant.site.id,
        "day": plant.day.date.isoformat(),
        "start": instant(plant.day.start_ms).isoformat(),
        "cell_s": CELL_S,
        "temperatures_degc": {
            point: _numbers(signal.course)
            for point, signal in plant.signals.items()
            if signal.point.quantity == "temperature"
        },
        "flows_l_per_min": _flows(plant),
        "heat_w": _heat(plant),
        "power_w": _power(plant),
        "pump_on": {name: _numbers(loop.pump_on) for name, loop in plant.loops.items()},
        "draws": _draws(plant),
    }


def _flows(plant: PlantDay) -> dict[str, Any]:
    flows = {name: loop.flow_m3_s for name, loop in plant.loops.items()}
    if plant.hot_water is not None:
        flows["hot water"] = plant.hot_water.flow_m3_s
    return {name: _numbers(flow * 60_000) for name, flow in flows.items()}


def _heat(plant: PlantDay) -> dict[str, Any]:
    heat = {name: loop.heat_w for name, loop in plant.loops.items()}
    heat |= {name: heater.heat_w for name, heater in plant.heaters.items()}
    if plant.hot_water is not None:
        heat["hot water"] = plant.hot_water.heat_w
    return {name: _numbers(course) for name, course in heat.items()}


def _power(plant: PlantDay) -> dict[str, Any]:
    power = {f"pump {name}": loop.pump_elec_w for name, loop in plant.loops.items()}
    power |= {name: heater.input_w for name, heater in plant.heaters.items()}
    power |= {name: pump.elec_w for name, pump in plant.heat_pumps.items()}
    return {name: _numbers(course) for name, course in power.items()}


def _draws(plant: PlantDay) -> list[dict[str, float | None]]:
    draws = plant.hot_water.draws if plant.hot_water is not None else ()
    return [
        {
            "start_s": _number(draw.start_s),
            "end_s": _number(draw.end_s),
            "volume_l": _number(draw.volume_m3 * 1000),
            "cold_degc": _number(draw.cold_degc),
            "hot_degc": _number(draw.hot_degc),
            "kwh": _number(draw.heat_j / 3.6e6),
        }
        for draw in draws
    ]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _numbers(course: Course) -> list[float | None]:
    """A course as JSON numbers, rounded to what a chart can show; NaN is null."""
    rounded: list[float] = np.round(course, 3).tolist()
    return [_number(value) for value in rounded]
