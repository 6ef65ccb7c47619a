"""A registry that knows the toy steps and no other."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import EntryPoint
from unittest.mock import patch

from engine.graph import registry

_MODULE = "tests.generators.toy_steps"
_STEPS = {
    "toy.find": (f"{_MODULE}:find",),
    "toy.gap": (f"{_MODULE}:gap",),
    "toy.taught": (f"{_MODULE}:taught",),
    "toy.unmarked": (f"{_MODULE}:unmarked",),
    "toy.gone": ("tests.generators.no_such_module:gone",),
    "toy.twice": (f"{_MODULE}:gap", f"{_MODULE}:find"),
    "plain": (f"{_MODULE}:gap",),
}


@contextmanager
def toy_registry() -> Iterator[None]:
    """Let recipes name `toy.find`, `toy.gap` and `toy.taught`, and some broken ones."""
    points = {
        name: tuple(EntryPoint(name, target, registry.ENTRY_POINTS) for target in targets)
        for name, targets in _STEPS.items()
    }
    registry.load_step.cache_clear()
    with (
        patch.object(registry, "own_names", frozenset),
        patch.object(registry, "installed", lambda: points),
    ):
        yield
    registry.load_step.cache_clear()
