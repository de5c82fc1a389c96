"""A heat pump's COP by the temperatures it worked between, beside what the maker's sheet gives at them."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, isnan, nan

from analytics.expected.heat_pump import (
    BIN_WIDTH_K,
    COP_PER_LIFT_K,
    Mode,
    TemperatureBin,
    stand_in_leaving_degc,
    temperature_bins,
)
from analytics.plant import HeatPumpDay, PlantDay
from analytics.rating import OUTSIDE_LIMIT_K, rated
from analytics.site import HeatPump, Site
from analytics.workings.rows import largest_and_rest
from analytics.workings.written import Table, written

__all__ = ["bins_tables"]

_COP_PLACES = 2  # as sheets have it


@dataclass(frozen=True, slots=True)
class _Line:
    """One row: some bins, and the sheet's COP over their steady time by its electricity (NaN where it has none)."""

    entering: str
    leaving: str
    bins: Sequence[TemperatureBin]
    sheet_cop: float

    def sum_of(self, name: str) -> float:
        return fsum(getattr(each, name) for each in self.bins)

    def cop(self, which: str = "") -> float:
        """Of all its time, or of its "steady_" time."""
        elec_kwh = self.sum_of(f"{which}elec_kwh")
        return self.sum_of(f"{which}useful_kwh") / elec_kwh if elec_kwh > 0 else nan


def bins_tables(plant: PlantDay, pump: HeatPumpDay, *, heating: bool) -> list[Table]:
    """One table of a mode's bins, which add up to the heat and the electricity of its COP; none without runs."""
    machine = plant.site.heat_pumps[pump.heat_pump]
    mode: Mode = "heating" if heating else "cooling"
    bins = temperature_bins(plant, machine, mode)
    if not bins:
        return []
    read = _read(plant.site, machine, mode)
    columns = ("Source entering °C", "Load leaving °C", "h", "kWh useful", "kWh electricity", "COP")
    steady = ("kWh useful, steady", "kWh electricity, steady", "COP, steady")
    sheet = (*steady, "sheet °C", "sheet COP", "% of sheet") if read.is_read else ()
    rows = [_row(line, read) for line in _lines(read, bins)]
    return [Table("By temperatures", (*columns, *sheet), rows, _note(read))]


@dataclass(frozen=True, slots=True)
class _Read:
    """How the sheet of a machine is read in one mode, and which of the two temperatures somebody measures."""

    machine: HeatPump
    mode: Mode
    has_entering: bool
    has_leaving: bool

    @property
    def has_sheet(self) -> bool:
        return any(point.mode == self.mode for point in self.machine.rating)

    @property
    def is_read(self) -> bool:
        return self.has_sheet and self.has_entering

    @property
    def stand_in_degc(self) -> float:
        return stand_in_leaving_degc(self.machine.rating, self.mode)

    def at(self, each: TemperatureBin) -> tuple[float, float]:
        """Where the sheet is read for a bin: its mean temperatures, or what stands in for the water's. [degC]"""
        return each.entering_degc, each.leaving_degc if self.has_leaving else self.stand_in_degc

    def cop(self, each: TemperatureBin) -> float:
        """The sheet's COP there; NaN without a sheet, and where it says nothing."""
        if not self.is_read:
            return nan
        entering, leaving = self.at(each)
        return float(rated(self.machine.rating, self.mode, entering_degc=entering, leaving_degc=leaving).cop)


def _read(site: Site, machine: HeatPump, mode: Mode) -> _Read:
    has_leaving = machine.load_loop is not None and site.loops[machine.load_loop].leaving is not None
    return _Read(machine, mode, site.loops[machine.source_loop].entering is not None, has_leaving)


def _lines(read: _Read, bins: Sequence[TemperatureBin]) -> list[_Line]:
    every = [(each, read.cop(each)) for each in bins]
    alone, rest = largest_and_rest([each.useful_kwh for each in bins])
    lines = [
        _Line(
            _range(bins[k].entering_from_degc, is_measured=read.has_entering),
            _range(bins[k].leaving_from_degc, is_measured=read.has_leaving),
            *([bins[k]], every[k][1]),
        )
        for k in alone
    ]
    if rest:
        lines.append(_together(f"{len(rest)} smaller", [every[k] for k in rest]))
    told = [(each, cop) for each, cop in every if not isnan(cop)]
    if len(bins) > 1:
        lines.append(_together("together", every))
    if told and len(told) < sum(each.steady_elec_kwh > 0 for each in bins):
        lines.append(_together("where the sheet tells", told))
    return lines


def _together(name: str, some: Sequence[tuple[TemperatureBin, float]]) -> _Line:
    elec_kwh = fsum(each.steady_elec_kwh for each, _ in some)
    promised_kwh = fsum(each.steady_elec_kwh * cop for each, cop in some if each.steady_elec_kwh > 0)
    return _Line(name, "", [each for each, _ in some], promised_kwh / elec_kwh if elec_kwh > 0 else nan)


def _range(from_degc: float, *, is_measured: bool) -> str:
    if isnan(from_degc):
        return "not heard" if is_measured else "not measured"
    return f"{written(from_degc, 1)} to {written(from_degc + BIN_WIDTH_K, 1)}"


def _row(line: _Line, read: _Read) -> tuple[str, ...]:
    sums = [written(line.sum_of(name), 3) for name in ("run_h", "useful_kwh", "elec_kwh")]
    found = (line.entering, line.leaving, *sums, written(line.cop(), _COP_PLACES))
    if not read.is_read:
        return found
    steady = [written(line.sum_of(f"steady_{name}"), 3) for name in ("useful_kwh", "elec_kwh")]
    cop = line.cop("steady_")
    read_at = " / ".join(written(degc, 1) for degc in read.at(line.bins[0])) if line.leaving else ""
    of_sheet = (read_at, written(line.sheet_cop, _COP_PLACES), written(100.0 * cop / line.sheet_cop, 0))
    return (*found, *steady, written(cop, _COP_PLACES), *of_sheet)


def _note(read: _Read) -> str:
    said = ["kWh useful ÷ kWh electricity = COP, of the time in which compressor and loops were heard."]
    if not read.has_sheet:
        return f"{said[0]} The site file has no `rating` in {read.mode} to hold it against."
    if not read.has_entering:
        return f"{said[0]} Nobody measures what enters from the source, so the maker's sheet cannot be read."
    said.append("The maker's sheet (`rating` in the site file) is read between its points at “sheet °C”: source")
    said.append(
        "entering / load leaving, the means of the row's steady time by electricity. Steady is what comes later"
    )
    said.append("than ten minutes after a start: before, a machine gives less than its sheet.")
    if not read.has_leaving:
        per_k = written(100.0 * COP_PER_LIFT_K, 1)
        said.append(f"Nobody measures the leaving water: {written(read.stand_in_degc, 1)} °C stand in for it, and each")
        said.append(f"kelvin that it is farther from the source costs about {per_k} % of the COP.")
    said.append("A dash: nothing was steady there, or the sheet tells nothing, or it lies more than ")
    said.append(f"{OUTSIDE_LIMIT_K:.0f} K beyond its points.")
    said.append(
        "COP, steady ÷ sheet COP × 100 = % of sheet; over several rows the sheet's COP is weighted by electricity."
    )
    return " ".join(said)
