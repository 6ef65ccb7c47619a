"""What README.md and DEVELOPERS.md say is true."""

import re
from pathlib import Path

import pytest

from engine.cli.main import COMMANDS, main
from engine.graph.registry import step_names
from engine.problems import CODES

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def test_every_code_of_a_problem_is_listed_with_its_meaning():
    listed = dict(re.findall(r"^\| `([a-z0-9-]+)` \| (.+) \|$", DEVELOPERS, re.MULTILINE))
    assert listed == dict(CODES)


def test_readme_names_every_step_and_every_command():
    missing = [name for name in step_names() if f"| `{name}` |" not in README]
    missing += [name for name in COMMANDS if f"`{name}" not in README]
    assert not missing


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_tells_its_arguments(name, capsys):
    with pytest.raises(SystemExit) as stopped:
        main([name, "--help"])
    assert stopped.value.code == 0
    assert "usage: cartonverdict" in capsys.readouterr().out


def test_every_file_that_the_documents_link_to_exists():
    links = re.findall(r"\]\(([^)#]+)\)", README + DEVELOPERS)
    assert links
    assert not [link for link in links if "://" not in link and not (ROOT / link).exists()]


def test_readme_starts_with_the_two_commands_and_the_cautions():
    head = README[: README.index("## A recipe")]
    for words in ("make demo", "make test", "no safety device", "no calibrated verifier"):
        assert words in head
