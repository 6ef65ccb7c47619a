"""Codes in good frames: which kinds, where, and what they say on every carton."""

from __future__ import annotations

import typing
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from engine.draft.corners import Corners
from engine.draft.found import gray_of
from engine.frame import Frame
from engine.graph.registry import load_step
from steps.contract import View

_TRIED = 3
"""Frames in which any code is looked for before the camera is said to see none."""


@dataclass(slots=True)
class CodeSeen:
    """One kind of code on the good cartons of a camera."""

    symbology: str
    corners: dict[int, Corners] = field(default_factory=dict[int, Corners])
    """Where it lies, by trigger [px]."""
    contents: dict[int, Mapping[str, Any]] = field(default_factory=dict[int, Mapping[str, Any]])
    """What it says, by trigger: the values of `code_content`."""
    more: int = 0
    """Most further codes of the kind in one frame [count]."""

    @property
    def text(self) -> str | None:
        """The content, where it is the same on all cartons."""
        texts = {said["text"] for said in self.contents.values()}
        return texts.pop() if len(texts) == 1 else None


def find_codes(frames: Mapping[int, Frame], gamma: str | float = "srgb") -> list[CodeSeen]:
    """Look for every kind of code in whole frames.

    Parameters
    ----------
    frames : mapping
        Good cartons' frames of one camera, by trigger.
    gamma : str or float
        How their grey values are coded.

    Returns
    -------
    list of CodeSeen
        One for each kind that was read; of two kinds that read the same symbol the narrower.
    """
    names = _symbologies()
    triggers = list(frames)
    spread = triggers[:: max(1, len(triggers) // _TRIED)][:_TRIED]
    kinds: list[str] = []
    for trigger in spread:
        if _read(frames[trigger], names, gamma, attempts=18) is None:
            continue
        at_once = {name: _read(frames[trigger], [name], gamma, attempts=4) for name in names}
        kinds += [n for n, said in at_once.items() if said is not None and n not in kinds]
    found: list[CodeSeen] = []
    for name in sorted(kinds, key=lambda name: (not name.startswith("gs1_"), names.index(name))):
        seen = _all_frames(frames, name, gamma)
        if not any(_same_symbol(seen, other) for other in found):
            found.append(seen)
    return found


def _all_frames(frames: Mapping[int, Frame], name: str, gamma: str | float) -> CodeSeen:
    seen = CodeSeen(name)
    for trigger, frame in frames.items():
        said = _read(frame, [name], gamma, attempts=18, expect_count=2)
        if said is None:
            continue
        seen.corners[trigger] = np.asarray(said.marks[0].points, np.float64)
        seen.contents[trigger] = {n: getattr(said, n) for n in type(said).model_fields}
        seen.more = max(seen.more, said.count - 1)
    return seen


def _symbologies() -> list[str]:
    """List the names that the step knows."""
    hint = typing.get_type_hints(load_step("code_content").params)["symbology"]
    literal = next(h for h in typing.get_args(hint) if typing.get_origin(h) is typing.Literal)
    return list(typing.get_args(literal))


def _read(frame: Frame, names: list[str], gamma: str | float, **more: Any) -> Any:
    """Read a code in a whole frame; None where none is read."""
    step = load_step("code_content")
    params = step.params.model_validate({"symbology": names, **more})
    view = View(gray_of(frame), frame=frame.pixels, gamma=gamma, taken_at=frame.taken_at)
    said = step.function(view, params)
    return said if getattr(said, "text", None) else None


def _same_symbol(a: CodeSeen, b: CodeSeen) -> bool:
    """Say whether two kinds were read off the same symbol."""
    both = a.corners.keys() & b.corners.keys()
    off = [np.abs(a.corners[t].mean(axis=0) - b.corners[t].mean(axis=0)).max() for t in both]
    return bool(off) and float(np.median(off)) < 20


@dataclass(frozen=True, slots=True)
class Expected:
    """A limit on a code's content that good cartons suggest."""

    value: str
    """Which value of `code_content`."""
    bound: str
    """The bound as YAML, such as `{order: lot}`."""
    note: str


def expected(seen: CodeSeen, content: str, order: Mapping[str, str]) -> list[Expected]:
    """Suggest limits for what a code must say.

    Parameters
    ----------
    seen : CodeSeen
        What good cartons said.
    content : str
        `suggest`, `any`, or the text that must stand there.
    order : mapping
        Values of the order that ran.
    """
    if content == "any":
        return []
    if content != "suggest":
        return [Expected("text", quoted_text(content), "as you said")]
    parts = [_part(name, seen, order) for name in ("gtin", "lot", "expiry", "serial")]
    limits = [part for part in parts if part is not None]
    only_number = {n for n in ("lot", "expiry", "serial") if _all(n, seen) is not None}
    if limits and (seen.symbology.startswith("gs1") or not only_number):
        return limits
    if seen.text is None:
        return limits
    held = [f"`{name}`" for name, value in order.items() if value and value in seen.text]
    note = f"the same on all {len(seen.contents)} good cartons; is it fixed for the product?"
    if held:
        note += f" It holds the order's {', '.join(held)}: another order needs another text."
    return [Expected("text", quoted_text(seen.text), note)]


def _part(name: str, seen: CodeSeen, order: Mapping[str, str]) -> Expected | None:
    """Give the limit for one part of the content; None where it differs or is not there."""
    value = _all(name, seen)
    if value is None:
        return None
    text = value.isoformat() if isinstance(value, date) else str(value)
    for field_name, ordered in order.items():
        if ordered == text:
            return Expected(name, f"{{order: {field_name}}}", f"`{text}` on all good cartons")
    note = f"the same on all {len(seen.contents)} good cartons; is it fixed for the product?"
    shown = text[-13:] if name == "gtin" and text.startswith("0") else text
    bare = shown if name in ("gtin", "expiry") else quoted_text(shown)
    return Expected(name, bare, note)


def _all(name: str, seen: CodeSeen) -> Any:
    values = {said.get(name) for said in seen.contents.values()}
    return values.pop() if len(values) == 1 else None


def quoted_text(text: str) -> str:
    r"""Write a text in double quotes as YAML.

    Examples
    --------
    >>> print(quoted_text('say "ah"'))
    "say \"ah\""
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\x1d", "\\x1d")
    return f'"{escaped}"'
