"""One table from exception to status, and one error body: `{"error": {"status": ..., "message": ...}}`."""

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from analytics.site_file import SiteFileError
from api.records import RecordsError
from api.results import UnknownAlertError
from api.sites import UnknownSiteError
from ingest.store import StoreUnavailableError

__all__ = ["STATUS", "AccessError", "ErrorBody", "RequestError", "install_errors"]


class RequestError(ValueError):
    """A request that cannot be served as it is; the message says what would be right."""


class AccessError(PermissionError):
    """A request without the token or key that it needs."""


STATUS: dict[type[Exception], int] = {
    RequestError: 400,
    SiteFileError: 400,
    AccessError: 401,
    UnknownSiteError: 404,
    UnknownAlertError: 404,
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
        app.add_exception_handler(kind, lambda request, error, status=status: _body(status, str(error)))
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(RequestValidationError, _validation_error)
    app.add_exception_handler(500, lambda request, error: _body(500, "a fault of the program; its log has the details"))


def _body(status: int, message: str) -> JSONResponse:
    headers = {"WWW-Authenticate": "Bearer"} if status == 401 else None
    return JSONResponse({"error": {"status": status, "message": message}}, status, headers)


async def _http_error(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    message = f"there is nothing at {request.url.path}" if error.status_code == 404 else str(error.detail)
    return _body(error.status_code, message)


async def _validation_error(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    parts = [f"{'.'.join(str(place) for place in fault['loc'][1:])}: {fault['msg']}" for fault in error.errors()]
    return _body(400, "; ".join(parts))
