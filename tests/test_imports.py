"""The import rules of the layout, and what a bare machine and a quick start rest on."""

import ast
import subprocess
import sys
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ENGINE = sorted((ROOT / "engine").rglob("*.py"))
STEPS = sorted((ROOT / "steps").rglob("*.py"))


def imported(file: Path) -> set[str]:
    """Give the full name of every module that a file imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: imports name the whole path here"
            names.add(node.module or "")
    return names


def test_the_layers_of_the_engine_hold():
    """All contracts in pyproject.toml: layers, steps without engine, devices behind ports."""
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()",
         "--no-cache"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


@pytest.mark.parametrize("file", STEPS, ids=lambda f: f.stem)
def test_no_step_imports_the_engine(file):
    assert {name for name in imported(file) if name.partition(".")[0] == "engine"} == set()


@pytest.mark.parametrize("file", ENGINE, ids=lambda f: f.relative_to(ROOT).as_posix())
def test_the_engine_imports_no_step_by_name(file):
    of_steps = {name for name in imported(file) if name.partition(".")[0] == "steps"}
    assert of_steps <= {"steps", "steps.contract"}


@pytest.mark.parametrize(
    "file", [f for f in STEPS if f.parent.name == "steps"], ids=lambda f: f.stem
)
def test_steps_do_not_import_each_other(file):
    others = {f.stem for f in STEPS if f.parent.name == "steps"} - {"contract", "__init__"}
    found = {name for name in imported(file) if name.removeprefix("steps.") in others}
    assert found == set()


@pytest.mark.parametrize("package", ["cv2", "yaml", "pydantic", "PIL"])
def test_exactly_one_distribution_owns_a_package(package):
    """Uninstalling one of two owners of `cv2` deletes it for both."""
    assert len(set(packages_distributions()[package])) == 1


def test_cv2_is_the_build_without_a_screen():
    assert packages_distributions()["cv2"][0] == "opencv-python-headless"


def test_init_files_hold_no_code():
    full = [f for f in [*ENGINE, *STEPS] if f.name == "__init__.py" and f.read_text().strip()]
    assert full == []


def test_no_file_is_longer_than_four_hundred_lines():
    long = {
        f.relative_to(ROOT).as_posix(): lines
        for f in [*ENGINE, *STEPS]
        if (lines := len(f.read_text("utf-8").splitlines())) > 400
    }
    assert long == {}


@pytest.mark.parametrize(
    ("command", "never"),
    [
        (["--help"], {"numpy", "pydantic", "cv2", "yaml", "sqlalchemy", "rich", "jinja2"}),
        (["steps", "--help"], {"numpy", "pydantic", "cv2", "sqlalchemy", "rich"}),
        (
            ["check", "recipes/brindlemoor-tea"],
            {"scipy", "skimage", "sqlalchemy", "rich", "jinja2"},
        ),
    ],
    ids=["help", "steps help", "check"],
)
def test_a_quick_command_imports_nothing_slow(command, never):
    """Time itself is not tested here, as machines differ; what costs it is."""
    code = (
        "import sys, contextlib\n"
        "from engine.cli.main import main\n"
        "with contextlib.suppress(SystemExit):\n"
        f"    main({command!r})\n"
        "print('loaded:', *sorted({m.partition('.')[0] for m in sys.modules}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    loaded = set(done.stdout.rpartition("loaded: ")[2].split())
    assert "engine" in loaded
    assert loaded & never == set()
