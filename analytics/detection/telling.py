"""A finding told of an episode of cells: the dating that all kinds share."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.detection.findings import Evidence, Finding, Severity
from analytics.detection.moments import Episode, Flags, clock, instant_ms
from analytics.plant import CELL_S, PlantDay

__all__ = ["Advice", "counted", "tell"]


@dataclass(frozen=True, slots=True)
class Advice:
    """What a kind says whatever the numbers: how grave it is, the sentence to fill, causes and checks in order."""

    severity: Severity
    template: str
    likely_causes: Sequence[str]
    checks: Sequence[str]


def counted(flags: Flags, episode: Episode) -> Flags:
    """The flagged cells of an episode. Shape as `flags`"""
    inside = np.zeros(len(flags), bool)
    inside[episode.start : episode.last + 1] = flags[episode.start : episode.last + 1]
    return inside


def tell(
    plant: PlantDay, episode: Episode, advice: Advice, *, evidence: Evidence, weight_s: float, cost: float | None = None
) -> Finding:
    """The finding; "since" is added to its evidence."""
    began_ms = instant_ms(plant, episode.start * CELL_S)
    return Finding(
        began_ms=began_ms,
        ended_ms=None if episode.ended is None else instant_ms(plant, episode.ended * CELL_S),
        detected_ms=instant_ms(plant, (episode.proved + 1) * CELL_S),
        severity=advice.severity,
        template=advice.template,
        evidence={"since": clock(began_ms, plant.day.timezone), **evidence},
        likely_causes=advice.likely_causes,
        checks=advice.checks,
        cost_per_day=cost,
        weight_s=weight_s,
    )
