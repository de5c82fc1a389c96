"""The JSON of the API as OpenAPI describes it; each figure carries its own unit."""

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, Field

__all__ = [
    "AcknowledgeIn",
    "AlertDetailOut",
    "AlertOut",
    "ComparedOut",
    "CoursesOut",
    "ExpectedOut",
    "HealthOut",
    "ImportOut",
    "IntakeOut",
    "LatestOut",
    "LedgerOut",
    "MonthOut",
    "QuarantineOut",
    "ReceiptOut",
    "SiteOut",
    "TransitionOut",
]


class FigureOut(BaseModel):
    """One number with what it is worth."""

    value: float | None = Field(description="In `unit`; null where it is not known")
    unit: str = Field(description="kWh, l, h, kg, a currency's code, 1 for ratios, empty for counts")
    plus_minus: float | None = Field(description="Half-width of the 95 % interval, in `unit`")
    basis: Literal["measured", "derived", "estimated", "unavailable"]
    coverage: float = Field(description="Part of the day with usable data, 0 to 1")
    why: str = Field(description="One sentence, where the figure is not plainly measured")


class StageOut(BaseModel):
    stage: str
    heat: FigureOut = Field(description="Heat put in [kWh]")
    reverse: FigureOut = Field(description="Heat that flowed back [kWh]")
    delivered: FigureOut = Field(description="Hot-water heat of this origin [kWh]")


class HotWaterOut(BaseModel):
    volume: FigureOut = Field(description="[l]")
    heat: FigureOut = Field(description="[kWh]")
    carried_over: FigureOut = Field(description="Of that, heat from before the account began [kWh]")


class HeatingOut(BaseModel):
    heat: FigureOut = Field(description="[kWh]")
    electricity: FigureOut = Field(description="[kWh]")
    cop: FigureOut = Field(description="Coefficient of performance [1]")
    run_hours: FigureOut = Field(description="Of the compressor while it heats [h]")
    starts: FigureOut = Field(description="Starts of runs that heat")


class CoolingOut(BaseModel):
    cooling: FigureOut = Field(description="[kWh]")
    electricity: FigureOut = Field(description="[kWh]")
    cop: FigureOut = Field(description="[1]")
    run_hours: FigureOut = Field(description="Of the compressor while it cools [h]")
    starts: FigureOut = Field(description="Starts of runs that cool")


class HeatPumpOut(BaseModel):
    heat_pump: str
    heating: HeatingOut
    cooling: CoolingOut
    source_heat: FigureOut = Field(description="Positive when it leaves the ground [kWh]")


class TankOut(BaseModel):
    tank: str
    stored_change: FigureOut = Field(description="[kWh]")
    loss: FigureOut = Field(description="[kWh]")
    residual: FigureOut = Field(description="What the balance leaves unexplained [kWh]")


class ElectricityOut(BaseModel):
    heaters: FigureOut = Field(description="[kWh]")
    heat_pumps: FigureOut = Field(description="[kWh]")
    pumps: FigureOut = Field(description="[kWh]")


class SavedOut(BaseModel):
    energy: FigureOut = Field(description="[kWh]")
    money: FigureOut = Field(description="In the site's currency")
    co2: FigureOut = Field(description="[kg]")


class DayOut(BaseModel):
    """The account of one local day of the site."""

    day: str = Field(description="Local calendar day, YYYY-MM-DD")
    coverage: float = Field(description="0 to 1")
    stages: list[StageOut]
    hot_water: HotWaterOut
    backup_fraction: FigureOut = Field(description="[1]")
    delivered_backup_fraction: FigureOut = Field(description="[1]")
    heat_pumps: list[HeatPumpOut]
    tanks: list[TankOut]
    electricity: ElectricityOut
    purchased: FigureOut = Field(description="[kWh]")
    saved: SavedOut
    notes: list[str] = Field(default=[], description="Sensors whose readings were left out, and why")


class LedgerOut(BaseModel):
    site: str
    timezone: str = Field(description="IANA name")
    days: list[DayOut]
    assumptions: list[str] = Field(default=[], description="What the saved money rests on; with `by` only")


class DaysOut(BaseModel):
    first: str = Field(description="YYYY-MM-DD")
    last: str = Field(description="YYYY-MM-DD, included")


class ChangeOut(BaseModel):
    """A figure of the later and of the earlier days, and later less earlier."""

    later: FigureOut
    earlier: FigureOut
    difference: FigureOut


