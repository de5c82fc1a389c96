"""
Values of a site file that are possible and hardly ever meant: another unit's number, a lost sign, two exchanged.

The bounds are common practice of houses, set wide: beyond them a number is more often a slip of the pen than a plant.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from analytics.site import Collector, Point, RatingPoint, Site

__all__ = ["odd_values"]

# Where a kWh costs some tenths of a unit of money. Elsewhere (yen, crowns, forints) it costs whole ones.
_DEAR_CURRENCIES = ("AUD", "CAD", "CHF", "EUR", "GBP", "NZD", "SGD", "USD")
_DEAREST_KWH = 2.0  # the dearest tariffs of houses stay below one, hours of the exchange now and then do not
_DEAREST_LITRE = 10.0
# Clocks run up to some 45 degrees of longitude beside the sun (the west of China), 30 elsewhere.
_CLOCK_BESIDE_SUN_DEG = 50.0
_CLOCK_NEAR_SUN_DEG = 25.0
_HOUR_DEG = 15.0
_TROPIC_DEG = 23.5


def odd_values(site: Site, *, today: date) -> list[str]:
    """A sentence for every value that is possible and unlikely; `today` tells what is still to come."""
    place = [*_place(site, today), *_commissioned(site, today)]
    return place + [sentence for check in _CHECKS for sentence in check(site)]


def _place(site: Site, today: date) -> Iterator[str]:
    here = f"latitude {site.latitude_deg:g}, longitude {site.longitude_deg:g}"
    if site.latitude_deg == 0 and site.longitude_deg == 0:
        yield "[site] stands at latitude 0, longitude 0, which is in the sea; give the house's own."
        return
    clock_deg, summer_h = _clock(site.timezone, today)
    beside = _apart_deg(site.longitude_deg, clock_deg)
    exchanged = _apart_deg(site.latitude_deg, clock_deg)
    if abs(site.longitude_deg) <= 90 and exchanged < _CLOCK_NEAR_SUN_DEG < beside:
        yield f"[site]: {here} does not go with the clock of {site.timezone}; the two exchanged would."
    elif beside > _CLOCK_BESIDE_SUN_DEG:
        is_sign = _apart_deg(-site.longitude_deg, clock_deg) < _CLOCK_NEAR_SUN_DEG
        yield (
            f"At longitude {site.longitude_deg:g} the sun is {beside / _HOUR_DEG:.0f} hours off the clock of "
            f"{site.timezone}; look at {'its sign, east positive' if is_sign else 'longitude and timezone'}."
        )
    elif summer_h * site.latitude_deg < 0:
        half = "northern" if summer_h > 0 else "southern"
        yield (
            f"{site.timezone} has its summer time in the {half} summer, and latitude {site.latitude_deg:g} is not "
            f"there; is its sign right (north positive)?"
        )


def _clock(timezone: str, today: date) -> tuple[float, float]:
    """The meridian of a zone's standard time [deg], and by how much its July clock is before its January one [h]."""
    january, july = (datetime(today.year, month, 15, tzinfo=ZoneInfo(timezone)) for month in (1, 7))
    offsets_h = [(moment.utcoffset() or timedelta(0)) / timedelta(hours=1) for moment in (january, july)]
    return min(offsets_h) * _HOUR_DEG, offsets_h[1] - offsets_h[0]


def _apart_deg(one_deg: float, other_deg: float) -> float:
    return abs((one_deg - other_deg + 180.0) % 360.0 - 180.0)


def _commissioned(site: Site, today: date) -> Iterator[str]:
    day = site.commissioned
    if day is not None and day > today:
        yield f"commissioned = {day} is still to come; until then nothing is learned of what is usual in this house."
    elif day is not None and day.year < 1950:
        yield f"commissioned = {day} is before such systems were built; is the year right?"


def _prices(site: Site) -> Iterator[str]:
    prices, power = site.prices, site.prices.electricity_per_kwh
    if isinstance(power, float) and power < 0:
        yield f"electricity_per_kwh = {power:g} pays the house for every kWh that it takes; is its sign right?"
    if prices.currency not in _DEAR_CURRENCIES:
        return
    highest = max(band.per_kwh for band in power) if isinstance(power, Sequence) else power
    yield from _too_dear("electricity_per_kwh", highest, f"{prices.currency} a kWh", most=_DEAREST_KWH)
    yield from _too_dear("gas_per_kwh", prices.gas_per_kwh, f"{prices.currency} a kWh", most=_DEAREST_KWH)
    yield from _too_dear(
        "propane_per_litre", prices.propane_per_litre, f"{prices.currency} a litre", most=_DEAREST_LITRE
    )
    yield from _too_dear("oil_per_litre", prices.oil_per_litre, f"{prices.currency} a litre", most=_DEAREST_LITRE)


