"""What a point is for: the parts of the site that read it."""

from analytics.site import Site

__all__ = ["uses_of"]


def uses_of(site: Site, point: str) -> str:
    """Where a point is used, in words for a sentence: "loop collector (leaving), tank solar"."""
    uses = [f"{table} {name} ({field})" for table, name, field in _fields(site, point)]
    uses += [f"tank {tank.id}" for tank in site.tanks.values() if point in (*tank.temperatures, tank.ambient)]
    hot_water = site.hot_water
    if hot_water is not None:
        path = {"cold": hot_water.cold, "flow": hot_water.flow, "volume": hot_water.volume, "hot": hot_water.hot}
        path |= {"heated": hot_water.heated, "mixed": hot_water.mixed}
        uses += [f"hot water ({field})" for field, value in path.items() if value == point]
        uses += ["hot water (between the tanks)"] if point in hot_water.between else []
    return ", ".join(uses) or "nothing else"


def _fields(site: Site, point: str) -> list[tuple[str, str, str]]:
    tables = {
        "loop": (site.loops, ("entering", "leaving", "flow", "energy", "pump")),
        "heat pump": (site.heat_pumps, ("power",)),
        "collector": (site.collectors, ("irradiance", "outdoor")),
        "heater": (site.heaters, ("power", "status")),
    }
    return [
        (table, name, field)
        for table, (parts, fields) in tables.items()
        for name, part in parts.items()
        for field in fields
        if getattr(part, field) == point
    ]
