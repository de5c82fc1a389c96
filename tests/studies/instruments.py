"""
Sets of instruments for the houses of the studies: each sensor's systematic error, where it stands in its tank, and by
how much each number of the site file that nobody measured is off.

Over many sets they follow a plan (a Latin hypercube): the limits of each are cut into as many equal parts as there are
sets, and each part is used once, in an order of its own. Each is spread evenly within its limits, as if drawn at
random, and independent of all others; but how many of a flow meter's errors lie beyond a given part of its limits is no
longer a matter of chance.

References:
    McKay, Beckman, Conover: A comparison of three methods for selecting values of input variables, Technometrics 21
    (1979) 239-245 (from memory).
"""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from analytics.site import Site
from analytics.trace import Trace
from ingest.virtual.house import RUN_IN_DAYS, House
from ingest.virtual.scenario import Scenario
from ingest.virtual.sensors import Sampler
from ingest.virtual.truth import DayTruth, truth_of_day
from tests.parcels.house import ParcelHouse
from tests.studies.stated import Draw, beside_their_middles, off_by_as_much_as_allowed

__all__ = ["Instruments", "Seen", "at_random", "by_plan", "lived"]


@dataclass(frozen=True, slots=True)
class Instruments:
    """
    Args:
        seed: Of what is another at each moment: noise, dropouts, gaps of the gateway.
        draw: Of what lasts.
    """

    seed: int
    draw: Draw


def at_random(seed: int) -> Instruments:
    """A set of its own."""
    return Instruments(seed, lambda name: float(_seeded(name, seed).uniform(-1.0, 1.0)))


def by_plan(kind: str, index: int, *, of: int) -> Instruments:
    """One of a plan of so many sets; each kind of house has a plan of its own."""

    def draw(name: str) -> float:
        own = f"{name} in {kind}"
        place = int(_seeded(own, of).permutation(of)[index]) + _seeded(own, of, index).uniform()
        return 2.0 * place / of - 1.0

    return Instruments(1 + index, draw)


def _seeded(name: str, *more: int) -> np.random.Generator:
    return np.random.default_rng([zlib.crc32(name.encode()), *more])


@dataclass(frozen=True, slots=True)
class Seen:
    """A house as a set of instruments shows it: its site file as somebody stated it, and the readings."""

    site: Site
    traces: Mapping[str, Trace]


def lived(
    scenario: Scenario,
    *,
    start: date,
    days: int,
    seed: int,
    instruments: Sequence[Instruments],
    plant: type[House] | type[ParcelHouse] = House,
) -> tuple[list[Seen], list[DayTruth]]:
    """Some days of a house, seen by several sets of instruments at once, and the truth."""
    house = plant(scenario, first_day=start - timedelta(days=RUN_IN_DAYS), seed=seed)
    samplers = [_sampler(house.site, each) for each in instruments]
    last = [house.finish_day() for _ in range(RUN_IN_DAYS)][-1]
    house.restart_account()
    # The reading of midnight belongs to the first day, and was taken in the step before it.
    parts = [[each.read(last, after=last.steps_done - 1)] for each in samplers]
    truths = []
    for _ in range(days):
        record = house.finish_day()
        for part, sampler in zip(parts, samplers, strict=True):
            part.append(sampler.read(record))
        truths.append(truth_of_day(house, record))
    sites = [off_by_as_much_as_allowed(house.site, draw=each.draw) for each in instruments]
    return [Seen(site, _joined(part)) for site, part in zip(sites, parts, strict=True)], truths


def _sampler(site: Site, instruments: Instruments) -> Sampler:
    draw = instruments.draw
    systematic = {point: draw(f"error of {point}") for point in site.points}
    depths = beside_their_middles(site, draw=draw)
    return Sampler(site, seed=instruments.seed, perfect=False, depths=depths, systematic=systematic)


def _joined(parts: Sequence[Mapping[str, Trace]]) -> dict[str, Trace]:
    return {
        point: Trace(
            np.concatenate([part[point].time_ms for part in parts]),
            np.concatenate([part[point].value for part in parts]),
        )
        for point in parts[0]
    }
