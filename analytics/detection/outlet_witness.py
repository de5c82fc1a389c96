"""
Which of two sensors is off, the one where water leaves a tank or the one at the tank's top: what their neighbours say.

The two differ by D (outlet less top). Each neighbour was compared with one of the two on the same days: where it
agrees with it, the other is off; where it differs as D would have it, that one is.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import nan

from analytics.detection.pair_days import PairRecord, Seen, pairs_seen
from analytics.figures import DayLedger
from analytics.outlet_pairs import PATH
from analytics.pair_check import PairMethod
from analytics.site import Site

__all__ = ["Witness", "witness_of"]

_NEAR = 0.4  # of D: what lies nearer to it, or to zero, is taken for it

_Seen = Mapping[tuple[str, str, PairMethod], Sequence[Seen]]


@dataclass(frozen=True, slots=True)
class Witness:
    """The sensor that is off, and a clause that says by what that is known."""

    point: str
    says: str


def witness_of(site: Site, history: Sequence[DayLedger], today: date, *, found: PairRecord) -> Witness | None:
    """What the neighbours of a pair of method "draw", "valve" or "inlet" say; None if nothing, or not the same."""
    methods: Sequence[PairMethod] = ("draw", "layers", "valve", "circulation")
    seen = pairs_seen(history, today, PATH, methods=methods)
    for tank in site.tanks:
        seen |= pairs_seen(history, today, tank, methods=("mixed",))
    of = {"valve": _of_valve, "inlet": _of_inlet}.get(found.newest.method, _of_outlet)
    told = list(of(seen, found))
    return told[0] if told and len({each.point for each in told}) == 1 else None


def _lowest(days: Sequence[Seen], found: PairRecord) -> float:
    """The lowest difference from the day on which the pair first clearly differed as it does."""
    off_k = found.difference_k
    since = [day for day, check in found.days if abs(check.difference_k - off_k) <= _NEAR * abs(off_k)]
    return min((check.difference_k for day, check in days if since and day >= since[0]), default=nan)


def _of_outlet(seen: _Seen, found: PairRecord) -> Iterator[Witness]:
    top, outlet, off_k = found.newest.first, found.newest.second, found.difference_k

    def near(value: float, target: float) -> bool:
        return abs(value - target) <= _NEAR * abs(off_k)

    for (first, second, method), days in seen.items():
        low_k = _lowest(days, found)
        if method == "valve" and second == outlet:
            if near(low_k, off_k):
                yield Witness(outlet, f"{first} differs from it likewise while no cold is mixed in")
            elif near(low_k, 0.0):
                yield Witness(top, f"{first} agrees with {outlet} while no cold is mixed in")
        elif method == "circulation" and first == outlet:
            if near(low_k, -off_k):
                yield Witness(outlet, f"{second} differs from it likewise while its heater is off")
            elif near(low_k, 0.0):
                yield Witness(top, f"{second} agrees with {outlet} while its heater is off")
        elif method == "layers" and second == top:
            if near(low_k, 0.0):
                yield Witness(outlet, f"{first}, below {top}, agrees with that one")
            elif off_k > 0 and near(low_k, -off_k):
                yield Witness(top, f"{first}, below it, reads warmer, which water does not lie")
        elif method == "mixed" and first == top:
            if near(low_k, off_k):
                yield Witness(top, f"{second} differs from it likewise while the tank's water is turned over")
            elif near(low_k, 0.0):
                yield Witness(outlet, f"{second} agrees with {top} while the tank's water is turned over")


def _of_valve(seen: _Seen, found: PairRecord) -> Iterator[Witness]:
    """The outlet is held against its tank's top: where these agree, the mixed water's sensor is off."""
    mixed, outlet = found.newest.first, found.newest.second
    for (first, second, method), days in seen.items():
        low_k = _lowest(days, found)
        if method == "draw" and second == outlet:
            if abs(low_k) <= _NEAR * abs(found.difference_k):
                yield Witness(mixed, f"{outlet} agrees with {first}, the top of its tank")
            elif abs(low_k - found.difference_k) <= _NEAR * abs(found.difference_k):
                yield Witness(outlet, f"{first}, the top of its tank, differs from it likewise")
        elif method == "circulation" and second == outlet and abs(low_k) <= _NEAR * abs(found.difference_k):
            yield Witness(mixed, f"{outlet} agrees with {first} while its heater is off")


def _of_inlet(seen: _Seen, found: PairRecord) -> Iterator[Witness]:
    """The foot of the tank is held against the sensor above it, while a coil turned the water over."""
    foot, cold = found.newest.first, found.newest.second
    for (first, second, method), days in seen.items():
        if method == "mixed" and second == foot:
            low_k = _lowest(days, found)
            if abs(low_k) <= _NEAR * found.difference_k:
                yield Witness(cold, f"{first} agrees with {foot} while the tank's water is turned over")
            elif abs(low_k + found.difference_k) <= _NEAR * found.difference_k:
                yield Witness(foot, f"{first} differs from it likewise while the tank's water is turned over")
