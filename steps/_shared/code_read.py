"""What is known of a code that was read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steps._shared.bar_extent import BarExtent
from steps._shared.symbologies import Symbology


@dataclass(frozen=True, slots=True, eq=False)
class ReadBars:
    """The bars of a linear code, and how many of their strips read."""

    extent: BarExtent
    profiles: NDArray[np.uint8]
    """(strips, K) uint8: one scan profile a strip, with quiet zones."""
    whole: float
    """Share of the strips that read as the whole code does [fraction]."""


@dataclass(frozen=True, slots=True, eq=False)
class CodeRead:
    """One code that was read."""

    text: str
    r"""Content as transmitted, without symbology identifier; separators are ``\x1d``."""
    identifier: str
    """Symbology identifier, such as ``]C1``."""
    symbology: Symbology
    corners: NDArray[np.float64]
    """(4, 2) float64 (x, y) in pixels of the view: from the code's own top left, clockwise."""
    stacked: bool = False
    """Whether its bars stand in several rows."""
    grid: tuple[int, int] | None = None
    """Modules of a matrix code across and down [count]."""
    votes: int = 0
    """Strips that were asked again and say the same [count]."""
    bars: ReadBars | None = None
    """What its bars are, for a linear code in one row."""

    @property
    def middle(self) -> NDArray[np.float64]:
        """The middle of its corners, (2,) float64."""
        return self.corners.mean(axis=0)
