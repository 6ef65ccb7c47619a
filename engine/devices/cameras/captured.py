"""A captured set as a frame source."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from engine.devices.cameras.captured_set import CapturedSet, FrameTimes
from engine.devices.cameras.decode import Undecodable, decode_image
from engine.devices.cameras.lens_correction import LensCorrection
from engine.frame import Arrival, Frame, FrameFailure


class CapturedSource:
    """Gives the frames of a captured set, read ahead by threads of its own.

    Parameters
    ----------
    captured : CapturedSet
        The set.
    cameras : iterable of str
        Cameras that answer each trigger; a file that is not there is a missing frame.
    triggers : iterable of int, optional
        Which triggers, in this order; by default all, rising.
    readers : int
        Threads that read and decode.
    """

    def __init__(
        self,
        captured: CapturedSet,
        cameras: Iterable[str],
        triggers: Iterable[int] | None = None,
        readers: int = 1,
    ) -> None:
        self.captured = captured
        self.cameras = tuple(cameras)
        self.triggers = tuple(captured.files if triggers is None else triggers)
        self.readers = readers
        lenses = {camera: captured.cameras.of(camera).lens for camera in self.cameras}
        self.corrections = {c: LensCorrection(lens) for c, lens in lenses.items() if lens}

    def arrivals(self) -> Iterator[Arrival]:
        """Give each frame or failure once, trigger by trigger."""
        wanted = ((trigger, camera) for trigger in self.triggers for camera in self.cameras)
        ahead = 2 * self.readers + len(self.cameras)
        waiting: deque[Future[Arrival]] = deque()
        with ThreadPoolExecutor(self.readers, thread_name_prefix="reader") as pool:
            try:
                for trigger, camera in wanted:
                    waiting.append(pool.submit(self.read, trigger, camera))
                    if len(waiting) >= ahead:
                        yield waiting.popleft().result()
                while waiting:
                    yield waiting.popleft().result()
            finally:
                for future in waiting:
                    future.cancel()

    def read(self, trigger: int, camera: str) -> Arrival:
        """Read one frame; a file that cannot be used is a failure, never an exception."""
        file = self.captured.files.get(trigger, {}).get(camera)
        if file is None:
            return FrameFailure(camera, trigger, "missing", "there is no file of it")
        times = self.captured.times.get((trigger, camera), FrameTimes())
        arrival = read_frame(file, camera, trigger, times)
        correct = self.corrections.get(camera)
        return correct(arrival) if correct and isinstance(arrival, Frame) else arrival


def read_frame(file: Path, camera: str, trigger: int, times: FrameTimes) -> Arrival:
    """Read one image file as a frame, or say why it cannot be used."""
    try:
        pixels, bits = decode_image(file.read_bytes())
    except Undecodable as error:
        return FrameFailure(camera, trigger, "undecodable", f"{file.name}: {error}")
    except OSError as error:
        why = f"{file.name} cannot be read: {error.strerror or error}"
        return FrameFailure(camera, trigger, "undecodable", why)
    except MemoryError:
        return FrameFailure(camera, trigger, "undecodable", f"{file.name} does not fit in memory")
    return Frame(camera, trigger, pixels, bits, times.taken_at, times.frame_id)
