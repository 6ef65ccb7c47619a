"""Frames to trigger sets: complete, missing, late, extra, duplicate."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from engine.frame import Arrival, FrameFailure, TriggerSet


class Assembler:
    """Gathers what comes by trigger; a set is given out when every camera has answered.

    Parameters
    ----------
    cameras : iterable of str
        Cameras that answer each trigger. Frames of others are counted as extra.
    """

    def __init__(self, cameras: Iterable[str]) -> None:
        self.cameras = tuple(cameras)
        self.open: dict[int, dict[str, Arrival]] = {}
        self.notes: dict[int, list[str]] = {}
        self.closed = _Numbers()
        self.late = 0
        self.extra = 0
        self.duplicate = 0

    def put(self, arrival: Arrival) -> Iterator[TriggerSet]:
        """Take one frame or failure; gives the trigger's set when that completes it."""
        trigger, camera = arrival.trigger, arrival.camera
        if camera not in self.cameras:
            self.extra += 1
            return
        if trigger in self.closed:
            self.late += 1
            return
        frames = self.open.setdefault(trigger, {})
        if camera in frames:
            self.duplicate += 1
            why = "two frames came for one trigger"
            frames[camera] = FrameFailure(camera, trigger, "unfit", why)
            return
        frames[camera] = arrival
        if len(frames) == len(self.cameras):
            yield self._close(trigger)

    def finish(self) -> Iterator[TriggerSet]:
        """Close what is still open: what has not come is missing."""
        for trigger in sorted(self.open):
            yield self._close(trigger)

    def _close(self, trigger: int) -> TriggerSet:
        frames = self.open.pop(trigger)
        self.closed.add(trigger)
        for camera in self.cameras:
            if camera not in frames:
                frames[camera] = FrameFailure(camera, trigger, "missing", "no frame came")
        return TriggerSet(trigger, frames)


class _Numbers:
    """A set of whole numbers that holds runs from one as one bound, so that it stays small."""

    def __init__(self) -> None:
        self.below = 0
        self.above: set[int] = set()

    def __contains__(self, number: int) -> bool:
        return 0 < number <= self.below or number in self.above

    def add(self, number: int) -> None:
        self.above.add(number)
        while self.below + 1 in self.above:
            self.below += 1
            self.above.remove(self.below)
