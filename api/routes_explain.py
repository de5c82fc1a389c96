"""The JSON of how a figure is known."""

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse

from api.errors import RequestError
from api.explaining import explained
from api.parts import PartsOfApp
from api.schemas_explain import ExplainedOut
from api.span_names import span_of

__all__ = ["router"]

router = APIRouter(prefix="/api/sites", tags=["sites"])

Named = Annotated[
    str, Query(alias="figure", description="Its path, such as stages.sun.heat, or a part that says which")
]
Of = Annotated[str, Query(description="A day (2026-01-05), a week (2026-W03), a month (2026-01) or a year (2026)")]


@router.get("/{site}/explain", response_model=ExplainedOut)
def explain(site: str, figure: Named, of: Of, parts: PartsOfApp) -> JSONResponse:
    """How a figure is known: every amount in it, worked out anew, and where its interval comes from."""
    try:
        span = span_of(of)
    except ValueError as error:
        raise RequestError(str(error)) from None
    with parts.records.look() as session:
        return JSONResponse(explained(session, parts.store, site, figure=figure, span=span))
