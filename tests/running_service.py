"""The program as a process of its own, as a user starts it, on a data folder of the test."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil

from tests.servers import wait_until

__all__ = ["RunningService", "is_gone", "serving_process"]

_UP_WITHIN_S = 300.0
_DOWN_WITHIN_S = 60.0


@dataclass(frozen=True)
class RunningService:
    """`url` of the pages, `broker_port` of the embedded broker; `log` is what it said on standard error."""

    process: subprocess.Popen[bytes]
    url: str
    broker_port: int
    log: Path

    def children(self) -> list[psutil.Process]:
        return psutil.Process(self.process.pid).children(recursive=True)

    def stop(self, how: signal.Signals = signal.SIGINT) -> int:
        """End it, and return its exit code."""
        self.process.send_signal(how)
        return self.process.wait(_DOWN_WITHIN_S)


def is_gone(process: psutil.Process) -> bool:
    """Whether a process has ended, be it that nobody has asked for its exit code yet."""
    try:
        return process.status() == psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return True


@contextmanager
def serving_process(arguments: Sequence[str], data: Path) -> Iterator[RunningService]:
    """`heatledger ARGUMENTS --data DATA --port 0`, up; killed at the end if it is still there."""
    log = data.parent / "service.log"
    command = [sys.executable, "-m", "api", *arguments, "--data", str(data), "--port", "0"]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("HEATLEDGER_")}
    with log.open("wb") as errors:
        process = subprocess.Popen(command, stderr=errors, stdout=errors, env=environment)
    try:
        wait_until(
            lambda: process.poll() is not None or "\nOpen http" in log.read_text(),
            within_s=_UP_WITHIN_S,
            what=f"{' '.join(arguments)} to come up",
        )
        assert process.poll() is None, log.read_text()
        lines = log.read_text().splitlines()
        broker = next(line for line in lines if "mqtt://" in line).rpartition(":")[2]
        yield RunningService(process, json.loads((data / "service.json").read_text())["url"], int(broker), log)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
