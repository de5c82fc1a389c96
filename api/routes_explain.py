"""How a figure is known: as JSON, and what its page shows."""

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse

from analytics.period import Span
from api.errors import RequestError
from api.explaining import explained
from api.pages import NOTICE, Sources
from api.parts import PartsOfApp
from api.schemas_explain import ExplainedOut
from api.sites import site_versions, version_on
from api.span_names import span_of
from dashboards.contexts import FigureContext

__all__ = ["figure_context", "router", "span_asked"]

router = APIRouter(prefix="/api/sites", tags=["sites"])

Named = Annotated[
    str, Query(alias="figure", description="Its path, such as stages.sun.heat, or a part that says which")
]
Of = Annotated[str, Query(description="2026-01-05, 2026-W03, 2026-01, 2026 or 2026-01-05..2026-01-31")]


@router.get("/{site}/explain", response_model=ExplainedOut)
def explain(site: str, figure: Named, of: Of, parts: PartsOfApp) -> JSONResponse:
    """How a figure is known: every amount in it, worked out anew, and where its interval comes from."""
    with parts.records.look() as session:
        told = explained(session, parts.store, site, figure=figure, span=span_asked(of), now_ms=parts.clock())
    return JSONResponse(told)


def span_asked(of: str) -> Span:
    """
    The days that a request names.

    Raises:
        RequestError: If it names none.
    """
    try:
        return span_of(of)
    except ValueError as error:
        raise RequestError(str(error)) from None


def figure_context(sources: Sources, site: str, *, figure: str, span: Span) -> FigureContext:
    """What the figure's page shows."""
    with sources.records.look() as session:
        told = explained(session, sources.store, site, figure=figure, span=span, now_ms=sources.now_ms)
        held = version_on(site_versions(session, site), span.first).site
    return FigureContext(site=held, told=told, notice=NOTICE)
