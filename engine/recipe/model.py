"""The shape of a recipe: what a good carton of one product is. It knows nothing of any machine."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)


def _form(pattern: str, words: str) -> tuple[AfterValidator, WithJsonSchema]:
    """Make a check for a form of text that explains itself in words."""
    compiled = re.compile(pattern)

    def check(text: str) -> str:
        if not compiled.fullmatch(text):
            message = f"`{text[:40]}` cannot stand here: {words}"
            raise ValueError(message)
        return text

    return AfterValidator(check), WithJsonSchema({"type": "string", "pattern": f"^{pattern}$"})


Name = Annotated[
    str,
    *_form(
        "[a-z][a-z0-9_]*",
        "a name is lower case letters, digits and underscores, a letter first",
    ),
]
"""Name of a camera, step or order field."""
Product = Annotated[
    str,
    *_form("[a-z0-9][a-z0-9._-]*", "a product is lower case letters, digits, `-`, `_` and `.`"),
]
Words = Annotated[str, StringConstraints(min_length=1)]
TruthWord = Annotated[
    str,
    *_form(
        "[a-z0-9][a-z0-9-]*(:[A-Za-z0-9.]+)?",
        "a defect word is as in a set's truth, `label-shifted` or with severity `wrong-label:mint`",
    ),
]
"""A defect word as in a captured set's truth."""


class _Shape(BaseModel):
    model_config = ConfigDict(
        frozen=True, extra="forbid", use_attribute_docstrings=True, defer_build=True
    )


def _mapping_like(example: str, words: str) -> Callable[[Any], Any]:
    """Make a check that shows an example where something else than a mapping stands."""

    def check(value: Any) -> Any:
        if not isinstance(value, (Mapping, BaseModel)):
            message = f"{words}, as `{example}`"
            raise ValueError(message)
        return value

    return check


def _shape_check(example: str, words: str) -> Any:
    return model_validator(mode="before")(_mapping_like(example, words))


def _by_name(example: str, words: str) -> BeforeValidator:
    return BeforeValidator(_mapping_like(example, words))


class RegionMm(_Shape):
    """A rectangle in mm of the reference that places it; it may lie partly outside."""

    x: float = Field(ge=-5000, le=5000)
    """Left side [mm]."""
    y: float = Field(ge=-5000, le=5000)
    """Top side [mm]."""
    width: float = Field(gt=0, le=5000)
    """Width [mm]."""
    height: float = Field(gt=0, le=5000)
    """Height [mm]."""

    _is_mapping = _shape_check(
        "{x: 0, y: 0, width: 70, height: 40}", "a region is a mapping of four numbers"
    )


class RegionPx(_Shape):
    """A rectangle in pixels of the frame."""

    x: int = Field(ge=0, le=100_000)
    """Left side [px]."""
    y: int = Field(ge=0, le=100_000)
    """Top side [px]."""
    width: int = Field(gt=0, le=100_000)
    """Width [px]."""
    height: int = Field(gt=0, le=100_000)
    """Height [px]."""

    _is_mapping = _shape_check(
        "{x: 0, y: 0, width: 640, height: 480}", "a region is a mapping of four whole numbers"
    )


class Limit(_Shape):
    """What a value must be, and how a carton is named that breaks it."""

    min: Any = None
    """Smallest good value: a number, a date, `{order: field}` or `{days_from_today: n}`."""
    max: Any = None
    """Largest good value; as `min`."""
    equals: Any = None
    """The only good value, or `{order: field}`."""
    one_of: list[Any] | None = Field(None, min_length=1)
    """All good values."""
    matches: str | None = None
    """A pattern that the whole text must fit (RE2 syntax, linear time)."""
    reject_as: Words | None = None
    """Words for the reject log; by default the step and the value."""
    catches: list[TruthWord] = []
    """Defect words of a captured set's truth that this limit is meant to catch."""
    explained_by: Words | list[Words] = []
    """`camera.step` whose broken limit explains this one: then the carton is named after that."""
    may_be_missing: bool = False
    """Whether a value that was not measured is good here; by default it is not."""

    _is_mapping = _shape_check("gap_mm: {max: 1.0}", "a limit names a value, then its bounds")

    @model_validator(mode="after")
    def _says_something(self) -> Limit:
        if all(
            bound is None for bound in (self.min, self.max, self.equals, self.one_of, self.matches)
        ):
            message = "a limit needs one of `min`, `max`, `equals`, `one_of`, `matches`"
            raise ValueError(message)
        return self


