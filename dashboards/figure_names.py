"""What the figures of a ledger are called: the one place where a path becomes words."""

from analytics.site import Site
from dashboards.names import heat_pump_name, origin_name, tank_name

__all__ = ["figure_label", "figure_name"]

_HOUSE = {
    "hot_water.heat": "Heat in hot water",
    "hot_water.volume": "Hot water drawn",
    "hot_water.carried_over": "Heat from before the account",
    "purchased": "Energy bought for hot water",
    "saved.energy": "Energy saved",
    "saved.money": "Money saved",
    "saved.co2": "CO₂ saved",
    "backup_fraction": "Backup's share of heat put in",
    "delivered_backup_fraction": "Backup's share of heat at the taps",
    "electricity.heaters": "Electricity of heaters",
    "electricity.heat_pumps": "Electricity of heat pumps",
    "electricity.pumps": "Electricity of pumps",
}
_STAGE = {"heat": "heat put in", "reverse": "heat taken back", "delivered": "heat at the taps"}
_HEAT_PUMP = {
    "heating.heat": "Heat made",
    "heating.electricity": "Electricity for heating",
    "heating.cop": "COP in heating",
    "heating.run_hours": "Run time, heating",
    "heating.starts": "Starts, heating",
    "cooling.cooling": "Useful cooling",
    "cooling.electricity": "Electricity for cooling",
    "cooling.cop": "COP in cooling",
    "cooling.run_hours": "Run time, cooling",
    "cooling.starts": "Starts, cooling",
    "heating.spf.h1": "Performance factor H1",
    "heating.spf.h2": "Performance factor H2",
    "heating.spf.h3": "Performance factor H3",
    "heating.spf.h4": "Performance factor H4",
    "source_heat": "Heat from the source",
}
_TANK = {"stored_change": "Change of stored heat", "loss": "Lost through the walls", "residual": "Unexplained"}


def figure_label(site: Site, path: str) -> str:
    """A figure's name among those of its own heat pump or tank; its path where it is none of a ledger's."""
    part, of, which = _split(path)
    if part == "stages" and which in _STAGE:
        return f"{origin_name(site, of) if of in site.stages else of}: {_STAGE[which]}"
    return {"heat_pumps": _HEAT_PUMP, "tanks": _TANK}.get(part, {}).get(which) or _HOUSE.get(path, path)


def figure_name(site: Site, path: str) -> str:
    """A figure's name by itself: it says of which heat pump or tank."""
    part, of, _ = _split(path)
    label = figure_label(site, path)
    if part not in ("heat_pumps", "tanks") or label == path:
        return label
    owner = heat_pump_name(site, of) if part == "heat_pumps" else tank_name(of)
    return f"{owner}: {_small(label)}"


def _split(path: str) -> tuple[str, str, str]:
    """The kind of part, its id (which may hold dots), and what of it."""
    part, _, rest = path.partition(".")
    names = {"stages": _STAGE, "heat_pumps": _HEAT_PUMP, "tanks": _TANK}.get(part, {})
    found = next((name for name in sorted(names, key=len, reverse=True) if rest.endswith(f".{name}")), "")
    return part, rest.removesuffix(f".{found}"), found


def _small(label: str) -> str:
    return label if label[1:2].isupper() else label[:1].lower() + label[1:]
