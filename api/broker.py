"""
The broker of the embedded default: amqtt on loopback, in a child process of its own (`python -m api.broker PORT`).

The child ends when its standard input closes, so it cannot outlive the process that started it, however that ends.
It keeps sessions in memory only: what was published while the whole program is down stays with the gateway.
"""

import asyncio
import logging
import socket
import subprocess
import sys
import threading
from types import TracebackType
from typing import Self

__all__ = ["EmbeddedBroker", "EmbeddedBrokerError"]

_HOST = "127.0.0.1"
_READY = "ready"
_START_WITHIN_S = 30.0
_STOP_WITHIN_S = 5.0
# Only who may come in is decided here: everybody on this machine. No packet logging, no $SYS statistics.
_PLUGINS = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}


class EmbeddedBrokerError(RuntimeError):
    """The child process did not come up; the message says what it said."""


class EmbeddedBroker:
    """A running broker at `url` while the `with` block lasts. `port` 0 takes any free one, as does a taken port."""

    def __init__(self, port: int = 1883) -> None:
        self._wanted_port = port
        self._process: subprocess.Popen[str] | None = None
        self.port = 0

    @property
    def url(self) -> str:
        return f"mqtt://{_HOST}:{self.port}"

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
        if said != _READY:
            self.stop()
            # Another program may have taken the port since it was found free.
            said = self._try(_free_port())
        if said != _READY:
            self.stop()
            raise EmbeddedBrokerError(f"the embedded MQTT broker did not start: {said or 'it said nothing'}")

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

    config = {"listeners": {"default": {"type": "tcp", "bind": f"{_HOST}:{port}"}}, "plugins": _PLUGINS}
    broker = Broker(config)
    await broker.start()
    print(_READY, flush=True)
    loop = asyncio.get_running_loop()
    parent_left = asyncio.Event()

    def wait_for_parent() -> None:
        sys.stdin.read()
        loop.call_soon_threadsafe(parent_left.set)

    threading.Thread(target=wait_for_parent, daemon=True).start()
    await parent_left.wait()


def _main() -> None:
    logging.disable(logging.CRITICAL)
    try:
        asyncio.run(_serve(int(sys.argv[1])))
    except Exception as error:
        print(" ".join(str(error).split()), flush=True)
        sys.exit(1)


if __name__ == "__main__":
    _main()
