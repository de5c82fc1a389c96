"""A web process's application behind a real uvicorn on a free loopback port, in a thread of the test."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn

from tests.servers import wait_until

__all__ = ["serving"]


@contextmanager
def serving(app: object) -> Iterator[str]:
    """The address of an application while the block lasts."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(16)
        server = uvicorn.Server(uvicorn.Config(app, log_config=None, lifespan="off"))  # type: ignore[arg-type]
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        wait_until(lambda: server.started, within_s=30, what="the web server")
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join()
