"""Site files that tests read and change: a whole one that uses every field, and the two-tank example."""

from pathlib import Path

__all__ = ["GOOD", "TWO_TANK", "changed"]

_HERE = Path(__file__).parent

GOOD = (_HERE / "bad_sites" / "good.toml").read_text(encoding="utf-8")
TWO_TANK = (_HERE / "two-tank.toml").read_text(encoding="utf-8")


def changed(text: str, old: str, new: str) -> str:
    """The text with the first `old` replaced, which must be there: a case that changes nothing proves nothing."""
    assert old in text, f"{old!r} is not in the site file"
    return text.replace(old, new, 1)
