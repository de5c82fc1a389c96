"""Where the sun stands, and the most that a cloudless sky sends: a ceiling where nobody measures the sun."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["clear_sky_global", "clear_sky_in_plane", "sun_position"]

Array = NDArray[np.float64]


def sun_position(time_ms: ArrayLike, *, latitude_deg: float, longitude_deg: float) -> tuple[Array, Array]:
    """
    Apparent place of the sun, good to 0.05 degrees.

    Args:
        time_ms: Milliseconds since 1970 UTC.
    Returns:
        Height above the horizon without refraction and azimuth from north over east, shape as `time_ms`. [degrees]
    References:
        Low-precision formulas of the Astronomical Almanac, as in Meeus (from memory).
    """
    days = np.asarray(time_ms, float) / 86_400_000 - 10_957.5  # since noon of 1 January 2000
    anomaly = np.radians(357.528 + 0.9856003 * days)
    longitude = np.radians(280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt = np.radians(23.439 - 4.0e-7 * days)
    right_ascension = np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))
    declination = np.arcsin(np.sin(tilt) * np.sin(longitude))
    sidereal = np.radians(280.46062 + 360.98564737 * days + longitude_deg)
    hour = sidereal - right_ascension
    latitude = np.radians(latitude_deg)
    height = np.arcsin(np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour))
    azimuth = np.arctan2(-np.sin(hour), np.tan(declination) * np.cos(latitude) - np.sin(latitude) * np.cos(hour))
    return np.asarray(np.degrees(height)), np.asarray(np.degrees(azimuth) % 360.0)


def clear_sky_global(height_deg: ArrayLike) -> Array:
    """
    Irradiance on the level under a cloudless sky, from the sun's height. [W/m2]

    References:
        Haurwitz 1945, with the constants that Reno et al. 2012 give: 1098 cos z exp(-0.059 / cos z).
    """
    up = np.sin(np.radians(np.asarray(height_deg, float)))
    high = np.maximum(up, 1e-3)
    return np.where(up > 0, 1098.0 * high * np.exp(-0.059 / high), 0.0)


# Part of a cloudless sky's light that is diffuse; 0.10 to 0.20 (common practice). Reflected light from the ground.
_DIFFUSE, _ALBEDO = 0.15, 0.2
_LOWEST_UP = 0.03  # below, beam on the level says nothing of beam on a tilted plane


def clear_sky_in_plane(height_deg: ArrayLike, azimuth_deg: ArrayLike, *, tilt_deg: float, facing_deg: float) -> Array:
    """
    Irradiance on a tilted plane under a cloudless sky, diffuse light taken as even over the sky. [W/m2]

    Args:
        facing_deg: Where the plane looks; 180 is south.
    """
    height, azimuth = np.radians(np.asarray(height_deg, float)), np.asarray(azimuth_deg, float)
    level = clear_sky_global(height_deg)
    tilt = np.radians(tilt_deg)
    toward = np.sin(height) * np.cos(tilt) + np.cos(height) * np.sin(tilt) * np.cos(np.radians(azimuth - facing_deg))
    up = np.maximum(np.sin(height), _LOWEST_UP)
    beam = (1.0 - _DIFFUSE) * level * np.maximum(toward, 0.0) / up
    diffuse = _DIFFUSE * level * (1.0 + np.cos(tilt)) / 2.0
    return np.asarray(beam + diffuse + _ALBEDO * level * (1.0 - np.cos(tilt)) / 2.0)
