"""Which sizes of a made-up defect are tried next: where its detection is decided."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from engine.study.defects import Defect
from engine.study.stress_results import Trial


def next_span(
    trials: Sequence[Trial], span: tuple[float, float], defect: Defect
) -> tuple[float, float]:
    """Give where sizes tell most, from what was hit and missed so far."""
    if not trials:
        return span
    hits = [t.size for t in trials if t.right]
    misses = [t.size for t in trials if not t.right]
    low, high = span
    if not hits:
        middle = float(np.sqrt(low * high)) if defect.log else (low + high) / 2
        return middle, high
    if not misses:
        return (low / 8 if defect.log else low / 4), min(hits) * 1.2
    caught = min(t.size for t in trials if t.hit or t.right)
    first, last = sorted((min(caught, min(hits)), max(misses)))
    return max(low / 4, first * 0.7), min(high, last * 1.35)


def spread(
    span: tuple[float, float], count: int, log: bool, rng: np.random.Generator
) -> list[float]:
    """Give sizes spread evenly, each shaken within its own part of the span."""
    share = (np.arange(count) + rng.random(count)) / max(count, 1)
    low, high = (float(np.log(max(s, 1e-6))) if log else s for s in span)
    sizes = low + (high - low) * share
    return [float(s) for s in (np.exp(sizes) if log else sizes)]
