"""One table from exception to status, and one error body: `{"error": {"status": ..., "message": ...}}`."""

from collections.abc import Awaitable, Callable, Mapping
from datetime import date
from typing import Any

from fastapi import FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from analytics.site import Site
from analytics.site_file import SiteFileError
from api import span_names
from api.alerting import AlertNotOpenError
from api.records import RecordsError
from api.results import (
    NoLedgerError,
    StatementError,
    UnknownAlertError,
    UnknownFigureError,
    UnknownStatementError,
)
from api.sites import UnknownSiteError, present_site
from dashboards.contexts import ErrorContext
from dashboards.render import render_error
from ingest.files import FileRefusedError
from ingest.store import StoreUnavailableError

__all__ = ["STATUS", "AccessError", "ErrorBody", "RequestError", "TooLargeError", "install_errors", "month_of"]


class RequestError(ValueError):
    """A request that cannot be served as it is; the message says what would be right."""


def month_of(text: str) -> date:
    """
    The first day of a month.

    Raises:
        RequestError: If it is not written as YYYY-MM.
    """
    try:
        return span_names.month_of(text)
    except ValueError as error:
        raise RequestError(str(error)) from None


class AccessError(PermissionError):
    """A request without the token or key that it needs."""


class TooLargeError(ValueError):
    """A request with a body beyond all measure."""


STATUS: dict[type[Exception], int] = {
    RequestError: 400,
    SiteFileError: 400,
    FileRefusedError: 400,
    AccessError: 401,
    UnknownSiteError: 404,
    UnknownAlertError: 404,
    UnknownStatementError: 404,
    NoLedgerError: 404,
    UnknownFigureError: 404,
    AlertNotOpenError: 409,
    StatementError: 409,
    TooLargeError: 413,
    RecordsError: 503,
    StoreUnavailableError: 503,
}


class ErrorDetail(BaseModel):
    status: int = Field(description="The HTTP status")
    message: str = Field(description="What was wrong, and what would be right")


class ErrorBody(BaseModel):
    error: ErrorDetail


def install_errors(app: FastAPI) -> None:
    """Give every exception of the table its status, and everything else the same body."""
    for kind, status in STATUS.items():
        app.add_exception_handler(kind, _known_error(status))
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(RequestValidationError, _validation_error)
    app.add_exception_handler(500, _unknown_error)


def _known_error(status: int) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def answer(request: Request, error: Exception) -> Response:
        return await _answer(request, status, str(error))

    return answer


async def _answer(request: Request, status: int, message: str) -> Response:
    """The error body; for a reader of pages the same as a page."""
    if not request.url.path.startswith("/api"):
        site = await run_in_threadpool(_site_of_page, request)
        return HTMLResponse(render_error(ErrorContext(site=site, message=message, notice="")), status)
    headers = {"WWW-Authenticate": "Bearer"} if status == 401 else None
    return JSONResponse({"error": {"status": status, "message": message}}, status, headers)


def _site_of_page(request: Request) -> Site | None:
    """The house that a page's address names, where there is such a house."""
    _, pages, *rest = request.scope["path"].split("/")
    if pages != "sites" or not rest:
        return None
    try:
        with request.app.state.parts.records.look() as session:
            return present_site(session, rest[0])
    except (UnknownSiteError, RecordsError):
        return None


async def _unknown_error(request: Request, error: Exception) -> Response:
    return await _answer(request, 500, "a fault of the program; its log has the details")


async def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    message = f"there is nothing at {request.url.path}" if error.status_code == 404 else str(error.detail)
    return await _answer(request, error.status_code, message)


async def _validation_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    return await _answer(request, 400, "; ".join(_fault_words(fault) for fault in error.errors()))


def _fault_words(fault: Mapping[str, Any]) -> str:
    """What is wrong with one value of a request, and what would be right."""
    name, kind = ".".join(str(place) for place in fault["loc"][1:]), fault["type"]
    if kind == "missing":
        return f"{name or 'the body'} is missing"
    if kind.startswith("date_"):
        return f"{name} must be a day, written as YYYY-MM-DD; it is {fault['input']!r}"
    return f"{name}: {fault['msg'][:1].lower()}{fault['msg'][1:]}; it is {fault['input']!r}"[:500]
