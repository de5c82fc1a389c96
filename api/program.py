"""
Which version of the account computes: a digest of the sources that a day's figures, alerts and state are made by.

A number raised by hand would be forgotten where it matters. So an edit that changes no figure, be it of a comment,
has days computed again as well: it costs seconds a house and year, shows that nothing moved, and is never wrong.
"""

import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import analytics
from api import alerting, days, expecting

__all__ = ["account_program", "digest_of"]

_NO_PART = "workings"  # works figures out again when someone asks; no day is made by it
_DIGITS = 16


@cache
def account_program() -> str:
    """The program that this process computes days by; asked for before it computes any."""
    package = Path(analytics.__file__).parent
    sources = [path for path in package.rglob("*.py") if _NO_PART not in path.relative_to(package).parts]
    return digest_of([*sources, *(Path(module.__file__) for module in (alerting, days, expecting))])


def digest_of(sources: Iterable[Path]) -> str:
    """Of files by their names and contents, in whatever order they are told, wherever they lie together."""
    told = sorted((path.parent.name, path.name, path.read_bytes()) for path in sources)
    whole = hashlib.sha256()
    for folder, name, content in told:
        whole.update(f"{folder}/{name} {len(content)}\n".encode() + content)
    return whole.hexdigest()[:_DIGITS]
