"""
The broker of the embedded default: amqtt on loopback, in a child process of its own (`python -m api.broker PORT`).

Gateways come in by its door (`api.broker_front`), which speaks MQTT 5.0 beside the broker's own 3.1.1; the ingester has
a place behind it. The door stays shut until it is told to open: a gateway that came in before the ingester listens
would be told that its readings were taken, and nobody would have them.

The child ends when its standard input closes, so it cannot outlive the process that started it, however that ends.
It keeps sessions in memory only: what was published while the whole program is down stays with the gateway.
"""

import asyncio
import logging
import socket
import subprocess
import sys
import threading
from collections.abc import AsyncIterator
from contextlib import suppress
from types import TracebackType
from typing import Self

from api.broker_front import open_front

__all__ = ["EmbeddedBroker", "EmbeddedBrokerError"]

_HOST = "127.0.0.1"
_READY = "ready"
_OPEN = "open"
_START_WITHIN_S = 30.0
_STOP_WITHIN_S = 5.0
# Only who may come in is decided here: everybody on this machine. No packet logging, no $SYS statistics.
_PLUGINS = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}


class EmbeddedBrokerError(RuntimeError):
    """The child process did not come up; the message says what it said."""


class EmbeddedBroker:
    """
    A running broker while the `with` block lasts, at `url` once its door is open; `inner_url` is behind the door.

    Args:
        port: Of the door; 0 takes any free one, as does a taken port.
    """

    def __init__(self, port: int = 1883) -> None:
        self._wanted_port = port
        self._process: subprocess.Popen[str] | None = None
        self.port = self.inner_port = 0

    @property
    def url(self) -> str:
        return f"mqtt://{_HOST}:{self.port}"

    @property
    def inner_url(self) -> str:
        return f"mqtt://{_HOST}:{self.inner_port}"

    @property
    def is_running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """
        Start the child and wait until it listens.

        Raises:
            EmbeddedBrokerError: If it does not.
        """
        wanted = self._wanted_port if self._wanted_port and _is_free(self._wanted_port) else 0
        said = self._try(wanted or _free_port())
        if not said.startswith(_READY):
            self.stop()
            # Another program may have taken a port since it was found free.
            said = self._try(_free_port())
        if not said.startswith(_READY):
            self.stop()
            raise EmbeddedBrokerError(f"the embedded MQTT broker did not start: {said or 'it said nothing'}")
        self.inner_port = int(said.removeprefix(_READY))

    def open(self) -> None:
        """Open the door. Without effect where the child has ended."""
        if self._process is not None and self._process.stdin is not None:
            with suppress(BrokenPipeError):
                self._process.stdin.write(f"{_OPEN}\n")
                self._process.stdin.flush()

    def _try(self, port: int) -> str:
        """Start the child on a port; what it says first."""
        command = [sys.executable, "-m", "api.broker", str(port)]
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,  # Ctrl-C is for the parent, which ends the child in its turn.
        )
        self.port = port
        return self._first_line()

    def _first_line(self) -> str:
        assert self._process is not None
        assert self._process.stdout is not None
        timer = threading.Timer(_START_WITHIN_S, self._process.kill)
        timer.start()
        try:
            return self._process.stdout.readline().strip()
        finally:
            timer.cancel()

    def stop(self) -> None:
        if self._process is None:
            return
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
        try:
            self._process.wait(_STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        try:
            probe.bind((_HOST, port))
        except OSError:
            return False
    return True


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((_HOST, 0))
        return int(probe.getsockname()[1])


async def _serve(port: int) -> None:
    from amqtt.broker import Broker

    with socket.socket() as door:
        # What was here before may have left connections that are still ending.
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        door.bind((_HOST, port))
        behind = _free_port()
        config = {"listeners": {"default": {"type": "tcp", "bind": f"{_HOST}:{behind}"}}, "plugins": _PLUGINS}
        broker = Broker(config)
        await broker.start()
        print(_READY, behind, flush=True)
        async for word in _words_of_parent():
            if word == _OPEN:
                await open_front(door, _HOST, behind)


async def _words_of_parent() -> AsyncIterator[str]:
    """Lines of the standard input, until it closes."""
    loop = asyncio.get_running_loop()
    words: asyncio.Queue[str] = asyncio.Queue()

    def listen() -> None:
        for line in sys.stdin:
            loop.call_soon_threadsafe(words.put_nowait, line.strip())
        loop.call_soon_threadsafe(words.put_nowait, "")

    threading.Thread(target=listen, daemon=True).start()
    while word := await words.get():
        yield word


def _main() -> None:
    logging.disable(logging.CRITICAL)
    try:
        asyncio.run(_serve(int(sys.argv[1])))
    except Exception as error:
        print(" ".join(str(error).split()), flush=True)
        sys.exit(1)


if __name__ == "__main__":
    _main()
