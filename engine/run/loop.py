"""The one loop: source, assemble, cameras side by side, verdict, sinks. Live and replay use it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date

from engine.frame import CameraTable, Frame, TriggerSet
from engine.graph.plan import Plan
from engine.ports import Clock, FrameSource, Sink
from engine.result import CameraResult, CartonVerdict
from engine.run.assemble import Assembler
from engine.run.camera import inspect_frame
from engine.run.in_order import Seen, judged_in_order
from engine.run.verdict import decide


@dataclass(frozen=True, slots=True)
class Inspector:
    """Makes the verdict about one trigger set; pure but for the clock that times it."""

    plan: Plan
    cameras: CameraTable
    clock: Clock
    today: date | None = None
    """Day of the triggers where frames carry no times; None = not known."""

    def camera(self, name: str, frames: TriggerSet) -> CameraResult:
        """Run one camera's steps."""
        geometry = self.cameras.of(name)
        return inspect_frame(self.plan.cameras[name], frames.frames[name], geometry, self.clock)

    def verdict(self, frames: TriggerSet, results: Sequence[CameraResult]) -> CartonVerdict:
        """Merge what the cameras said."""
        return decide(
            self.plan,
            frames.trigger,
            tuple(results),
            today=self._day(frames),
            notes=frames.notes,
            ms=sum(result.ms for result in results),
        )

    def inspect(self, frames: TriggerSet) -> CartonVerdict:
        """Inspect one carton, one camera after the other."""
        return self.verdict(frames, [self.camera(name, frames) for name in self.plan.cameras])

    def _day(self, frames: TriggerSet) -> date | None:
        times = [f.taken_at for f in frames.frames.values() if isinstance(f, Frame) and f.taken_at]
        return min(times).date() if times else self.today


def run_loop(
    inspector: Inspector,
    source: FrameSource,
    sinks: Sequence[Sink],
    *,
    workers: int = 1,
    stop: Callable[[], bool] = lambda: False,
    expected: Iterable[int] | None = None,
    seen: Seen | None = None,
) -> None:
    """Inspect all that a source gives; verdicts reach the sinks in the order of the sets.

    Parameters
    ----------
    inspector : Inspector
        Makes the verdicts.
    source : FrameSource
        Where frames come from.
    sinks : sequence of Sink
        Where verdicts go.
    workers : int
        Threads that inspect cameras side by side; with 1 all is done in this thread. Verdicts are
        equal whatever their number: steps keep nothing between frames.
    stop : callable
        Asked before each carton; when it says so, what is begun is finished and the loop ends.
    expected : iterable of int, optional
        Triggers in the order in which cartons pass. Where the recipe holds cartons of a run
        against each other, they are judged and given on in this order, whatever the order in
        which they are done; by default in the order in which their sets are complete.
    seen : Seen, optional
        Values that earlier cartons of the run had, when it goes on after a stop.
    """
    sets = _assembled(source, tuple(inspector.plan.cameras))
    pairs = (
        _one_by_one(inspector, sets, stop)
        if workers <= 1
        else _side_by_side(inspector, sets, workers, stop)
    )
    if inspector.plan.unique:
        pairs = judged_in_order(inspector.plan.unique, pairs, expected, seen or {})
    for frames, verdict in pairs:
        for sink in sinks:
            sink.take(verdict, frames)


def _assembled(source: FrameSource, cameras: Iterable[str]) -> Iterator[TriggerSet]:
    assembler = Assembler(cameras)
    for arrival in source.arrivals():
        yield from assembler.put(arrival)
    yield from assembler.finish()


def _one_by_one(
    inspector: Inspector, sets: Iterator[TriggerSet], stop: Callable[[], bool]
) -> Iterator[tuple[TriggerSet, CartonVerdict]]:
    for frames in sets:
        if stop():
            return
        yield frames, inspector.inspect(frames)


def _side_by_side(
    inspector: Inspector, sets: Iterator[TriggerSet], workers: int, stop: Callable[[], bool]
) -> Iterator[tuple[TriggerSet, CartonVerdict]]:
    names = tuple(inspector.plan.cameras)
    waiting: deque[tuple[TriggerSet, list[Future[CameraResult]]]] = deque()
    with ThreadPoolExecutor(workers, thread_name_prefix="camera") as pool:
        for frames in sets:
            if stop():
                break
            futures = [pool.submit(inspector.camera, name, frames) for name in names]
            waiting.append((frames, futures))
            if len(waiting) > 2 * workers:
                yield _merged(inspector, *waiting.popleft())
        while waiting:
            yield _merged(inspector, *waiting.popleft())


def _merged(
    inspector: Inspector, frames: TriggerSet, futures: list[Future[CameraResult]]
) -> tuple[TriggerSet, CartonVerdict]:
    return frames, inspector.verdict(frames, [future.result() for future in futures])
