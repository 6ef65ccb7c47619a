"""The clock of this machine."""

import time


class MachineClock:
    """Elapsed time of this machine; it never goes back, whatever is done to the time of day."""

    def seconds(self) -> float:
        """Give seconds since some fixed moment."""
        return time.perf_counter()
