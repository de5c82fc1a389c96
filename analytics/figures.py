"""
A figure and the day's ledger: the value objects that the analytics hand out.

Figures stand at the edge of the program, so they carry kWh, litres and hours; everything before them is SI.
`to_json` writes them as the contract asks.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from analytics.doubt import NO_DOUBT, Doubt
from analytics.pair_check import PairCheck, pair_checks_from_json, pair_checks_to_json

__all__ = [
    "ALL_OF_IT",
    "ANY_SHARE",
    "BEYOND_NATURE",
    "COVERED",
    "PLAIN_COVERAGE",
    "Basis",
    "DayLedger",
    "Electricity",
    "Figure",
    "HeatPumpLine",
    "HotWaterLine",
    "Saved",
    "StageLine",
    "TankLine",
    "day_from_json",
    "day_to_json",
    "day_to_record",
    "figure_from_json",
    "figure_to_json",
    "shown_of",
    "unavailable",
]

COVERED = "Usable readings cover"
BEYOND_NATURE = "Its steady COP of"
"""What a word on a COP that no machine can have begins with, to the end of its figure's reason."""
PLAIN_COVERAGE = 0.98
"""From here on a figure need not say that time is missing."""

ALL_OF_IT = 1.0
"""A share that can be off by as much says nothing."""
ANY_SHARE = "So little was heard that the share may be anything from none to all."

# Keys of a kept ledger that are for later days, not for a reader.
_KEPT_ONLY = ("doubt", "pair_checks", "conditions")

Basis = Literal["measured", "derived", "estimated", "unavailable"]


@dataclass(frozen=True, slots=True)
class Figure:
    """
    One number with what it is worth.

    Args:
        value: In `unit`; NaN where it is not known.
        unit: kWh, l, h, kg, a currency code, "1" for ratios, "" for counts.
        plus_minus: Half-width of the 95 % interval, in `unit`; NaN where it is not known.
        basis: measured, derived, estimated or unavailable.
        coverage: Part of the day with usable data, 0 to 1.
        why: One sentence, where the figure is not plainly measured.
        doubt: Where the interval comes from, in `unit`.
    """

    value: float
    unit: str
    plus_minus: float = math.nan
    basis: Basis = "measured"
    coverage: float = 1.0
    why: str = ""
    doubt: Doubt = NO_DOUBT


def unavailable(unit: str, why: str) -> Figure:
    """A figure that cannot be had, with the reason as a sentence."""
    return Figure(math.nan, unit, math.nan, "unavailable", 0.0, why)


@dataclass(frozen=True, slots=True)
class StageLine:
    stage: str
    heat: Figure
    reverse: Figure
    delivered: Figure


@dataclass(frozen=True, slots=True)
class HotWaterLine:
    """`carried_over` is the part of `heat` that was in store before the account began."""

    volume: Figure
    heat: Figure
    carried_over: Figure


@dataclass(frozen=True, slots=True)
class HeatPumpLine:
    """`spf` are the performance factors h1 to h4 in heating, by the SEPEMO boundaries (`analytics.spf`)."""

    heat_pump: str
    heating_heat: Figure
    heating_electricity: Figure
    heating_cop: Figure
    heating_run_hours: Figure
    heating_starts: Figure
    cooling: Figure
    cooling_electricity: Figure
    cooling_cop: Figure
    cooling_run_hours: Figure
    cooling_starts: Figure
    source_heat: Figure
    spf: Mapping[str, Figure] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TankLine:
    tank: str
    stored_change: Figure
    loss: Figure
    residual: Figure


@dataclass(frozen=True, slots=True)
class Electricity:
    heaters: Figure
    heat_pumps: Figure
    pumps: Figure


