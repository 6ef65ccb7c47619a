"""Templates of pages, and how a page is written to disk."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

from engine.faults import StoreFault

TEMPLATES = Path(__file__).parent / "templates"


def template(name: str, **filters: Any) -> Any:
    """Load a template; what it does not know is an error, and texts are escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(filters)
    return environment.get_template(name)


def write_page(path: str | Path, html: str) -> None:
    """Write a page; one that is there is replaced as a whole.

    Raises
    ------
    StoreFault
        When the file cannot be written.
    """
    target = Path(path)
    part = target.with_name(target.name + ".part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(html.encode("utf-8", "backslashreplace"))
        part.replace(target)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        message = f"{target}: writing the report failed: {error.strerror or error}"
        raise StoreFault(message) from error
