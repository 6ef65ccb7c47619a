"""The draft of a recipe as YAML, with comments that say what each part is and what to check."""

from __future__ import annotations

from collections.abc import Sequence

from engine.draft.answers import Box, Label
from engine.draft.codes import quoted_text
from engine.draft.draft import CameraDraft, Draft
from engine.draft.examples import CODE, COLOUR, CONTENTS, EDGE, LABEL, TEXT
from engine.draft.limits import Limit, limit_lines
from engine.graph.order import read_date


def recipe_text(draft: Draft, *, places_only: bool = False) -> str:
    """Write the recipe.

    Parameters
    ----------
    draft : Draft
        What is known.
    places_only : bool
        Whether only the steps that find panels and labels are written, for finding the rest.
    """
    answers = draft.answers
    lines = [
        f"# {answers.title or answers.product}: a draft from {draft.cartons} good cartons of the "
        f"set {draft.set_name}.",
        "# Go through it from top to bottom: every place marked CHECK is a decision of yours.",
        "# Places are millimetres on what the step is placed by: x to the right, y down.",
        "format: 1",
        f"product: {answers.product}",
        *([f"title: {quoted_text(answers.title)}"] if answers.title else []),
    ]
    if draft.order:
        fields = ", ".join(f"{name}: {_type(value)}" for name, value in draft.order.items())
        lines.append(f"order: {{{fields}}}     # what every order must give")
    lines += ["", "cameras:"]
    for name, camera in draft.cameras.items():
        lines += [f"  {name}:", *_expects(camera), "    steps:"]
        lines += _panel(draft, name, camera, places_only=places_only)
        for label in camera.answers.labels:
            if label in camera.label_files:
                lines += _label(draft, name, camera, label, places_only=places_only)
        lines += [] if places_only else _measures(draft, name, camera)
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _type(value: str) -> str:
    return "date" if read_date(value) else "text"


def _expects(camera: CameraDraft) -> list[str]:
    color = "true" if camera.color else "false"
    size = f"width_px: {camera.width_px}, height_px: {camera.height_px}"
    return [f"    expects: {{{size}, color: {color}}}     # other frames are faults"]


def _step(name: str, kind: str, comment: str, placed_by: str = "", region: Box | None = None) -> (
    list[str]
):  # fmt: skip
    lines = [f"      # {line}" for line in comment.splitlines()]
    lines += [f"      {name}:", f"        step: {kind}"]
    lines += [f"        placed_by: {placed_by}"] if placed_by else []
    lines += [f"        region_mm: {box_text(region)}"] if region else []
    return lines


def box_text(box: Box) -> str:
    """Write a region.

    Examples
    --------
    >>> box_text((3, 42.5, 49, 40))
    '{x: 3, y: 42.5, width: 49, height: 40}'
    """
    x, y, width, height = box
    return f"{{x: {x:g}, y: {y:g}, width: {width:g}, height: {height:g}}}"


def _list(values: Sequence[float]) -> str:
    return "[" + ", ".join(f"{v:g}" for v in values) + "]"


def _panel(draft: Draft, name: str, camera: CameraDraft, *, places_only: bool) -> list[str]:
    panel = camera.answers.panel
    corners = ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in camera.corners)
    lines = _step("panel", "locate", f"Finds the carton. {camera.how}")
    lines += [
        "        settings:",
        f"          reference: {camera.reference}",
        *(["          reference_is_frame: true"] if camera.is_frame else []),
        f"          size_mm: {_list(panel.size_mm)}",
        f"          corners_px: [{corners}]     # in carton {camera.nominal:06d}",
        f"          search_mm: {panel.search_mm:g}     # CHECK how far cartons wander",
        f"          search_deg: {panel.search_deg:g}",
    ]
    if camera.leave_out:
        lines.append("          leave_out_mm:     # CHECK: all that may change or move")
        lines += [f"            - {_list(box)}     # {why}" for box, why in camera.leave_out]
    place = f"{name}.panel"
    if places_only or not panel.is_flap:
        others = [flap for flap in draft.flaps() if not flap.startswith(f"{name}.")]
        others = [f for f in others if f.endswith(".panel")]
        lines += _not_measured("carton not found", (), [] if places_only else others)
        return lines
    lines += limit_lines(
        draft,
        place,
        [
            Limit("quality", "flap not closed", ("flap-crooked", "flap-open")),
            Limit("scale", "flap open", ("flap-open",)),
        ],
    )
    words = ("flap-missing", "flap-open", "flap-crooked")
    return lines + _not_measured("flap missing or far open", _known(draft, words), ())


def _not_measured(reason: str, words: Sequence[str], causes: Sequence[str]) -> list[str]:
    more = f", catches: [{', '.join(words)}]" if words else ""
    more += f", explained_by: [{', '.join(causes)}]" if causes else ""
    return [f"        not_measured: {{reject_as: {reason}{more}}}"]


def _known(draft: Draft, words: Sequence[str]) -> list[str]:
    return [word for word in words if word in draft.words]


