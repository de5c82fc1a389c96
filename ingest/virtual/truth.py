"""The ground truth of a virtual house, day by day: what perfect meters at the sensors' spots would have summed."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from ingest.virtual.house import DayRecord, House
from ingest.virtual.layout import TALLIES

__all__ = ["DayTruth", "StageTruth", "truth_of_day", "truth_to_json"]

_J_PER_KWH = 3.6e6
_SMALL_J = 0.05 * _J_PER_KWH  # below it a ratio says nothing


@dataclass(frozen=True, kw_only=True)
class StageTruth:
    """Heat put in, heat taken back, and hot-water heat that came from this stage. [J]"""

    heat_j: float
    reverse_j: float
    delivered_j: float


@dataclass(frozen=True, kw_only=True)
class DayTruth:
    """
    One local day.

    Args:
        tally: The day's sums by name, see `layout.TALLIES`. [J, m3, s, counts]
        stages: By stage id, in the order of the site file.
        room_j: Hot-water heat that came from the room or from a change of the main's temperature.
        carried_over_j: Hot-water heat that was in store when the account began.
        stored_change_j, loss_j: By tank id.
    """

    site: str
    day: date
    tally: Mapping[str, float]
    stages: Mapping[str, StageTruth]
    backup_stages: tuple[str, ...]
    heat_pumps: tuple[str, ...]
    has_load_loop: bool
    flow_at_mixed: bool
    room_j: float
    carried_over_j: float
    stored_change_j: Mapping[str, float]
    loss_j: Mapping[str, float]

    @property
    def hot_water_j(self) -> float:
        return self.tally["hot_water_j"]

    @property
    def volume_m3(self) -> float:
        """Through the draw meter, where it stands."""
        return self.tally["mixed_m3" if self.flow_at_mixed else "draw_m3"]

    @property
    def backup_fraction(self) -> float | None:
        total = sum(stage.heat_j for stage in self.stages.values())
        return _ratio(sum(self.stages[name].heat_j for name in self.backup_stages), total)

    @property
    def delivered_backup_fraction(self) -> float | None:
        return _ratio(sum(self.stages[name].delivered_j for name in self.backup_stages), self.hot_water_j)

    @property
    def purchased_j(self) -> float:
        """Backup, circulators, and the heat pump's electricity that the hot water caused (none in cooling)."""
        t = self.tally
        cop = _ratio(t["heating_j"], t["heating_elec_j"])
        caused = t["load_heat_j"] + t["dsh_in_heating_j"]
        bought = t["element_elec_j"] + t["passing_elec_j"] + t["fuel_j"] + t["pumps_elec_j"]
        return bought + (caused / cop if cop else 0.0)


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole > _SMALL_J else None


def truth_of_day(house: House, record: DayRecord) -> DayTruth:
    """The truth of a day that is over (or of its part so far)."""
    site = house.site
    tally = dict(zip(TALLIES, (float(v) for v in record.tally), strict=True))
    path = list(site.hot_water.tanks) if site.hot_water else list(site.tanks)
    change = record.stored_j - record.stored_start_j
    return DayTruth(
        site=site.id,
        day=record.day.date,
        tally=tally,
        stages={
            name: _stage(house, tally, origin=k, delivered_j=float(record.delivered[k]))
            for k, name in enumerate(site.stages)
        },
        backup_stages=tuple(stage.id for stage in site.stages.values() if stage.backup),
        heat_pumps=tuple(site.heat_pumps),
        has_load_loop=any(pump.load_loop for pump in site.heat_pumps.values()),
        flow_at_mixed=bool(site.hot_water and site.hot_water.flow_at == "mixed"),
        room_j=float(record.delivered[-2]),
        carried_over_j=float(record.delivered[-1]),
        stored_change_j={name: float(change[k]) for k, name in enumerate(path)},
        loss_j={name: tally[f"loss_{k}_j"] for k, name in enumerate(path)},
    )


def _stage(house: House, tally: Mapping[str, float], *, origin: int, delivered_j: float) -> StageTruth:
    roles = ("sun", "dsh", "load", "boiler", "element", "passing")
    role = next(role for role in roles if getattr(house.numbers, f"{role}_origin") == origin)
    reverse_j = tally.get(f"{role}_reverse_j", 0.0)
    return StageTruth(heat_j=tally[f"{role}_heat_j"], reverse_j=reverse_j, delivered_j=delivered_j)


def truth_to_json(truth: DayTruth) -> dict[str, Any]:
    """One entry of `days`, in the shape of the ledger's JSON with plain numbers: kWh, litres, hours, ratios."""
    t = truth.tally
    return {
        "day": truth.day.isoformat(),
        "stages": [
            {
                "stage": name,
                "heat": _kwh(s.heat_j),
                "reverse": _kwh(s.reverse_j),
                "delivered": _kwh(s.delivered_j),
            }
            for name, s in truth.stages.items()
        ],
        "hot_water": {
            "volume": truth.volume_m3 * 1e3,
            "heat": _kwh(truth.hot_water_j),
            "carried_over": _kwh(truth.carried_over_j),
            "from_room": _kwh(truth.room_j),
        },
        "backup_fraction": truth.backup_fraction,
        "delivered_backup_fraction": truth.delivered_backup_fraction,
        "heat_pumps": [_heat_pump_to_json(name, t) for name in truth.heat_pumps],
        "tanks": [
            {"tank": name, "stored_change": _kwh(truth.stored_change_j[name]), "loss": _kwh(truth.loss_j[name])}
            for name in truth.loss_j
        ],
        "electricity": {
            "heaters": _kwh(t["element_elec_j"] + t["passing_elec_j"]),
            "heat_pumps": _kwh(t["heat_pump_elec_j"]),
            "pumps": _kwh(t["pumps_elec_j"]),
        },
        "fuel": _kwh(t["fuel_j"]),
        "purchased": _kwh(truth.purchased_j),
    }


def _kwh(energy_j: float) -> float:
    return energy_j / _J_PER_KWH


def _heat_pump_to_json(name: str, t: Mapping[str, float]) -> dict[str, Any]:
    return {
        "heat_pump": name,
        "heating": {
            "heat": _kwh(t["heating_j"]),
            "electricity": _kwh(t["heating_elec_j"]),
            "cop": _ratio(t["heating_j"], t["heating_elec_j"]),
            "run_hours": t["heating_s"] / 3600.0,
            "starts": t["heating_starts"],
        },
        "cooling": {
            "cooling": _kwh(t["cooling_j"]),
            "electricity": _kwh(t["cooling_elec_j"]),
            "cop": _ratio(t["cooling_j"], t["cooling_elec_j"]),
            "run_hours": t["cooling_s"] / 3600.0,
            "starts": t["starts"] - t["heating_starts"],
        },
        "source_heat": _kwh(t["source_j"]),
    }
