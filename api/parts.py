"""What a running web process is made of; `create_app` receives it, routes find it on the application's state."""

import hmac
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Depends, Request

from api.errors import AccessError
from api.pages import Sources
from api.records import Records
from api.settings import Settings
from ingest.store import ReadingStore

__all__ = ["Parts", "PartsOfApp", "bearer", "parts_of", "require_owner"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """
    Args:
        clock: The time now, in milliseconds; a demonstration may run it faster.
        settle: Computes all that is due of some sites (None: of all) and returns when it is stored; None where
            another process watches.
        problems: What is amiss with the parts that run beside, as sentences; None where none run here.
        key: Opens what only the owner of the data folder may do; empty means that nobody may.
    """

    settings: Settings
    records: Records
    store: ReadingStore
    clock: Callable[[], int]
    settle: Callable[[Sequence[str] | None], None] | None = None
    problems: Callable[[], Sequence[str]] | None = None
    key: str = field(default="", repr=False)

    def sources(self) -> Sources:
        return Sources(self.records, self.store, self.clock())


def parts_of(request: Request) -> Parts:
    parts: Parts = request.app.state.parts
    return parts


PartsOfApp = Annotated[Parts, Depends(parts_of)]


def bearer(request: Request) -> str:
    """The token of an `Authorization: Bearer` header, "" where there is none."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" else ""


def require_owner(request: Request, parts: PartsOfApp) -> None:
    """
    Let only those pass who can read the data folder.

    Raises:
        AccessError: For everybody else.
    """
    if not parts.key or not hmac.compare_digest(bearer(request).encode(), parts.key.encode()):
        raise AccessError("only commands that can read the data folder may do this; use `heatledger` on that machine")
