"""What a loop's flow was on the first good days after commissioning, carried from day to day."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from analytics.expected.conditions import conditions_of
from analytics.expected.watching import Watched
from analytics.figures import DayLedger
from analytics.site import Loop, Site

__all__ = ["FIRST_FLOW_DAYS", "FlowDay", "first_flows", "flow_days", "flows_so_far"]

FIRST_FLOW_DAYS = 10
"""Days that tell a pump's flow: it hardly depends on the weather (common practice)."""

_LEAST_H = 0.5  # of a collector, whose fluid is cold at first, and whose pump runs in jerks on dull days
_LEAST_H_ELSE = 0.1  # a boiler heats its tank in runs of some minutes, with water that is warm from the start
_KEY, _MODE = "{}.flow", "first"


@dataclass(frozen=True, slots=True)
class FlowDay:
    """A day's middle flow while the pump ran, and how even it was (`analytics.expected.flows`); for how long."""

    day: date
    flow_l_min: float
    evenness: float
    hours: float = 0.0


def flow_days(record: Sequence[DayLedger], site: Site, loop: str) -> list[FlowDay]:
    """Days of a record on which a loop ran for long enough, since the site was commissioned, in the record's order."""
    name, since = f"loop.{loop}.flow_", site.commissioned
    told = [(day.day, conditions_of(day)) for day in record if since is None or day.day >= since]
    least_h = _LEAST_H if any(each.loop == loop for each in site.collectors.values()) else _LEAST_H_ELSE
    return [
        FlowDay(day, kept[f"{name}l_min"], kept[f"{name}evenness"], kept[f"{name}h"])
        for day, kept in told
        if kept.get(f"{name}h", 0.0) >= least_h
    ]


def first_flows(known: Mapping[str, Watched], loop: str, *, since: date | None) -> list[FlowDay]:
    """The first good days that were carried; those from before `since` (a later commissioning) do not count."""
    carried = known.get(_KEY.format(loop), _NOTHING).first.get(_MODE, ())
    days = [FlowDay(date.fromordinal(round(day)), *rest) for day, *rest in carried]
    return [day for day in days if since is None or day.day >= since]


_NOTHING = Watched()


def flows_so_far(
    site: Site, known: Mapping[str, Watched], day: DayLedger, *, troubled: Collection[str] = ()
) -> dict[str, Watched]:
    """
    What a whole day hands to the next about the flows of all metered loops.

    Args:
        troubled: Ids of parts and sensors that alerts speak of on that day: a troubled loop's day is left out.
    """
    loops = [loop for loop in site.loops.values() if loop.flow is not None]
    return {_KEY.format(loop.id): _one_day_on(site, known, loop, day, troubled=troubled) for loop in loops}


def _one_day_on(
    site: Site, known: Mapping[str, Watched], loop: Loop, day: DayLedger, *, troubled: Collection[str]
) -> Watched:
    before = first_flows(known, loop.id, since=site.commissioned)
    bearing = {site.id, loop.id, loop.flow, loop.pump}
    if len(before) < FIRST_FLOW_DAYS and bearing.isdisjoint(troubled):
        before = [*before, *flow_days([day], site, loop.id)]
    days = tuple((float(each.day.toordinal()), each.flow_l_min, each.evenness) for each in before)
    return Watched(first={_MODE: days} if days else {})
