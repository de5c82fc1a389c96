"""The heat coefficient of water as heat meters are tested with it, by the iapws package."""

from functools import cache
from typing import Literal

import iapws

__all__ = ["heat_coefficient"]


@cache
def heat_coefficient(
    entering_degc: float, leaving_degc: float, *, flow_side: Literal["entering", "leaving"] = "entering"
) -> float:
    """
    Heat per volume metered and kelvin [J/(m3 K)] at 0.3 MPa, by IAPWS-IF97.

    References:
        EN 1434-1: k = density at the meter x enthalpy difference / temperature difference.
    """
    entering, leaving = (iapws.IAPWS97(T=degc + 273.15, P=0.3) for degc in (entering_degc, leaving_degc))
    metered = entering if flow_side == "entering" else leaving
    return float(metered.rho * (leaving.h - entering.h) * 1000 / (leaving_degc - entering_degc))
