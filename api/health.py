"""
How a process without pages says that it is well: a file that it writes anew every few seconds.

`python -m api.health FILE` exits 0 where the file is fresh and tells of no problem, 1 with a sentence where not.
It loads next to nothing, since whatever watches over processes asks often.
"""

import argparse
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

__all__ = ["health_told", "main", "trouble_in"]

_PERIOD_S = 2.0
# A machine may be busy for some seconds; a process that hangs is still found within a minute.
_STALE_S = 30.0


@contextmanager
def health_told(path: Path | None, problem: Callable[[], str], *, clock: Callable[[], int]) -> Iterator[None]:
    """
    Write the file while the block lasts, and remove it at the end; nothing where `path` is None.

    Args:
        problem: What is wrong now, in a sentence; "" if nothing is.
        clock: The time now, in milliseconds.
    """
    if path is None:
        yield
        return
    stopping = threading.Event()

    def run() -> None:
        while True:
            _write(path, problem(), now_ms=clock())
            if stopping.wait(_PERIOD_S):
                return

    thread = threading.Thread(target=run, name="health", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stopping.set()
        thread.join()
        path.unlink(missing_ok=True)


def _write(path: Path, problem: str, *, now_ms: int) -> None:
    """Replaced as a whole, so that a reader never sees half of it."""
    new = path.with_name(f"{path.name}.new")
    new.write_text(json.dumps({"written_ms": now_ms, "problem": problem}))
    new.replace(path)


def trouble_in(path: Path, *, now_ms: int) -> str:
    """What the file says is wrong, or what is wrong with the file; "" if nothing is."""
    try:
        told = json.loads(path.read_text())
        age_s = (now_ms - told["written_ms"]) / 1000
        problem = str(told["problem"])
    except FileNotFoundError:
        return f"there is no {path}: the process has not started, or has ended"
    except (OSError, ValueError, KeyError, TypeError) as error:
        return f"{path} cannot be read ({type(error).__name__})"
    if age_s > _STALE_S:
        return f"the process has not been heard of for {age_s:.0f} s"
    return problem


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m api.health", description="Says whether a process is well.")
    parser.add_argument("file", metavar="FILE", type=Path, help="what HEATLEDGER_HEALTH_FILE names for the process")
    trouble = trouble_in(parser.parse_args(arguments).file, now_ms=time.time_ns() // 1_000_000)
    if trouble:
        print(trouble, file=sys.stderr)
    return 1 if trouble else 0


if __name__ == "__main__":
    sys.exit(main())
