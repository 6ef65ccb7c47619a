"""One self-contained page about a study: agreement, or capability of values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from engine.report.pages import template
from engine.report.study_plots import HEIGHT, LEFT, RIGHT, WIDTH, charts
from engine.report.study_wording import (
    PRACTICE,
    cartons_text,
    common_figures,
    cpk_text,
    left_out_texts,
    limits_text,
    out_texts,
    setup_figures,
)
from engine.report.wording import number_text, unit_text
from engine.study.agreement import Agreement
from engine.study.values import ValueStudy


def agreement_page(found: Agreement, files: Sequence[str], version: str = "") -> str:
    """Give the page about an agreement study as text.

    Parameters
    ----------
    found : Agreement
        The study.
    files : sequence of str
        The results it was made from, as they are to be shown.
    version : str
        Of this program.
    """
    shown = [*(f for setup in found.setups for f in setup_figures(setup)), *common_figures(found)]
    return _template().render(
        title="Agreement",
        lead="The same cartons decided several times, against a reference decision",
        files=files,
        version=version,
        agreement=found,
        figures=shown,
        good=len(found.cartons) - found.bad,
        disputed=cartons_text(found.disputed, 40),
        left_out=left_out_texts(found.left_out),
        practice=PRACTICE,
        studies=[],
    )


def capability_page(
    found: Sequence[ValueStudy], files: Sequence[str], cartons: int, version: str = ""
) -> str:
    """Give the page about values against their limits as text.

    Parameters
    ----------
    found : sequence of ValueStudy
        One for each value.
    files : sequence of str
        The results it was made from, as they are to be shown.
    cartons : int
        How many cartons [count].
    version : str
        Of this program.
    """
    return _template().render(
        title="Capability",
        lead="How the spread of values fits their limits, and whether it stays what it was",
        files=files,
        version=version,
        agreement=None,
        studies=[(study, charts(study), out_texts(study)) for study in found],
        cartons=cartons,
        size=(WIDTH, HEIGHT, LEFT, WIDTH - RIGHT),
    )


def _template() -> Any:
    return template(
        "study.html.j2",
        limits=lambda series: limits_text(series.limits, series.unit),
        cpk=cpk_text,
        number=number_text,
        unit=unit_text,
    )