def _too_dear(name: str, price: float | None, unit: str, *, most: float) -> Iterator[str]:
    if price is not None and price > most:
        yield f"{name} = {price:g} is {price:g} {unit}; are cents meant, {price / 100:g}?"


def _tanks(site: Site) -> Iterator[str]:
    for tank in site.tanks.values():
        if tank.volume_l < 5:  # the smallest heaters under a sink hold five litres
            yield f"Tank {tank.id} holds {tank.volume_l:g} l, less than a bucket; is its volume in litres?"
            continue
        # A bare tank loses some 10 W/K for each m2 of its skin, and its skin is some six times volume^(2/3).
        bare_w_k = 60.0 * (tank.volume_l / 1000.0) ** (2 / 3)
        if tank.ua_w_per_k is not None and tank.ua_w_per_k > bare_w_k:
            yield (
                f"Tank {tank.id} loses {tank.ua_w_per_k:g} W per kelvin, more than one of {tank.volume_l:g} l without "
                f"insulation (some {bare_w_k:.0f}); is that W in all, or kWh a day?"
            )
        elif tank.ua_w_per_k == 0:
            yield f"Tank {tank.id} has ua_w_per_k = 0, so it never loses heat; leave it out where it is not known."


def _collectors(site: Site) -> Iterator[str]:
    stored_l = sum(tank.volume_l for tank in site.tanks.values())
    area_m2 = sum(collector.area_m2 for collector in site.collectors.values())
    # Tanks are built for 50 to 100 litres a square metre of collector.
    if area_m2 and stored_l and stored_l < 10.0 * area_m2:
        yield (
            f"{area_m2:g} m2 of collector stand before {stored_l:g} l of tanks, where 50 l and more a m2 are usual; "
            "look at area_m2 and volume_l."
        )
    for collector in site.collectors.values():
        if collector.area_m2 < 1:  # the smallest that is built is larger
            yield f"Collector {collector.id} has {collector.area_m2:g} m2, less than one panel; look at area_m2."
        yield from _faces_away(site, collector)


def _faces_away(site: Site, collector: Collector) -> Iterator[str]:
    azimuth, tilt = collector.azimuth_deg, collector.tilt_deg
    # A flat one, or one in the tropics, sees the sun whichever way it faces.
    if azimuth is None or tilt is None or tilt < 20 or abs(site.latitude_deg) < _TROPIC_DEG:
        return
    sun_deg, sun = (180.0, "south") if site.latitude_deg > 0 else (0.0, "north")
    if _apart_deg(azimuth, sun_deg) > 120:
        yield (
            f"Collector {collector.id} faces away from the sun: azimuth_deg = {azimuth:g}, and at latitude "
            f"{site.latitude_deg:g} the noon sun is in the {sun} ({sun_deg:g})."
        )


def _loops(site: Site) -> Iterator[str]:
    area_m2 = {collector.loop: collector.area_m2 for collector in site.collectors.values()}
    for loop in site.loops.values():
        if loop.pump_power_w is not None and 0 < loop.pump_power_w < 1:
            yield f"The pump of loop {loop.id} takes {loop.pump_power_w:g} W; is that in kW?"
        elif loop.pump_power_w is not None and loop.pump_power_w > 1500:
            yield f"The pump of loop {loop.id} takes {loop.pump_power_w:g} W; a house's circulator takes 3 to 300 W."
        flow = loop.assumed_flow_l_per_s
        # Collectors get 0.2 to 1.5 l/min a m2; any loop of a house 0.2 l/min to 3 l/s.
        low, high = (0.001, 0.05) if loop.id in area_m2 else (0.003, 3.0)
        size = area_m2.get(loop.id, 1.0)
        if flow is not None and not low * size <= flow <= high * size:
            yield (
                f"Loop {loop.id} is taken to move {flow:g} l/s, which is {flow * 60:g} l/min"
                f"{f' through {size:g} m2 of collector' if loop.id in area_m2 else ''}; is it given in litres a second?"
            )


