"""Made-up prints and photographs of them, with exact truth.

A print is drawn at twice the scale of the view, blurred as the lens would, projected into a frame
of 1280 x 1024 px under a turn, a shift and a mild perspective, lit and made noisy there, rounded
to 8 bits and cut out again with a homography that is a little wrong, as a good `locate` would.
Everything follows from the seed of the generator that is passed in.

Conditions (ranges, drawn evenly): *quiet* is noise sigma 2-4 grey levels and blur sigma 0.5-0.9 px;
*wide* is noise sigma 2-8, blur 0-2 px. Both: gain 0.7-1.05, a light gradient of up to 15 % over
the view, corners off by 0.12 px (standard deviation, each way).
"""

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

HEIGHT, WIDTH = 520, 760
"""Size of the view [px]."""

OVER = 2
"""Scale of the drawing over the view."""

# fmt: off
WORDS = (
    "amber", "birch", "cedar", "delta", "ember", "fjord", "grove", "hazel", "inlet", "juniper",
    "kelp", "larch", "meadow", "north", "orchard", "pebble", "quartz", "river", "saffron",
    "tundra", "umber", "valley", "willow", "yarrow", "zephyr",
)
# fmt: on


@dataclass(frozen=True)
class Print:
    """A print drawn at `OVER` times the view, (OVER * HEIGHT, OVER * WIDTH) float32 grey levels."""

    drawing: NDArray[np.float32]
    words: tuple[str, ...] = ()
    digits: str = ""


def print_of(seed: int, *, digit: int | None = None, word: int | None = None) -> Print:
    """Draw the print of a seed; `digit` or `word` changes the one of that index to another."""
    rng = np.random.default_rng(seed)
    canvas = np.full((OVER * HEIGHT, OVER * WIDTH), 225, np.uint8)
    _shapes(canvas, rng)
    digits = [int(d) for d in rng.integers(0, 10, 13)]
    words = [str(w) for w in rng.choice(WORDS, 30)]
    changed = int(rng.integers(1, 10)), str(rng.choice(WORDS))
    if digit is not None:
        digits[digit] = (digits[digit] + changed[0]) % 10
    if word is not None:
        words[word] = changed[1] if changed[1] != words[word] else "other"
    text = "".join(str(d) for d in digits)
    _write(canvas, text, (60, 470), 0.5, 1.5, pitch=11)
    for row in range(6):
        for column in range(5):
            at = (60 + 100 * column, 330 + 19 * row)
            _write(canvas, words[5 * row + column], at, 0.45, 1.2)
    _write(canvas, words[0].upper(), (70, 130), 2.2, 6)
    return Print(canvas.astype(np.float32), tuple(words), text)


def _write(
    canvas: NDArray[np.uint8],
    text: str,
    at: tuple[int, int],
    size: float,
    stroke: float,
    pitch: float | None = None,
) -> None:
    """Write in dark ink; `at`, `stroke` and `pitch` in px of the view."""
    thick = max(1, round(stroke * OVER))
    parts = [text] if pitch is None else list(text)
    for k, part in enumerate(parts):
        place = (round((at[0] + k * (pitch or 0)) * OVER), at[1] * OVER)
        cv2.putText(canvas, part, place, cv2.FONT_HERSHEY_SIMPLEX, size * OVER, 40, thick, 16)


def _shapes(canvas: NDArray[np.uint8], rng: np.random.Generator) -> None:
    """Draw a band, rings, a frame, a screened patch and bars of random tone and place."""
    tone = [int(t) for t in rng.integers(60, 180, 6)]

    def px(*values: float) -> tuple[int, ...]:
        return tuple(round(v * OVER) for v in values)

    cv2.rectangle(canvas, px(40, 170), px(720, 230), tone[0], -1)
    centre = px(600 + rng.integers(-20, 20), 90)
    for radius, level in ((60, tone[1]), (44, 225), (30, tone[2]), (14, 225)):
        cv2.circle(canvas, centre, radius * OVER, level, -1, 16)
    cv2.rectangle(canvas, px(20, 20), px(740, 500), tone[3], OVER)
    patch = canvas[OVER * 250 : OVER * 300, OVER * 60 : OVER * 300]
    rows, columns = np.mgrid[0 : patch.shape[0], 0 : patch.shape[1]]
    screen = np.sin(rows * np.pi / (4 * OVER)) * np.sin(columns * np.pi / (4 * OVER))
    patch[:] = np.clip(150 + 60 * screen, 0, 255).astype(np.uint8)
    x = 580.0
    while x < 710:
        wide = float(rng.integers(2, 6))
        cv2.rectangle(canvas, px(x, 340), px(x + wide, 480), 40, -1)
        x += wide + float(rng.integers(2, 6))


