"""
A house whose tanks are parcels of water, with the same outside as a house of `ingest.virtual.house`.

Its sources are simple ones: a collector of one lumped mass, a boiler with a burner at two points, a heat pump that
heats the rooms by the outdoor temperature and leaves some of its hot gas to the desuperheater, an element along its
range. Of the layouts it knows those with a collector, a boiler, an element or a desuperheater.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from analytics.site import Loop, Site, Stage
from analytics.trace import local_day
from ingest.virtual.draws import draws_of_day
from ingest.virtual.house import DayRecord
from ingest.virtual.layout import CH, CHANNELS, ORIGINS, STEP_S, TALLIES, TALLY
from ingest.virtual.numbers import Numbers
from ingest.virtual.scenario import Scenario, numbers_of, plane_of, site_of
from ingest.virtual.taps import BY_VOLUME
from ingest.virtual.weather import weather_of_day
from tests.parcels.liquids import Liquid
from tests.parcels.tank import Tank

__all__ = ["ParcelHouse"]

_ROOM, _CARRIED = ORIGINS - 2, ORIGINS - 1
_SHOWN = 64  # heights at which a tank's temperature is recorded
_COOLS_S = 1800.0  # pipes at rest
# From one start of the heat pump to the next: it does not come to the same moment of each minute, at which readings are
# taken, as no controller does.
_HEATS_EVERY_S = 2770.0


@dataclass
class _Source:
    """A stage with its fluid; `degc` is that of its own mass, `is_on` what its controller says."""

    stage: Stage
    origin: int
    tank: int
    liquid: Liquid
    degc: float = 30.0
    is_on: bool = False
    since_s: float = 0.0
    spot: dict[str, float] = field(default_factory=dict)


class ParcelHouse:
    """
    A house of a scenario. `finish_day` moves it on by a day.

    Args:
        first_day: That it lives through.
        seed: Of its weather and taps.
    """

    def __init__(self, scenario: Scenario, *, first_day: date, seed: int) -> None:
        self.scenario, self.seed = scenario, seed
        self.site: Site = site_of(scenario)
        self.numbers: Numbers = numbers_of(scenario)
        self._water = Liquid.of("water", 0.0)
        self._path = list(self.site.hot_water.tanks) if self.site.hot_water else list(self.site.tanks)
        self._sources = [_source_of(self.site, self._path, k, s) for k, s in enumerate(self.site.stages.values())]
        self._day = local_day(first_day, self.site.timezone)
        self._main_degc = self._weather().main_degc
        self._tanks = [self._tank(k) for k in range(len(self._path))]
        self._spot = np.full(len(CHANNELS), self.numbers.room_degc)

    def _tank(self, k: int) -> Tank:
        return Tank(
            getattr(self.numbers, f"tank_{k}_kg"),
            ua_w_k=getattr(self.numbers, f"tank_{k}_ua_w_k"),
            room_degc=self.numbers.room_degc,
            origins=ORIGINS,
            cold_j_kg=self._water.enthalpy(self._main_degc),
        )

    def restart_account(self) -> None:
        """Book all stored heat as carried over."""
        for tank in self._tanks:
            tank.restart()

    def _weather(self):
        steps = round(self._day.seconds / STEP_S)
        middles = self._day.start_ms + ((np.arange(steps) + 0.5) * STEP_S * 1000).astype(np.int64)
        climate, plane = self.scenario.climate, plane_of(self.site)
        return weather_of_day(middles, self._day.date, climate=climate, plane=plane, seed=self.seed)

    def finish_day(self) -> DayRecord:
        """Live through the day, and open the next one."""
        weather, day = self._weather(), self._day
        self._main_degc = weather.main_degc
        taps = _Taps(draws_of_day(self.scenario.household, day.date, seed=self.seed, seconds=day.seconds))
        steps = len(weather.outdoor_degc)
        now = np.zeros((steps, len(CHANNELS)))
        nodes = np.full((steps, 2, _SHOWN), np.nan)
        self._tally, self._delivered = np.zeros(len(TALLIES)), np.zeros(ORIGINS)
        stored = self._stored()
        for step in range(steps):
            self._spot[CH.outdoor_degc] = weather.outdoor_degc[step]
            self._spot[CH.irradiance_w_m2] = weather.irradiance_w_m2[step]
            self._draw(taps.wanted(step * STEP_S))
            for source in self._sources:
                self._run(source, weather.absorbed_w_m2[step])
            for k, tank in enumerate(self._tanks):
                self._tally[TALLIES.index(f"loss_{k}_j")] += tank.rest(STEP_S)
                nodes[step, k] = tank.profile(_SHOWN)
            now[step] = self._spot
        self._day = local_day(day.date + timedelta(days=1), self.site.timezone)
        return DayRecord(day, now, now, nodes, self._tally, self._delivered, stored, self._stored(), steps)

    def _stored(self) -> NDArray[np.float64]:
        return np.array([tank.stored_j() for tank in self._tanks])

    # The water's path.

    def _draw(self, draw: "_Draw | None") -> None:
        if draw is None:
            self._stand()
            return
        p, spot, kg = self.numbers, self._spot, 0.0
        above_k = spot[CH.cold_degc] - self._main_degc
        for _ in range(3):  # what passes is the colder the more of it there is, and the valve takes less of it
            h_cold = self._water.enthalpy(self._main_degc + above_k * _mean_left(kg / p.cold_pipe_kg))
            tap_kg, valve, used = self._wanted(draw, h_cold)
            kg = max(tap_kg * valve, 1e-6)
        draw.left -= used
        draw.left_s -= STEP_S
        self._deliver(kg, tap_kg, h_cold, valve)
        spot[CH.cold_degc] = self._main_degc + above_k * np.exp(-kg / p.cold_pipe_kg)

    def _wanted(self, draw: "_Draw", h_cold: float) -> tuple[float, float, float]:
        """Water at the tap [kg], the part of it that comes from the tanks, and what of the draw is then done."""
        p, water = self.numbers, self._water
        h_top = water.enthalpy(self._tanks[-1].degc(1.0))
        h_set = water.enthalpy(p.mixed_set_degc)
        valve = min(1.0, (h_set - h_cold) / max(h_top - h_cold, 1.0)) if p.has_mixing else 1.0
        h_mixed = h_cold + valve * (h_top - h_cold)
        if draw.kind == BY_VOLUME:
            use = min(1.0, (water.enthalpy(draw.use_degc) - h_cold) / max(h_mixed - h_cold, 1.0))
            tap_kg = min(draw.kg_s * STEP_S, draw.left) * max(use, 0.0)
            return tap_kg, valve, draw.kg_s * STEP_S
        tap_kg = min(draw.kg_s * STEP_S, draw.left / max(h_mixed - h_cold, 1.0))
        return tap_kg, valve, tap_kg * (h_mixed - h_cold)

    def _deliver(self, kg: float, tap_kg: float, h_cold: float, valve: float) -> None:
        spot, tally, water = self._spot, self._tally, self._water
        entering: tuple[float, float, NDArray[np.float64]] = (h_cold, h_cold, np.zeros(ORIGINS))
        for k, tank in enumerate(self._tanks):
            leaving = tank.take(1.0, kg)
            tank.put(0.0, kg, *entering)
            entering = leaving
            if k == 0 and len(self._tanks) > 1:
                spot[CH.between_degc] = water.temperature(leaving[0])
        h_hot, cold, heat = entering
        self._delivered += heat
        self._delivered[_ROOM] += kg * (cold - h_cold)
        spot[CH.hot_degc] = spot[CH.heated_degc] = water.temperature(h_hot)
        spot[CH.mixed_degc] = water.temperature(h_cold + valve * (h_hot - h_cold))
        spot[CH.draw_m3_s] = kg / STEP_S / water.density(spot[CH.cold_degc])
        spot[CH.mixed_m3_s] = tap_kg / STEP_S / water.density(spot[CH.mixed_degc])
        tally[TALLY.hot_water_j] += kg * (h_hot - h_cold)
        tally[TALLY.draw_m3] += spot[CH.draw_m3_s] * STEP_S
        tally[TALLY.mixed_m3] += spot[CH.mixed_m3_s] * STEP_S

    def _stand(self) -> None:
        spot, room = self._spot, self.numbers.room_degc
        spot[CH.draw_m3_s] = spot[CH.mixed_m3_s] = 0.0
        towards = {CH.cold_degc: room, CH.mixed_degc: room, CH.heated_degc: room}
        towards[CH.hot_degc] = room + 0.4 * (self._tanks[-1].degc(1.0) - room)
        towards[CH.between_degc] = room + 0.4 * (self._tanks[0].degc(1.0) - room)
        for channel, degc in towards.items():
            spot[channel] += (degc - spot[channel]) * STEP_S / _COOLS_S

    # The sources of heat.

    def _run(self, source: _Source, absorbed_w_m2: float) -> None:
        kind = _kind(self.site, source.stage)
        if kind == "element":
            self._element(source)
        elif kind == "sun":
            self._sun(source, absorbed_w_m2)
        elif kind == "boiler":
            self._boiler(source)
        else:
            self._heat_pump(source)

    def _element(self, source: _Source) -> None:
        p, tank = self.numbers, self._tanks[source.tank]
        low, high = source.stage.height
        degc = tank.degc(0.5 * (low + high))
        source.is_on = degc < p.element_set_degc - (0.0 if source.is_on else p.element_hysteresis_k)
        power_w = p.element_w if source.is_on else 0.0
        self._spot[CH.element_w], self._spot[CH.element_called] = power_w, float(source.is_on)
        if source.is_on:
            tank.warm(low, high, power_w * STEP_S, source.origin)
            self._tally[TALLY.element_heat_j] += power_w * STEP_S
            self._tally[TALLY.element_elec_j] += power_w * STEP_S

    def _sun(self, source: _Source, absorbed_w_m2: float) -> None:
        p, spot, tank = self.numbers, self._spot, self._tanks[source.tank]
        low, high = source.stage.height
        lift_k = source.degc - tank.degc(low + 0.3 * (high - low))
        may = tank.degc(1.0) < p.sun_tank_limit_degc and source.degc < 125.0
        source.is_on = may and lift_k > (p.sun_off_k if source.is_on else p.sun_on_k)
        above_k = source.degc - spot[CH.outdoor_degc]
        gain_w = p.area_m2 * (p.eta0 * absorbed_w_m2 - p.a1 * above_k - p.a2 * above_k * abs(above_k))
        given_j = 0.0
        if source.is_on:
            given_j = self._through_coil(source, "sun", p.sun_flow_m3_s, p.sun_coil_w_k)
        else:
            self._loop_rests("sun", out_degc=source.degc)
        self._pump("sun", p.sun_pump_w if source.is_on else 0.0)
        source.degc += (gain_w * STEP_S - given_j) / (p.collector_j_m2k * p.area_m2)

    def _boiler(self, source: _Source) -> None:
        p, spot, tank = self.numbers, self._spot, self._tanks[source.tank]
        low, high = source.stage.height
        degc = tank.degc(0.5 * (low + high))
        calls = degc < p.boiler_set_degc - (0.0 if source.is_on else p.boiler_hysteresis_k)
        source.is_on, source.since_s = calls, 0.0 if calls else source.since_s + STEP_S
        burns = calls and source.degc < 74.0
        spot[CH.burner_on] = float(burns)
        fired_j = p.boiler_input_w * STEP_S if burns else 0.0
        self._tally[TALLY.fuel_j] += fired_j
        given_j, runs = 0.0, calls or source.since_s < 150.0
        if runs:
            given_j = self._through_coil(source, "boiler", p.boiler_flow_m3_s, p.boiler_coil_w_k)
        else:
            self._loop_rests("boiler", out_degc=p.room_degc)
        self._pump("boiler", p.boiler_pump_w if runs else 0.0)
        lost_j = p.boiler_loss_w_k * (source.degc - p.room_degc) * STEP_S
        source.degc += (fired_j * p.boiler_efficiency - given_j - lost_j) / p.boiler_j_k

    def _heat_pump(self, source: _Source) -> None:
        """Of rooms: on for the part of each three quarters of an hour that the outdoor temperature asks for."""
        p, spot, tally = self.numbers, self._spot, self._tally
        source.since_s = (source.since_s + STEP_S) % _HEATS_EVERY_S
        needed_w = p.house_w_k * (17.0 - spot[CH.outdoor_degc])
        part = min(needed_w / p.heating_capacity_w, 1.0)
        was, source.is_on = source.is_on, part > 0.15 and source.since_s < _HEATS_EVERY_S * part
        tally[TALLY.starts] += float(source.is_on and not was)
        tally[TALLY.heating_starts] += float(source.is_on and not was)
        heat_w = p.heating_capacity_w if source.is_on else 0.0
        power_w = p.heating_power_w if source.is_on else 0.0
        spot[CH.heat_pump_w] = power_w
        self._ground(heat_w - power_w)
        gas_w = heat_w * p.dsh_share * min(1.0, (p.dsh_gas_degc - self._tanks[source.tank].degc(0.05)) / 40.0)
        given_j = self._desuperheater(source, gas_w)
        for name, amount in {
            "heating_j": heat_w * STEP_S,
            "heating_elec_j": power_w * STEP_S,
            "heat_pump_elec_j": power_w * STEP_S,
            "source_j": (heat_w - power_w) * STEP_S,
            "heating_s": STEP_S * float(source.is_on),
            "dsh_in_heating_j": given_j,
        }.items():
            tally[TALLIES.index(name)] += amount

    def _ground(self, taken_w: float) -> None:
        p, spot = self.numbers, self._spot
        pump = next(iter(self.site.heat_pumps.values()))
        liquid = _liquid(self.site, self.site.loops[pump.source_loop])
        if taken_w <= 0.0:
            self._loop_rests("source", out_degc=p.room_degc)
            self._pump("source", 0.0)
            return
        entering = self._main_degc - 4.0
        kg_s = p.source_flow_m3_s * liquid.density(entering)
        spot[CH.source_in_degc] = entering
        spot[CH.source_out_degc] = liquid.temperature(liquid.enthalpy(entering) - taken_w / kg_s)
        spot[CH.source_m3_s] = p.source_flow_m3_s
        self._pump("source", p.source_pump_w)

    def _desuperheater(self, source: _Source, gas_w: float) -> float:
        """Water from the tank's bottom, warmed by the hot gas, is laid on its top: the heat given. [J]"""
        p, spot, tank, water = self.numbers, self._spot, self._tanks[source.tank], self._water
        if not (gas_w > 0.0 and tank.degc(0.05) < p.dsh_limit_degc):
            self._loop_rests("dsh", out_degc=p.room_degc)
            self._pump("dsh", 0.0)
            return 0.0
        kg = p.dsh_flow_m3_s * water.density(tank.degc(0.05)) * STEP_S
        j_kg, cold, heat = tank.take(0.05, kg)
        given_j = gas_w * STEP_S
        heat[source.origin] += given_j
        tank.put(source.stage.height[1], kg, j_kg + given_j / kg, cold, heat)
        spot[CH.dsh_in_degc], spot[CH.dsh_out_degc] = water.temperature(j_kg), water.temperature(j_kg + given_j / kg)
        spot[CH.dsh_m3_s] = kg / STEP_S / water.density(spot[CH.dsh_in_degc])
        self._pump("dsh", p.dsh_pump_w)
        self._tally[TALLY.dsh_heat_j] += given_j
        return given_j

    def _through_coil(self, source: _Source, role: str, m3_s: float, w_k: float) -> float:
        """Fluid of a source through its coil, read where it leaves the source and where it enters it: heat. [J]"""
        spot, liquid = self._spot, source.liquid
        entering, leaving = (getattr(CH, f"{role}_{side}_degc") for side in ("in", "out"))
        kg_s = m3_s * liquid.density(source.degc)
        fluid_w_k = kg_s * liquid.capacity(source.degc)
        low, high = source.stage.height
        _, given_j = self._tanks[source.tank].coil(low, high, w_k, fluid_w_k, source.degc, STEP_S, source.origin)
        spot[leaving] = source.degc
        spot[entering] = liquid.temperature(liquid.enthalpy(source.degc) - given_j / STEP_S / kg_s)
        spot[getattr(CH, f"{role}_m3_s")] = kg_s / liquid.density(spot[entering])
        self._tally[TALLIES.index(f"{role}_heat_j")] += max(given_j, 0.0)
        self._tally[TALLIES.index(f"{role}_reverse_j")] += max(-given_j, 0.0)
        return given_j

    def _loop_rests(self, role: str, *, out_degc: float) -> None:
        spot = self._spot
        entering, leaving = (getattr(CH, f"{role}_{side}_degc") for side in ("in", "out"))
        spot[entering] += (self.numbers.room_degc - spot[entering]) * STEP_S / _COOLS_S
        spot[leaving] += (out_degc - spot[leaving]) * min(1.0, STEP_S / (120.0 if role == "sun" else _COOLS_S))
        spot[getattr(CH, f"{role}_m3_s")] = 0.0

    def _pump(self, role: str, power_w: float) -> None:
        self._spot[getattr(CH, f"{role}_pump_w")] = power_w
        self._spot[getattr(CH, f"{role}_called")] = float(power_w > 0.0)
        self._tally[TALLY.pumps_elec_j] += power_w * STEP_S


