"""
Unit names of SenML, and how they read in the site file's units.

Sources: RFC 8428 section 12.1 (primary units; "%" is there a discouraged name of "/", the plain ratio, not a
hundredth), RFC 8798 table 2 (secondary units, here from memory and held against its draft), RFC 9100 section 4 (when
a pack may use them).
"""

from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType

from analytics.site import Quantity
from analytics.units import is_unit

__all__ = ["SECONDARY_UNITS", "sum_unit", "to_site_unit"]

# Name: (primary unit, scale, offset); primary = scale * value + offset.
SECONDARY_UNITS: Mapping[str, tuple[str, Fraction, Fraction]] = MappingProxyType(
    {
        name: (primary, Fraction(scale), Fraction(offset))
        for name, primary, scale, offset in (
            ("ms", "s", "1/1000", 0),
            ("min", "s", 60, 0),
            ("h", "s", 3600, 0),
            ("MHz", "Hz", 1_000_000, 0),
            ("kW", "W", 1000, 0),
            ("kVA", "VA", 1000, 0),
            ("kvar", "var", 1000, 0),
            ("Ah", "C", 3600, 0),
            ("Wh", "J", 3600, 0),
            ("kWh", "J", 3_600_000, 0),
            ("varh", "vars", 3600, 0),
            ("kvarh", "vars", 3_600_000, 0),
            ("kVAh", "VAs", 3_600_000, 0),
            ("Wh/km", "J/m", "3.6", 0),
            ("KiB", "B", 1024, 0),
            ("GB", "B", 10**9, 0),
            ("Mbit/s", "bit/s", 10**6, 0),
            ("B/s", "bit/s", 8, 0),
            ("MB/s", "bit/s", 8 * 10**6, 0),
            ("mV", "V", "1/1000", 0),
            ("mA", "A", "1/1000", 0),
            ("dBm", "dBW", 1, -30),
            ("ug/m3", "kg/m3", "1e-9", 0),
            ("mm/h", "m/s", "1/3600000", 0),
            ("m/h", "m/s", "1/3600", 0),
            ("ppm", "/", "1e-6", 0),
            ("/100", "/", "1/100", 0),
            ("/1000", "/", "1/1000", 0),
            ("hPa", "Pa", 100, 0),
            ("mm", "m", "1/1000", 0),
            ("cm", "m", "1/100", 0),
            ("km", "m", 1000, 0),
            ("km/h", "m/s", "10/36", 0),
        )
    }
)

# Where SenML and the site file spell one unit in two ways.
_SITE_SPELLING = {"1/min": "/min", "%": "/"}

# A sum is the value integrated over seconds (RFC 8428, section 4.2): the unit that this gives, with its factor.
_SUMS = {
    "W": ("J", Fraction(1)),
    "kW": ("J", Fraction(1000)),
    "m3/s": ("m3", Fraction(1)),
    "l/s": ("l", Fraction(1)),
}


def sum_unit(unit: str) -> tuple[str, Fraction] | None:
    """Unit and factor of a sum over seconds of `unit`, None where no meter counts such a thing."""
    return _SUMS.get(unit)


def to_site_unit(unit: str, quantity: Quantity) -> tuple[str, Fraction, Fraction] | None:
    """
    How a SenML unit reads in the site file's units of a quantity.

    Returns:
        (unit, scale, offset), so that scale * value + offset is in `unit`; None if it is no unit of this quantity.
        A unit that both know is returned as it is, so that its values stay exact to the bit.
    """
    for name, scale, offset in (
        (unit, Fraction(1), Fraction(0)),
        SECONDARY_UNITS.get(unit, (unit, Fraction(1), Fraction(0))),
    ):
        spelled = _SITE_SPELLING.get(name, name)
        if is_unit(quantity, spelled):
            return spelled, scale, offset
    return None
