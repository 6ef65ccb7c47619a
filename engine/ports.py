"""What the loop asks of its ends: sources of frames, sinks of verdicts, a clock."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol, runtime_checkable

from engine.frame import Arrival, TriggerSet
from engine.result import CartonVerdict


@runtime_checkable
class FrameSource(Protocol):
    """Gives frames as they come: from cameras, or from a captured set."""

    cameras: tuple[str, ...]

    def arrivals(self) -> Iterator[Arrival]:
        """Give each frame or failure once, in any order, until the source ends."""
        ...


@runtime_checkable
class Sink(Protocol):
    """Takes verdicts in order of their triggers: records, results file, signals, gate, page."""

    def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:
        """Take one verdict with the frames it was made from."""
        ...


class Clock(Protocol):
    """Tells elapsed time; handed in, so that nothing between the ends reads one."""

    def seconds(self) -> float:
        """Give seconds since some fixed moment, never going back."""
        ...
