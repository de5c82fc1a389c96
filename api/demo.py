"""The demonstration: a fleet of invented houses with a history, living on through the broker, beside the service."""

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from urllib.parse import urlsplit

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from api.demo_history import Bars, make_history
from api.demo_plan import DemoPlan
from api.service import Running, run_service
from api.settings import Settings
from ingest.virtual.gateway import packs
from ingest.virtual.run import LiveSite

__all__ = ["DemoClock", "gateway_of", "run_demo"]

_TICK_S = 1.0
_RETRY_AFTER_S = 5


class DemoClock:
    """The time now, in milliseconds, which runs `speed` times as fast as the wall clock from `start_ms` on."""

    def __init__(self, start_ms: int, *, speed: float) -> None:
        self._start_ms = start_ms
        self._speed = speed
        self._began_s = time.monotonic()

    def __call__(self) -> int:
        return self._start_ms + round((time.monotonic() - self._began_s) * 1000 * self._speed)


def run_demo(settings: Settings, plan: DemoPlan, *, speed: float, say: Callable[[str], None], bar: Bars) -> None:
    """
    Make the history, then run the service with the houses living on, until SIGINT or SIGTERM.

    Args:
        speed: How much faster than the clock the houses live on; 0 means not at all.
    """
    now_ms = time.time_ns() // 1_000_000
    lives = make_history(settings, plan, now_ms=now_ms, say=say, bar=bar)
    # A faster clock of an earlier demonstration may have run ahead of ours; the houses cannot go back.
    start_ms = max(now_ms, *(live.now_ms for live in lives.values()))
    clock = DemoClock(start_ms, speed=speed or 1.0)

    def let_live(running: Running, stack: ExitStack) -> None:
        if speed:
            stack.enter_context(_living(lives, running.broker_url, clock))
            say("The houses live on" + (f", {speed:g} times as fast as the clock" if speed != 1 else ""))

    run_service(settings, clock=clock, say=say, beside=let_live)


@contextmanager
def _living(lives: Mapping[str, LiveSite], broker_url: str, clock: Callable[[], int]) -> Iterator[None]:
    """A thread in which the houses live, each with a gateway of its own at the broker."""
    stopping = threading.Event()

    def live_on() -> None:
        with ExitStack() as stack:
            gateways = {site: stack.enter_context(gateway_of(site, broker_url)) for site in lives}
            while not stopping.wait(_TICK_S):
                for site, live in lives.items():
                    _say_news(gateways[site], live, clock())

    thread = threading.Thread(target=live_on, name="houses", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stopping.set()
        thread.join()


@contextmanager
def gateway_of(site: str, broker_url: str) -> Iterator[paho.Client]:
    """A house's gateway at the embedded broker, which speaks MQTT 3.1.1; says that it is there, and when it leaves."""
    presence = f"sites/{site}/presence"
    client = paho.Client(
        CallbackAPIVersion.VERSION2, client_id=f"gateway-{site}", protocol=MQTTProtocolVersion.MQTTv311
    )

    def greet(*_: object) -> None:
        client.publish(presence, b"online", qos=1, retain=True)

    client.on_connect = greet
    client.will_set(presence, b"offline", qos=1, retain=True)
    place = urlsplit(broker_url)
    # The broker lets gateways in once the ingester listens, on a busy machine after a while; till then readings wait.
    client.connect_async(place.hostname or "127.0.0.1", place.port or 1883)
    client.reconnect_delay_set(max_delay=_RETRY_AFTER_S)
    client.loop_start()
    try:
        yield client
    finally:
        client.publish(presence, b"offline", qos=1, retain=True)
        client.disconnect()
        client.loop_stop()


def _say_news(gateway: paho.Client, live: LiveSite, now_ms: int) -> None:
    """Publish what a house's sensors said since it was last asked."""
    if now_ms <= live.now_ms:
        return
    traces = {point: trace for point, trace in live.advance(now_ms).items() if len(trace.time_ms)}
    for _, payload in packs(live.site, traces):
        gateway.publish(f"sites/{live.site.id}/readings", payload, qos=1)