class FitOut(BaseModel):
    days: int = Field(description="Days of the year before that the line was drawn through")
    cv_rmse: float | None = Field(description="Scatter of a day, as a part of the mean day [1]")
    r_squared: float | None


class CorrectedOut(BaseModel):
    """With the earlier days' use of hot water and weather, as the year before tells what they are worth."""

    purchased: FigureOut = Field(description="What the later days would have bought [kWh]")
    change: FigureOut = Field(description="That less what the earlier days bought [kWh]")
    inputs: list[str] = Field(description="What was corrected for")
    left_out: str = Field(description="What was not; empty where nothing is missing")
    base_degc: float | None = Field(description="Outdoor temperature from which on down it matters [degC]")
    fit: FitOut


class BesideOut(BaseModel):
    """Days beside the same days of the year before."""

    name: str
    later: DaysOut
    earlier: DaysOut
    days: int
    days_compared: int = Field(description="Days that are wholly known in both years; only they count")
    figures: dict[str, ChangeOut] = Field(description="Empty where no day can be compared")
    corrected: CorrectedOut | None
    why: str = Field(description="Why there are no figures, or no correction")
    sentences: list[str]


class PeriodOut(DayOut):
    """Days added up, in the shape of a day."""

    day: str = Field(description="The period's name, such as 2026-01")
    first: str = Field(description="YYYY-MM-DD")
    last: str = Field(description="YYYY-MM-DD, included")
    days: int
    known: int = Field(description="Days that have an account")


class ComparedOut(BaseModel):
    site: str
    periods: list[PeriodOut] = Field(description="The earlier and the later one, as they were asked for")
    differences: dict[str, FigureOut] = Field(
        description="Later less earlier, by the figures' paths; what both err alike cancels in its plus_minus"
    )
    assumptions: list[str] = Field(description="What the saved money of both rests on")


class MonthOut(BaseModel):
    site: str
    timezone: str = Field(description="IANA name")
    last: str = Field(description="The last whole day that counts")
    in_progress: bool
    month: PeriodOut = Field(
        description="The month by itself, up to its last whole day, whatever the year before tells"
    )
    compared: list[BesideOut] = Field(description="The month; and the year up to the same day, from February on")
    assumptions: list[str] = Field(description="What the saved money rests on")


class AlertOut(BaseModel):
    """Something that a person should know of, with its evidence."""

    id: str
    site: str
    kind: str
    component: str = Field(description="Loop, tank, heater, heat pump or point; empty for the whole site")
    severity: Literal["urgent", "soon", "watch"]
    state: Literal["open", "acknowledged", "resolved", "withdrawn"]
    began: datetime
    is_by_day: bool = Field(default=False, description="Whether it was found by comparing days: no clock time counts")
    detected: datetime = Field(description="When a watcher fed in real time would have raised it")
    ended: datetime | None = Field(description="null while it lasts")
    summary: str
    evidence: dict[str, Any] = Field(description="Every number that the judgement used; names carry units")
    likely_causes: list[str]
    checks: list[str]
    cost_per_day: float | None = Field(description="In the site's currency")
    caution: str
    acknowledged: "AcknowledgedOut | None"


class AcknowledgedOut(BaseModel):
    by: str
    note: str


class TransitionOut(BaseModel):
    """A change of an alert's state."""

    state: str
    at: datetime = Field(description="When it happened")
    noticed: datetime = Field(description="When it became known here")
    by: str = Field(description="Who did it; empty for the program")
    note: str


class AlertDetailOut(AlertOut):
    transitions: list[TransitionOut] = Field(description="Oldest first")


class AcknowledgeIn(BaseModel):
    by: str = Field(min_length=1, max_length=200, description="Name of the person who takes it on")
    note: str = Field(default="", max_length=2000)


class SiteOut(BaseModel):
    id: str
    name: str
    timezone: str
    units: Literal["si", "us"]
    newest_reading: datetime | None
    presence: Literal["online", "offline"] | None = Field(description="What its gateway last said; null if nothing")
    open_alerts: int
    last_day: DayOut | None = Field(description="The ledger of the last whole day")


