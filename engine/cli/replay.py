"""`cartonverdict replay`: verdicts on a captured set, against its truth where there is one."""

from __future__ import annotations

import argparse
import signal
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from engine.frame import TriggerSet
    from engine.ports import Sink
    from engine.replay.replay import Job
    from engine.report.truth import Truth
    from engine.result import CartonVerdict, RunIdentity

Row = dict[str, Any]


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("set", type=Path, help="a captured set")
    parser.add_argument("--recipe", type=Path, required=True, help="a recipe's folder or file")
    parser.add_argument(
        "--order", action="append", default=[], metavar="FIELD=VALUE",
        help="value of an order field; by default the set's own",
    )  # fmt: skip
    parser.add_argument("--cartons", metavar="21-95", help="which cartons; by default all")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="threads that inspect")
    parser.add_argument("--json", type=Path, metavar="FILE", help="one line of JSON a carton")
    parser.add_argument("--records", type=Path, metavar="FILE", help="SQLite file of records")
    parser.add_argument("--reject-log", type=Path, metavar="FILE", help="CSV of rejects and faults")
    parser.add_argument("--report", type=Path, metavar="FILE", help="one HTML page with pictures")
    parser.add_argument(
        "--resume", action="store_true", help="go on where --json FILE ends, and leave out the rest"
    )


def run(options: argparse.Namespace) -> int:
    """Replay a set; 1 when verdicts differ from truth, or without truth when there is a fault."""
    from rich.console import Console

    from engine.cli.main import version
    from engine.devices.cameras.captured_set import open_set
    from engine.graph.order import read_pairs
    from engine.replay.cartons import chosen
    from engine.replay.replay import prepare_job
    from engine.report.truth import read_truth

    console = Console(highlight=False)
    _check(options)
    captured = open_set(options.set)
    triggers = chosen(options.cartons, captured.files)
    truth = read_truth(captured.truth_file) if captured.truth_file else None
    job = prepare_job(captured, options.recipe, read_pairs(options.order))
    for name in captured.left_out:
        console.print(f"not a frame, left alone: frames/{name}", markup=False)
    identity = job.identity(version(), _run_to_resume(options))
    rows, finished = _replay(options, job, triggers, truth, identity, console)
    return _say(options, rows, finished, truth, console)


def _check(options: argparse.Namespace) -> None:
    from engine.problems import Problem, ProblemsFound

    if options.jobs < 1:
        what = "At least one thread is needed."
        raise ProblemsFound([Problem("--jobs", 0, 0, str(options.jobs), "option", what)])
    if options.resume and options.json is None:
        what = "`--resume` goes on where a results file ends: name it with --json."
        raise ProblemsFound([Problem("--resume", 0, 0, "", "option", what)])


def _run_to_resume(options: argparse.Namespace) -> str | None:
    """Give the run that a results file belongs to, so that the rest belongs to it too."""
    if not options.resume or not options.json.is_file():
        return None
    with options.json.open(encoding="utf-8", errors="replace") as file:
        first = file.readline()
    import json

    try:
        return str(json.loads(first)["run"])
    except (ValueError, KeyError, TypeError):
        return None


def _replay(
    options: argparse.Namespace,
    job: Job,
    triggers: Sequence[int],
    truth: Mapping[int, Truth] | None,
    identity: RunIdentity,
    console: Console,
) -> tuple[list[Row], bool]:
    """Run the loop with all sinks; gives all rows, and whether every carton was reached."""
    from engine.records.reject_log import RejectLog
    from engine.records.results import ResultsFile
    from engine.records.store import RecordStore
    from engine.replay.replay import replay
    from engine.report.replay_page import ReplayReport

    with ExitStack() as ends:
        rows = _Rows(identity)
        sinks: list[Sink] = [rows]
        done: frozenset[int] = frozenset()
        if options.json:
            results = ends.enter_context(ResultsFile(options.json, identity, resume=options.resume))
            done = results.done
            rows.rows += results.earlier
            sinks.append(results)
        if options.records:
            sinks.append(ends.enter_context(RecordStore(options.records, identity)))
        if options.reject_log:
            log = RejectLog(options.reject_log, resume=options.resume)
            sinks.append(ends.enter_context(log))
        report = ReplayReport(truth) if options.report else None
        if report is not None:
            sinks.append(report)
        wanted = [t for t in triggers if t not in done]
        if done:
            console.print(f"{len(done)} cartons are done already; {len(wanted)} to go.")
        stop = ends.enter_context(_stopping(console))
        sinks.append(ends.enter_context(_progress(console, len(wanted))))
        earlier = tuple(rows.rows)
        replay(job, sinks, triggers=wanted, jobs=options.jobs, stop=stop.asked, earlier=earlier)
        finished = not stop.asked()
    rows.rows = [r for r in rows.rows if int(r["trigger"]) in set(triggers)]
    if report is not None:
        _write_report(options, report, rows.rows, truth, job, identity)
    return rows.rows, finished


