"""Steps by name: files of our own and installed ones, and what goes wrong with each."""

import pytest

from engine.graph import registry
from engine.graph.registry import BrokenStep, NoSuchStep, load_step, reference_files, step_names
from steps.contract import ReferenceFile
from tests.generators.toy_registry import toy_registry
from tests.generators.toy_steps import FindParams


@pytest.mark.parametrize(
    "name", ["no_such", "contract", "_shared", "os.path", "", "../steps", "a b"]
)
def test_a_name_that_is_no_step_is_refused(name):
    with pytest.raises(NoSuchStep, match="there is no step"):
        load_step(name)


def test_our_own_steps_are_listed_without_importing_them():
    names = step_names()
    assert {"locate", "flap_edge", "print_difference"} <= set(names)
    assert "contract" not in names
    assert list(names) == sorted(names)


@pytest.mark.parametrize(
    ("name", "match"),
    [
        ("toy.unmarked", "not declared with @step"),
        ("toy.gone", "cannot be imported: ModuleNotFoundError"),
        ("toy.twice", "offered by .* and .*: uninstall all but one"),
        ("plain", "name of an installed step is dotted"),
    ],
)
def test_a_step_that_cannot_be_used_says_why(name, match):
    with toy_registry(), pytest.raises(BrokenStep, match=match):
        load_step(name)


def test_what_a_step_measures_is_read_from_its_values():
    with toy_registry():
        step = load_step("toy.gap")
    kinds = {name: (info.kind, info.unit) for name, info in step.values.items()}
    assert kinds == {
        "gap_mm": ("number", "mm"), "coverage": ("number", "fraction"), "holes": ("whole", "count"),
        "seen": ("truth", ""), "text": ("text", ""), "day": ("date", ""),
    }  # fmt: skip
    assert step.pose_name is None
    assert step.prepare is None


def test_a_pose_is_no_value_to_limit():
    with toy_registry():
        step = load_step("toy.find")
    assert (step.pose_name, list(step.values)) == ("pose", ["shift_mm"])
    assert step.prepare is not None


def test_references_are_found_wherever_they_stand_in_the_settings():
    params = FindParams(reference=ReferenceFile("a.png"), size_mm=(1, 2))
    assert reference_files(params) == [(("reference",), "a.png")]


def test_an_installed_step_is_found_by_its_entry_point_alone():
    with toy_registry():
        assert registry.step_names() == (
            "toy.find", "toy.gap", "toy.gone", "toy.taught", "toy.twice", "toy.unmarked",
        )  # fmt: skip
