"""
Days on which cold water seemed to enter a tank warmer than the tank's foot was: of two sensors one must be wrong.

No day shows how much: a foot that draws had not cooled all the way hides a part of it. So two days that show it tell
that it is at least as much as the second of them, and days that do not show it tell little.
"""

from collections.abc import Sequence
from datetime import date, timedelta

from analytics.detection.pair_days import PairRecord, Seen
from analytics.figures import DayLedger

__all__ = ["PROVES_K", "inlet_record", "is_left_warm"]

PROVES_K = 0.5
"""By so much the foot may seem colder of sensors in odd places; sound houses of 19 kinds had 0.06 K at most."""

_NEWEST = timedelta(days=14)
_PROOFS = 2
_SOUND_DAYS, _SOUND_WITHIN = 3, timedelta(days=10)  # flushed without a proof among them
_U_K = 0.3  # of place and reading (common practice)


def inlet_record(seen: Sequence[Seen], today: date) -> PairRecord | None:
    """The days that prove a difference, or those that show none; None where neither are enough."""
    lately = [each for each in seen if each[0] >= today - _SOUND_WITHIN]
    proofs = [each for each in seen if each[1].difference_k > PROVES_K and each[0] >= today - _NEWEST]
    if len(lately) >= _SOUND_DAYS and not any(each in proofs for each in lately):
        return PairRecord(0.0, _U_K, lately, seen)
    if len(proofs) < _PROOFS:
        return None
    second_k = sorted(check.difference_k for _, check in proofs)[-_PROOFS]
    return PairRecord(second_k, _U_K, proofs, seen)


def is_left_warm(history: Sequence[DayLedger]) -> bool:
    """Whether cold water seemed too warm when it was last seen, and draws were too small since to show it well."""
    seen = [check.difference_k > PROVES_K for day in history for check in day.pair_checks if check.method == "inlet"]
    return sum(seen) >= _PROOFS and any(seen[-_SOUND_DAYS:])
