"""
Virtual houses: a physical simulation of seven layouts, with the truth beside what the sensors say.

Every scenario is invented. The plant knows nothing of the metering code, so its truth can judge it.
"""

from ingest.virtual.draws import Household
from ingest.virtual.faults import FAULTS, Fault, parse_fault
from ingest.virtual.files import Written, write_run, write_scenario
from ingest.virtual.fleet import DEMO_FLEET, FleetHouse
from ingest.virtual.gateway import Broker, Gateway, publish
from ingest.virtual.run import DayRun, LiveSite, VirtualRun, run_days, simulate
from ingest.virtual.scenario import SCENARIOS, Scenario, renamed
from ingest.virtual.truth import DayTruth, truth_to_json

__all__ = [
    "DEMO_FLEET",
    "FAULTS",
    "SCENARIOS",
    "Broker",
    "DayRun",
    "DayTruth",
    "Fault",
    "FleetHouse",
    "Gateway",
    "Household",
    "LiveSite",
    "Scenario",
    "VirtualRun",
    "Written",
    "parse_fault",
    "publish",
    "renamed",
    "run_days",
    "simulate",
    "truth_to_json",
    "write_run",
    "write_scenario",
]
