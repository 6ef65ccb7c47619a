"""A recipe compiled for judging alone."""

from pathlib import Path

from engine.graph.compile import compile_recipe
from engine.recipe.load import load_recipe

ROOT = Path(__file__).parents[4]
ORDER = {"lot": "K4471", "expiry": "2027-03-14"}


def test_a_plan_for_judging_has_the_same_limits_and_rules_as_one_that_looks_at_frames():
    loaded = load_recipe(ROOT / "recipes" / "demo")
    bare = compile_recipe(loaded, ORDER, prepared=False)
    full = compile_recipe(loaded, ORDER)
    assert bare.identity == full.identity
    assert list(bare.cameras) == list(full.cameras)
    for name, camera in bare.cameras.items():
        for ours, theirs in zip(camera.steps, full.cameras[name].steps, strict=True):
            assert (ours.name, ours.placed_by) == (theirs.name, theirs.placed_by)
            assert (ours.limits, ours.not_measured) == (theirs.limits, theirs.not_measured)
