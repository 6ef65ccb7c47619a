"""What colour a patch of print has against the label's own white."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from steps._shared.color_difference import ciede2000, from_lab, to_lab
from steps._shared.light import to_linear
from steps._shared.own_white import CLIPPED, FEWEST_PX, brightest, median_light, white_of
from steps.contract import (
    Given,
    Mark,
    Marks,
    NotMeasured,
    Params,
    ReferenceFile,
    Taught,
    UnusableReference,
    Values,
    View,
    no_marks,
    step,
)

FORMAT = 1
"""Number of the layout of a taught file."""

LEAST = 3
"""Fewest good views from which a spread can be told."""

LEAST_SPREAD = 0.005
"""Log ratios of good cartons are never taken to lie closer together than this."""

MOST_CLIPPED = {"main": 0.4, "mean": 0.01}
"""Share of a patch's pixels that may be cut off: a median stands it, a mean does not."""


class Patch(Params):
    """A rectangle in the region."""

    x: float
    """Left edge, from the left of the region [mm]."""
    y: float
    """Top edge, from the top of the region [mm]."""
    width: float = Field(gt=0)
    """Width [mm]."""
    height: float = Field(gt=0)
    """Height [mm]."""


class ColourParams(Params):
    """Where colour is measured, and what it is compared with."""

    patch_mm: Patch | None = None
    """Where the colour is measured; by default the whole region."""

    white_mm: tuple[Patch, ...] = ()
    """Bare paper near the patch, its white; several (say on both sides of it) are averaged. By
    default the brightest part of the region that is not at the end of the camera's scale."""

    tone: Literal["main", "mean"] = "main"
    """`main`: the commonest tone, whatever lettering stands on less than 40 % of the patch; `mean`:
    the mean light of the patch, for screened print and mixtures."""

    reference: ReferenceFile | None = None
    """The taught file (`.npz`), made from good cartons."""

    expected_lab: tuple[float, float, float] | None = None
    """Expected L*, a*, b* against the same white, where nothing is taught [Lab]."""


class ColourValues(Values):
    """The colour of the patch against the label's own white, and how far it is off."""

    delta_e: float | None
    """CIEDE2000 difference from the expected colour; none without an expected one [dE]."""

    difference: float | None
    """How far the hue lies off that of good cartons; none without a taught file [good spreads]."""

    hue_shift: float | None
    """How far log R/G and log B/G together are off; light does not move it [log ratio]."""

    lightness: float
    """L* of the patch, the white being 100 [L*]."""

    a: float
    """a* of the patch: red over green [a*]."""

    b: float
    """b* of the patch: yellow over blue [b*]."""

    log_rg: float
    """Logarithm of red over green, against the white [log ratio]."""

    log_bg: float
    """Logarithm of blue over green, against the white [log ratio]."""

    marks: Marks = Field(default_factory=no_marks)
    """The patch and the white."""


@dataclass(frozen=True, slots=True, eq=False)
class ExpectedColour:
    """What colour is expected; None where nothing is."""

    lab: tuple[float, float, float] | None
    logs: tuple[float, float] | None
    spread: tuple[float, float] | None
    """Standard deviations of the logs over good cartons."""


def prepare(params: ColourParams, given: Given) -> ExpectedColour:
    """Load the expected colour.

    Raises
    ------
    UnusableReference
        When the file was not made by `teach`, or both a file and a colour are given.
    """
    if params.reference is None:
        if params.expected_lab is None:
            return ExpectedColour(None, None, None)
        return ExpectedColour(params.expected_lab, _logs(from_lab(params.expected_lab)), None)
    if params.expected_lab is not None:
        raise UnusableReference("give either a reference or expected_lab", "expected_lab")
    arrays = given.references[params.reference].arrays
    if not {"format", "lab", "logs"} <= set(arrays):
        raise UnusableReference("this is no taught colour; make it with `teach`")
    if int(arrays["format"].ravel()[0]) != FORMAT:
        raise UnusableReference("this colour was taught by another version; teach it again")
    lab, logs = (np.asarray(arrays[name], np.float64) for name in ("lab", "logs"))
    spread = np.maximum(logs.std(axis=0, ddof=1), LEAST_SPREAD)
    l_, a, b = (float(v) for v in lab.mean(axis=0))
    rg, bg = (float(v) for v in logs.mean(axis=0))
    return ExpectedColour((l_, a, b), (rg, bg), (float(spread[0]), float(spread[1])))


