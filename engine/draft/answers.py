"""What an engineer says of a new product: the questions of `new`, as a file that can be kept."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from engine.recipe.model import Name, Product

Box = tuple[float, float, float, float]
"""x, y, width, height [mm]."""
Corner = tuple[float, float]


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class Panel(_Shape):
    """The flat, printed part by which a camera finds the carton."""

    size_mm: tuple[float, float]
    """Width and height of what its four corners span [mm]."""
    print: str | None = None
    """Print file (PNG), its place relative to the answers; none: a good frame is taken."""
    corners_px: tuple[Corner, Corner, Corner, Corner] | None = None
    """Its corners in the frame of `carton`, clockwise from its own top left; none: they are found
    by the print file [px]."""
    carton: int | None = None
    """The good carton in whose frame the corners were read off."""
    search_mm: float = Field(10, gt=0)
    """How far cartons wander, to each side [mm]."""
    search_deg: float = Field(5, ge=0, le=180)
    """How far they turn [deg]."""
    leave_out_mm: tuple[Box, ...] = ()
    """Parts that may change or move, beside those that other answers name [mm]."""
    is_flap: bool = False
    """Whether it is a lid or flap whose place and shape say that the carton is closed."""


class Label(_Shape):
    """A label pasted on the panel."""

    size_mm: tuple[float, float]
    """Width and height [mm]."""
    print: str | None = None
    """Print file (PNG); none: it is cut out of a good carton, and `at_mm` is needed."""
    at_mm: tuple[float, float] | None = None
    """Where its top left corner belongs on the panel; none: where good cartons have it [mm]."""
    leave_out_mm: tuple[Box, ...] = ()
    """Parts that may change, in mm of the label, beside those that other answers name [mm]."""
    max_shift_mm: float = Field(2.5, gt=0)
    """How far it may lie from its place [mm]."""
    max_turn_deg: float = Field(3, gt=0)
    """How far it may be turned [deg]."""
    compare: bool = True
    """Whether all its print is compared with that of good cartons."""
    patch_mm: Box | None = None
    """Where its colour tells it from other labels; none: colour is not looked at [mm]."""
    white_mm: Box | None = None
    """Bare paper of the label, near the patch [mm]."""

    @model_validator(mode="after")
    def _can_be_had(self) -> Label:
        if self.print is None and self.at_mm is None:
            message = "a label needs its print file (`print`) or its place on the panel (`at_mm`)"
            raise ValueError(message)
        return self


class Code(_Shape):
    """A code; its content is read off the good cartons."""

    symbology: str | None = None
    """Its kind; none: as found."""
    on: Name | None = None
    """What places it, `panel` or a label; none: the label it lies on, or else the panel."""
    content: Literal["suggest", "any"] | str = "suggest"
    """What it must say: `suggest` = what all good cartons say, `any`, or the text itself."""


class TextLine(_Shape):
    """A printed line with date, lot or time."""

    text: str = Field(min_length=1)
    """What it says, as `LOT {lot}` or `BB {expiry:dd/mm/yyyy}` or `dd/mm/yyyy` for any date."""
    on: Name = "panel"
    """What places it."""
    region_mm: Box
    """Where it is looked for, with 1 to 3 mm around it [mm]."""
    height_mm: float = Field(gt=0)
    """Height of a capital [mm]."""


class Contents(_Shape):
    """What lies in the carton."""

    on: Name = "panel"
    """What places it."""
    region_mm: Box
    """The area of all items [mm]."""
    columns: int = Field(1, ge=1, le=40)
    """Cells side by side [count]."""
    rows: int = Field(1, ge=1, le=40)
    """Cells one below the other [count]."""
    diameter_mm: float | None = Field(None, gt=0)
    """Diameter of round items that lie anywhere; then they are counted [mm]."""
    count: int | None = Field(None, ge=1)
    """How many round items belong in; none: as many as all good cartons hold [count]."""


class Edge(_Shape):
    """An edge, gap or line of a lid or flap."""

    on: Name = "panel"
    """What places it."""
    region_mm: Box
    """Where it may run, with room above and below; may begin above the panel [mm]."""
    kind: Literal["step", "dark_line", "light_line"] = "step"
    """What is seen: two areas that meet, or a thin line."""
    below: Literal["any", "brighter", "darker"] = "any"
    """Of a step: what lies below it."""
    pick: Literal["strongest", "first", "last"] = "strongest"
    """Which edge is meant where there are several; first = nearest the top."""
    expected_mm: float | None = None
    """Where it runs on a good carton, below the region's top; none: as on good cartons [mm]."""
    max_gap_mm: float | None = Field(None, gt=0)
    """How far it may be off; none: what good cartons suggest [mm]."""


class Camera(_Shape):
    """What one camera checks."""

    panel: Panel
    """How it finds the carton."""
    labels: dict[Name, Label] = {}
    """Labels, by a name of your own."""
    codes: dict[Name, Code] | None = None
    """Codes by name; none: all that are found on good cartons; `{}`: no code."""
    texts: dict[Name, TextLine] = {}
    """Printed lines with dates, lots or times."""
    contents: dict[Name, Contents] = {}
    """Items to be seen."""
    edges: dict[Name, Edge] = {}
    """Edges of lids and flaps."""

    @model_validator(mode="after")
    def _names_fit(self) -> Camera:
        parts = (self.labels, self.codes or {}, self.texts, self.contents, self.edges)
        names = ["panel", *(name for part in parts for name in part)]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            message = f"`{twice[0]}` is the name of two things of one camera"
            raise ValueError(message)
        placed = [*self.texts.values(), *self.contents.values(), *self.edges.values()]
        places = {"panel", *self.labels}
        wrong = {p.on for p in placed} | {c.on for c in (self.codes or {}).values() if c.on}
        for name in sorted(wrong - places):
            message = f"`on: {name}` names neither `panel` nor a label of this camera"
            raise ValueError(message)
        return self


class Answers(_Shape):
    """All answers."""

    product: Product
    """Name of the product, for files and logs."""
    title: str = ""
    """What people call it."""
    cartons: str = "1-20"
    """Which cartons of the set are good, as 1-20,25."""
    order: dict[Name, str] = {}
    """Values of the order that ran when the frames were taken, beside those of the set."""
    cameras: dict[Name, Camera] = Field(min_length=1)
    """Cameras, by their names in the set."""
