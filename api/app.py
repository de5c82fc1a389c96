"""The web application: routes, errors and the guard, put together around the parts it is given."""

from importlib.metadata import version

from fastapi import Depends, FastAPI
from starlette.middleware.gzip import GZipMiddleware

from api import (
    routes_alerts,
    routes_explain,
    routes_intake,
    routes_pages,
    routes_past,
    routes_service,
    routes_sites,
)
from api.directory import RecordsDirectory
from api.errors import ErrorBody, install_errors
from api.guard import Guard, hosts_of
from api.parameters import refuse_unknown_parameters
from api.parts import Parts

__all__ = ["create_app"]

# A day's page is half a megabyte of courses, and a ninth of that zipped; higher levels cost time and gain little.
_ZIPPED_FROM, _ZIP_LEVEL = 1000, 4

_ABOUT = """
All that the pages show, as JSON. Figures carry their unit, half-width of the 95 % interval, basis and reason;
instants carry their offset; null means not known, which is not zero. There is no sign-in yet, so the service
answers on the machine it runs on; posting readings needs a site's token, and files and replays need the data folder.
"""


def create_app(parts: Parts, *, directory: RecordsDirectory | None = None) -> FastAPI:
    """
    The application on given parts.

    Args:
        directory: The intake's view of the sites, shared with an ingester in the same process.
    """
    app = FastAPI(
        title="heatledger",
        version=version("heatledger"),
        description=_ABOUT,
        # The interactive pages would load scripts from elsewhere; /api/openapi.json is the documentation.
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        responses={status: {"model": ErrorBody} for status in (400, 401, 404, 503)},
    )
    app.state.parts = parts
    app.state.directory = directory or RecordsDirectory(parts.records)
    routes = routes_sites, routes_explain, routes_alerts, routes_intake, routes_service, routes_past, routes_pages
    for module in routes:
        app.include_router(module.router, dependencies=[Depends(refuse_unknown_parameters)])
    install_errors(app)
    app.add_middleware(GZipMiddleware, minimum_size=_ZIPPED_FROM, compresslevel=_ZIP_LEVEL)
    app.add_middleware(Guard, hosts=hosts_of(parts.settings.host, named=parts.settings.hosts))
    return app
