"""A steady COP above the maker's sheet by more than the meters and the sheet may be off."""

from dataclasses import dataclass

import numpy as np

from analytics.expected.heat_pump import Mode, pump_courses, sheet_cop
from analytics.plant import CELL_S, PlantDay
from analytics.site import HeatPump

__all__ = ["AboveSheet", "above_sheet"]

_LEAST_CELLS = 45  # minutes of steady running: as long as `heat-pump-low-cop` wants (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class AboveSheet:
    """
    Steady time beside the sheet, by its electricity.

    Args:
        least_cop: The least that the meters' limits of error leave possible. [-]
        sheet_cop: At the same temperatures. [-]
        sheet_doubt: How far the sheet, and the reading of it, may be off; relative.
    """

    hours: float
    cop: float
    least_cop: float
    sheet_cop: float
    sheet_doubt: float

    @property
    def sentence(self) -> str:
        return (
            f"The steady COP of {self.cop:.2f} over {self.hours:.1f} h, at least {self.least_cop:.2f} by its meters' "
            f"limits of error, is above the {self.sheet_cop:.2f} of the maker's sheet at these temperatures by more "
            f"than the {100 * self.sheet_doubt:.0f} % that the sheet may be off. A compressor of variable speed does "
            "so at part load; of another one the power meter, the flow or a pair of temperatures is to be checked."
        )


def above_sheet(plant: PlantDay, heat_pump: HeatPump, mode: Mode) -> AboveSheet | None:
    """A day's steady time above the sheet beyond both doubts; None where it is not, or nothing tells."""
    courses = pump_courses(plant, heat_pump, mode)
    sheet = None if courses is None else sheet_cop(heat_pump.rating, courses, mode)
    if courses is None or sheet is None:
        return None
    known = courses.steady & np.isfinite(sheet.cop + courses.useful_w) & (courses.elec_w > 0)
    if np.count_nonzero(known) < _LEAST_CELLS:
        return None
    elec_w, useful_w = courses.elec_w[known], courses.useful_w[known]
    used = float(elec_w.sum())
    found = AboveSheet(
        hours=np.count_nonzero(known) * CELL_S / 3600.0,
        cop=float(useful_w.sum()) / used,
        least_cop=float((2 * useful_w - courses.most_w[known]).sum()) / used,
        sheet_cop=float((sheet.cop[known] * elec_w).sum()) / used,
        sheet_doubt=sheet.doubt,
    )
    return found if found.least_cop > (1.0 + found.sheet_doubt) * found.sheet_cop else None
