"""
The running program: broker, ingester, watcher and pages, put together from settings. The only wiring there is.

`run_service` does it all in one process, but for the embedded broker, which is a child. `run_ingest`, `run_watch` and
`run_web` are the same parts as processes of their own, for an installed base.
"""

import errno
import logging
import signal
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from urllib.parse import urlsplit

import uvicorn

from api.app import create_app
from api.broker import EmbeddedBroker
from api.directory import RecordsDirectory
from api.health import health_told
from api.importing import intake_of
from api.migrate import open_records
from api.open_store import open_store
from api.parts import Parts
from api.records import Records
from api.service_file import new_service, publish_service, withdraw_service
from api.settings import Settings, SettingsError
from api.watch_loop import WatchLoop
from ingest.mqtt import Ingester, IngesterStatus, IngestSettings
from ingest.store import ReadingStore

__all__ = [
    "Running",
    "ingest_settings",
    "opening_for",
    "run_ingest",
    "run_service",
    "run_watch",
    "run_web",
    "stop_on_signals",
]

_LOG = logging.getLogger(__name__)
_MQTT_PORT, _MQTTS_PORT = 1883, 8883
# Long enough for a page under way, short enough for somebody who waits at the keyboard.
_LAST_ANSWERS_WITHIN_S = 3
_LISTENS_WITHIN_S, _LOOK_S = 10.0, 0.02


@dataclass(frozen=True, slots=True)
class Running:
    """A service that is up: where its pages are and where its broker listens."""

    url: str
    broker_url: str
    records: Records
    store: ReadingStore
    watch_loop: WatchLoop


def ingest_settings(broker_url: str, settings: Settings, *, is_embedded: bool = False) -> IngestSettings:
    """The ingester's place at a broker; behind its door the embedded broker speaks MQTT 3.1.1 only."""
    parts = urlsplit(broker_url)
    is_tls = parts.scheme == "mqtts"
    return IngestSettings(
        host=parts.hostname or "127.0.0.1",
        port=parts.port or (_MQTTS_PORT if is_tls else _MQTT_PORT),
        client_id=settings.client_id,
        version="3.1.1" if is_embedded else "5.0",
        username=settings.broker_username or parts.username,
        password=settings.broker_password or parts.password,
        tls=is_tls,
        shared_group=settings.shared_group or None,
    )