def teach(views: Sequence[View], params: ColourParams, given: Given) -> Taught:  # noqa: ARG001
    """Learn the colour of the patch and its spread, from about 10 views of good cartons.

    Parameters
    ----------
    views : sequence of View
        The region on good cartons, with colour.
    params : ColourParams
        Where the patch and the white are.
    given : Given
        Not used.

    Returns
    -------
    Taught
        ``lab`` (V, 3) and ``logs`` (V, 2) of each view used. Views that cannot be measured, or
        whose colour is far from the others', are left out.

    Raises
    ------
    UnusableReference
        When fewer than three views are alike.
    """
    left_out: dict[int, str] = {}
    seen: dict[int, ColourValues] = {}
    for i, view in enumerate(views):
        values = colour(view, params, ExpectedColour(None, None, None))
        if isinstance(values, NotMeasured):
            left_out[i] = values.why
        else:
            seen[i] = values
    lab = np.array([(v.lightness, v.a, v.b) for v in seen.values()]).reshape(-1, 3)
    far = np.linalg.norm(lab - np.median(lab, axis=0), axis=1) if len(lab) else np.empty(0)
    most = max(2.0, 6 * float(np.median(far))) if len(far) else 0.0
    for i, off in zip(list(seen), far, strict=True):
        if off > most:
            left_out[i] = f"its colour is {off:.1f} off that of most"
            del seen[i]
    if len(seen) < LEAST:
        reasons = "; ".join(sorted(set(left_out.values())))
        told = f"{len(seen)} of {len(views)} views can be used; {LEAST} are needed"
        raise UnusableReference(f"{told} ({reasons})" if reasons else told)
    arrays = {
        "format": np.array([FORMAT]),
        "lab": np.array([(v.lightness, v.a, v.b) for v in seen.values()]),
        "logs": np.array([(v.log_rg, v.log_bg) for v in seen.values()]),
    }
    return Taught(arrays, dict(sorted(left_out.items())), views[next(iter(seen))].rgb)


@step(rgb=True)
def colour(
    view: View, params: ColourParams, prepared: ExpectedColour
) -> ColourValues | NotMeasured:
    """Measure the colour of a patch against the label's own white.

    Parameters
    ----------
    view : View
        A region that holds the patch and some bare paper, (M, N, 3) uint8 red, green, blue.
    params : ColourParams
        Where the patch and the white are.
    prepared : ExpectedColour
        The expected colour.

    Returns
    -------
    ColourValues or NotMeasured
        Not measured from a grey camera, from too few pixels, and where the white or the patch is
        too dark or cut off at the end of the camera's scale.

    Notes
    -----
    Pixels are decoded to light (`View.gamma`) before colours are formed. The light of the patch is
    divided by that of the white, channel by channel, so neither the level nor a cast of the light
    counts; uneven light between patch and white does count for `lightness` and `delta_e`, but
    not for `log_rg` and `log_bg`. Colours are Lab of linear sRGB primaries, which is not the Lab
    of a measuring instrument unless the camera is calibrated: compare with a taught colour.

    Limit `delta_e` by specification (1 is hardly seen, 2.5 is another colour), or `difference`
    (7 suits most products), which sees a change of hue only.

    Needs: a colour camera, gain and white balance fixed, `gamma` stated; patch and white of 16 px
    or more, both in the region. Fails where 40 % of the white is cut off: take a darker paper as
    white, or expose less.

    References
    ----------
    IEC 61966-2-1:1999 (sRGB); CIE 142-2001 (CIEDE2000).

    Examples
    --------
    >>> label = np.full((60, 60, 3), 230, np.uint8)
    >>> label[20:40] = 180, 120, 60
    >>> where = dict(patch_mm=Patch(x=1, y=4.5, width=10, height=3),
    ...              white_mm=[Patch(x=1, y=1, width=10, height=2)])
    >>> nothing = ExpectedColour(None, None, None)
    >>> view = View(label[..., 1], mm_per_px=0.2, rgb=label, gamma="srgb")
    >>> values = colour(view, ColourParams(**where), nothing)
    >>> round(values.lightness, 1), round(values.a, 1), round(values.b, 1)
    (61.4, 19.1, 45.1)
    """
    rgb = view.rgb
    if rgb is None:
        return NotMeasured("the camera gives no colour")
    scale = view.mm_per_px
    if (params.patch_mm or params.white_mm) and not math.isfinite(scale):
        return NotMeasured("the scale of the view is not known")
    white = _white(view, rgb, params)
    if isinstance(white, str):
        return NotMeasured(white)
    pixels = _pixels(view, params.patch_mm)
    if len(pixels) < FEWEST_PX:
        return NotMeasured("too little of the patch is seen")
    if (pixels >= CLIPPED).mean(axis=0).max() > MOST_CLIPPED[params.tone]:
        return NotMeasured("the patch is cut off at full scale")
    light = median_light(pixels, view.gamma)
    if params.tone == "mean":
        light = to_linear(pixels, view.gamma).mean(axis=0, dtype=np.float64)
    return _values(np.maximum(light, 1e-4), white, prepared, _marks(params, scale))


