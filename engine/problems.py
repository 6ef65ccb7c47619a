"""What is wrong in a user's file: where, what, and what is allowed instead."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

CODES: Mapping[str, str] = {
    # any file
    "unreadable": "The file is not there or cannot be read.",
    "too-large": "The file is larger than anything of its kind.",
    "not-utf8": "The file is not UTF-8 text.",
    "empty": "The file holds nothing.",
    # YAML
    "yaml": "The text is not YAML, or is nested too deeply.",
    "character": "A character stands here that no text may hold.",
    "alias": "An anchor, alias or merge key; each thing is written where it is read.",
    "tag": "A tag (`!name`); types follow from where a value stands.",
    "key": "A list or a mapping stands where a key must stand.",
    "repeated-key": "A key is given twice in one mapping.",
    # shape: kinds of value and which keys may stand where
    "missing": "A key that must be given is not there.",
    "extra-forbidden": "A key that means nothing here; often misspelt or in the wrong place.",
    "kind": "A value of another kind is needed; several kinds are allowed.",
    "model-type": "A mapping of keys to values is needed.",
    "dict-type": "A mapping of keys to values is needed.",
    "list-type": "A list is needed.",
    "tuple-type": "A list is needed.",
    "string-type": "A text is needed.",
    "float-type": "A number is needed.",
    "int-type": "A whole number is needed.",
    "bool-type": "`true` or `false` is needed.",
    "date-type": "A date as 2027-03-14 is needed.",
    "date-parsing": "A date as 2027-03-14 is needed.",
    "literal-error": "The word is none of those that are allowed.",
    "enum": "The word is none of those that are allowed.",
    "greater-than": "The number is not above its bound.",
    "greater-than-equal": "The number is below the smallest allowed.",
    "less-than": "The number is not below its bound.",
    "less-than-equal": "The number is above the largest allowed.",
    "multiple-of": "The number is no multiple of what it must be.",
    "string-too-short": "The text is too short.",
    "string-too-long": "The text is too long.",
    "string-pattern-mismatch": "The text does not have the form it must have.",
    "too-short": "The list or mapping holds too little.",
    "too-long": "The list or mapping holds too much.",
    "value-error": "The value breaks a rule that the message states.",
    "value": "The value cannot be used; the message says why.",
    # recipes: how files and steps hang together
    "based-on": "`based_on` names no recipe that can be built on.",
    "nothing-to-remove": "A key set to null is not in the recipe that this one is based on.",
    "unknown-step": "There is no step of this name.",
    "broken-step": "The step exists but cannot be imported or is not declared rightly.",
    "no-pose": "The step named in `placed_by` finds no pose.",
    "no-region": "The step named in `leave_out` has no region that can be left out here.",
    "cycle": "Steps wait for each other in a circle.",
    "region": "The kind of region does not fit how the step is placed, or none is given.",
    "no-scale": "A size in mm is used, but nothing says how large a pixel is.",
    "view-size": "The view would be too large at its scale.",
    "missing-reference": "A reference file is not there.",
    "bad-reference": "A reference file is not what its name says.",
    "unusable-reference": "The step cannot use this reference or setting.",
    # recipes: limits and rules
    "unknown-value": "The step measures no value of this name.",
    "limit-form": "The text of a limit does not have the form that the value has.",
    "limit-type": "The bound is of another type than the value.",
    "limit-empty": "No value can meet this limit.",
    "pattern": "The pattern cannot be used.",
    "agree-value": "Not a value of another step that can be compared.",
    "agree-type": "The values that must agree are of different types or units.",
    # orders
    "unknown-order-field": "The recipe declares no order field of this name.",
    "order-missing": "A field that the recipe needs is not in the order.",
    "order-type": "The order gives a value of another type than the recipe needs.",
    "order-form": "An order value is not written as FIELD=VALUE, or is given twice.",
    # commands
    "option": "An option of a command cannot be used so.",
    "cartons": "No carton, or not these, can be chosen from the set.",
    "no-good-carton": "No good carton is there, or none passes the recipe.",
    # drafts of recipes
    "print-not-found": "A print file is not found in the frames of a camera that should show it.",
    "print-file": "A print file cannot be used; a PNG is needed.",
    "not-located": "A panel or label is not found on a good carton, or its frame cannot be used.",
    "no-code": "No code of this kind is read in the good frames.",
    # calibration
    "bad-image": "A photograph cannot be decoded.",
    "image-sizes": "Photographs of one camera are not all of one size, or not of its lens's.",
    "no-board": "No board is found in a photograph, or too little of it.",
    "wrong-board": "A photograph shows another board than was named.",
    "too-few-images": "Too few photographs to tell a lens.",
    "same-pose": "The board is not tilted enough from photograph to photograph to tell a lens.",
    "board-places": "Boards at known places do not fit one place of the camera.",
    # captured sets, their truth, and results
    "no-frames": "There is no frame where a captured set should be.",
    "no-camera": "The set holds no frame of a camera of the recipe.",
    "frames-csv": "A row of frames.csv is not as it should be.",
    "truth-header": "The columns of truth.csv are not as they should be.",
    "truth-row": "A row of truth.csv has too many or too few cells.",
    "truth-trigger": "A trigger in truth.csv is no number.",
    "truth-verdict": "A verdict in truth.csv is neither pass nor reject.",
    "truth-defects": "The defects of a row of truth.csv do not fit its verdict, or are misspelt.",
    "repeated-trigger": "A trigger stands twice.",
    "results-line": "A line of a results file is not what `replay --json` writes.",
    "torn-line": "The last line of a results file is torn.",
}
"""Every kind of mistake in users' files, in one sentence each."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in a file, with its place."""

    file: str
    line: int
    """Line in the file, from 1; 0 where the mistake has no line (a missing file)."""
    column: int
    """Column in the line, from 1."""
    path: str
    """Where in the data, as `cameras.top.steps.flap`."""
    code: str
    """Short name of the kind of mistake; all are listed in DEVELOPERS.md."""
    what: str
    """What is wrong and what is allowed, as sentences."""
    source: str = ""
    """The line itself."""

    def __str__(self) -> str:
        """Give the mistake as people read it, with a mark under the place."""
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        head = "  ".join(part for part in (place, self.path, f"[{self.code}]") if part)
        lines = [head]
        if self.source.strip():
            shown, before = _window(self.source, self.column)
            lines += [f"    {shown}", " " * (4 + before) + "^"]
        lines += [f"    {part}" for part in self.what.splitlines()]
        return "\n".join(lines)