@contextmanager
def stop_on_signals() -> Iterator[threading.Event]:
    """An event that SIGINT and SIGTERM set, while the block lasts."""
    stop = threading.Event()
    numbers = (signal.SIGINT, signal.SIGTERM)
    old = {number: signal.signal(number, lambda *_: stop.set()) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in old.items():
            signal.signal(number, handler)


def run_service(
    settings: Settings,
    *,
    clock: Callable[[], int],
    say: Callable[[str], None],
    beside: Callable[[Running, ExitStack], None] | None = None,
) -> None:
    """
    Everything in one process, until SIGINT or SIGTERM.

    Args:
        clock: The time now, in milliseconds.
        say: Told what is going on, in sentences for the user.
        beside: Starts what else is to run, once the rest is up; what it puts on the stack is ended with it.
    """
    with ExitStack() as stack:
        listening = stack.enter_context(_listen(settings))
        records = stack.enter_context(open_records(settings.resolved_records_url))
        store = stack.enter_context(open_store(settings))
        directory = RecordsDirectory(records)
        broker = None if settings.broker_url else stack.enter_context(EmbeddedBroker())
        broker_url = settings.broker_url if broker is None else broker.url
        ingester = stack.enter_context(
            Ingester(
                ingest_settings(broker_url if broker is None else broker.inner_url, settings, is_embedded=bool(broker)),
                intake_of(records, store, way="mqtt", directory=directory),
                clock_ms=clock,
            )
        )
        if broker is not None:
            stack.enter_context(opening_for(broker, ingester))
        watch_loop = stack.enter_context(WatchLoop(records, store, clock=clock, workers=settings.workers))

        def problems() -> Sequence[str]:
            found = (ingester.status.problem, watch_loop.problem)
            ended = "" if broker is None or broker.is_running else "the embedded MQTT broker has ended; start again"
            return [each for each in (*found, ended) if each]

        url = f"http://{settings.host}:{listening.getsockname()[1]}/"
        service = new_service(url.rstrip("/"))
        parts = Parts(
            settings=settings,
            records=records,
            store=store,
            clock=clock,
            settle=watch_loop.settle,
            problems=problems,
            key=service.key,
        )
        if settings.data is not None:
            publish_service(settings.data, service)
            stack.callback(withdraw_service, settings.data, service)
        if beside is not None:
            beside(Running(url, broker_url, records, store, watch_loop), stack)
        _warn_of_open_doors(settings, say)
        say(f"Readings are taken over MQTT at {broker_url}")
        _serve(create_app(parts, directory=directory), listening, url=url, say=say)


@contextmanager
def opening_for(broker: EmbeddedBroker, ingester: Ingester) -> Iterator[None]:
    """Open the broker's door as soon as the ingester listens; wait for that no longer than a page is worth."""
    stop = threading.Event()

    def open_when_listening() -> None:
        while not ingester.status.is_listening:
            if stop.wait(_LOOK_S):
                return
        broker.open()

    opener = threading.Thread(target=open_when_listening, daemon=True)
    opener.start()
    opener.join(_LISTENS_WITHIN_S)
    try:
        yield
    finally:
        stop.set()
        opener.join()


@contextmanager
def _listen(settings: Settings) -> Iterator[socket.socket]:
    """
    The socket of the pages, taken before anything else starts.

    Raises:
        SettingsError: If it cannot be had.
    """
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    with socket.socket(family) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((settings.host, settings.port))
        except OSError as error:
            if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
                raise SettingsError(
                    f"this machine has no address {settings.host}; --host names one that it has, such as 127.0.0.1"
                ) from error
            raise SettingsError(
                f"the address {settings.host}:{settings.port} cannot be had ({error.strerror}); "
                "is heatledger running already? --port NUMBER names another port"
            ) from error
        listening.listen(128)
        yield listening


def _warn_of_open_doors(settings: Settings, say: Callable[[str], None]) -> None:
    if settings.host not in ("127.0.0.1", "localhost", "::1"):
        say(f"Caution: there is no sign-in yet, so whoever reaches {settings.host}:{settings.port} sees every site.")


def _serve(app: object, listening: socket.socket, *, url: str, say: Callable[[str], None]) -> None:
    """Answer requests until SIGINT or SIGTERM; say the address as soon as a signal would be heeded."""
    config = uvicorn.Config(
        app,  # type: ignore[arg-type]
        log_config=None,
        access_log=False,
        lifespan="off",
        timeout_graceful_shutdown=_LAST_ANSWERS_WITHIN_S,
    )
    server = uvicorn.Server(config)
    # uvicorn listens to signals only once it runs: one that comes before must end it too. And it passes the signal on
    # when it has ended, which must not end us before our children.
    with stop_on_signals() as stop, _ending(server, stop):
        say(f"Open {url}")
        server.run(sockets=[listening])


@contextmanager
def _ending(server: uvicorn.Server, stop: threading.Event) -> Iterator[None]:
    """End the server when `stop` is set, while the block lasts."""

    def wait() -> None:
        stop.wait()
        server.should_exit = True

    waiter = threading.Thread(target=wait, daemon=True)
    waiter.start()
    try:
        yield
    finally:
        stop.set()
        waiter.join()


def run_ingest(settings: Settings, *, clock: Callable[[], int]) -> None:
    """One ingester of an installed base, until SIGINT or SIGTERM."""
    if not settings.broker_url:
        raise SettingsError("no broker: say --broker mqtt://HOST[:PORT], or set HEATLEDGER_BROKER_URL")
    with (
        stop_on_signals() as stop,
        open_records(settings.resolved_records_url) as records,
        open_store(settings) as store,
        Ingester(
            ingest_settings(settings.broker_url, settings),
            intake_of(records, store, way="mqtt", directory=RecordsDirectory(records)),
            clock_ms=clock,
        ) as ingester,
        health_told(settings.health_file, lambda: _trouble(ingester.status), clock=clock),
    ):
        ingester.wait(stop)


def _trouble(status: IngesterStatus) -> str:
    return status.problem or ("" if status.is_listening else "the broker has not confirmed the subscriptions yet")


def run_watch(settings: Settings, *, clock: Callable[[], int]) -> None:
    """One watcher of an installed base, until SIGINT or SIGTERM."""
    with (
        stop_on_signals() as stop,
        open_records(settings.resolved_records_url) as records,
        open_store(settings) as store,
        WatchLoop(records, store, clock=clock, workers=settings.workers, lease_s=settings.lease_s) as watch_loop,
        health_told(settings.health_file, lambda: watch_loop.problem, clock=clock),
    ):
        stop.wait()


def run_web(settings: Settings, *, clock: Callable[[], int], say: Callable[[str], None]) -> None:
    """The pages and the HTTP intake of an installed base, until SIGINT or SIGTERM."""
    with (
        _listen(settings) as listening,
        open_records(settings.resolved_records_url) as records,
        open_store(settings) as store,
    ):
        url = f"http://{settings.host}:{listening.getsockname()[1]}/"
        app = create_app(Parts(settings=settings, records=records, store=store, clock=clock))
        _warn_of_open_doors(settings, say)
        _serve(app, listening, url=url, say=say)
