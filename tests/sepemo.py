"""The sums of SEPEMO's boundaries, which the ledger's performance factors are held against."""

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["SeasonalEnergy", "seasonal_performance_factors"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonalEnergy:
    """Energy over a season, all in one unit: heat given by the heat pump and by the backup, and electricity used."""

    heat: float
    backup_heat: float
    heat_pump_elec: float
    source_elec: float
    backup_elec: float
    auxiliary_elec: float


def seasonal_performance_factors(energy: SeasonalEnergy) -> Mapping[str, float]:
    """
    SPF H1 to H4: the heat pump alone; with its source pump; with the backup; with all auxiliary drives.

    References:
        SEPEMO-Build (IEE/08/776), boundaries H1 to H4; formulas of D4.2 from memory.
    """
    e = energy
    with_source = e.heat_pump_elec + e.source_elec
    with_backup = with_source + e.backup_elec
    heat = e.heat + e.backup_heat
    return {
        "H1": e.heat / e.heat_pump_elec,
        "H2": e.heat / with_source,
        "H3": heat / with_backup,
        "H4": heat / (with_backup + e.auxiliary_elec),
    }
