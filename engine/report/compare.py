"""Two results of the same cartons: which verdicts changed, and which values did it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Change:
    """One carton whose verdict or reasons changed."""

    trigger: str
    before: str
    after: str
    did_it: tuple[str, ...]
    """Findings that were good in one result and broken in the other, or what else changed."""

    @property
    def verdict_changed(self) -> bool:
        """Whether the verdict itself is another."""
        return self.before != self.after


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed from one result to another."""

    cartons: int
    """Cartons that are in both."""
    changes: tuple[Change, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]

    @property
    def equal(self) -> bool:
        """Whether both hold the same cartons with the same verdicts."""
        changed = any(change.verdict_changed for change in self.changes)
        return not (changed or self.only_before or self.only_after)


def compare(before: Sequence[Row], after: Sequence[Row]) -> Comparison:
    """Compare two results carton by carton.

    Parameters
    ----------
    before, after : sequence of mapping
        Result rows, as results files hold them.
    """
    old = {row["trigger"]: row for row in before}
    new = {row["trigger"]: row for row in after}
    both = [trigger for trigger in old if trigger in new]
    changes = [
        Change(t, old[t]["verdict"], new[t]["verdict"], _what_did_it(old[t], new[t]))
        for t in both
        if old[t]["verdict"] != new[t]["verdict"] or _broken(old[t]) != _broken(new[t])
    ]
    return Comparison(
        cartons=len(both),
        changes=tuple(changes),
        only_before=tuple(t for t in old if t not in new),
        only_after=tuple(t for t in new if t not in old),
    )


def _findings(row: Row) -> dict[str, Mapping[str, Any]]:
    return {f"{f['camera']}.{f['step']}.{f['value']}": f for f in row.get("findings", ())}


def _broken(row: Row) -> set[str]:
    return {place for place, finding in _findings(row).items() if not finding["good"]} | set(
        row.get("not_measured", ())
    )


def _what_did_it(old: Row, new: Row) -> tuple[str, ...]:
    before, after = _findings(old), _findings(new)
    said: list[str] = []
    for place in dict.fromkeys([*before, *after]):
        a, b = before.get(place), after.get(place)
        if a is not None and b is not None and a["good"] != b["good"]:
            said.append(f"{place}: {_shown(a)} -> {_shown(b)}")
        elif a is None and b is not None and not b["good"]:
            said.append(f"{place}: no finding -> {_shown(b)}")
        elif b is None and a is not None and not a["good"]:
            said.append(f"{place}: {_shown(a)} -> no finding")
    unmeasured = old.get("not_measured", {}), new.get("not_measured", {})
    for place in dict.fromkeys([*unmeasured[0], *unmeasured[1]]):
        if (place in unmeasured[0]) != (place in unmeasured[1]):
            words = [
                "measured" if place not in said_of else "not measured" for said_of in unmeasured
            ]
            said.append(f"{place}: {words[0]} -> {words[1]}")
    if not said and old.get("faults") != new.get("faults"):
        said += [f"fault: {text}" for text in (*old.get("faults", ()), *new.get("faults", ()))]
    return tuple(said)


def _shown(finding: Mapping[str, Any]) -> str:
    bounds = ", ".join(f"{word} {bound}" for word, bound in finding["limit"].items())
    return f"{finding['measured']} {'good' if finding['good'] else 'broken'} ({bounds})"


def junit(found: Comparison, name: str) -> str:
    """Give a comparison as JUnit XML: a test case for each carton that changed, one for the rest.

    Parameters
    ----------
    found : Comparison
        What changed.
    name : str
        Name of the test suite.
    """
    changed = [change for change in found.changes if change.verdict_changed]
    absent = [*found.only_before, *found.only_after]
    suite = ElementTree.Element(
        "testsuite",
        name=name,
        tests=str(len(changed) + len(absent) + 1),
        failures=str(len(changed) + len(absent)),
    )
    same = found.cartons - len(changed)
    ElementTree.SubElement(suite, "testcase", classname=name, name=f"{same} cartons as before")
    for change in changed:
        case = ElementTree.SubElement(
            suite, "testcase", classname=name, name=f"carton {change.trigger}"
        )
        message = f"{change.before} -> {change.after}"
        failure = ElementTree.SubElement(case, "failure", message=message)
        failure.text = "\n".join(change.did_it)
    for trigger in absent:
        case = ElementTree.SubElement(suite, "testcase", classname=name, name=f"carton {trigger}")
        ElementTree.SubElement(case, "failure", message="only in one of the results")
    ElementTree.indent(suite)
    return ElementTree.tostring(suite, encoding="unicode", xml_declaration=True) + "\n"
