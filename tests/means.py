"""A virtual house's readings as a gateway sends them that tells means of minutes only."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from analytics.site import Site
from analytics.trace import Trace

__all__ = ["by_five_minutes"]

_INTERVAL_S = 300.0


def by_five_minutes(site: Site, traces: Mapping[str, Trace]) -> tuple[Site, dict[str, Trace]]:
    """The same with all but counters as means of five minutes."""
    spoken = {point: each for point, each in site.points.items() if each.sampling != "counter"}
    points = {point: replace(each, sampling="mean", interval_s=_INTERVAL_S) for point, each in spoken.items()}
    means = {point: _means(traces[point], each.sampling) for point, each in spoken.items()}
    return replace(site, points={**site.points, **points}), {**traces, **means}


def _means(trace: Trace, sampling: str) -> Trace:
    step_ms = round(_INTERVAL_S * 1000)
    edges_ms = np.arange(trace.time_ms[0] // step_ms + 1, trace.time_ms[-1] // step_ms + 1) * step_ms
    held = trace.value[1:] if sampling == "mean" else 0.5 * (trace.value[1:] + trace.value[:-1])
    total = np.concatenate(([0.0], np.cumsum(held * np.diff(trace.time_ms))))
    return Trace(edges_ms[1:], np.diff(np.interp(edges_ms, trace.time_ms, total)) / step_ms)