class FitOut(BaseModel):
    mode: str = Field(description="heating or cooling; empty where there is one model")
    days: int = Field(description="Good days that made the model")
    parameters: int
    cv_rmse: float | None = Field(description="CV(RMSE) of ASHRAE Guideline 14 [1]")
    nmbe: float | None = Field(description="NMBE of ASHRAE Guideline 14, measured less expected [1]")
    r_squared: float | None
    is_within_limits: bool = Field(description="0.25 and 0.07, common practice for days")


class ExpectedDayOut(BaseModel):
    day: str
    value: float | None = Field(description="As metered, in the part's unit")
    expected: float | None
    plus_minus: float | None = Field(description="Half-width of the 95 % interval of one day")
    standardised: float | None = Field(description="(value - expected) / standard deviation; null where not judged")
    cusum_low: float = Field(description="Too little, added up [standard deviations]")
    cusum_high: float = Field(description="Too much, added up [standard deviations]")
    why: str = Field(description="Why the day is not judged")


class SignalOut(BaseModel):
    """A lasting shift."""

    way: Literal["low", "high"]
    since: str
    found: str
    over: str | None


class ExpectedPartOut(BaseModel):
    component: str
    quantity: Literal["heat", "cop", "entering", "fall"]
    unit: str
    name: str
    state: Literal["less", "more", "as-expected", "learning", "unknown"]
    sentence: str
    expected_from: str = Field(alias="from")
    since: str | None
    fits: list[FitOut]
    fit_sentences: list[str]
    signals: list[SignalOut]
    days: list[ExpectedDayOut]


class NeededOut(BaseModel):
    day: str
    heat: FigureOut
    needed: FigureOut = Field(description="What the taps, the tanks and the other stages left for it to give")


class BackupOut(BaseModel):
    component: str
    days: list[NeededOut]


class CusumOut(BaseModel):
    allowance: float = Field(description="[standard deviations]")
    limit: float = Field(description="[standard deviations]")
    days_between_false_signals: int = Field(description="Average of a healthy part, were its days independent")
    days_to_find: dict[str, float] = Field(description="By lasting shift in standard deviations")
    sentence: str


class ExpectedOut(BaseModel):
    site: str
    timezone: str = Field(description="IANA name")
    cusum: CusumOut
    parts: list[ExpectedPartOut]
    backups: list[BackupOut]
    silent: dict[str, str] = Field(description="By stage, why nothing can be expected of it")


class LatestOut(BaseModel):
    """A point's newest reading, as stored: uncalibrated, in the point's own unit."""

    at: datetime
    value: float
    unit: str


class CoursesOut(BaseModel):
    """Courses of a local day as means over `cell_s` seconds; null where nothing is known."""

    site: str
    day: str
    start: datetime = Field(description="The day's first instant")
    cell_s: float = Field(description="[s]")
    temperatures_degc: dict[str, list[float | None]] = Field(description="By point [degC]")
    flows_l_per_min: dict[str, list[float | None]] = Field(description="By loop, and `hot water` [l/min]")
    heat_w: dict[str, list[float | None]] = Field(description="By loop, heater, and `hot water` [W]")
    power_w: dict[str, list[float | None]] = Field(description="Electricity by pump, heater and heat pump [W]")
    pump_on: dict[str, list[float | None]] = Field(description="By loop: part of the cell in which its pump ran [1]")
    draws: list[dict[str, float | None]] = Field(description="start_s, end_s [s]; volume_l; cold_degc, hot_degc; kwh")


class IntakeOut(BaseModel):
    """received = stored + duplicate + quarantined"""

    received: int
    stored: int
    duplicate: int
    quarantined: int
    replaced: int = Field(description="A part of stored: took the place of another value")


class ReceiptOut(IntakeOut):
    reasons: list[str] = Field(description="Why readings are in quarantine")


class ImportOut(IntakeOut):
    pass


class HealthOut(BaseModel):
    status: Literal["ok", "behind"] = Field(description="behind: there is a problem, or no reading came for 5 minutes")
    now: datetime
    intake: dict[str, IntakeOut] = Field(description="Since ever, by way in: mqtt, http, file, replay")
    due_days: int = Field(description="Days that wait to be computed")
    lag_s: float | None = Field(description="Age of the newest reading of all sites [s]")
    problems: list[str] = Field(description="What is amiss with the ingester, the watcher or the broker")
    sign_in: bool = Field(description="false: there is none yet")


class QuarantineOut(BaseModel):
    """What could not be used; `payload` is base64."""

    id: int
    received: datetime
    way: str
    topic: str
    reason: str
    n_readings: int
    payload: str
