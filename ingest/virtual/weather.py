"""Sun geometry, a cloud process, outdoor and main-water temperatures: a climate of our own invention, seeded."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from ingest.virtual.ground import undisturbed_ground
from ingest.virtual.layout import STEP_S

__all__ = ["Climate", "Plane", "SunPath", "Weather", "clear_sky", "incidence_cosine", "sun_path", "weather_of_day"]

_SOLAR_CONSTANT_W_M2 = 1361.0
_MEMORY_DAYS = 6


@dataclass(frozen=True, kw_only=True)
class Climate:
    """Yearly mean and swing of the air, its daily swing, how changeable it is, and how often the sky is clear."""

    mean_degc: float
    yearly_swing_k: float
    daily_swing_k: float = 5.0
    changeable_k: float = 3.5
    clearness: float = 0.55
    southern: bool = False


@dataclass(frozen=True, kw_only=True)
class Plane:
    """The collector's plane. Azimuth 180 is south. `reflected` is the ground's share of light sent back."""

    latitude_deg: float
    longitude_deg: float
    tilt_deg: float
    azimuth_deg: float
    reflected: float = 0.2


@dataclass(frozen=True)
class SunPath:
    """Zenith and azimuth of the sun [rad, azimuth clockwise from north] and the irradiance outside the air."""

    zenith: NDArray[np.float64]
    azimuth: NDArray[np.float64]
    extraterrestrial_w_m2: NDArray[np.float64]


@dataclass(frozen=True)
class Weather:
    """One row per recorded step of a day; the two temperatures hold all day."""

    outdoor_degc: NDArray[np.float64]
    irradiance_w_m2: NDArray[np.float64]
    absorbed_w_m2: NDArray[np.float64]
    main_degc: float
    ground_degc: float


def sun_path(time_ms: NDArray[np.int64], latitude_deg: float, longitude_deg: float) -> SunPath:
    """
    Where the sun stands.

    References:
        The low-precision formulas of the Astronomical Almanac (as in Michalsky 1988): 0.01 degree.
    """
    days = time_ms / 86_400_000.0 - 10957.5  # from noon of 2000-01-01
    anomaly = np.radians(357.528 + 0.9856003 * days)
    longitude = np.radians(280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    obliquity = np.radians(23.439 - 4e-7 * days)
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude))
    right_ascension = np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))
    sidereal_deg = 280.46062 + 360.98564737 * days
    hour_angle = np.radians(sidereal_deg + longitude_deg) - right_ascension
    distance_au = 1.00014 - 0.01671 * np.cos(anomaly) - 0.00014 * np.cos(2.0 * anomaly)
    beam = _SOLAR_CONSTANT_W_M2 / distance_au**2
    return _above_horizon(np.radians(latitude_deg), declination, hour_angle, beam)


def _above_horizon(
    latitude: float, declination: NDArray[np.float64], hour_angle: NDArray[np.float64], beam: NDArray[np.float64]
) -> SunPath:
    cos_zenith = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.cos(latitude) * np.sin(declination) - np.sin(latitude) * np.cos(declination) * np.cos(hour_angle)
    return SunPath(np.arccos(np.clip(cos_zenith, -1.0, 1.0)), np.arctan2(east, north) % (2.0 * np.pi), beam)


def incidence_cosine(sun: SunPath, tilt_deg: float, azimuth_deg: float) -> NDArray[np.float64]:
    """Cosine of the angle between the sun and the plane's normal; below zero the sun is behind the plane."""
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    return np.cos(sun.zenith) * np.cos(tilt) + np.sin(sun.zenith) * np.sin(tilt) * np.cos(sun.azimuth - azimuth)


