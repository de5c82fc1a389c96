"""`heatledger virtual`: scenarios and faults by name, and writing a run of one."""

import argparse
from collections.abc import Sequence
from datetime import date, timedelta
from difflib import get_close_matches

from analytics.trace import local_day
from api.command_line import CommandError, Tell
from dashboards.numbers import plural
from ingest.virtual.faults import FAULTS, Fault, parse_fault
from ingest.virtual.files import write_scenario
from ingest.virtual.scenario import SCENARIOS, Scenario, numbers_of, site_of

__all__ = ["list_scenarios", "write_virtual_site"]

_FIRST_DAY = date(2025, 1, 1)  # A year from here has passed, so that its readings may be imported.


def list_scenarios() -> str:
    """Every scenario and every fault, a line each."""
    scenarios = [f"  {name:24} {scenario.about}" for name, scenario in SCENARIOS.items()]
    faults = [f"  {name:28} {kind.about}" for name, kind in FAULTS.items()]
    return "\n".join(["Scenarios (all are invented):", *scenarios, "", "Faults:", *faults])


def write_virtual_site(arguments: argparse.Namespace, tell: Tell) -> str:
    """
    Write what the command line asks for; returns what was written, as a sentence.

    Raises:
        CommandError: If there is no such scenario, or a fault is wrong.
    """
    scenario = SCENARIOS.get(arguments.scenario)
    if scenario is None:
        raise CommandError(f"there is no scenario {arguments.scenario!r}; the scenarios are {', '.join(SCENARIOS)}")
    start = arguments.start or _FIRST_DAY
    faults = _faults(arguments.fault)
    for fault in faults:
        _check(fault, scenario, start=start, days=arguments.days)
    written = write_scenario(
        scenario,
        arguments.out,
        start=start,
        days=arguments.days,
        seed=arguments.seed,
        perfect=arguments.perfect,
        faults=faults,
        file_format=arguments.format,
        progress=tell,
    )
    return (
        f"{plural(arguments.days, 'day')} of an invented house, {written.n_readings} readings: {written.site}, "
        f"{written.readings}, {written.truth}\n"
        f"Next: heatledger add {written.site} --data DIR, then heatledger import {site_of(scenario).id} "
        f"{written.readings} --data DIR"
    )


def _faults(texts: Sequence[str]) -> Sequence[Fault]:
    try:
        return [parse_fault(text) for text in texts]
    except ValueError as error:
        raise CommandError(f"--fault: {error}") from error


def _check(fault: Fault, scenario: Scenario, *, start: date, days: int) -> None:
    """
    That a fault shows in what is written.

    Raises:
        CommandError: If the house has not got what it breaks, or the last day is over before it begins.
    """
    points = site_of(scenario).points
    for point in fault.points:
        if point not in points:
            near = get_close_matches(point, points, n=3)
            meant = f"; it may be {', '.join(near)}" if near else ""
            raise CommandError(f"--fault: {scenario.layout} has no point {point!r}{meant}")
    numbers = numbers_of(scenario)
    roles = fault.kind.roles
    if roles and not any(getattr(numbers, f"{role}_origin") >= 0 for role in roles):
        raise CommandError(f"--fault: {scenario.layout} has nothing that {fault.name} could befall")
    end = local_day(start + timedelta(days=days - 1), site_of(scenario).timezone).end_ms
    if fault.start_ms >= end:
        last = start + timedelta(days=days - 1)
        raise CommandError(f"--fault: {fault.name} begins after the last day that is written, {last}")
