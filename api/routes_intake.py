"""Readings over HTTP: packs with a site's token; files and replays for the owner of the data folder."""

import shutil
import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from api.errors import AccessError, RequestError, TooLargeError
from api.importing import import_into, intake_of, quarantine_json, receipt_json
from api.parts import Parts, PartsOfApp, bearer, require_owner
from api.schemas import ImportOut, QuarantineOut, ReceiptOut
from api.settings import require_data
from api.sites import is_token_of, present_site
from ingest.decode import MAX_PAYLOAD_BYTES, Message

__all__ = ["router"]

router = APIRouter(prefix="/api", tags=["readings"])

# What is larger than MAX_PAYLOAD_BYTES goes to quarantine like from MQTT; what is absurd is not even read.
_MAX_BODY_BYTES = 16 * MAX_PAYLOAD_BYTES
_CBOR = ("application/senml+cbor", "application/cbor")
_JSON = ("application/senml+json", "application/json")


@router.post("/sites/{site}/readings", response_model=ReceiptOut)
async def post_readings(site: str, request: Request, parts: PartsOfApp) -> JSONResponse:
    """
    A SenML pack (RFC 8428) of readings, in JSON (`application/senml+json`) or CBOR (`application/senml+cbor`), with
    a token of the site as `Authorization: Bearer TOKEN`. When it is answered, every reading is stored, a duplicate,
    or in quarantine.
    """
    await run_in_threadpool(_require_token, parts, site, bearer(request))
    topic = _topic(site, request.headers.get("content-type", ""))
    payload = await _body(request)
    now_ms = parts.clock()
    intake = intake_of(parts.records, parts.store, way="http", directory=request.app.state.directory)
    receipt = await run_in_threadpool(intake.take, [Message(topic, payload, now_ms)], now_ms=now_ms)
    return JSONResponse(receipt_json(receipt))


def _require_token(parts: Parts, site: str, token: str) -> None:
    with parts.records.look() as session:
        if not token or not is_token_of(session, token, site=site):
            raise AccessError(f"readings of {site!r} need a token of that site; `heatledger token {site}` makes one")


def _topic(site: str, content_type: str) -> str:
    kind = content_type.partition(";")[0].strip().lower()
    if kind in _CBOR:
        return f"sites/{site}/readings/cbor"
    if kind in _JSON:
        return f"sites/{site}/readings"
    raise RequestError(f"the content type must be one of {', '.join((*_JSON, *_CBOR))}; it is {kind or 'missing'}")


async def _body(request: Request) -> bytes:
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > _MAX_BODY_BYTES:
            raise TooLargeError(f"a pack may have {MAX_PAYLOAD_BYTES} bytes; this one has more than {_MAX_BODY_BYTES}")
    return bytes(body)


@router.post("/sites/{site}/files", response_model=ImportOut, dependencies=[Depends(require_owner)])
async def post_file(
    site: str,
    request: Request,
    parts: PartsOfApp,
    name: Annotated[str, Query(description="The file's name; its ending tells what it is: .csv or .parquet")],
) -> JSONResponse:
    """A file of readings, for `heatledger import` while the service holds the store."""
    with parts.records.look() as session:
        present_site(session, site)
    folder = Path(tempfile.mkdtemp(prefix="import-", dir=require_data(parts.settings)))
    try:
        # Only the last part of the name, so that a file stays in its folder.
        path = folder / Path(name).name
        with path.open("wb") as file:
            async for chunk in request.stream():
                await run_in_threadpool(file.write, chunk)
        counts = await run_in_threadpool(import_into, parts.records, parts.store, site, [path], now_ms=parts.clock())
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return JSONResponse(counts)


@router.get("/quarantine", response_model=list[QuarantineOut])
def quarantine(
    parts: PartsOfApp,
    site: Annotated[str | None, Query(description="Only this site's")] = None,
    after: Annotated[int, Query(description="Go on after this id")] = 0,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> JSONResponse:
    """What could not be used, in order of arrival, with its reason, its topic and its bytes (base64)."""
    return JSONResponse(quarantine_json(parts.records, site=site, after_id=after, limit=limit))


@router.post("/quarantine/replay", response_model=ReceiptOut, dependencies=[Depends(require_owner)])
def replay(request: Request, parts: PartsOfApp, site: str | None = None) -> JSONResponse:
    """Try again what waits in quarantine."""
    request.app.state.directory.refresh()
    intake = intake_of(parts.records, parts.store, way="replay", directory=request.app.state.directory)
    return JSONResponse(receipt_json(intake.replay(now_ms=parts.clock(), site=site)))