def clear_sky(sun: SunPath) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Beam on a plane facing the sun, and diffuse on the level, under a clear sky. [W/m2]

    References:
        Beam: 0.7 ** (air mass ** 0.678), after Meinel and Meinel 1976 [from memory]; air mass after Kasten and Young
        1989 [from memory]. Diffuse: a tenth of the beam outside the air on the level, a common rule of thumb.
    """
    height_deg = 90.0 - np.degrees(sun.zenith)
    up = height_deg > 0.0
    safe = np.where(up, height_deg, 1.0)
    air_mass = 1.0 / (np.sin(np.radians(safe)) + 0.50572 * (safe + 6.07995) ** -1.6364)
    beam = np.where(up, sun.extraterrestrial_w_m2 * 0.7 ** (air_mass**0.678), 0.0)
    diffuse = np.where(up, 0.1 * sun.extraterrestrial_w_m2 * np.sin(np.radians(safe)), 0.0)
    return beam, diffuse


def _day_rng(seed: int, day: date, what: int) -> np.random.Generator:
    return np.random.default_rng([seed, day.toordinal(), what])


def _slow(seed: int, day: date, what: int) -> float:
    """A number that changes slowly from day to day, standard normal, the same whenever the simulation began."""
    weights = 0.62 ** np.arange(_MEMORY_DAYS)
    days = [_day_rng(seed, day - timedelta(days=k), what).standard_normal() for k in range(_MEMORY_DAYS)]
    value = float(np.dot(weights, days) / np.sqrt(np.sum(weights**2)))
    return 2.2 * np.tanh(value / 2.2)  # no day is more than 2.2 deviations from its season


def _cloud(seed: int, day: date, clearness: float, n: int) -> NDArray[np.float64]:
    """Share of the beam that comes through, per recorded step: slow banks and quick gaps of cloud."""
    rng = _day_rng(seed, day, 2)
    minutes = n * int(STEP_S) // 60 + 2
    level = _slow(seed, day, 1) + 1.3 * (2.0 * clearness - 1.0)
    slow = lfilter([np.sqrt(1 - 0.985**2)], [1.0, -0.985], rng.standard_normal(minutes))
    quick = lfilter([np.sqrt(1 - 0.6**2)], [1.0, -0.6], rng.standard_normal(minutes))
    opening = 1.0 / (1.0 + np.exp(-3.0 * (level + 0.8 * slow + 0.35 * quick)))
    return np.interp(np.arange(n) * STEP_S / 60.0, np.arange(minutes), opening)


def _outdoor(seed: int, day: date, climate: Climate, hour: NDArray[np.float64]) -> NDArray[np.float64]:
    """Air temperature: season, hour, and a weather that changes over days."""
    phase = 2.0 * np.pi * (day.timetuple().tm_yday + hour / 24.0 - 20.0) / 365.25
    season = climate.mean_degc - climate.yearly_swing_k * np.cos(phase) * (-1.0 if climate.southern else 1.0)
    here = _slow(seed, day, 3)
    before, after = _slow(seed, day - timedelta(days=1), 3), _slow(seed, day + timedelta(days=1), 3)
    passing = np.interp(hour, [-12.0, 12.0, 36.0], [before, here, after])
    return season + climate.changeable_k * passing - climate.daily_swing_k * np.cos(2.0 * np.pi * (hour - 3.5) / 24.0)


def weather_of_day(time_ms: NDArray[np.int64], day: date, *, climate: Climate, plane: Plane, seed: int) -> Weather:
    """
    The weather of one local day.

    Args:
        time_ms: The recorded steps' middles. (steps,)
        day: The local day; the same day and seed give the same weather whenever the simulation began.
    """
    sun = sun_path(time_ms, plane.latitude_deg, plane.longitude_deg)
    beam, diffuse = clear_sky(sun)
    through = _cloud(seed, day, climate.clearness, len(time_ms))
    level = np.maximum(np.cos(sun.zenith), 0.0)
    beam_level = beam * through * level
    # Thin cloud scatters much of the beam it takes; overcast lets a fifth of the clear sky's light through.
    diffuse = diffuse * (0.9 + 0.3 * through) + 0.22 * beam * level * (1.0 - through) * (0.35 + 1.2 * through)
    irradiance, absorbed = _on_plane(sun, plane, (beam * through, diffuse, beam_level))
    hour = np.arange(len(time_ms)) * STEP_S / 3600.0
    return Weather(_outdoor(seed, day, climate, hour), irradiance, absorbed, *_under_ground(day, climate))


def _on_plane(
    sun: SunPath, plane: Plane, light: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Irradiance in the plane (isotropic sky) and the part of it that the cover lets in (ASHRAE, b0 = 0.1)."""
    beam, diffuse, beam_level = light
    cos_incidence = np.maximum(incidence_cosine(sun, plane.tilt_deg, plane.azimuth_deg), 0.0)
    tilt = np.radians(plane.tilt_deg)
    sky = diffuse * (1.0 + np.cos(tilt)) / 2.0 + plane.reflected * (diffuse + beam_level) * (1.0 - np.cos(tilt)) / 2.0
    direct = beam * cos_incidence
    modifier = np.clip(1.0 - 0.1 * (1.0 / np.maximum(cos_incidence, 0.02) - 1.0), 0.0, 1.0)
    return direct + sky, direct * modifier + 0.91 * sky


def _under_ground(day: date, climate: Climate) -> tuple[float, float]:
    yearly = {"mean_degc": climate.mean_degc + 1.5, "amplitude_k": climate.yearly_swing_k}
    number = day.timetuple().tm_yday + (182.5 if climate.southern else 0.0)
    main = max(3.0, float(undisturbed_ground(1.2, number, **yearly)))
    return main, float(undisturbed_ground(1.8, number, **yearly))
