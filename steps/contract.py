"""What a step is: parameters, values, the view it looks at, and how it is declared.

A step is one file in `steps/` that holds a `Params` model, a `Values` model and one function
marked `@step`. It measures; it judges nothing. It opens no file, reads no clock and keeps nothing
between frames.

Optional in the same file, found by name:

- ``prepare(params, given) -> Prepared``: costly preparation, done once when a recipe is compiled;
  the step then takes the result as its third argument. A prepared object with an attribute
  ``mm_per_px`` sets the scale at which the step's views are made.
- ``teach(views, params, given) -> Taught``: a reference made from views of good cartons.
- ``as_measured(value, text) -> text``: the text of a limit as the step's values hold it, where
  they have a form of their own; raises `ValueError` with what is wrong.
- ``survey(view, params)``: measures and gives what draws it, for a page about one picture.
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Protocol, TypeAlias, TypeVar, get_type_hints, overload

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

Gray: TypeAlias = NDArray[np.uint8]
"""(M, N) uint8 grey levels."""

Matrix: TypeAlias = NDArray[np.float64]
"""(3, 3) float64 homography; points are (x, y), x to the right, y down, of pixel centres."""


class ReferenceFile(str):
    """The name of a reference in the recipe's folder, as a parameter (`.png`, `.jpg` or `.npz`).

    The engine checks that the file exists, loads it once and hands it to `prepare` as
    ``given.references[name]``.
    """

    __slots__ = ()

    @classmethod
    def __get_pydantic_core_schema__(cls, _: Any, __: GetCoreSchemaHandler) -> CoreSchema:
        """Take any text that is not empty."""
        return core_schema.no_info_after_validator_function(
            cls,
            core_schema.str_schema(min_length=1),
            serialization=core_schema.plain_serializer_function_ser_schema(str),
        )


class Params(BaseModel):
    """Base of a step's parameters: frozen, unknown keys refused.

    Each field is described by the docstring below it; a number's unit stands in [brackets].
    """

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        use_attribute_docstrings=True,
        arbitrary_types_allowed=True,
        defer_build=True,
    )


class Values(BaseModel):
    """Base of what a step measures; the field names are what `limits:` may use.

    Fields are `float`, `int`, `bool`, `str` or `date`, each possibly None (= not measured), and
    besides at most one `Pose` and `Marks`, which cannot be limited. A number's unit stands in
    [brackets] in the docstring below it.
    """

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        use_attribute_docstrings=True,
        arbitrary_types_allowed=True,
        defer_build=True,
    )


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """The step could not measure on this view; that is an ordinary outcome, not an exception."""

    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Where a reference lies: `matrix` maps mm in the reference to pixels of the view."""

    matrix: Matrix
    size_mm: tuple[float, float]
    """Width and height of the reference [mm]."""


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """A line or shape for people to look at, in pixels of the view (the engine places it)."""

    points: NDArray[np.float64]
    """(K, 2) float64, (x, y) of each corner or point."""
    kind: str = "line"
    """`line` (open), `shape` (closed) or `points`."""
    text: str = ""
    tone: str = "measured"
    """`measured` (what was found), `difference` (what differs) or `expected` (where to look)."""


Marks: TypeAlias = tuple[Mark, ...]


