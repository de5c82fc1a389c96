"""One day's account, from traces to ledger: same input, same output, to the bit."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analytics.figures import DayLedger
from analytics.ledger import close_day
from analytics.origins import CarriedState, state_from_json, state_to_json
from analytics.plant import NOTHING_STANDS, PlantDay, Standing
from analytics.reading import read_plant
from analytics.site import Site
from analytics.trace import LocalDay, Trace

__all__ = [
    "READ_MARGIN_MS",
    "CarriedState",
    "DayResult",
    "account_day",
    "state_from_json",
    "state_to_json",
    "window",
]

# Readings just outside the day close its first and last pieces; the longest bridged gap of an hourly point is 5 h.
READ_MARGIN_MS = 2 * 3600 * 1000


@dataclass(frozen=True, slots=True)
class DayResult:
    """The plant's courses, the ledger, and what the next day begins with."""

    plant: PlantDay
    ledger: DayLedger
    state: CarriedState


def window(day: LocalDay) -> tuple[int, int]:
    """The stretch [start_ms, end_ms) of readings that a day's account needs."""
    return day.start_ms - READ_MARGIN_MS, day.end_ms + READ_MARGIN_MS


def account_day(
    site: Site,
    traces: Mapping[str, Trace],
    day: LocalDay,
    *,
    state: CarriedState | None = None,
    until_ms: int | None = None,
) -> DayResult:
    """
    Account for one local day.

    Args:
        site: The version of the site that held on that day.
        traces: By point, over `window(day)`.
        day: The local day.
        state: What the day before left; None where the account begins.
        until_ms: For a day in progress: up to when readings can exist.
    """
    plant = read_plant(
        site,
        traces,
        day,
        until_ms=until_ms,
        before=Standing(dict(state.stuck), dict(state.still)) if state else NOTHING_STANDS,
    )
    ledger, left = close_day(plant, state)
    return DayResult(plant, ledger, replace(left, stuck=plant.standing.stuck, still=plant.standing.still))
