"""
How a command finds the service that runs on its data folder: DATA/service.json says where it is and gives a key.

The file can be read by its owner only. Whoever has the key may do what the owner of the folder may do, so commands
pass it along; it is made anew at every start. The file may be left behind by a crash, so it is believed only when a
service answers that knows the key.
"""

import json
import os
import secrets
import urllib.error
import urllib.request
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

__all__ = [
    "Service",
    "ServiceError",
    "ask",
    "new_service",
    "publish_service",
    "running_service",
    "withdraw_service",
]

_NAME = "service.json"
_IS_THERE_WITHIN_S = 5.0
# A year of readings may have to be computed before the answer.
_ANSWER_WITHIN_S = 3600.0


class ServiceError(RuntimeError):
    """The running service refused; the message is its own sentence."""


@dataclass(frozen=True, slots=True)
class Service:
    url: str
    pid: int
    key: str


def new_service(url: str) -> Service:
    return Service(url, os.getpid(), secrets.token_urlsafe(24))


def publish_service(data: Path, service: Service) -> None:
    """Write the file, readable by its owner only from its first byte on."""
    path = data / _NAME
    path.unlink(missing_ok=True)
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w") as file:
        json.dump(asdict(service), file)


def withdraw_service(data: Path, service: Service) -> None:
    """Remove the file, unless another service has put its own there."""
    if _read(data) == service:
        (data / _NAME).unlink(missing_ok=True)


def _read(data: Path) -> Service | None:
    try:
        return Service(**json.loads((data / _NAME).read_text()))
    except (OSError, ValueError, TypeError):
        return None


def running_service(data: Path) -> Service | None:
    """The service that runs on a data folder; None where there is none."""
    service = _read(data)
    if service is None:
        return None
    try:
        ask(service, "GET", "/api/service", within_s=_IS_THERE_WITHIN_S)
    except (ServiceError, OSError):
        return None
    return service


def ask(
    service: Service,
    method: str,
    path: str,
    *,
    body: bytes | IO[bytes] | None = None,
    headers: Mapping[str, str] | None = None,
    within_s: float = _ANSWER_WITHIN_S,
) -> Any:
    """
    A request to the running service; returns the JSON of its answer.

    Raises:
        ServiceError: If it refuses; with the sentence of its error body.
        OSError: If it does not answer.
    """
    request = urllib.request.Request(service.url + path, data=body, method=method)
    request.add_header("Authorization", f"Bearer {service.key}")
    for name, value in (headers or {}).items():
        request.add_header(name, value)
    try:
        with _direct().open(request, timeout=within_s) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as error:
        with error:
            raise ServiceError(_sentence(error)) from error


def _direct() -> urllib.request.OpenerDirector:
    # The service is on this machine; a proxy of the environment has no business there.
    return urllib.request.build_opener(urllib.request.ProxyHandler({}))


def _sentence(error: urllib.error.HTTPError) -> str:
    try:
        return str(json.load(error)["error"]["message"])
    except (ValueError, KeyError, TypeError):
        return f"the running service answered {error.code} {error.reason}"
