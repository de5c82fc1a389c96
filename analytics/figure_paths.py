"""Names by which a figure of a ledger can be asked for: the same as in the ledger's JSON and CSV."""

from collections.abc import Iterator
from typing import Any

from analytics.figures import DayLedger, Figure, HeatPumpLine

__all__ = ["figures_by_path", "figures_in_record"]

_IDS = ("stage", "heat_pump", "tank")


def figures_in_record(record: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every figure of a ledger's JSON (or of a part of it) with its path, without making value objects of them."""
    if isinstance(record, dict):
        if "basis" in record:
            yield path, record
            return
        for key, value in record.items():
            if isinstance(value, dict | list):
                yield from figures_in_record(value, f"{path}.{key}" if path else key)
    elif isinstance(record, list):
        for item in record:
            if isinstance(item, dict):
                name = next((item[key] for key in _IDS if isinstance(item.get(key), str)), "")
                yield from figures_in_record(item, f"{path}.{name}")


def figures_by_path(ledger: DayLedger) -> dict[str, Figure]:
    """Every figure by its path, such as `stages.sun.heat` or `heat_pumps.hp.heating.cop`."""
    found: dict[str, Figure] = {}
    for stage in ledger.stages:
        for name in ("heat", "reverse", "delivered"):
            found[f"stages.{stage.stage}.{name}"] = getattr(stage, name)
    for name in ("volume", "heat", "carried_over"):
        found[f"hot_water.{name}"] = getattr(ledger.hot_water, name)
    found["backup_fraction"] = ledger.backup_fraction
    found["delivered_backup_fraction"] = ledger.delivered_backup_fraction
    for pump in ledger.heat_pumps:
        found |= _heat_pump(pump)
    for tank in ledger.tanks:
        for name in ("stored_change", "loss", "residual"):
            found[f"tanks.{tank.tank}.{name}"] = getattr(tank, name)
    for name in ("heaters", "heat_pumps", "pumps"):
        found[f"electricity.{name}"] = getattr(ledger.electricity, name)
    found["purchased"] = ledger.purchased
    for name in ("energy", "money", "co2"):
        found[f"saved.{name}"] = getattr(ledger.saved, name)
    return found


def _heat_pump(pump: HeatPumpLine) -> dict[str, Figure]:
    path = f"heat_pumps.{pump.heat_pump}"
    return {
        f"{path}.heating.heat": pump.heating_heat,
        f"{path}.heating.electricity": pump.heating_electricity,
        f"{path}.heating.cop": pump.heating_cop,
        f"{path}.heating.run_hours": pump.heating_run_hours,
        f"{path}.heating.starts": pump.heating_starts,
        f"{path}.cooling.cooling": pump.cooling,
        f"{path}.cooling.electricity": pump.cooling_electricity,
        f"{path}.cooling.cop": pump.cooling_cop,
        f"{path}.cooling.run_hours": pump.cooling_run_hours,
        f"{path}.cooling.starts": pump.cooling_starts,
        f"{path}.source_heat": pump.source_heat,
        **{f"{path}.heating.spf.{boundary}": figure for boundary, figure in pump.spf.items()},
    }
