"""A heat pump's COP of a day, from the time in which compressor and loops were heard together."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.derived import quotient, ratio_moves, stated
from analytics.doubt import GAPS, Doubt, combined
from analytics.heat_pump_runs import runs_where
from analytics.plant import Course, Total, not_known

__all__ = ["LEAST_ELEC_J", "cop_of", "scraps_part"]

Flags = NDArray[np.bool_]

LEAST_ELEC_J = 0.05 * 3.6e6
"""Below it a COP says nothing; common practice."""

_ALL_HEARD = 0.95  # of a day; common practice
_U_OTHER_COP_PART = 0.15  # how far the COP of time unheard may lie from that of the rest; common practice
_TELLING_CELLS = 10  # minutes: a run's first and last ones make up less than half of them (common practice)
_MOST_IN_SCRAPS = 0.5  # of the electricity that was heard


def scraps_part(elec_w: Course, *, heard: Flags, on: Flags) -> float:
    """
    Part of a mode's heard electricity in pieces of runs that silence cuts off and that are too short to tell of them.

    A compressor's heat comes up and dies away over minutes: such a piece may show a start or an end and no more.

    Args:
        elec_w: Electricity of the runs. Shape (cells,)
        heard: Cells with the word of the compressor and of its loops.
        on: Cells of the mode in which the compressor runs.
    """
    if heard.all():
        return 0.0
    framed = np.concatenate(([True], heard, [True]))
    pieces = runs_where(on & heard)
    is_cut = ~framed[pieces.first] | ~framed[pieces.last + 2]
    is_scrap = is_cut & (pieces.last - pieces.first + 1 < _TELLING_CELLS)
    sums = np.concatenate(([0.0], np.cumsum(np.where(on & heard, elec_w, 0.0))))
    each = sums[pieces.last + 1] - sums[pieces.first]
    return float(each[is_scrap].sum() / sums[-1]) if sums[-1] > 0 else 0.0


def cop_of(heat: Total, elec: Total, *, elec_j: float, share: float, scraps: float) -> Total:
    """
    COP of the time that was heard; the rest may have had another, but not a wholly other one.

    Args:
        elec_j: Electricity of the time in which the loops were heard beside the compressor.
        share: Its part of the electricity that was heard.
        scraps: Its part in pieces of runs that tell too little.
    """
    if elec_j < LEAST_ELEC_J:
        why = "The compressor did not run in this mode."
        if elec.covered < _ALL_HEARD:
            why = "As far as it was heard, the compressor did not run in this mode."
        return replace(not_known(why), covered=heat.covered)
    if scraps > _MOST_IN_SCRAPS:
        why = "Of most runs only a few minutes were heard, which tell of starts and ends more than of the run."
        return replace(not_known(why), covered=heat.covered)
    cop = heat.amount / elec_j
    part_unheard = 1 - share * elec.covered
    unheard = Doubt({}, {f"{GAPS} beside the compressor": part_unheard * stated(_U_OTHER_COP_PART) * cop})
    heard_part = quotient(share, 1.0, "Part of the compressor's electricity with its loops heard beside it")
    heard = (heat.doubt.apart_from_gaps(), elec.doubt.apart_from_gaps().times(heard_part))
    per_heat, per_elec = ratio_moves(cop, elec_j, ("COP", "heat", "electricity"), unit="J")
    doubt = combined([(per_heat, heard[0]), (per_elec, heard[1]), (1.0, unheard)])
    return Total(cop, doubt, heat.covered, "estimated" if heat.basis == "estimated" else "derived", heat.why)
