"""
The site model: what is installed in one house and which sensors watch it.

A `Site` is a frozen value. It is read from a site file by `analytics.site_file`, which never lets a faulty file
through, so code that holds a `Site` may rely on every reference in it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

__all__ = [
    "Accuracy",
    "Baseline",
    "Collector",
    "FluidMix",
    "HeatPump",
    "Heater",
    "HotWater",
    "Loop",
    "Point",
    "Prices",
    "Quantity",
    "RatingPoint",
    "Sampling",
    "Site",
    "Stage",
    "Tank",
    "TariffBand",
]

Quantity = Literal["temperature", "flow", "power", "energy", "volume", "status", "irradiance", "speed"]
Sampling = Literal["instant", "mean", "counter"]
FluidKind = Literal["water", "propylene-glycol", "ethylene-glycol", "methanol", "ethanol"]
HeaterKind = Literal["electric", "gas", "propane", "oil"]
BaselineKind = Literal["electric-tank", "gas-tank", "propane-tank", "oil-tank", "heat-pump-tank"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """
    Limits of error of one sensor, as its maker states them.

    `standard` is "absolute" (`value` in the point's unit), "percent" (`value` in percent of the reading),
    "IEC 60751" (`grade` AA, A, B or C) or "EN 1434" (`grade` 1, 2 or 3, a flow sensor's class).
    """

    standard: Literal["absolute", "percent", "IEC 60751", "EN 1434"]
    value: float = 0.0
    grade: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One sensor channel. A stored reading r means gain * r + offset, in `unit`."""

    id: str
    quantity: Quantity
    unit: str
    sampling: Sampling = "instant"
    interval_s: float = 60.0
    accuracy: Accuracy | None = None
    offset: float = 0.0
    gain: float = 1.0
    topic: str | None = None
    field: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FluidMix:
    """A heat carrier: water, or a mixture with water by mass."""

    id: str
    kind: FluidKind = "water"
    mass_percent: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """A storage vessel; `temperatures` are point ids from top to bottom. Ambient is degC or a point id."""

    id: str
    volume_l: float
    temperatures: Sequence[str] = ()
    ua_w_per_k: float | None = None
    ambient: float | str = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """A circuit past a component. Metered by entering, leaving and a flow (measured or assumed), or by `energy`."""

    id: str
    fluid: str = ""
    entering: str | None = None
    leaving: str | None = None
    flow: str | None = None
    assumed_flow_l_per_s: float | None = None
    energy: str | None = None
    flow_side: Literal["entering", "leaving"] = "entering"
    pump: str | None = None
    pump_power_w: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingPoint:
    """One line of the maker's sheet; temperatures are those of the source entering and of the load leaving."""

    mode: Literal["heating", "cooling"]
    entering_c: float
    leaving_c: float
    capacity_w: float
    power_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatPump:
    id: str
    power: str
    source_loop: str
    load_loop: str | None = None
    desuperheater_loop: str | None = None
    rating: Sequence[RatingPoint] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Collector:
    id: str
    loop: str
    area_m2: float
    eta0: float | None = None
    a1: float | None = None
    a2: float | None = None
    tilt_deg: float | None = None
    azimuth_deg: float | None = None
    irradiance: str | None = None
    outdoor: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Heater:
    """Input from a `power` point, or `rated_w` while the `status` point is on."""

    id: str
    kind: HeaterKind = "electric"
    power: str | None = None
    status: str | None = None
    rated_w: float | None = None
    efficiency: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HotWater:
    """The path of the water from the main to the tap; `between[i]` is the water leaving `tanks[i]`."""

    tanks: Sequence[str] = ()
    cold: str | None = None
    flow: str | None = None
    volume: str | None = None
    between: Sequence[str] = ()
    hot: str | None = None
    heated: str | None = None
    mixed: str | None = None
    mixed_set_c: float = 49.0
    flow_at: Literal["cold", "mixed"] = "cold"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A heat source on the hot-water path. Without a tank it heats the water in passing, after the last tank."""

    id: str
    name: str = ""
    loop: str | None = None
    heater: str | None = None
    tank: str | None = None
    height: tuple[float, float] = (0.0, 0.3)
    backup: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TariffBand:
    """A price that holds from `from_minute` to `to_minute` of the local day, in `months` (1-12) and on `days`.

    `days` count from Monday = 0. A band may pass midnight (from 22:00 to 06:00).
    """

    from_minute: int
    to_minute: int
    per_kwh: float
    months: Sequence[int] = tuple(range(1, 13))
    days: Sequence[int] = tuple(range(7))


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """`electricity_per_kwh` is one number or a list of bands, of which the first that fits holds."""

    currency: str = "EUR"
    electricity_per_kwh: float | Sequence[TariffBand] | None = None
    gas_per_kwh: float | None = None
    propane_per_litre: float | None = None
    oil_per_litre: float | None = None
    electricity_co2_kg_per_kwh: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """
    What would have made the hot water instead. `efficiency` is heat delivered to energy bought.

    `standby_w` is heat that its tank would lose around the clock; where it is given, `efficiency` is of heating alone.
    """

    kind: BaselineKind = "electric-tank"
    efficiency: float | None = None
    standby_w: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """One house, whole. Mappings are in the order of the site file and are keyed by id; `outdoor` is a point id."""

    id: str
    name: str
    timezone: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0
    commissioned: date | None = None
    units: Literal["si", "us"] = "si"
    outdoor: str | None = None
    points: Mapping[str, Point] = field(default_factory=dict)
    fluids: Mapping[str, FluidMix] = field(default_factory=dict)
    tanks: Mapping[str, Tank] = field(default_factory=dict)
    loops: Mapping[str, Loop] = field(default_factory=dict)
    heat_pumps: Mapping[str, HeatPump] = field(default_factory=dict)
    collectors: Mapping[str, Collector] = field(default_factory=dict)
    heaters: Mapping[str, Heater] = field(default_factory=dict)
    stages: Mapping[str, Stage] = field(default_factory=dict)
    hot_water: HotWater | None = None
    prices: Prices = field(default_factory=Prices)
    baseline: Baseline = field(default_factory=Baseline)
