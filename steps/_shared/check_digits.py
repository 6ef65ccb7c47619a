"""Check digits of article numbers, and the forms in which one number may be written."""

from __future__ import annotations

GTIN_LENGTHS = (8, 12, 13, 14)
"""Numbers of digits a trade item number may have."""

_CHECK_PAIR_LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83)

CHARACTERS_82 = (
    "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
)
"""The 82 characters that element strings may hold, in order of their value."""

CHARACTERS_39 = "#-/0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
"""The 39 characters of component and part identifiers."""


def is_digits(text: str) -> bool:
    """Say whether `text` is one or more of the digits 0 to 9 and nothing else."""
    return text.isascii() and text.isdigit()


def check_digit(digits: str) -> str:
    """Give the mod 10 check digit that belongs behind `digits`.

    Parameters
    ----------
    digits : str
        The number without its check digit; weights 3, 1, 3, 1, ... from the right.

    Returns
    -------
    str
        One digit.

    Examples
    --------
    >>> check_digit("629104150021")
    '3'
    """
    total = sum(int(d) * (3 if i % 2 == 0 else 1) for i, d in enumerate(reversed(digits)))
    return str(-total % 10)


def check_digit_is_right(number: str) -> bool:
    """Say whether the last digit of `number` is its check digit.

    Examples
    --------
    >>> check_digit_is_right("6291041500213"), check_digit_is_right("12345678901232")
    (True, False)
    """
    return len(number) > 1 and is_digits(number) and check_digit(number[:-1]) == number[-1]


def check_pair(text: str) -> str:
    """Give the two check characters that belong behind an alphanumeric key such as a model number.

    Parameters
    ----------
    text : str
        1 to 23 of the 82 characters, without the pair.

    Returns
    -------
    str
        Two characters.

    Notes
    -----
    The values of the characters are weighted with the primes 2, 3, 5, ... from the right; the sum
    modulo 1021 is written as two digits to the base 32.

    Examples
    --------
    >>> check_pair("1987654Ad4X4bL5ttr2310c")
    '2K'
    """
    total = sum(
        CHARACTERS_82.index(c) * prime for c, prime in zip(reversed(text), _PRIMES, strict=False)
    )
    total %= 1021
    return _CHECK_PAIR_LETTERS[total >> 5] + _CHECK_PAIR_LETTERS[total & 31]


def check_pair_is_right(text: str) -> bool:
    """Say whether the last two characters of `text` are its check pair."""
    known = all(c in CHARACTERS_82 for c in text)
    return known and 3 <= len(text) <= 25 and check_pair(text[:-2]) == text[-2:]


def as_gtin14(number: str) -> str | None:
    """Give a trade item number of 8, 12, 13 or 14 digits in 14 digits; None where it is none.

    Examples
    --------
    >>> as_gtin14("6291041500213")
    '06291041500213'
    """
    known = is_digits(number) and len(number) in GTIN_LENGTHS
    return number.zfill(14) if known else None


def same_gtin(a: str, b: str) -> bool:
    """Say whether two trade item numbers are the same article, whatever forms they have.

    Examples
    --------
    >>> same_gtin("02345673", "00000002345673")
    True
    """
    first = as_gtin14(a)
    return first is not None and first == as_gtin14(b)