def _heaters(site: Site) -> Iterator[str]:
    for heater in site.heaters.values():
        if heater.rated_w is not None and heater.rated_w < 100:
            yield f"Heater {heater.id} takes {heater.rated_w:g} W, less than a lamp; is that in kW?"
        elif heater.rated_w is not None and heater.rated_w > 100_000:
            yield f"Heater {heater.id} takes {heater.rated_w / 1000:g} kW, more than a house can use; look at rated_w."
        if heater.efficiency < 0.4:
            yield f"Heater {heater.id} makes {heater.efficiency:g} kWh of heat of one of fuel; is a part of 1 meant?"


def _heat_pumps(site: Site) -> Iterator[str]:
    for pump in site.heat_pumps.values():
        for row in pump.rating:
            yield from _rating(pump.id, row)


def _rating(pump: str, row: RatingPoint) -> Iterator[str]:
    where = f"rating of heat pump {pump} at {row.entering_c:g}/{row.leaving_c:g} degC"
    ratio = row.capacity_w / row.power_w
    if row.capacity_w < 500 and row.power_w < 500:
        yield f"The {where}: {row.capacity_w:g} W of {row.power_w:g} W; are these in kW?"
    elif ratio < 1 and row.mode == "heating":
        yield f"The {where} gives less heat than it takes electricity; are capacity_w and power_w exchanged?"
    elif ratio > 15:
        yield f"The {where} has a COP of {ratio:.0f}; are both in W?"


def _path(site: Site) -> Iterator[str]:
    water = site.hot_water
    # Burns within some five seconds (Moritz and Henriques, 1947); no mixing valve for taps is set so high.
    if water is not None and water.mixed_set_c > 60:
        yield f"mixed_set_c = {water.mixed_set_c:g} scalds within seconds; is the tank's temperature given?"


def _fluids(site: Site) -> Iterator[str]:
    for fluid in site.fluids.values():
        if fluid.kind != "water" and fluid.mass_percent < 5:
            yield f"Fluid {fluid.id} has {fluid.mass_percent:g} % of {fluid.kind}, next to none; is a part of 1 given?"


def _baseline(site: Site) -> Iterator[str]:
    kind, efficiency = site.baseline.kind, site.baseline.efficiency
    low = 1.0 if kind == "heat-pump-tank" else 0.3
    if efficiency is not None and efficiency < low:
        yield (
            f"The baseline, {kind}, gives {efficiency:g} kWh of heat for one bought, so savings look large; is that so?"
        )


def _points(site: Site) -> Iterator[str]:
    for point in site.points.values():
        yield from _accuracy(point)
        if point.quantity == "temperature":
            yield from _calibration(point)
        # Draws and runs of pumps last for minutes.
        if point.interval_s > 1800 and point.quantity in ("temperature", "flow", "status"):
            yield (
                f"{point.id} is read every {point.interval_s:g} s only, and pumps and taps run for minutes; is that in "
                "seconds?"
            )


def _accuracy(point: Point) -> Iterator[str]:
    stated = point.accuracy
    if stated is None or stated.standard not in ("absolute", "percent") or point.quantity == "status":
        return
    if stated.value == 0:
        yield f"The accuracy of {point.id} is 0, and no sensor is without error; leave it out where it is not known."
    elif stated.standard == "percent" and stated.value > 20:
        yield f"The accuracy of {point.id} is {stated.value:g} %, which tells next to nothing; is it right?"
    elif stated.standard == "absolute" and point.quantity == "temperature" and stated.value > 5:
        yield f"The accuracy of {point.id} is {stated.value:g} {point.unit}, which tells next to nothing; is it right?"


def _calibration(point: Point) -> Iterator[str]:
    if not 0.8 <= point.gain <= 1.2:
        yield f"The gain of {point.id} is {point.gain:g}, and no thermometer is so far off; is its unit right?"
    if abs(point.offset) > 10:
        yield f"The offset of {point.id} is {point.offset:g}, more than a thermometer errs; is its unit right?"


_CHECKS: Sequence[Callable[[Site], Iterator[str]]] = (
    _prices,
    _points,
    _fluids,
    _tanks,
    _loops,
    _heat_pumps,
    _collectors,
    _heaters,
    _path,
    _baseline,
)
