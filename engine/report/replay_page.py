"""One self-contained page about a replay: against truth, with pictures of every wrong verdict."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2

from engine.faults import StoreFault
from engine.frame import Frame, TriggerSet
from engine.report.drawing import draw_camera
from engine.report.score import Outcome, Score, defect_rows, score, summary_rows
from engine.report.strips import HEIGHT, WIDTH, histories, strip, tally
from engine.report.times import step_times
from engine.report.truth import Truth
from engine.report.wording import limit_text, margin_text, measured_text
from engine.result import CartonVerdict, RunIdentity

PICTURE_WIDTH = 560
LETTERS = 16
"""Height of letters in pictures, which the page shows at about two thirds of their size [px]."""
JPEG_QUALITY = 80
TEMPLATES = Path(__file__).parent / "templates"

Kind = Outcome
Row = Mapping[str, Any]

MOST_WITH_PICTURES: dict[str, int] = {
    "missed": 24,
    "false reject": 24,
    "false fault": 8,
    "wrong reason": 16,
    "reject": 24,
    "fault": 8,
}
"""Of how many cartons of each kind pictures are kept; the page must stay small [count]."""

_HEADINGS = {
    "missed": "passed, though bad",
    "false reject": "rejected, though good",
    "false fault": "ended as a fault, though good",
    "wrong reason": "caught for another reason",
    "reject": "rejected",
    "fault": "ended as a fault",
}


@dataclass(frozen=True, slots=True)
class Shot:
    """One camera's picture of one carton, or why there is none."""

    camera: str
    source: str = ""
    """The picture as a data URI."""
    width: int = 0
    height: int = 0
    why: str = ""


@dataclass(frozen=True, slots=True)
class Card:
    """One carton as the page shows it, with pictures."""

    trigger: str
    kind: str
    heading: str
    truth: str
    row: Row
    shots: tuple[Shot, ...] | None
    """None where no pictures were kept."""
    telling: tuple[Row, ...]
    """Findings that are broken, or that should have caught the carton."""
    others: tuple[Row, ...]
    is_covered: bool
    """Whether some limit is to catch what is wrong with the carton."""