@dataclass(frozen=True, slots=True)
class Saved:
    energy: Figure
    money: Figure
    co2: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLedger:
    """
    The account of one local day. `notes` name sensors whose readings were left out, and why; `pair_checks` are what the
    day tells of sensors that belong together; `conditions` are what later days are held against.
    """

    site: str
    day: date
    coverage: float
    stages: Sequence[StageLine]
    hot_water: HotWaterLine
    backup_fraction: Figure
    delivered_backup_fraction: Figure
    heat_pumps: Sequence[HeatPumpLine]
    tanks: Sequence[TankLine]
    electricity: Electricity
    purchased: Figure
    saved: Saved
    notes: Sequence[str] = field(default=())
    pair_checks: tuple[PairCheck, ...] = ()
    conditions: Mapping[str, float] = field(default_factory=dict)


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value


def figure_to_json(figure: Figure) -> dict[str, Any]:
    """The contract's FIGURE; NaN becomes null."""
    return {
        "value": _number(figure.value),
        "unit": figure.unit,
        "plus_minus": _number(figure.plus_minus),
        "basis": figure.basis,
        "coverage": figure.coverage,
        "why": figure.why,
    }


def _figure_to_record(figure: Figure) -> dict[str, Any]:
    """The same with where the interval comes from."""
    kinds = {"steady": figure.doubt.steady, "passing": figure.doubt.passing, "ends": figure.doubt.ends}
    doubt = {kind: _digits(by_source) for kind, by_source in kinds.items()}
    return {**figure_to_json(figure), "doubt": {kind: by_source for kind, by_source in doubt.items() if by_source}}


def _digits(by_source: Mapping[str, float]) -> dict[str, float]:
    """Four digits of what is not nothing: a doubt needs no more."""
    return {source: float(f"{c:.4g}") for source, c in by_source.items() if abs(c) > 1e-9}


def figure_from_json(data: dict[str, Any]) -> Figure:
    """The inverse of `figure_to_json`."""
    value, plus_minus, doubt = data["value"], data["plus_minus"], data.get("doubt", {})
    return Figure(
        math.nan if value is None else value,
        data["unit"],
        math.nan if plus_minus is None else plus_minus,
        data["basis"],
        data["coverage"],
        data["why"],
        Doubt(doubt.get("steady", {}), doubt.get("passing", {}), doubt.get("ends", {})),
    )


def day_to_json(ledger: DayLedger) -> dict[str, Any]:
    """One entry of `days` in the contract's JSON of `ledger`."""
    shown: dict[str, Any] = shown_of(day_to_record(ledger))
    return shown


def shown_of(record: Any) -> Any:
    """A kept ledger, or a part of one, as the contract shows it."""
    if isinstance(record, list):
        return [shown_of(one) for one in record]
    if isinstance(record, dict):
        return {key: shown_of(value) for key, value in record.items() if key not in _KEPT_ONLY}
    return record


def day_to_record(ledger: DayLedger) -> dict[str, Any]:
    """The ledger as it is kept: the contract's JSON, and with each figure where its interval comes from."""
    fig = _figure_to_record
    return {
        "day": ledger.day.isoformat(),
        "coverage": ledger.coverage,
        "stages": [
            {"stage": s.stage, "heat": fig(s.heat), "reverse": fig(s.reverse), "delivered": fig(s.delivered)}
            for s in ledger.stages
        ],
        "hot_water": {
            "volume": fig(ledger.hot_water.volume),
            "heat": fig(ledger.hot_water.heat),
            "carried_over": fig(ledger.hot_water.carried_over),
        },
        "backup_fraction": fig(ledger.backup_fraction),
        "delivered_backup_fraction": fig(ledger.delivered_backup_fraction),
        "heat_pumps": [_heat_pump_to_json(line) for line in ledger.heat_pumps],
        "tanks": [
            {"tank": t.tank, "stored_change": fig(t.stored_change), "loss": fig(t.loss), "residual": fig(t.residual)}
            for t in ledger.tanks
        ],
        "electricity": {
            "heaters": fig(ledger.electricity.heaters),
            "heat_pumps": fig(ledger.electricity.heat_pumps),
            "pumps": fig(ledger.electricity.pumps),
        },
        "purchased": fig(ledger.purchased),
        "saved": {
            "energy": fig(ledger.saved.energy),
            "money": fig(ledger.saved.money),
            "co2": fig(ledger.saved.co2),
        },
        "notes": list(ledger.notes),
        "pair_checks": pair_checks_to_json(ledger.pair_checks),
        "conditions": {name: value for name, value in ledger.conditions.items() if not math.isnan(value)},
    }