class ProblemsFound(Exception):  # noqa: N818 - reads as a sentence
    """A file cannot be used; holds every mistake found in it, in order of place."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = sorted(
            set(problems), key=lambda p: (p.file, p.line, p.column, p.code, p.path, p.what)
        )
        super().__init__("\n".join(map(str, self.problems)))


def nearest(word: str, allowed: Iterable[str]) -> str:
    """Give the sentence that names the nearest right word, or nothing.

    Examples
    --------
    >>> nearest("min_covrage", ["min_coverage", "min_contrast"])
    ' Did you mean `min_coverage`?'
    """
    words = list(dict.fromkeys(allowed))
    found = difflib.get_close_matches(word[:200], words, n=1, cutoff=0.6)
    if not found:
        lower = {w.lower(): w for w in words}
        found = [lower[word.lower()]] if word.lower() in lower else []
    return f" Did you mean {quoted(found[0])}?" if found else ""


def listed(words: Iterable[str]) -> str:
    """Give words as a list in a sentence.

    Examples
    --------
    >>> listed(["min", "max"])
    '`min`, `max`'
    """
    return ", ".join(quoted(word) for word in words)


def quoted(text: object, most: int = 60) -> str:
    r"""Give a user's text as it stands in a sentence: on one line, cut where it is long.

    Examples
    --------
    >>> quoted("top"), quoted("a\nb")
    ('`top`', '`a\\nb`')
    """
    whole = str(text)
    plain = "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode() for c in whole[:most]
    )
    return f"`{plain}...`" if len(whole) > most else f"`{plain}`"


def sentence(text: str) -> str:
    """Give a text as a sentence: a capital first, a full stop last.

    Examples
    --------
    >>> sentence("there is no file")
    'There is no file.'
    """
    text = text.strip()
    end = "" if text.endswith((".", "?", "!")) else "."
    return f"{text[:1].upper()}{text[1:]}{end}"


def _window(source: str, column: int, width: int = 100) -> tuple[str, int]:
    """Cut a long line around a column; gives it with the columns that stand before the mark.

    Tabs and other characters that cannot be shown become one space.
    """
    text = "".join(c if c.isprintable() else " " for c in source).rstrip()
    at = max(column - 1, 0)
    start, before = 0, ""
    if len(text) > width:
        start = max(0, min(at - width // 2, len(text) - width))
        before = "..." if start else ""
        after = "..." if start + width < len(text) else ""
        text = before + text[start : start + width] + after
    shown_before = text[: at - start + len(before)]
    spare = max(0, at - start + len(before) - len(text))
    return text, sum(map(_columns, shown_before)) + spare


def _columns(character: str) -> int:
    """Give how many columns a character takes on a screen."""
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1