class ReplayReport:
    """A sink that keeps pictures of wrong verdicts, and writes the page at the end.

    Parameters
    ----------
    truth : mapping, optional
        Truth by trigger; without it, pictures of rejects and faults are kept.
    picture_width : int
        Width of the pictures on the page [px].
    """

    def __init__(
        self, truth: Mapping[int, Truth] | None = None, *, picture_width: int = PICTURE_WIDTH
    ) -> None:
        self._truth = truth
        self._width = picture_width
        self._shots: dict[int, tuple[Shot, ...]] = {}
        self._kept: dict[str, int] = dict.fromkeys(MOST_WITH_PICTURES, 0)

    def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:
        """Keep pictures of the carton when its verdict is wrong."""
        kind = _kind(_brief(verdict), self._truth)
        if kind is None or self._kept[kind] >= MOST_WITH_PICTURES[kind]:
            return
        self._kept[kind] += 1
        self._shots[verdict.trigger] = tuple(
            _shot(result.camera, verdict, frames, self._width) for result in verdict.results
        )

    def write(
        self,
        path: str | Path,
        identity: RunIdentity,
        rows: Sequence[Row],
        found: Score | None = None,
        *,
        set_name: str = "",
        title: str = "",
        made_at: str = "",
    ) -> None:
        """Write the page.

        Parameters
        ----------
        path : str or Path
            The HTML file; one that is there is replaced as a whole.
        identity : RunIdentity
            What was replayed with what.
        rows : sequence of mapping
            All verdicts as `engine.result.to_json` gives them.
        found : Score, optional
            The verdicts held against truth.
        set_name, title, made_at : str
            The captured set, the product and the time, as they are to be shown.

        Raises
        ------
        StoreFault
            When the file cannot be written.
        """
        html = self.page(identity, rows, found, set_name, title, made_at)
        target = Path(path)
        part = target.with_name(target.name + ".part")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            part.write_bytes(html.encode("utf-8", "backslashreplace"))
            part.replace(target)
        except OSError as error:
            part.unlink(missing_ok=True)
            message = f"{target}: writing the report failed: {error.strerror or error}"
            raise StoreFault(message) from error

    def page(
        self,
        identity: RunIdentity,
        rows: Sequence[Row],
        found: Score | None = None,
        set_name: str = "",
        title: str = "",
        made_at: str = "",
    ) -> str:
        """Give the page as text; see `write`."""
        ordered = sorted(rows, key=lambda row: int(row["trigger"]))
        cards = self._cards(ordered)
        every = histories(ordered, self._truth)
        return _template().render(
            title=title or identity.recipe.partition("@")[0],
            set_name=set_name,
            made_at=made_at,
            identity=identity,
            counts={
                word: sum(row["verdict"] == word for row in ordered)
                for word in ("pass", "reject", "fault")
            },
            found=found,
            summary=summary_rows(found) if found else [],
            defects=list(zip(defect_rows(found), found.defects, strict=True)) if found else [],
            cards=cards,
            without_pictures=sum(card.shots is None for card in cards),
            not_passed=[(row, self._truth_of(row)) for row in ordered if row["verdict"] != "pass"],
            times=step_times(ordered),
            strips=[strip(history) for history in every if history.is_numeric],
            tallies=[tally(history) for history in every if not history.is_numeric],
            strip_size=(WIDTH, HEIGHT),
        )

    def _cards(self, rows: Sequence[Row]) -> list[Card]:
        """Give a card for each wrong verdict, gravest first."""
        cards: list[Card] = []
        for row in rows:
            kind = _kind(row, self._truth)
            if kind is None:
                continue
            trigger = int(row["trigger"])
            words = _words(self._truth.get(trigger) if self._truth else None)
            meant = [bool(words & set(f["catches"])) for f in row["findings"]]
            telling = [f for f, m in zip(row["findings"], meant, strict=True) if m or not f["good"]]
            cards.append(
                Card(
                    trigger=row["trigger"],
                    kind=kind,
                    heading=_HEADINGS[kind],
                    truth=self._truth_of(row),
                    row=row,
                    shots=self._shots.get(trigger),
                    telling=tuple(telling),
                    others=tuple(f for f in row["findings"] if f not in telling),
                    is_covered=any(meant) or kind != "missed",
                )
            )
        order = list(_HEADINGS)
        return sorted(cards, key=lambda card: order.index(card.kind))

    def _truth_of(self, row: Row) -> str:
        if self._truth is None:
            return ""
        known = self._truth.get(int(row["trigger"]))
        return "not known" if known is None else str(known)


def _words(known: Truth | None) -> set[str]:
    """Give the words by which reasons may name what is wrong with a carton."""
    defects = known.defects if known else ()
    return {str(defect) for defect in defects} | {defect.word for defect in defects}


def _brief(verdict: CartonVerdict) -> Row:
    """Give of a verdict what is held against truth."""
    return {
        "trigger": str(verdict.trigger),
        "verdict": verdict.verdict,
        "catches": [word for reason in verdict.reasons for word in reason.catches],
        "faults": [reason.text for reason in verdict.reasons if reason.kind == "fault"],
    }


def _kind(row: Row, truth: Mapping[int, Truth] | None) -> str | None:
    """Give the kind of a verdict that people should look at, else None."""
    if truth is None:
        return None if row["verdict"] == "pass" else row["verdict"]
    cartons = score([row], truth).cartons
    if not cartons or cartons[0].outcome in ("good", "right"):
        return None
    return cartons[0].outcome


def _shot(camera: str, verdict: CartonVerdict, frames: TriggerSet, width: int) -> Shot:
    result = next(result for result in verdict.results if result.camera == camera)
    frame = frames.frames.get(camera)
    if not isinstance(frame, Frame):
        return Shot(camera, why=result.fault or "no frame came")
    picture = draw_camera(
        frame.pixels,
        result,
        verdict.findings,
        bits=frame.bits,
        max_width=width,
        letter_px=LETTERS,
        name_all=not any(not f.good for f in verdict.findings if f.camera == camera),
    )
    quality = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    done, encoded = cv2.imencode(".jpg", picture[:, :, ::-1], quality)
    if not done:
        return Shot(camera, why="the picture could not be encoded")
    text = base64.b64encode(encoded.tobytes()).decode()
    rows, columns = picture.shape[:2]
    return Shot(camera, f"data:image/jpeg;base64,{text}", columns, rows)


def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        limit=limit_text,
        margin=margin_text,
        measured=lambda finding: measured_text(finding["measured"], finding["unit"]),
    )
    return environment.get_template("replay.html.j2")
