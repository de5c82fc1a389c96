"""The pages: a context is filled, `dashboards` draws it. What they load comes from here, too."""

import gzip
import hashlib
import mimetypes
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from analytics.period import By
from api.errors import RequestError, month_of
from api.pages import alert_context, fleet_context, home_context, site_context
from api.parts import PartsOfApp
from api.periods import compare_context, period_context
from api.routes_alerts import take_on
from api.routes_explain import figure_context, span_asked
from api.routes_sites import AskedDay, days_named
from dashboards.links import alert_link
from dashboards.render import (
    render_alert,
    render_compare,
    render_figure,
    render_fleet,
    render_home,
    render_period,
    render_site,
)

__all__ = ["router"]

router = APIRouter(include_in_schema=False)

_DAY_S = 86_400
_TYPES = {"js": "text/javascript", "css": "text/css", "svg": "image/svg+xml", "woff2": "font/woff2"}


def _periods_asked(earlier: str = "", later: str = "", earlier_last: str = "", later_last: str = "") -> tuple[str, str]:
    """Two periods by their names; where a last day is given, from the day named to that one."""
    named = [f"{first}..{last}" if last else first for first, last in ((earlier, earlier_last), (later, later_last))]
    if named == ["", ""]:
        return "", ""
    if not all(named):
        raise RequestError("only one of the two periods is named; choose both")
    for text in named:
        days_named(text)
    return named[0], named[1]


PeriodsAsked = Annotated[tuple[str, str], Depends(_periods_asked)]


@router.get("/")
def fleet(parts: PartsOfApp, q: str = "", show: Literal["all", "attention", "quiet"] = "all") -> HTMLResponse:
    """Who needs me today, and why?"""
    return HTMLResponse(render_fleet(fleet_context(parts.sources(), query=q, show=show)))


@router.get("/sites/{site}")
def site(
    site: str, parts: PartsOfApp, day: AskedDay | None = None, span: Annotated[int, Query(ge=1, le=60)] = 30
) -> HTMLResponse:
    """What is this house doing?"""
    return HTMLResponse(render_site(site_context(parts.sources(), site, day=day, span_days=span)))


@router.get("/sites/{site}/home")
def home(site: str, parts: PartsOfApp, month: str | None = None) -> HTMLResponse:
    """Is it working, and what did I save?"""
    return HTMLResponse(
        render_home(home_context(parts.sources(), site, month=None if month is None else month_of(month)))
    )


@router.get("/sites/{site}/periods")
def period(site: str, parts: PartsOfApp, by: By = "month", day: AskedDay | None = None) -> HTMLResponse:
    """What do the days add up to?"""
    return HTMLResponse(render_period(period_context(parts.sources(), site, by=by, day=day)))


@router.get("/sites/{site}/compare")
def compared(site: str, parts: PartsOfApp, *, days: PeriodsAsked) -> HTMLResponse:
    """What changed from one time to another?"""
    return HTMLResponse(render_compare(compare_context(parts.sources(), site, earlier=days[0], later=days[1])))


@router.get("/sites/{site}/explain")
def figure(site: str, parts: PartsOfApp, figure: str, of: str) -> HTMLResponse:
    """How do you know, step by step?"""
    return HTMLResponse(render_figure(figure_context(parts.sources(), site, figure=figure, span=span_asked(of))))


@router.get("/alerts/{alert}")
def alert(alert: str, parts: PartsOfApp) -> HTMLResponse:
    """What is wrong, what do I check, did my repair work?"""
    return HTMLResponse(render_alert(alert_context(parts.sources(), alert)))


@router.post("/alerts/{alert}/acknowledge")
def acknowledge(
    alert: str,
    parts: PartsOfApp,
    by: Annotated[str, Form(min_length=1, max_length=200)],
    note: Annotated[str, Form(max_length=2000)] = "",
) -> RedirectResponse:
    """A person takes an open alert on."""
    take_on(parts, alert, by=by, note=note)
    return RedirectResponse(alert_link(alert), 303)


@dataclass(frozen=True, slots=True)
class _Asset:
    content: bytes
    zipped: bytes
    kind: str
    etag: str


@cache
def _asset(name: str) -> _Asset | None:
    """A file of the pages, read and zipped once."""
    plotly = files("plotly") / "package_data" / name
    path = plotly if name == "plotly.min.js" else files("dashboards") / "static" / name
    if "/" in name or name.startswith(".") or not path.is_file():
        return None
    content = path.read_bytes()
    kind = _TYPES.get(name.rpartition(".")[2]) or mimetypes.guess_type(name)[0] or "application/octet-stream"
    return _Asset(content, gzip.compress(content, 6, mtime=0), kind, f'"{hashlib.sha256(content).hexdigest()[:20]}"')


@router.get("/static/{name}")
def static(name: str, request: Request) -> Response:
    """Scripts, styles and pictures of the pages."""
    asset = _asset(name)
    if asset is None:
        return Response(status_code=404)
    headers = {"ETag": asset.etag, "Cache-Control": f"public, max-age={_DAY_S}", "Vary": "Accept-Encoding"}
    if name != "plotly.min.js":
        headers["Cache-Control"] = "no-cache"  # These change with the program; asking whether they did is cheap.
    if request.headers.get("if-none-match") == asset.etag:
        return Response(status_code=304, headers=headers)
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(asset.zipped, media_type=asset.kind, headers={**headers, "Content-Encoding": "gzip"})
    return Response(asset.content, media_type=asset.kind, headers=headers)


@router.get("/favicon.ico")
def favicon() -> RedirectResponse:
    return RedirectResponse("/static/mark.svg", 308)