def with_spot(good: Print, at: tuple[float, float], diameter: float, contrast: float) -> Print:
    """Add a round spot; `at` (x, y) and `diameter` in px of the view, `contrast` of 255, signed."""
    drawing = good.drawing.copy()
    rows, columns = np.ogrid[: drawing.shape[0], : drawing.shape[1]]
    x, y = ((v + 0.5) * OVER - 0.5 for v in at)
    far = np.hypot(columns - x, rows - y)
    share = np.clip(diameter * OVER / 2 - far + 0.5, 0, 1)
    drawing += (255 * contrast * share).astype(np.float32)
    return Print(drawing, good.words, good.digits)


@dataclass(frozen=True)
class Condition:
    """Ranges from which each photograph's conditions are drawn."""

    noise: tuple[float, float] = (2.0, 4.0)
    """Standard deviation of the noise in the frame [grey levels]."""
    blur: tuple[float, float] = (0.5, 0.9)
    """Standard deviation of the blur [px of the view]."""
    gain: tuple[float, float] = (0.7, 1.05)
    """Light level [ratio]."""
    gradient: float = 0.15
    """Largest change of light from one side to the other [ratio]."""
    corner: float = 0.12
    """Standard deviation of the registration error at each corner, each way [px]."""
    stretch: float = 0.0
    """Largest displacement by a stretched or bent print [px]."""


QUIET = Condition()
WIDE = Condition(noise=(2.0, 8.0), blur=(0.0, 2.0))


@dataclass
class Photographer:
    """Takes photographs under one condition, each with the next numbers of one generator."""

    condition: Condition
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0))

    def view(self, of: Print) -> NDArray[np.uint8]:
        """Take one photograph and cut out the registered view, (HEIGHT, WIDTH) uint8."""
        c, rng = self.condition, self.rng
        sigma = OVER * float(np.hypot(rng.uniform(*c.blur), 0.29))
        drawing = cv2.GaussianBlur(of.drawing, (0, 0), sigma)
        if c.stretch:
            drawing = self._stretched(drawing)
        corners = np.float64([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]])
        placed = self._placed(corners)
        to_frame = cv2.getPerspectiveTransform(np.float32(corners), np.float32(placed))
        half = np.float64(
            [[1 / OVER, 0, 0.5 / OVER - 0.5], [0, 1 / OVER, 0.5 / OVER - 0.5], [0, 0, 1]]
        )
        frame = cv2.warpPerspective(
            drawing, to_frame @ half, (1280, 1024), borderMode=cv2.BORDER_REPLICATE
        )
        frame *= self._light(frame.shape)
        frame += rng.normal(0, rng.uniform(*c.noise), frame.shape).astype(np.float32)
        seen = np.clip(np.rint(frame), 0, 255).astype(np.uint8)
        found = np.float32(placed + rng.normal(0, c.corner, placed.shape))
        cut = cv2.getPerspectiveTransform(np.float32(corners), found)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpPerspective(seen, cut, (WIDTH, HEIGHT), flags=flags)

    def _placed(self, corners: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn within 5 degrees, shift within 40 px, scale within 3 %, mild perspective."""
        rng = self.rng
        angle = np.radians(rng.uniform(-5, 5))
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        middle = np.array([WIDTH / 2, HEIGHT / 2])
        moved = (corners - middle) @ turn.T * rng.uniform(0.97, 1.03) + [640, 512]
        return moved + rng.uniform(-40, 40, 2) + rng.uniform(-4, 4, corners.shape)

    def _light(self, shape: tuple[int, ...]) -> NDArray[np.float32]:
        """Give the light over a frame: a level times a gradient."""
        rng, c = self.rng, self.condition
        slope = rng.uniform(-c.gradient / 2, c.gradient / 2, 2)
        across = np.linspace(-1, 1, shape[1], dtype=np.float32) * slope[0]
        down = np.linspace(-1, 1, shape[0], dtype=np.float32) * slope[1]
        level = rng.uniform(*c.gain)
        return (level * (1 + across[None] + down[:, None])).astype(np.float32)

    def _stretched(self, drawing: NDArray[np.float32]) -> NDArray[np.float32]:
        """Displace by a stretch and a bend, together at most `stretch` px of the view."""
        rows, columns = np.indices(drawing.shape, np.float32)
        v, u = rows / rows.max() - 0.5, columns / columns.max() - 0.5
        most = OVER * self.condition.stretch
        a, b = self.rng.uniform(-1, 1, 2)
        phase = self.rng.uniform(0, 2 * np.pi, 2)
        along = most * (a * u + 0.5 * np.sin(2 * np.pi * v + phase[0]))
        bent = most * (b * v + 0.5 * np.sin(2 * np.pi * u + phase[1]))
        x, y = (columns + along).astype(np.float32), (rows + bent).astype(np.float32)
        return cv2.remap(drawing, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
