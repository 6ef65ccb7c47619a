"""Time per step over many cartons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np


def step_times(rows: Sequence[Mapping[str, Any]]) -> list[tuple[str, float, float]]:
    """Give median and 99 % point of the time of each step, in the order of the steps.

    Parameters
    ----------
    rows : sequence of mapping
        Result rows; `ms` holds the time by `camera.step`, and `total`.

    Returns
    -------
    list of (name, median, p99)
        Times [ms]; `total` last.

    Examples
    --------
    >>> step_times([{"ms": {"total": 4.0, "top.flap": 1.0}}, {"ms": {"total": 6.0}}])
    [('top.flap', 1.0, 1.0), ('total', 5.0, 5.98)]
    """
    times: dict[str, list[float]] = {}
    for row in rows:
        for name, ms in row.get("ms", {}).items():
            times.setdefault(name, []).append(float(ms))
    names = [name for name in times if name != "total"] + (["total"] if "total" in times else [])
    return [
        (
            name,
            round(float(np.median(times[name])), 3),
            round(float(np.percentile(times[name], 99)), 3),
        )
        for name in names
    ]
