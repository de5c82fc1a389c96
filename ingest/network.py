"""
The thread that talks to the broker.

Paho offers this loop for programs that bring their own (`loop_read`, `loop_write`, `loop_misc`). Its own loop asks the
system before every message, and once more for every acknowledgement; this one takes all that has come and sends all
that is to go, which halves the cost of a message. Only this thread touches the connection: what another thread
acknowledges or subscribes to is noted by paho, and the thread is woken.
"""

import contextlib
import select
import socket
import threading
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt import __version__ as paho_version

from ingest.buffered_socket import BufferedSocket

__all__ = ["Network"]

_TURN_S = 1.0  # how often paho looks after its keep-alive while nothing comes
_RECONNECT_S = (1.0, 30.0)
_PACKETS_AT_ONCE = 250
_MANY_WAKES = 4096
_FAREWELL_S = 5.0  # for the last acknowledgements, where the broker is slow to take them


class Network:
    """
    Connects a client, again whenever that is needed, until told to stop.

    Args:
        client: Of `ingest.mqtt_client`, with its connection set.
        after_reading: Called when the messages that had come have been told one by one.
        on_failure: Told what ended the thread, if it could not go on.
    """

    def __init__(
        self, client: paho.Client, *, after_reading: Callable[[], None], on_failure: Callable[[BaseException], None]
    ) -> None:
        self._client, self._after_reading, self._on_failure = client, after_reading, on_failure
        self._stopping = threading.Event()
        self._woken: socket.socket
        self._waker: socket.socket
        self._thread = threading.Thread(target=self._run, name="ingest-network", daemon=True)

    def start(self) -> None:
        """Begin to connect; returns at once, also where the broker is away."""
        self._woken, self._waker = socket.socketpair()
        self._waker.setblocking(False)
        self._client.on_socket_register_write = self._wake
        self._thread.start()

    def stop(self) -> None:
        """Send what is to go, take leave of the broker, and end. For a thread that has been started."""
        self._stopping.set()
        self._wake()
        self._thread.join()
        self._woken.close()
        self._waker.close()

    def _wake(self, *_: Any) -> None:
        with contextlib.suppress(BlockingIOError):  # woken often enough already
            self._waker.send(b"!")

    def _run(self) -> None:
        try:
            self._connect_again_and_again()
        except BaseException as error:
            self._on_failure(error)
            self._leave()

    def _connect_again_and_again(self) -> None:
        wait_s = _RECONNECT_S[0]
        while not self._stopping.is_set():
            with contextlib.suppress(OSError):  # the broker is away: then there is nobody to talk to
                self._client.reconnect()
            if self._talk():
                wait_s = _RECONNECT_S[0]
            if self._stopping.wait(wait_s):
                return
            wait_s = min(2 * wait_s, _RECONNECT_S[1])

    def _talk(self) -> bool:
        """One connection until its end; whether the broker let us in."""
        client, was_in, leave_by_s = self._client, False, float("inf")
        while (sock := client.socket()) is not None:
            if not isinstance(sock, BufferedSocket):
                raise RuntimeError(
                    f"paho-mqtt {paho_version} opens its sockets in a way of its own; install 2.1 or 2.2"
                )
            if client.want_write():
                client.loop_write()
            is_sent = sock.flush()
            if self._stopping.is_set():
                leave_by_s = min(leave_by_s, time.monotonic() + _FAREWELL_S)
                if is_sent or time.monotonic() >= leave_by_s:
                    self._leave()
                    continue
            wait_s = 0.0 if sock.pending() or client.want_write() else _TURN_S
            readable, _, _ = select.select([sock, self._woken], [] if is_sent else [sock], [], wait_s)
            if self._woken in readable:
                self._woken.recv(_MANY_WAKES)
            if sock in readable or sock.pending():
                self._read(sock)
            client.loop_misc()
            was_in = was_in or client.is_connected()
        return was_in

    def _read(self, sock: BufferedSocket) -> None:
        """Take what has come, but not so much that acknowledgements wait long."""
        for _ in range(_PACKETS_AT_ONCE):
            self._client.loop_read()
            if not sock.pending() or self._client.socket() is not sock:
                break
        self._after_reading()

    def _leave(self) -> None:
        """Close the connection in order: the broker keeps the session."""
        self._client.disconnect()
        self._client.loop_write()
