"""
A virtual gateway: sends a house's readings over MQTT as one on a wall would.

It promises QoS 1, one pack for each time stamp, presence retained with a Last Will, and that the broker has
acknowledged every pack when it leaves without error. It does not keep readings over its own end.
"""

import json
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from analytics.site import Site
from analytics.trace import Trace
from ingest.virtual.run import LiveSite

__all__ = ["Broker", "Gateway", "packs", "publish"]

# Primary units of RFC 8428; the others (l/min, kWh, degF) go without a unit, which means the point's own.
_SENML_UNITS = {"degC": "Cel", "W": "W", "W/m2": "W/m2", "l/s": "l/s", "m3/s": "m3/s", "J": "J", "m3": "m3", "l": "l"}
_TICK_S = 1.0
_WAIT_S = 30.0


@dataclass(frozen=True, kw_only=True)
class Broker:
    """Where to publish."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None


def packs(site: Site, traces: Mapping[str, Trace]) -> list[tuple[int, bytes]]:
    """Readings as SenML packs in JSON (RFC 8428), one for each time stamp, oldest first: (time_ms, payload)."""
    by_time: dict[int, list[dict[str, Any]]] = {}
    for point, trace in traces.items():
        unit = _SENML_UNITS.get(site.points[point].unit) or ("/" if site.points[point].quantity == "status" else None)
        named = {"n": point} if unit is None else {"n": point, "u": unit}
        for time_ms, value in zip(trace.time_ms.tolist(), trace.value.tolist(), strict=True):
            by_time.setdefault(time_ms, []).append({**named, "v": value})
    return [(time_ms, _pack(site.id, time_ms, by_time[time_ms])) for time_ms in sorted(by_time)]


def _pack(site: str, time_ms: int, records: list[dict[str, Any]]) -> bytes:
    records[0] = {"bn": f"{site}/", "bt": time_ms / 1000, **records[0]}
    return json.dumps(records, separators=(",", ":")).encode()


class Gateway:
    """A connection of one site's gateway. On a regular end it says `offline` itself; if it dies, the broker does."""

    def __init__(self, site: Site, broker: Broker) -> None:
        self._site, self._broker = site, broker
        self._presence = f"sites/{site.id}/presence"
        self._unacknowledged: list[mqtt.MQTTMessageInfo] = []
        self._connected = threading.Event()
        self._refusal = ""

    def __enter__(self) -> Self:
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"gateway-{self._site.id}", protocol=MQTTProtocolVersion.MQTTv5
        )
        if self._broker.username:
            self._client.username_pw_set(self._broker.username, self._broker.password)
        self._client.will_set(self._presence, b"offline", qos=1, retain=True)
        self._client.on_connect = self._say_online
        self._client.connect(self._broker.host, self._broker.port)
        self._client.loop_start()
        if not self._connected.wait(_WAIT_S):
            self._client.loop_stop()
            raise TimeoutError(f"the broker at {self._broker.host}:{self._broker.port} did not answer in {_WAIT_S} s")
        if self._refusal:
            self._client.loop_stop()
            raise ConnectionRefusedError(
                f"the broker at {self._broker.host}:{self._broker.port} refused the gateway: {self._refusal}"
            )
        return self

    def _say_online(self, client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _: object) -> None:
        if reason.is_failure:
            self._refusal = str(reason)
        else:
            client.publish(self._presence, b"online", qos=1, retain=True)
        self._connected.set()

    def send(self, traces: Mapping[str, Trace]) -> int:
        """Publish readings; returns the number of packs."""
        found = packs(self._site, traces)
        topic = f"sites/{self._site.id}/readings"
        self._unacknowledged = [info for info in self._unacknowledged if not info.is_published()]
        self._unacknowledged += [self._client.publish(topic, payload, qos=1) for _, payload in found]
        return len(found)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._unacknowledged.append(self._client.publish(self._presence, b"offline", qos=1, retain=True))
            for info in self._unacknowledged:
                info.wait_for_publish(_WAIT_S)
        finally:
            self._client.disconnect()
            self._client.loop_stop()


def publish(
    houses: Sequence[LiveSite],
    *,
    broker: Broker,
    now: Callable[[], float],
    stop: threading.Event,
    speed: float = 1.0,
    until_ms: int | None = None,
) -> int:
    """
    Let houses live and publish what they say, until `stop` is set or all have reached `until_ms`.

    Args:
        houses: Each goes on from where it stands, `speed` times as fast as `now`. Ahead of real time readings are
            not taken by an ingester: for a speed-up begin in the past.
        now: Seconds of a clock that does not jump, such as time.monotonic.
        until_ms: Instant of the houses' time; None lets them go on for ever.
    Returns:
        The number of packs sent.
    """
    began = now()
    starts = [house.now_ms for house in houses]
    n_packs = 0
    with ExitStack() as open_until_end:
        gateways = [open_until_end.enter_context(Gateway(house.site, broker)) for house in houses]
        while not stop.is_set():
            passed_ms = (now() - began) * 1000.0 * speed
            n_packs += sum(
                _send_until(house, gateway, int(start + passed_ms), until_ms)
                for house, gateway, start in zip(houses, gateways, starts, strict=True)
            )
            if until_ms is not None and all(start + passed_ms >= until_ms for start in starts):
                break
            stop.wait(_TICK_S / max(1.0, min(speed, 10.0)))
    return n_packs


def _send_until(house: LiveSite, gateway: Gateway, wanted_ms: int, last_ms: int | None) -> int:
    wanted_ms = wanted_ms if last_ms is None else min(wanted_ms, last_ms)
    if wanted_ms <= house.now_ms:
        return 0
    traces = {point: trace for point, trace in house.advance(wanted_ms).items() if len(trace.value)}
    return gateway.send(traces) if traces else 0