def _write_report(
    options: argparse.Namespace,
    report: Any,
    rows: Sequence[Row],
    truth: Mapping[int, Truth] | None,
    job: Job,
    identity: RunIdentity,
) -> None:
    from engine.report.score import score

    options.report.parent.mkdir(parents=True, exist_ok=True)
    found = None if truth is None else score(rows, _of_these(rows, truth))
    report.write(options.report, identity, rows, found, set_name=str(options.set),
                 title=job.plan.title or job.plan.product)  # fmt: skip


def _say(
    options: argparse.Namespace,
    rows: Sequence[Row],
    finished: bool,
    truth: Mapping[int, Truth] | None,
    console: Console,
) -> int:
    from engine.report.score import score, score_table

    console.print(_times_table(rows))
    as_expected = not any(row["verdict"] == "fault" for row in rows)
    if truth is not None:
        found = score(rows, _of_these(rows, truth))
        console.print(score_table(found))
        as_expected = found.as_expected
    counts = {word: sum(r["verdict"] == word for r in rows) for word in ("pass", "reject", "fault")}
    console.print(
        f"{len(rows)} cartons: {counts['pass']} passed, {counts['reject']} rejected, "
        f"{counts['fault']} faulted."
    )
    for name, file in (("results", options.json), ("records", options.records),
                       ("reject log", options.reject_log), ("report", options.report)):  # fmt: skip
        if file is not None:
            console.print(f"{name}: {file}", soft_wrap=True)
    if not finished:
        console.print("Stopped before the end; --resume with --json goes on from here.")
        return 1
    return 0 if as_expected else 1


def _of_these(rows: Sequence[Row], truth: Mapping[int, Truth]) -> dict[int, Truth]:
    """Give the truth of the cartons that were replayed."""
    replayed = {int(row["trigger"]) for row in rows}
    return {trigger: said for trigger, said in truth.items() if trigger in replayed}


def _times_table(rows: Sequence[Row]) -> Any:
    from rich.table import Table

    from engine.report.times import step_times

    table = Table(title="time a carton", title_justify="left")
    table.add_column("step")
    table.add_column("median ms", justify="right")
    table.add_column("99 % ms", justify="right")
    for name, median, p99 in step_times(rows):
        table.add_row(name, f"{median:.1f}", f"{p99:.1f}")
    return table


class _Rows:
    """Keeps every verdict as the plain data that files hold."""

    def __init__(self, identity: RunIdentity) -> None:
        self.identity = identity
        self.rows: list[Row] = []

    def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:  # noqa: ARG002 - a sink
        """Keep one verdict."""
        from engine.result import to_json

        self.rows.append(to_json(verdict, self.identity))


class _Progress:
    """Shows how far the replay is."""

    def __init__(self, bar: Any, task: Any) -> None:
        self.bar = bar
        self.task = task
        self.rejected = 0

    def take(self, verdict: CartonVerdict, frames: TriggerSet) -> None:  # noqa: ARG002 - a sink
        """Count one carton."""
        self.rejected += verdict.verdict != "pass"
        self.bar.update(self.task, advance=1, not_passed=self.rejected)


@contextmanager
def _progress(console: Console, total: int) -> Iterator[_Progress]:
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("replay"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[not_passed]} not passed"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        yield _Progress(bar, bar.add_task("replay", total=total, not_passed=0))


class _Stop:
    """Remembers that the user asked to stop."""

    def __init__(self) -> None:
        self.wanted = False

    def asked(self) -> bool:
        return self.wanted


@contextmanager
def _stopping(console: Console) -> Iterator[_Stop]:
    """Let the first Ctrl-C end the loop after the carton at hand; a second one ends at once."""
    stop = _Stop()

    def on_interrupt(*_: object) -> None:
        if stop.wanted:
            raise KeyboardInterrupt
        stop.wanted = True
        console.print("Stopping after the cartons at hand ...")

    before = signal.signal(signal.SIGINT, on_interrupt)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)
