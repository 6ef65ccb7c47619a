"""The command `cartonverdict`: one file per command, imported when it is asked for."""

from __future__ import annotations

import argparse
import importlib
import importlib.metadata
import os
import sys
from collections.abc import Sequence

COMMANDS: dict[str, str] = {
    "new": "a recipe for a new product from good cartons and answers, tried out on them",
    "check": "every mistake in a recipe, with its place",
    "replay": "verdicts on a captured set, against its truth where there is one",
    "explain": "one carton: pictures with what was measured drawn in, and why",
    "teach": "references from good cartons, and what their values suggest as limits",
    "cut": "a rectified picture of a part of a good carton, as a reference",
    "calibrate": "lens, tilt and place of a camera from photographs of a printed board",
    "rejudge": "new limits on recorded values, without an image: which verdicts change",
    "compare": "which cartons changed their verdict between two results, and why",
    "grade": "indicative print quality of one code in a scan or photograph",
    "stress": "what a recipe catches of made-up defects, and from which size on",
    "study": "agreement of decisions, capability of values, and cartons that a claim needs",
    "steps": "what a step measures, and its settings",
    "schema": "JSON Schema of recipes, for editors",
}

CAUTION = (
    "Cartonverdict is no safety device and no calibrated verifier, and it releases no batch: "
    "people do."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; gives the exit status.

    0 = done and as expected; 1 = done, but verdicts differ from truth, or without truth there was
    a fault; 2 = the request or a file is wrong.
    """
    # Cameras run side by side; threads inside each small product of matrices only get in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    arguments = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(
        prog="cartonverdict",
        description="Inspects cartons on a packing line: one verdict a carton.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=version())
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    named = next((a for a in arguments if not a.startswith("-")), None)
    for name, summary in COMMANDS.items():
        command = commands.add_parser(name, help=summary, description=summary, epilog=CAUTION)
        if name == named:
            importlib.import_module(f"engine.cli.{name}").arguments(command)
    options = parser.parse_args(arguments)
    module = importlib.import_module(f"engine.cli.{options.command}")
    return _run(module.run, options)


def _run(run: object, options: argparse.Namespace) -> int:
    from engine.faults import RunFault
    from engine.problems import ProblemsFound

    try:
        return int(run(options))  # type: ignore[operator]
    except ProblemsFound as found:
        count = len(found.problems)
        print("\n".join(map(str, found.problems)), file=sys.stderr)
        print(f"\n{count} problem{'s' if count != 1 else ''}.", file=sys.stderr)
        return 2
    except RunFault as fault:
        print(f"fault: {fault}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        sys.stderr.close()
        return 2


def version() -> str:
    """Give the installed version of this program."""
    return importlib.metadata.version("cartonverdict")


if __name__ == "__main__":
    sys.exit(main())
