"""Digital Link addresses: a web address that carries application identifiers."""

from __future__ import annotations

from urllib.parse import parse_qsl, unquote, urlsplit

from steps._shared.check_digits import as_gtin14
from steps._shared.gs1_table import Identifier, identifiers


class LinkRefused(ValueError):  # noqa: N818 - the name says what is wrong, as in a sentence
    """The address is no Digital Link, with the reason."""


def is_link(text: str) -> bool:
    """Say whether `text` is a web address."""
    return text[:8].lower().startswith(("http://", "https://"))


def split_link(address: str) -> list[tuple[str, str]]:
    """Give the identifiers of a Digital Link with their content, key first.

    Parameters
    ----------
    address : str
        ``https://<any>/<any>/01/<number>/10/<lot>?17=<date>``; parts may be percent-encoded.

    Returns
    -------
    list of (str, str)
        Identifier and content; a trade item number of 8, 12 or 13 digits in 14.

    Raises
    ------
    LinkRefused
        When there is no key, or a qualifier stands where it may not.

    Examples
    --------
    >>> split_link("https://example.com/a/01/9506000134352/21/S%2F1?17=270314&linkType=x")
    [('01', '09506000134352'), ('21', 'S/1'), ('17', '270314')]
    """
    try:
        parts = urlsplit(address)
    except ValueError as error:
        raise LinkRefused(f"`{address}` is no web address") from error
    steps = parts.path.strip("/").split("/")
    at = _key_at(steps)
    if at is None:
        raise LinkRefused(f"`{address}` holds no application identifier that can be its key")
    pairs = [(ai, unquote(v)) for ai, v in zip(steps[at::2], steps[at + 1 :: 2], strict=True)]
    key = identifiers()[pairs[0][0]]
    _check_qualifiers(key, [ai for ai, _ in pairs[1:]])
    for ai, value in parse_qsl(parts.query.replace(";", "&"), keep_blank_values=True):
        if ai in identifiers():
            if not identifiers()[ai].link_attribute:
                raise LinkRefused(f"({ai}) may not be an attribute of a Digital Link")
            pairs.append((ai, value))
        elif ai.isdigit():
            raise LinkRefused(f"({ai}) is no application identifier")
    return [(ai, (as_gtin14(v) or v) if ai == "01" else v) for ai, v in pairs]


def _key_at(steps: list[str]) -> int | None:
    """Find the last place from which the path is a key and its qualifiers."""
    table = identifiers()
    for at in range(len(steps) - 2, -1, -1):
        names = steps[at::2]
        whole = (len(steps) - at) % 2 == 0 and all(name in table for name in names)
        if whole and table[names[0]].link_key:
            return at
    return None


def _check_qualifiers(key: Identifier, found: list[str]) -> None:
    """Refuse qualifiers that the key does not have, or in another order."""
    for way in key.qualifiers or ((),):
        places = [way.index(ai) for ai in found if ai in way]
        if len(places) == len(found) and places == sorted(set(places)):
            return
    names = ", ".join(f"({ai})" for ai in found)
    raise LinkRefused(f"{names} may not follow ({key.ai}) in this order")