def _mean_left(flushes: float) -> float:
    """Of the warmth that a pipe had, what the water that passes has of it on the mean; `flushes` are its contents."""
    return float(-np.expm1(-flushes) / flushes) if flushes > 0.0 else 1.0


@dataclass
class _Draw:
    """What is left of a draw: kg or J by its kind, and the longest time that it may take."""

    kind: float
    left: float
    kg_s: float
    use_degc: float
    left_s: float = 1800.0

    @property
    def is_over(self) -> bool:
        return self.left <= 1e-6 or self.left_s <= 0.0


class _Taps:
    """The day's draws, one after the other."""

    def __init__(self, draws: NDArray[np.float64]) -> None:
        self._waiting = [tuple(row) for row in draws.tolist()]
        self._open: _Draw | None = None

    def wanted(self, second: float) -> _Draw | None:
        if self._open is not None and self._open.is_over:
            self._open = None
        if self._open is None and self._waiting and self._waiting[0][0] <= second:
            self._open = _Draw(*self._waiting.pop(0)[1:])
        return self._open


def _source_of(site: Site, path: list[str], origin: int, stage: Stage) -> _Source:
    liquid = _liquid(site, site.loops[stage.loop]) if stage.loop else Liquid.of("water", 0.0)
    return _Source(stage, origin, path.index(stage.tank or ""), liquid)


def _liquid(site: Site, loop: Loop) -> Liquid:
    mix = site.fluids.get(loop.fluid)
    return Liquid.of(mix.kind, mix.mass_percent) if mix else Liquid.of("water", 0.0)


def _kind(site: Site, stage: Stage) -> str:
    if stage.heater and stage.tank:
        return "element"
    if any(collector.loop == stage.loop for collector in site.collectors.values()):
        return "sun"
    is_gas = any(pump.desuperheater_loop == stage.loop for pump in site.heat_pumps.values())
    return "desuperheater" if is_gas else "boiler"