class NotMeasuredRule(_Shape):
    """How a carton is named on which a step could not measure."""

    reject_as: Words
    """Words for the reject log."""
    catches: list[TruthWord] = []
    """Defect words that this is meant to catch."""
    explained_by: Words | list[Words] = []
    """`camera.step` whose broken limit explains it."""


class StepSpec(_Shape):
    """One step of one camera: where it looks, how, and what its values must be."""

    step: Words
    """Which step: a file in `steps/`, or the dotted name of an installed one."""
    placed_by: Name | None = None
    """The step of this camera whose pose places this one; regions are then mm in its reference."""
    region_mm: RegionMm | None = None
    """Where a placed step looks [mm]; by default the whole reference that places it."""
    region_px: RegionPx | None = None
    """Where a step that nothing places looks [px]; by default the whole frame."""
    mm_per_px: float | None = Field(None, ge=0.0001, le=10)
    """Scale of the view [mm/px]; by default that of the placing reference, or of the camera."""
    leave_out: list[Name | RegionMm] = []
    """Parts that are not looked at: regions in mm, or steps whose regions are left out."""
    settings: Annotated[
        dict[str, Any], _by_name("settings: {search_mm: 8}", "settings stand by name")
    ] = {}
    """Parameters of the step; its reference page lists them."""
    limits: Annotated[
        dict[str, Limit], _by_name("limits: {gap_mm: {max: 1.0}}", "limits stand by value")
    ] = {}
    """What its values must be."""
    not_measured: Words | NotMeasuredRule | None = None
    """How a carton is named on which the step could not measure."""


class Expects(_Shape):
    """What a frame of a camera must be; another frame is a fault."""

    width_px: int | None = Field(None, gt=0)
    """Width of the frame [px]."""
    height_px: int | None = Field(None, gt=0)
    """Height of the frame [px]."""
    color: bool | None = None
    """Whether the frame is in colour."""


class CameraSpec(_Shape):
    """What one camera checks."""

    expects: Expects = Expects(width_px=None, height_px=None, color=None)
    """What its frames must be."""
    steps: Annotated[
        dict[Name, StepSpec],
        _by_name("steps: {panel: {step: locate}}", "steps stand by a name that you give them"),
    ] = Field(min_length=1)
    """Steps by name; their order follows from what places what."""


class AgreeRule(_Shape):
    """Values, of one camera or several, that must be equal."""

    values: list[Words] = Field(min_length=2)
    """`camera.step.value`, two or more of one type."""
    reject_as: Words
    """Words for the reject log."""
    catches: list[TruthWord] = []
    """Defect words that this rule is meant to catch."""
    tolerance: float = Field(0.0, ge=0)
    """How far numbers may lie apart, in their own unit."""


class UniqueRule(_Shape):
    """A value that no two cartons of a run may share, such as a serial number."""

    value: Words
    """`camera.step.value`, a text or a whole number."""
    reject_as: Words
    """Words for the reject log."""
    catches: list[TruthWord] = []
    """Defect words that this rule is meant to catch."""
    listed_in: Name | None = None
    """Order field of type `texts`: only values that stand in it are good."""


class VerdictRules(_Shape):
    """Rules over all cameras, and over the cartons of a run."""

    agree: list[AgreeRule] = []
    """Values that must be equal."""
    unique: list[UniqueRule] = []
    """Values that no two cartons of a run may share."""


class Recipe(_Shape):
    """What a good carton of one product is."""

    format: Literal[1]
    """Number of the recipe format; 1."""
    product: Product
    """Short name of the product: lower case letters, digits, `-`, `_`, `.`."""
    title: str = ""
    """Name of the product for people."""
    order: Annotated[
        dict[Name, Literal["text", "date", "whole_number", "number", "texts"]],
        _by_name("order: {lot: text, expiry: date}", "order fields stand by name"),
    ] = {}
    """Fields that an order must give, with their type."""
    cameras: Annotated[
        dict[Name, CameraSpec],
        _by_name("cameras: {front: {steps: {panel: {step: locate}}}}", "cameras stand by name"),
    ] = Field(min_length=1)
    """Cameras by name, each with its steps."""
    verdict: VerdictRules = VerdictRules()
    """Rules over all cameras."""