def _label(
    draft: Draft, name: str, camera: CameraDraft, label: str, *, places_only: bool
) -> list[str]:
    said = camera.answers.labels[label]
    changes = label_changes(camera, label)
    lines = _step(label, "locate", f"The label's own place. {camera.label_how[label]}", "panel")
    lines += [
        "        settings:",
        f"          reference: {camera.label_files[label]}",
        f"          size_mm: {_list(said.size_mm)}",
        f"          at_mm: {_list(camera.label_at[label])}     # CHECK: where it belongs",
        f"          search_mm: {max(10.0, 3 * said.max_shift_mm):g}",
        "          search_deg: 12",
    ]
    if changes:
        boxes = ", ".join(_list(box) for box in changes)
        lines.append(f"          leave_out_mm: [{boxes}]     # date, lot, code: they may change")
    if places_only:
        return lines
    turn = f"{said.max_turn_deg:g}"
    lines += limit_lines(
        draft,
        f"{name}.{label}",
        [
            Limit("shift_mm", f"{label} shifted", ("label-shifted",),
                  bound=f"max: {said.max_shift_mm:g}", note="CHECK: as specified"),
            Limit("turn_deg", f"{label} turned", ("label-skewed",),
                  bound=f"min: -{turn}, max: {turn}", note="CHECK: as specified"),
        ],
    )  # fmt: skip
    words = _known(draft, ("missing-label", "wrong-label"))
    lines += _not_measured(f"{label} missing or wrong", words, ())
    lines += _colour(draft, name, label, said)
    return lines + (_print(draft, name, label, said, changes) if said.compare else [])


def label_changes(camera: CameraDraft, label: str) -> list[Box]:
    """Give the parts of a label that may change: as said, and where texts and codes stand."""
    answers = camera.answers
    boxes = list(answers.labels[label].leave_out_mm)
    boxes += [text.region_mm for text in answers.texts.values() if text.on == label]
    boxes += [code.region for code in camera.codes.values() if code.on == label]
    width, height = answers.labels[label].size_mm
    return [cut for box in boxes if (cut := _inside(box, width, height)) is not None]


def _inside(box: Box, width: float, height: float) -> Box | None:
    x, y = max(0.0, box[0]), max(0.0, box[1])
    right, bottom = min(width, box[0] + box[2]), min(height, box[1] + box[3])
    return (x, y, right - x, bottom - y) if right > x and bottom > y else None


def _colour(draft: Draft, name: str, label: str, said: Label) -> list[str]:
    if said.patch_mm is None:
        return COLOUR.format(label=label).splitlines()
    boxes = [said.patch_mm, *([said.white_mm] if said.white_mm else [])]
    room = 3.0  # a view must hold all of both, to its last row
    left = max(0.0, min(b[0] for b in boxes) - room)
    top = max(0.0, min(b[1] for b in boxes) - room)
    right = min(said.size_mm[0], max(b[0] + b[2] for b in boxes) + room)
    bottom = min(said.size_mm[1], max(b[1] + b[3] for b in boxes) + room)
    region = (left, top, right - left, bottom - top)

    def moved(box: Box) -> str:
        return box_text((box[0] - left, box[1] - top, box[2], box[3]))

    step = f"{label}_colour"
    lines = _step(step, "colour", "Tells varieties of one design apart, against the label's white.",
                  label, region)  # fmt: skip
    lines += [
        "        settings:",
        f"          reference: {step.replace('_', '-')}.npz",
        f"          patch_mm: {moved(said.patch_mm)}",
        *([f"          white_mm: [{moved(said.white_mm)}]"] if said.white_mm else []),
    ]
    limit = Limit("difference", "wrong label", ("wrong-label",), bound="max: 8",
                  note="on the scale of good cartons")  # fmt: skip
    return lines + limit_lines(draft, f"{name}.{step}", [limit])


def _print(draft: Draft, name: str, label: str, said: Label, changes: Sequence[Box]) -> list[str]:
    width, height = said.size_mm
    step = f"{label}_print"
    region = (0.5, 0.5, width - 1, height - 1)
    lines = _step(step, "print_difference", "Is all print there, and nothing else.", label, region)
    if changes:
        boxes = ", ".join(box_text(box) for box in changes)
        lines.append(f"        leave_out: [{boxes}]")
    lines.append(f"        settings: {{reference: {step.replace('_', '-')}.npz}}")
    causes = [f"{name}.{label}", *([f"{name}.{label}_colour"] if said.patch_mm else [])]
    limit = Limit("difference", "print differs", ("print-smudge", "missing-print", "wrong-label"),
                  bound="max: 8", note="on the scale of good cartons",
                  causes=(*causes, *draft.flaps()))  # fmt: skip
    return lines + limit_lines(draft, f"{name}.{step}", [limit])


def _measures(draft: Draft, name: str, camera: CameraDraft) -> list[str]:
    lines: list[str] = []
    answers = camera.answers
    for step in answers.texts:
        lines += _text(draft, name, camera, step)
    for step in camera.codes:
        lines += _code(draft, name, camera, step)
    for step in answers.contents:
        lines += _contents(draft, name, camera, step)
    for step in answers.edges:
        lines += _edge(draft, name, camera, step)
    missing = [
        (LABEL, answers.labels), (TEXT, answers.texts), (CODE, camera.codes),
        (CONTENTS, answers.contents), (EDGE, answers.edges),
    ]  # fmt: skip
    return lines + [line for example, there in missing if not there
                    for line in example.splitlines()]  # fmt: skip


