"""`heatledger virtual`: scenarios and faults by name, and writing a run of one."""

import argparse
from collections.abc import Sequence
from datetime import date

from api.command_line import CommandError, Tell
from ingest.virtual.faults import FAULTS, Fault, parse_fault
from ingest.virtual.files import write_scenario
from ingest.virtual.scenario import SCENARIOS

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
    written = write_scenario(
        scenario,
        arguments.out,
        start=arguments.start or _FIRST_DAY,
        days=arguments.days,
        seed=arguments.seed,
        perfect=arguments.perfect,
        faults=_faults(arguments.fault),
        file_format=arguments.format,
        progress=tell,
    )
    return (
        f"{arguments.days} days of an invented house, {written.n_readings} readings: {written.site}, "
        f"{written.readings}, {written.truth}"
    )


def _faults(texts: Sequence[str]) -> Sequence[Fault]:
    try:
        return [parse_fault(text) for text in texts]
    except ValueError as error:
        raise CommandError(f"--fault: {error}") from error
