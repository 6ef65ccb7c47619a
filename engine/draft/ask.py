"""The interview: what the answers lack is asked, with a suggestion where there is one."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

from engine.devices.cameras.captured_set import CapturedSet
from engine.draft.answers import Answers
from engine.draft.given import Given
from engine.placing import validate
from engine.problems import ProblemsFound
from engine.yamlfile import Path_, parse_yaml

Ask = Callable[[str], str]
Say = Callable[[str], None]

_PANEL = (
    ("print", "print file of its panel (PNG; empty: take it from a good frame)", "text"),
    ("size_mm", "width and height of the panel in mm, as 150, 110", "numbers"),
)
_CORNERS = (
    ("carton", "a good carton, near the middle of how they lie", "number"),
    ("corners_px", "its panel's corners in px, clockwise from its own top left, as 87,84, 865,79, "
     "861,649, 92,646", "corners"),
)  # fmt: skip
_KINDS: dict[str, tuple[str, tuple[tuple[str, str, str], ...]]] = {
    "labels": ("a pasted label", (
        ("print", "its print file (PNG; empty: cut it out of a good carton)", "text"),
        ("size_mm", "its width and height in mm", "numbers"),
        ("at_mm", "x, y of its top left corner on the panel (empty: as on good cartons)",
         "numbers"),
    )),
    "texts": ("a printed line with date, lot or time", (
        ("text", "what it says, as LOT {lot} or BB {expiry:dd/mm/yyyy}", "text"),
        ("on", "placed by (panel, or a label's name)", "text"),
        ("region_mm", "x, y, width, height of where it is looked for, in mm", "numbers"),
        ("height_mm", "height of a capital in mm", "number"),
    )),
    "contents": ("contents to be seen", (
        ("region_mm", "x, y, width, height of the area of all items, in mm", "numbers"),
        ("columns", "columns of cells (empty: round items that lie anywhere)", "number"),
        ("rows", "rows of cells", "number"),
        ("diameter_mm", "diameter of round items in mm (empty: none are round)", "number"),
    )),
    "edges": ("an edge or gap of a lid or flap", (
        ("region_mm", "x, y, width, height of where it may run, in mm", "numbers"),
        ("kind", "step, dark_line or light_line (empty: step)", "text"),
        ("pick", "strongest, first or last, from the top (empty: strongest)", "text"),
    )),
}  # fmt: skip


class Interview:
    """Completes answers by asking; what is answered already is not asked again."""

    def __init__(
        self, given: Given, captured: CapturedSet, product: str, ask: Ask | None, say: Say
    ) -> None:
        self.given = given
        self.captured = captured
        self.product = product
        self.ask = ask
        self.say = say

    def complete(self) -> Answers:
        """Ask for what is missing and give all answers.

        Raises
        ------
        ProblemsFound
            When answers are wrong, or needed ones are missing and nothing may be asked.
        """
        if self.given.get(("product",)) is None:
            name = re.sub(r"[^a-z0-9._-]+", "-", self.product.lower()).strip("-._")
            self._question(("product",), "name of the product", "text", name or "my-product")
        if self.given.get(("cartons",)) is None:
            count = min(20, len(self.captured.files))
            first = min(self.captured.files)
            suggested = f"{first}-{first + count - 1}"
            self._question(("cartons",), "which cartons are good", "text", suggested)
        if self.given.get(("cameras",)) is None and self.ask is not None:
            self._cameras()
        answers, problems = validate(Answers, self.given.document.data, self.given.document)
        if answers is None:
            raise ProblemsFound(problems)
        return answers

    def _cameras(self) -> None:
        names = self.captured.camera_names
        self.say(f"The set holds frames of {', '.join(names)}. Empty answers take what stands in "
                 "[brackets], or leave it open.")  # fmt: skip
        for name in names:
            path: Path_ = ("cameras", name)
            if self._ask(f"{name}: does it look at the carton?", "yes").lower() not in ("y", "yes"):
                continue
            self._all((*path, "panel"), name, _PANEL)
            if self.given.get((*path, "panel", "print")) is None:
                self._all((*path, "panel"), name, _CORNERS)
            flap = self._ask(f"{name}: is that panel itself a lid or flap to be closed?", "no")
            if flap.lower() in ("y", "yes"):
                self.given.put((*path, "panel", "is_flap"), True)
            for kind, (words, questions) in _KINDS.items():
                while thing := self._ask(f"{name}: {words}? a name for it (empty: none)", ""):
                    self._all((*path, kind, thing), f"{name}.{thing}", questions)
            if self._ask(f"{name}: look for codes?", "yes").lower() not in ("y", "yes"):
                self.given.put((*path, "codes"), {})

    def _all(self, path: Path_, name: str, questions: Sequence[tuple[str, str, str]]) -> None:
        for key, words, form in questions:
            self._question((*path, key), f"{name}: {words}", form)

    def _question(self, path: Path_, words: str, form: str, suggested: str = "") -> None:
        while True:
            text = self._ask(words, suggested)
            if not text:
                return
            value = read_reply(text, form)
            if value is not None:
                self.given.put(path, value)
                return
            self.say(f"  {text!r} cannot be read as {form}.")

    def _ask(self, words: str, suggested: str) -> str:
        if self.ask is None:
            return suggested
        return self.ask(f"{words}{f' [{suggested}]' if suggested else ''}: ").strip() or suggested


def read_reply(text: str, form: str) -> Any:
    """Read a reply; None where it is not of the form that is asked.

    Examples
    --------
    >>> read_reply("150 x 110", "numbers"), read_reply("7", "number"), read_reply("x", "number")
    ([150, 110], 7, None)
    """
    if form == "text":
        return text
    found = re.findall(r"[-+]?[0-9]*\.?[0-9]+", text)
    numbers = [parse_yaml(n.lstrip("+"), "reply").data for n in found]
    if form == "number":
        return numbers[0] if len(numbers) == 1 else None
    if form == "corners":
        return [numbers[i : i + 2] for i in range(0, 8, 2)] if len(numbers) == 8 else None
    return numbers or None