def _white(view: View, rgb: NDArray[np.uint8], params: ColourParams) -> NDArray[np.float64] | str:
    """Give the light of the label's own white, or why there is none."""
    if not params.white_mm:
        return white_of(brightest(rgb, view.mask), view.gamma)
    whites: list[NDArray[np.float64]] = []
    for patch in params.white_mm:
        white = white_of(_pixels(view, patch), view.gamma)
        if isinstance(white, str):
            return white
        whites.append(white)
    return np.mean(whites, axis=0)


def _within(patch: Patch | None, scale: float, shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Say which rows and columns have their middle in a patch; all of them where there is none."""
    if patch is None:
        return slice(None), slice(None)
    (top, bottom), (left, right) = (
        (min(max(round(v / scale), 0), n) for v in (start, start + length))
        for start, length, n in (
            (patch.y, patch.height, shape[0]),
            (patch.x, patch.width, shape[1]),
        )
    )
    return slice(top, bottom), slice(left, right)


def _pixels(view: View, patch: Patch | None) -> NDArray[np.uint8]:
    """Give the unmasked pixels of a patch, (P, 3)."""
    if view.rgb is None:
        return np.empty((0, 3), np.uint8)
    part = _within(patch, view.mm_per_px, view.rgb.shape)
    pixels = view.rgb[part].reshape(-1, 3)
    return pixels if view.mask is None else pixels[view.mask[part].ravel() > 0]


def _marks(params: ColourParams, scale: float) -> Marks:
    """Draw the patch and the whites."""
    named = [(patch, "white") for patch in params.white_mm]
    if params.patch_mm is not None:
        named.append((params.patch_mm, "colour"))
    marks: list[Mark] = []
    for patch, text in named:
        left, top = patch.x / scale - 0.5, patch.y / scale - 0.5
        right, bottom = left + patch.width / scale, top + patch.height / scale
        corners = np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
        marks.append(Mark(corners, "shape", text, "expected"))
    return tuple(marks)


def _logs(light: NDArray[np.float64]) -> tuple[float, float]:
    """Give log R/G and log B/G of light."""
    red, green, blue = (math.log(v) for v in light)
    return red - green, blue - green


def _values(
    light: NDArray[np.float64],
    white: NDArray[np.float64],
    expected: ExpectedColour,
    marks: Marks,
) -> ColourValues:
    """Compare light with the white and the expected colour."""
    lightness, a, b = (float(v) for v in to_lab(light, white))
    logs = _logs(light / white)
    delta_e = difference = shift = None
    if expected.lab is not None:
        delta_e = ciede2000((lightness, a, b), expected.lab)
    if expected.logs is not None:
        off = [one - other for one, other in zip(logs, expected.logs, strict=True)]
        shift = math.hypot(*off)
        if expected.spread is not None:
            difference = max(abs(d) / s for d, s in zip(off, expected.spread, strict=True))
    return ColourValues(
        delta_e=delta_e,
        difference=difference,
        hue_shift=shift,
        lightness=lightness,
        a=a,
        b=b,
        log_rg=logs[0],
        log_bg=logs[1],
        marks=marks,
    )
