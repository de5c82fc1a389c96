"""
What every answer and every request has to keep to, as long as there is no sign-in.

Answers: a page loads nothing that this program does not serve, and no other page may frame it. Requests: their host
must be one that we answer to, so that no page of the internet reaches us under a name of its own (DNS rebinding),
and what changes something must not come from another site's page.
"""

from collections.abc import Sequence
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["Guard", "hosts_of"]

_HEADERS = {
    # Plotly and the drawing set styles on elements; scripts come from files alone.
    "Content-Security-Policy": "default-src 'self'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
_SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
_LOOPBACK = ("127.0.0.1", "localhost", "::1")


def hosts_of(host: str, *, named: str = "") -> Sequence[str] | None:
    """
    Host names that a server bound to `host` answers to; None means any.

    Args:
        named: The names, separated by commas. Without any, they are loopback's where it is bound to loopback.
    """
    if named.strip():
        return [each.strip() for each in named.split(",") if each.strip()]
    return _LOOPBACK if host in _LOOPBACK else None


class Guard:
    """ASGI middleware; `hosts` are the names that the server answers to, None for any."""

    def __init__(self, app: ASGIApp, *, hosts: Sequence[str] | None) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(Headers(scope=scope), scope["method"])
        if refusal is not None:
            await _refused(refusal)(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)

    def _refusal(self, headers: Headers, method: str) -> str | None:
        host = headers.get("host", "")
        name = urlsplit(f"//{host}").hostname or ""
        if self._hosts is not None and name not in self._hosts:
            return f"this service answers to {', '.join(self._hosts)} only, not to {name!r}"
        origin = headers.get("origin")
        if method not in _SAFE_METHODS and origin is not None and urlsplit(origin).netloc != host:
            return f"a page of {origin} may not change anything here"
        return None


def _refused(message: str) -> JSONResponse:
    return JSONResponse({"error": {"status": 403, "message": message}}, 403)
