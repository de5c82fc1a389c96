"""A finding told of an episode of cells, or of other stretches of time: the dating that all kinds share."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.detection.findings import Evidence, Explainer, Finding, Severity
from analytics.detection.moments import Episode, Flags, clock, day_word, instant_ms
from analytics.plant import CELL_S, PlantDay

__all__ = ["Advice", "Stretch", "counted", "tell", "tell_of"]


@dataclass(frozen=True, slots=True)
class Advice:
    """What a kind says whatever the numbers: how grave it is, the sentence to fill, causes and checks in order."""

    severity: Severity
    template: str
    likely_causes: Sequence[str]
    checks: Sequence[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """When a finding began, ended (None while it holds) and was proved; `is_by_day` where only days are known of it."""

    began_ms: int
    detected_ms: int
    ended_ms: int | None = None
    is_by_day: bool = False


def counted(flags: Flags, episode: Episode) -> Flags:
    """The flagged cells of an episode. Shape as `flags`"""
    inside = np.zeros(len(flags), bool)
    inside[episode.start : episode.last + 1] = flags[episode.start : episode.last + 1]
    return inside


def tell(
    plant: PlantDay, episode: Episode, advice: Advice, *, evidence: Evidence, weight_s: float, cost: float | None = None
) -> Finding:
    """The finding; "since" is added to its evidence."""
    stretch = Stretch(
        began_ms=instant_ms(plant, episode.start * CELL_S),
        ended_ms=None if episode.ended is None else instant_ms(plant, episode.ended * CELL_S),
        detected_ms=instant_ms(plant, (episode.proved + 1) * CELL_S),
    )
    return tell_of(plant, stretch, advice, evidence=evidence, weight_s=weight_s, cost=cost)


def tell_of(
    plant: PlantDay,
    stretch: Stretch,
    advice: Advice,
    *,
    evidence: Evidence,
    weight_s: float,
    cost: float | None = None,
    explained_by: tuple[Explainer, ...] = (),
) -> Finding:
    """The finding; "since" is added to its evidence."""
    since = day_word if stretch.is_by_day else clock
    return Finding(
        began_ms=stretch.began_ms,
        ended_ms=stretch.ended_ms,
        detected_ms=stretch.detected_ms,
        severity=advice.severity,
        template=advice.template,
        evidence={"since": since(stretch.began_ms, plant.day.timezone), **evidence},
        likely_causes=advice.likely_causes,
        checks=advice.checks,
        cost_per_day=cost,
        weight_s=weight_s,
        is_by_day=stretch.is_by_day,
        explained_by=explained_by,
    )
