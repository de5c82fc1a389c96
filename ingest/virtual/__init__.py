"""
Virtual houses: a physical simulation of seven layouts, with the truth beside what the sensors say.

Every scenario is invented. The plant knows nothing of the metering code, so its truth can judge it.
"""

from ingest.virtual.faults import FAULTS, Fault, parse_fault
from ingest.virtual.run import DayRun, LiveSite, VirtualRun, run_days, simulate
from ingest.virtual.scenario import SCENARIOS, Scenario
from ingest.virtual.truth import DayTruth, truth_to_json

__all__ = [
    "FAULTS",
    "SCENARIOS",
    "DayRun",
    "DayTruth",
    "Fault",
    "LiveSite",
    "Scenario",
    "VirtualRun",
    "parse_fault",
    "run_days",
    "simulate",
    "truth_to_json",
]
