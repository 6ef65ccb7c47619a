"""Words in pictures: readable on any ground, and off each other where there is room."""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Color = tuple[int, int, int]
Box = tuple[int, int, int, int]
"""Left, top, right, bottom [px]."""
Thing = tuple[float, float, float, float]
"""What a label belongs to: left, top, right, bottom [px]."""


@cache
def _face() -> Any:
    return cv2.FontFace("sans")


class Lettering:
    """Writes labels of one size into one picture and remembers where they stand.

    Parameters
    ----------
    size : int
        Height of the letters [px].
    """

    def __init__(self, size: int) -> None:
        self.size = size
        self.height = round(size * 1.35)
        self._taken: list[Box] = []
        self._ink: NDArray[np.float64] | None = None

    def avoid(self, ink: NDArray[np.uint8]) -> None:
        """Keep words off what is drawn, where there is room; (M, N) uint8, 1 where there is ink."""
        self._ink = cv2.integral(ink, sdepth=cv2.CV_64F).astype(np.float64)

    def width(self, text: str) -> int:
        """Give how wide a line of text is [px]."""
        return int(cv2.getTextSize((0, 0), text, (0, 0), _face(), self.size, 500)[2])

    def shortened(self, text: str, width: int) -> str:
        """Give text cut to a width, with three dots where something is cut off."""
        text = _writable(text)
        if self.width(text) <= width:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.width(text[:middle].rstrip() + "...") <= width:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip() + "..."

    def write(
        self, picture: NDArray[np.uint8], text: str, place: tuple[int, int], color: Color
    ) -> None:
        """Write one line; `place` is its upper left corner."""
        origin = (place[0], place[1] + self.size)
        far = (-10_000, 1_000_000)
        cv2.putText(picture, text, origin, color, _face(), self.size, 500, 0, far)

    def label(
        self,
        picture: NDArray[np.uint8],
        text: str,
        anchor: tuple[float, float],
        color: Color,
        paper: Color,
        *,
        around: tuple[float, float] = (0.0, 0.0),
        optional: bool = False,
    ) -> None:
        """Write a label on its own ground near something.

        Parameters
        ----------
        picture : ndarray
            (M, N, 3) uint8 RGB; written into.
        text : str
            One line or several.
        anchor : tuple of float
            Upper left corner of the thing that is labelled [px].
        color, paper : tuple of int
            Of letters and ground.
        around : tuple of float
            Width and height of the thing [px].
        optional : bool
            Leave the label out where it would cover another.
        """
        rows, columns = picture.shape[:2]
        pad = max(2, self.size // 5)
        lines = [self.shortened(line, columns - 2 * pad - 2) for line in text.split("\n")]
        width = max(map(self.width, lines)) + 2 * pad
        height = self.height * len(lines) + pad
        thing = (*anchor, anchor[0] + around[0], anchor[1] + around[1])
        box, is_free = self._best_place(thing, (width, height), (columns, rows))
        if optional and not (is_free and _gap(box, thing) <= 6 * self.size):
            return
        self._taken.append(box)
        _ground(picture, box, paper)
        _leader(picture, box, thing, paper, self.size)
        for i, line in enumerate(lines):
            self.write(picture, line, (box[0] + pad, box[1] + i * self.height), color)

    def _best_place(
        self, thing: Thing, size: tuple[int, int], picture: tuple[int, int]
    ) -> tuple[Box, bool]:
        """Find the place that covers the least; among equals the nearest one with least ink below.

        Returns
        -------
        box, is_free : Box, bool
            The place, and whether it covers no other label.
        """
        corners = _candidates(thing, size, picture)
        room = np.array([max(picture[0] - size[0], 0), max(picture[1] - size[1], 0)])
        first = np.clip(corners, 0, room).astype(np.int64)
        last = first + size
        covered = np.zeros(len(first))
        for box in self._taken:
            shared = np.minimum(last, box[2:]) - np.maximum(first, box[:2])
            covered += np.prod(np.maximum(shared, 0), axis=1)
        cost = _away(first, last, thing) + np.abs(first - corners).sum(axis=1) * 0.5
        if self._ink is not None:
            end = np.minimum(last, picture)
            (x, y), (u, v) = first.T, end.T
            ink = self._ink[v, u] - self._ink[y, u] - self._ink[v, x] + self._ink[y, x]
            cost += 2.5 * ink / self.size
        cost[:PLACES] += np.arange(PLACES)
        best = np.lexsort((cost, covered))[0]
        left, top = first[best].tolist()
        return (left, top, left + size[0], top + size[1]), bool(covered[best] == 0)


PLACES = 10
"""How many places right at a thing are tried before those all over [count]."""


def _candidates(
    thing: Thing, size: tuple[int, int], picture: tuple[int, int]
) -> NDArray[np.float64]:
    """Give upper left corners for a label: right at the thing first, then all over; (K, 2)."""
    left, top, right, bottom = thing
    width, height = size
    near = [
        (left, top - height),
        (right - width, top - height),
        (left, bottom),
        (right - width, bottom),
        (right, top),
        (left - width, top),
        (right, bottom - height),
        (left - width, bottom - height),
        (left, top),
        (right - width, bottom - height),
    ]
    xs = np.arange(0, max(picture[0] - width, 1), max(height // 2, 1), dtype=np.float64)
    ys = np.arange(0, max(picture[1] - height, 1), max(height // 2, 1), dtype=np.float64)
    everywhere = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    return np.vstack([np.array(near, np.float64), everywhere])


def _away(first: NDArray[np.int64], last: NDArray[np.int64], thing: Thing) -> NDArray[np.float64]:
    """Give how far labels are from the edge of their thing, from outside or inside; (K,)."""
    low, high = np.array(thing[:2]), np.array(thing[2:])
    outside = np.maximum(np.maximum(low - last, first - high), 0).sum(axis=1)
    inside = np.minimum(first - low, high - last).min(axis=1)
    return outside + np.maximum(inside, 0)


def _ground(picture: NDArray[np.uint8], box: Box, paper: Color) -> None:
    left, top, right, bottom = box
    part = picture[top:bottom, left:right]
    mixed = part.astype(np.float32) * 0.18 + np.array(paper, np.float32) * 0.82
    picture[top:bottom, left:right] = mixed.astype(np.uint8)


def _leader(picture: NDArray[np.uint8], box: Box, thing: Thing, paper: Color, size: int) -> None:
    """Lead from a label that stands away from its thing to the thing."""
    if _gap(box, thing) <= size // 2:
        return
    x = min(max((box[0] + box[2]) / 2, thing[0]), thing[2])
    y = min(max((box[1] + box[3]) / 2, thing[1]), thing[3])
    start = (int(min(max(x, box[0]), box[2])), int(min(max(y, box[1]), box[3])))
    end = (int(min(max(x, -9999), 9999)), int(min(max(y, -9999), 9999)))
    for color, width in (((255, 255, 255), 3), (paper, 1)):
        cv2.line(picture, start, end, color, max(1, width * size // 14), cv2.LINE_AA)


def _gap(box: Box, thing: Thing) -> float:
    """Give the gap between a label and its thing [px]; 0 where they touch."""
    dx = max(thing[0] - box[2], box[0] - thing[2], 0)
    dy = max(thing[1] - box[3], box[1] - thing[3], 0)
    return float(dx + dy)


def _writable(text: str) -> str:
    """Give text that can be drawn: on one line, without control characters."""
    return "".join(c if c.isprintable() else " " for c in text)
