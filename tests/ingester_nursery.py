"""
Starts ingesters quickly: `python -m tests.ingester_nursery` loads the program once and forks for each.

Reads lines of JSON arguments for `python -m ingest` and answers each with the new process's number; a line that is a
number waits for that process and answers with its exit status. Each ingester is a process of its own, with nothing of
another's; only the second of loading Python's modules is saved.
"""

import json
import os
import sys

from ingest.__main__ import main


def _fork(arguments: list[str], log: str) -> int:
    pid = os.fork()
    if pid == 0:
        descriptor = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(descriptor, 1)
        os.dup2(descriptor, 2)
        os._exit(main(arguments))
    return pid


def _serve() -> None:
    for line in iter(sys.stdin.readline, ""):
        asked = json.loads(line)
        if isinstance(asked, int):
            answer = os.waitstatus_to_exitcode(os.waitpid(asked, 0)[1])
        else:
            answer = _fork(asked["arguments"], asked["log"])
        print(answer, flush=True)


if __name__ == "__main__":
    _serve()