def _text(draft: Draft, name: str, camera: CameraDraft, step: str) -> list[str]:
    said = camera.answers.texts[step]
    words = step.replace("_", " ")
    lines = _step(step, "printed_text", "Held against the text that must stand there; nothing is "
                  "read that is known.", said.on, said.region_mm)  # fmt: skip
    lines += [
        "        settings:",
        f"          reference: {step.replace('_', '-')}.npz     # CHECK its picture",
        f"          text: {quoted_text(said.text)}",
        f"          height_mm: {said.height_mm:g}",
    ]
    causes = (f"{name}.{said.on}_print",) if said.on in _compared(camera) else ()
    limit = Limit("worst_margin", f"wrong {words}", ("wrong-date", "wrong-lot"),
                  bound="min: 0.1", note="0 = half way to another character",
                  causes=causes)  # fmt: skip
    lines += limit_lines(draft, f"{name}.{step}", [limit])
    return lines + _not_measured(f"{words} missing",
                                 _known(draft, ("missing-print", "wrong-date")), ())  # fmt: skip


def _compared(camera: CameraDraft) -> list[str]:
    return [label for label, said in camera.answers.labels.items() if said.compare]


def _code(draft: Draft, name: str, camera: CameraDraft, step: str) -> list[str]:
    code = camera.codes[step]
    comment = f"Read on {code.count} of {draft.cartons} good cartons."
    if code.more:
        comment += f"\nCHECK: {code.more} more of this kind in view; the region must hold one."
    lines = _step(step, "code_content", comment, code.on, code.region)
    lines.append(f"        settings: {{symbology: {code.symbology}}}")
    limits = [
        Limit("state", "code missing or unreadable", ("code-missing", "code-damaged"),
              bound="equals: read"),
        *(Limit(e.value, "wrong code", ("code-wrong",), bound=f"equals: {e.bound}",
                note=f"CHECK: {e.note}", may_be_missing=True) for e in code.expected),
        Limit("print_contrast", "code pale", ("low-contrast",)),
    ]  # fmt: skip
    if code.is_linear:
        limits.append(Limit("scan_lines", "code damaged", ("code-damaged",)))
    return lines + limit_lines(draft, f"{name}.{step}", limits)


def _contents(draft: Draft, name: str, camera: CameraDraft, step: str) -> list[str]:
    said = camera.answers.contents[step]
    words = step.replace("_", " ")
    causes = tuple(f for f in draft.flaps() if f != f"{name}.{said.on}")
    lines = _step(step, "contents", "What lies in the carton.", said.on, said.region_mm)
    if said.diameter_mm is not None:
        lines.append(f"        settings: {{mode: round, diameter_mm: {said.diameter_mm:g}}}")
        count = said.count or camera.counts.get(step)
        if count is None:
            return lines
        note = "" if said.count else "CHECK: as on the good cartons"
        limit = Limit("present", f"{words}: wrong count", ("missing-item",),
                      bound=f"equals: {count}", note=note, causes=causes)  # fmt: skip
        return lines + limit_lines(draft, f"{name}.{step}", [limit])
    cells = f"cells: {{columns: {said.columns}, rows: {said.rows}}}"
    lines.append(f"        settings: {{{cells}, reference: {step.replace('_', '-')}.npz}}")
    limits = [
        Limit("missing", f"{words} missing", ("missing-item",), bound="max: 0", causes=causes),
        Limit("difference", f"wrong or missing {words}", ("wrong-item", "missing-item"),
              bound="max: 8", note="on the scale of good cartons", causes=causes),
    ]  # fmt: skip
    return lines + limit_lines(draft, f"{name}.{step}", limits)


def _edge(draft: Draft, name: str, camera: CameraDraft, step: str) -> list[str]:
    said = camera.answers.edges[step]
    expected = said.expected_mm if said.expected_mm is not None else camera.edges_mm.get(step)
    lines = _step(step, "flap_edge", "Where the edge runs; a gap is how far it is off.", said.on,
                  said.region_mm)  # fmt: skip
    settings = [f"kind: {said.kind}"]
    if said.kind == "step":
        settings += [f"below: {said.below}"]
    settings += [f"pick: {said.pick}"]
    settings += [] if expected is None else [f"expected_mm: {expected:g}"]
    lines.append(f"        settings: {{{', '.join(settings)}}}")
    own = "" if said.max_gap_mm is None else f"max: {said.max_gap_mm:g}"
    words = ("flap-open", "flap-crooked")
    causes = tuple(f for f in draft.flaps() if f.endswith(".panel"))
    limits = [
        Limit("gap_mm", "flap open", words, bound=own, note="CHECK: as you said" if own else "",
              causes=causes),
        Limit("angle_deg", "flap crooked", ("flap-crooked", "flap-open"), causes=causes),
    ]  # fmt: skip
    return lines + limit_lines(draft, f"{name}.{step}", limits)
