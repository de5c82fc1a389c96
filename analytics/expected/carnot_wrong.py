"""Which sensor makes a heat pump's COP more than nature allows, as far as what is measured beside it tells."""

import numpy as np

from analytics.expected.carnot import CarnotCheck, carnot_check
from analytics.expected.limits import heat_limit_w, relative_limit
from analytics.figures import BEYOND_NATURE
from analytics.plant import CELL_S, PlantDay
from analytics.rating import rated
from analytics.site import HeatPump

__all__ = ["beside_sheet", "beyond_nature", "wrong_points"]

# Of Carnot's COP a good machine reaches 0.30 to 0.65 (common practice).
_GOOD_PART = 0.65
# A compressor with variable speed goes down to a quarter of its power, and its heat with it (common practice).
_SHEET_POWER_PART, _SHEET_HEAT_PART = 0.2, 0.6


def beyond_nature(plant: PlantDay, pump: HeatPump) -> str:
    """A sentence for a day's COP in heating that cannot be, with what may be wrong; "" where it can."""
    found = carnot_check(plant, pump).beyond()
    if not found.samples:
        return ""
    wrong = wrong_points(plant, pump, found)
    said = f"one of {', '.join(wrong)} is wrong" if len(wrong) > 1 else f"{wrong[0]} seems to be wrong"
    return (
        f"{BEYOND_NATURE} {found.cop:.1f} over {found.samples * CELL_S / 3600:.1f} h is above the "
        f"{found.carnot_cop:.1f} that nature allows at these temperatures (Carnot); {said}."
    )


def wrong_points(plant: PlantDay, pump: HeatPump, found: CarnotCheck) -> tuple[str, ...]:
    """Points of which at least one must be wrong, the likeliest first; `found` are samples that prove it."""
    return _by_source(plant, pump, found) or _by_sheet(plant, pump, found) or tuple(found.sensors)


def _by_sheet(plant: PlantDay, pump: HeatPump, found: CarnotCheck) -> tuple[str, ...]:
    """The power meter, where it shows less than any speed of the compressor takes for such heat."""
    sheet = beside_sheet(plant, pump, found)
    return (pump.power,) if sheet and sheet[0] < _SHEET_POWER_PART and sheet[1] > _SHEET_HEAT_PART else ()


def beside_sheet(plant: PlantDay, pump: HeatPump, found: CarnotCheck) -> tuple[float, float] | None:
    """Power and heat as parts of the maker's at these temperatures; None where the sheet does not reach. [-]"""
    source, load = plant.loops[pump.source_loop], plant.loops[pump.load_loop or ""]
    entering, leaving = source.entering_degc[found.cells].mean(), load.leaving_degc[found.cells].mean()
    read = rated(pump.rating, "heating", entering_degc=entering, leaving_degc=leaving)
    parts = float(found.elec_w.mean() / read.power_w), float(found.useful_w.mean() / read.capacity_w)
    return parts if np.isfinite(parts).all() else None


def _by_source(plant: PlantDay, pump: HeatPump, found: CarnotCheck) -> tuple[str, ...]:
    """
    What a source that is metered as well tells, of one fault alone: heat = source's heat + electricity.

    Where it leaves the load more than source and electricity bring, they tell on: if they alone make more than nature
    allows, the electricity is too little; if they make what good machines do, the load's heat is too much. () where
    limits of error hide it.
    """
    source = plant.loops.get(pump.source_loop)
    if source is None or source.flow_is_assumed or pump.desuperheater_loop is not None:
        return ()
    taken_w = np.abs(source.heat_w[found.cells])
    if not np.isfinite(taken_w).all():
        return ()
    limit_w = float(heat_limit_w(plant, source, found.cells).mean())
    heat_w, least_w, elec_w, taken = (
        float(each.mean()) for each in (found.useful_w, found.least_w, found.elec_w, taken_w)
    )
    elec_limit_w = elec_w * relative_limit(plant.site.points[pump.power], 1000.0)
    allowed = float(np.average(found.allowed_cop, weights=found.elec_w))
    apart_w, within_w = heat_w - taken - elec_w, heat_w - least_w + limit_w + elec_limit_w
    if apart_w <= within_w:
        return ()
    if (taken - limit_w) / (elec_w + elec_limit_w) + 1 > allowed:
        return (pump.power,)
    if (taken + limit_w) / (elec_w - elec_limit_w) + 1 > _GOOD_PART * allowed:
        return ()
    load = plant.site.loops[pump.load_loop or ""]
    return tuple(point for point in (load.leaving, load.entering, load.flow, load.energy) if point)