def _heat_pump_to_json(line: HeatPumpLine) -> dict[str, Any]:
    fig = _figure_to_record
    return {
        "heat_pump": line.heat_pump,
        "heating": {
            "heat": fig(line.heating_heat),
            "electricity": fig(line.heating_electricity),
            "cop": fig(line.heating_cop),
            "run_hours": fig(line.heating_run_hours),
            "starts": fig(line.heating_starts),
            "spf": {boundary: fig(figure) for boundary, figure in line.spf.items()},
        },
        "cooling": {
            "cooling": fig(line.cooling),
            "electricity": fig(line.cooling_electricity),
            "cop": fig(line.cooling_cop),
            "run_hours": fig(line.cooling_run_hours),
            "starts": fig(line.cooling_starts),
        },
        "source_heat": fig(line.source_heat),
    }


def _heat_pump_from_json(data: dict[str, Any]) -> HeatPumpLine:
    fig = figure_from_json
    heating, cooling = data["heating"], data["cooling"]
    return HeatPumpLine(
        heat_pump=data["heat_pump"],
        heating_heat=fig(heating["heat"]),
        heating_electricity=fig(heating["electricity"]),
        heating_cop=fig(heating["cop"]),
        heating_run_hours=fig(heating["run_hours"]),
        heating_starts=fig(heating["starts"]),
        cooling=fig(cooling["cooling"]),
        cooling_electricity=fig(cooling["electricity"]),
        cooling_cop=fig(cooling["cop"]),
        cooling_run_hours=_kept_later(cooling, "run_hours", "h"),
        cooling_starts=_kept_later(cooling, "starts", ""),
        source_heat=fig(data["source_heat"]),
        spf={boundary: fig(figure) for boundary, figure in heating.get("spf", {}).items()},
    )


def _kept_later(data: dict[str, Any], name: str, unit: str) -> Figure:
    """A figure that days kept from before have not got."""
    if name in data:
        return figure_from_json(data[name])
    return unavailable(unit, "This day was accounted before this figure was kept by itself.")


def day_from_json(site: str, data: dict[str, Any]) -> DayLedger:
    """The inverse of `day_to_record`: how kept ledgers come back."""
    fig = figure_from_json
    return DayLedger(
        site=site,
        day=date.fromisoformat(data["day"]),
        coverage=data["coverage"],
        stages=[StageLine(s["stage"], fig(s["heat"]), fig(s["reverse"]), fig(s["delivered"])) for s in data["stages"]],
        hot_water=HotWaterLine(*(fig(data["hot_water"][key]) for key in ("volume", "heat", "carried_over"))),
        backup_fraction=fig(data["backup_fraction"]),
        delivered_backup_fraction=fig(data["delivered_backup_fraction"]),
        heat_pumps=[_heat_pump_from_json(line) for line in data["heat_pumps"]],
        tanks=[TankLine(t["tank"], fig(t["stored_change"]), fig(t["loss"]), fig(t["residual"])) for t in data["tanks"]],
        electricity=Electricity(*(fig(data["electricity"][key]) for key in ("heaters", "heat_pumps", "pumps"))),
        purchased=fig(data["purchased"]),
        saved=Saved(*(fig(data["saved"][key]) for key in ("energy", "money", "co2"))),
        notes=data["notes"],
        pair_checks=pair_checks_from_json(data.get("pair_checks", ())),  # ledgers kept from before have none
        conditions=data.get("conditions", {}),
    )