def no_marks() -> Marks:
    """Give an empty set of marks."""
    return ()


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """The part of a frame that a step looks at. Arrays are read-only where the engine makes them.

    Placed steps get a view rectified to the plane of the reference at `mm_per_px`; others get
    their part of the frame as it is.
    """

    gray: Gray
    """(M, N) uint8 grey levels."""
    mm_per_px: float = math.nan
    """Scale of the view [mm/px]; nan where it is not known."""
    origin_mm: tuple[float, float] = (0.0, 0.0)
    """Top left corner of the view in mm of the placing reference (x, y)."""
    rgb: NDArray[np.uint8] | None = None
    """(M, N, 3) uint8 red, green, blue; None from a grey camera or where the step asks none."""
    mask: NDArray[np.uint8] | None = None
    """(M, N) uint8: 0 where nothing may be measured (left out, or outside the frame), else 255."""
    frame: NDArray[np.generic] | None = None
    """The raw frame, (R, C) or (R, C, 3) uint8 or uint16, for steps that sample themselves."""
    to_frame: Matrix = field(default_factory=lambda: np.eye(3))
    """Maps pixels of the view to pixels of the frame."""
    gamma: str | float = 1.0
    """How grey values are coded: `srgb`, or the exponent g of value = light ** (1 / g)."""
    taken_at: datetime | None = None
    """When the frame was taken, local time of the line; None where frames carry no times."""


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """One loaded reference file: an image or named arrays."""

    name: str
    image: NDArray[np.uint8] | None = None
    """(M, N) or (M, N, 3) uint8, RGB; None for an npz file."""
    arrays: Mapping[str, NDArray[Any]] = field(default_factory=dict[str, NDArray[Any]])
    """The arrays of an npz file."""


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """What `prepare` and `teach` may use beside the parameters."""

    references: Mapping[str, Reference] = field(default_factory=dict[str, Reference])
    """Loaded references by the name that stands in the parameters."""
    order: Mapping[str, str | int | float | date] = field(
        default_factory=dict[str, "str | int | float | date"]
    )
    """Values of the order, by field."""
    mm_per_px: float = math.nan
    """Scale that views will have unless the prepared object sets another [mm/px]."""
    region_mm: tuple[float, float] | None = None
    """Width and height of the step's region [mm]; None where the step looks at the whole frame."""
    color: bool | None = None
    """Whether the camera gives colour, where that is known (when teaching)."""


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """A reference made from good cartons, and what was left out of it."""

    arrays: Mapping[str, NDArray[Any]]
    """What goes into the npz file; holds ``format``, an integer array of one number."""
    left_out: Mapping[int, str]
    """Index of each view that was not used, with the reason."""
    picture: NDArray[np.uint8] | None = None
    """What was taught, for people to look at; (M, N) or (M, N, 3) uint8 RGB."""


class UnusableReference(ValueError):  # noqa: N818 - the name says what is wrong, as in a sentence
    """Raised by `prepare` when a reference or a parameter cannot be used, with the reason.

    `parameter` names the setting at fault; the engine points at it in the recipe.
    """

    def __init__(self, why: str, parameter: str = "reference") -> None:
        super().__init__(why)
        self.why = why
        self.parameter = parameter


class StepFunction(Protocol):
    """A step as the engine calls it."""

    __name__: str

    def __call__(self, view: View, params: Any, /, *prepared: Any) -> Values | NotMeasured:
        """Measure on one view."""
        ...


@dataclass(frozen=True, slots=True)
class StepInfo:
    """What `@step` reads from a step's annotations."""

    name: str
    params: type[Params]
    values: type[Values]
    rgb: bool
    """Whether the step wants `view.rgb`."""
    takes_prepared: bool


Measure: TypeAlias = Callable[..., Values | NotMeasured]
F = TypeVar("F", bound=Measure)


@overload
def step(function: F) -> F: ...


@overload
def step(*, rgb: bool) -> Callable[[F], F]: ...


def step(function: Measure | None = None, *, rgb: bool = False) -> Any:
    """Declare a step; the function stays a plain function.

    Parameters
    ----------
    function : callable
        ``(view, params)`` or ``(view, params, prepared)``, fully annotated.
    rgb : bool
        Whether the step wants colour (`view.rgb`); grey is always there.

    Returns
    -------
    callable
        The same function, with `step_info` set on it.

    Raises
    ------
    TypeError
        When the annotations do not say what the parameters and values are.
    """

    def declare(f: Measure) -> Measure:
        hints = get_type_hints(f)
        names = list(inspect.signature(f).parameters)
        returns = hints.get("return")
        results = [t for t in getattr(returns, "__args__", (returns,)) if isinstance(t, type)]
        values = [t for t in results if issubclass(t, Values)]
        params = hints.get(names[1]) if len(names) > 1 else None
        if not (isinstance(params, type) and issubclass(params, Params) and len(values) == 1):
            message = (
                f"{f.__name__}: a step is (view: View, params: <Params>[, prepared]) -> <Values>"
            )
            raise TypeError(message)
        info = StepInfo(f.__name__, params, values[0], rgb, takes_prepared=len(names) > 2)
        f.step_info = info  # type: ignore[attr-defined]
        return f

    return declare if function is None else declare(function)


Teach: TypeAlias = Callable[[Sequence[View], Any, Given], Taught]
