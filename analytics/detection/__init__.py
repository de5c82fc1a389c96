"""
Detection: from a plant's day to verdicts, and from verdicts to alerts.

`assess_day` judges every component of a site that any detector speaks of; `advance` carries alerts over a day. A new
detector is one module with its kind, what it needs and how it decides, and one entry in `DETECTORS`.
"""

from collections.abc import Sequence

from analytics.detection.alert_json import alert_from_json, alert_to_json
from analytics.detection.balance_open import BalanceOpen
from analytics.detection.beyond_carnot import BeyondCarnot
from analytics.detection.collector_stagnation import CollectorStagnation
from analytics.detection.constant_draw import ConstantDraw
from analytics.detection.cop_rise import CopRise
from analytics.detection.findings import (
    CAUTION,
    Assessment,
    Clear,
    Detector,
    Fault,
    Finding,
    Need,
    NotAssessed,
    Severity,
    Verdict,
)
from analytics.detection.gateway_clock import GatewayClock
from analytics.detection.ground_loop_cold import GroundLoopCold
from analytics.detection.ground_loop_hot import GroundLoopHot
from analytics.detection.heat_pump_balance import HeatPumpBalance
from analytics.detection.heat_pump_low_cop import HeatPumpLowCop
from analytics.detection.heat_pump_short_cycles import HeatPumpShortCycles
from analytics.detection.heater_always_on import HeaterAlwaysOn
from analytics.detection.heater_no_output import HeaterNoOutput
from analytics.detection.heater_preempts import HeaterPreempts
from analytics.detection.loop_always_on import LoopAlwaysOn
from analytics.detection.loop_low_flow import LoopLowFlow
from analytics.detection.loop_near_freezing import LoopNearFreezing
from analytics.detection.loop_never_called import LoopNeverCalled
from analytics.detection.loop_night_loss import LoopNightLoss
from analytics.detection.loop_no_flow import LoopNoFlow
from analytics.detection.meter_noisy import MeterNoisy
from analytics.detection.moments import instant_ms
from analytics.detection.outlet_too_cool import OutletTooCool
from analytics.detection.outlet_too_hot import OutletTooHot
from analytics.detection.path_swapped import PathSwapped
from analytics.detection.sensor_missing import SensorMissing
from analytics.detection.sensor_noisy import SensorNoisy
from analytics.detection.sensor_offset import SensorOffset
from analytics.detection.sensor_stuck import SensorRange, SensorStuck
from analytics.detection.sensor_swapped import SensorSwapped
from analytics.detection.site_silent import SiteSilent
from analytics.detection.stage_below_expected import StageBelowExpected
from analytics.detection.states import Alert, AlertState, Transition, acknowledge, advance, unsettled
from analytics.detection.sun_beyond import SunBeyond
from analytics.detection.sun_stuck import SunStuck
from analytics.detection.tank_losing_heat import TankLosingHeat
from analytics.detection.tank_lukewarm import TankLukewarm
from analytics.detection.watchlist import watchlist
from analytics.figures import DayLedger
from analytics.plant import PlantDay

__all__ = [
    "CAUTION",
    "DETECTORS",
    "Alert",
    "AlertState",
    "Assessment",
    "Clear",
    "Detector",
    "Fault",
    "Finding",
    "Need",
    "NotAssessed",
    "Severity",
    "Transition",
    "Verdict",
    "acknowledge",
    "advance",
    "alert_from_json",
    "alert_to_json",
    "assess_day",
    "unsettled",
]

DETECTORS: Sequence[Detector] = (
    SiteSilent(),
    OutletTooHot(),
    HeaterAlwaysOn(),
    HeaterNoOutput(),
    HeaterPreempts(),
    LoopNoFlow(),
    LoopLowFlow(),
    LoopNeverCalled(),
    LoopAlwaysOn(),
    LoopNightLoss(),
    LoopNearFreezing(),
    CollectorStagnation(),
    HeatPumpShortCycles(),
    HeatPumpLowCop(),
    GroundLoopCold(),
    GroundLoopHot(),
    ConstantDraw(),
    OutletTooCool(),
    StageBelowExpected(),
    SensorMissing(),
    SensorStuck(),
    SunStuck(),
    SensorRange(),
    BeyondCarnot(),
    CopRise(),
    SunBeyond(),
    SensorNoisy(),
    MeterNoisy(),
    SensorOffset(),
    SensorSwapped(),
    PathSwapped(),
    TankLosingHeat(),
    TankLukewarm(),
    BalanceOpen(),
    HeatPumpBalance(),
    GatewayClock(),
)


def assess_day(
    plant: PlantDay, history: Sequence[DayLedger], *, detectors: Sequence[Detector] = DETECTORS
) -> list[Assessment]:
    """
    One verdict for each kind and component of the site, in the order of `DETECTORS` and of the site file.

    Args:
        plant: One local day, whole or in progress.
        history: Up to 60 earlier days' ledgers, oldest first; empty on a site's first day.
    """
    until_ms = instant_ms(plant, plant.until_s)
    return [
        Assessment(
            site=plant.site.id,
            timezone=plant.day.timezone,
            kind=detector.kind,
            component=watched.need.component,
            from_ms=plant.day.start_ms,
            until_ms=until_ms,
            rejoin=detector.rejoin,
            verdict=_verdict(detector, plant, history, watched.need),
            explained_by=watched.explained_by,
        )
        for detector in detectors
        for watched in watchlist(plant.site, detector)
    ]


def _verdict(detector: Detector, plant: PlantDay, history: Sequence[DayLedger], need: Need) -> Verdict:
    return NotAssessed(need.lacking) if need.lacking else detector.assess(plant, history, need.component)
