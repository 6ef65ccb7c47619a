"""GS1 content: published strings, an independent parser, and the rules one by one."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest
from biip import ParseError
from biip.gs1_messages import GS1Message
from hypothesis import given
from hypothesis import strategies as st

from steps._shared.check_digits import CHARACTERS_82, check_digit
from steps._shared.gs1 import Content, parse
from steps._shared.gs1_table import identifiers

SHARED = Path(__file__).parents[4] / "../shared/data"
needs_facts = pytest.mark.skipif(
    not (SHARED / "facts").exists(), reason="the shared facts are not beside this checkout"
)
GTIN = "09501101530003"  # GS1 General Specifications 21.0.1, figure 5.1-2
DAY = date(2026, 6, 1)


def codes(content: Content) -> list[tuple[str, str]]:
    """Kind and identifier of every problem."""
    return [(p.code, p.ai) for p in content.problems]


# --- published strings ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bracketed", "encoded", "valid"),
    [  # GS1 Barcode Syntax Engine, test suite (Apache-2.0)
        ("(01)12345678901231(10)12345", "^01123456789012311012345", True),
        ("(3100)123456(10)12345", "^31001234561012345", True),
        ("(3900)12345(11)991225", "^390012345^11991225", True),
        (
            "(01)12345678901231(235)XYZ(10)BATCH",
            "^0112345678901231235XYZ^10BATCH",
            True,
        ),
        ("(1A)12345", None, False),
        ("(1)12345", None, False),
        ("(17)9(90)217", None, False),
        ("(01)95012345678903(11)131313", None, False),
    ],
)
def test_published_element_strings(bracketed: str, encoded: str | None, valid: bool):
    assert parse(bracketed).valid is valid
    if encoded:
        assert parse(encoded).text == bracketed
        assert parse(encoded.replace("^", "\x1d")).text == bracketed


@pytest.mark.parametrize(
    ("transmitted", "content"),
    [  # GS1 Barcode Syntax Engine, scan data tests (Apache-2.0)
        (
            "]C1011231231231233310ABC123\x1d99TESTING",
            "(01)12312312312333(10)ABC123(99)TESTING",
        ),
        (
            "]Q3011231231231233310ABC123\x1d99TESTING",
            "(01)12312312312333(10)ABC123(99)TESTING",
        ),
        ("]E02112345678900", "2112345678900"),
        ("]E402345673", "02345673"),
    ],
)
def test_published_scans(transmitted: str, content: str):
    parsed = parse(transmitted)
    assert parsed.text == content
    assert parsed.valid


@needs_facts
def test_every_string_of_the_shared_facts():
    with (SHARED / "facts/element_strings.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            assert parse(row["bracketed"]).valid is (row["valid"] == "true"), row
            if row["encoded"]:
                assert parse(row["encoded"]).text == row["bracketed"], row
    with (SHARED / "facts/scan_data.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            assert parse(row["transmitted"].replace("<GS>", "\x1d")).text == row["content"], row


@needs_facts
def test_every_date_of_the_shared_facts():
    with (SHARED / "facts/date_examples.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            content = parse(f"(01){GTIN}(17){row['yymmdd']}")
            assert content.valid is (row["valid"] == "true"), row


@needs_facts
def test_the_table_agrees_with_the_shared_facts():
    with (SHARED / "facts/gs1_ai.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            for ai in row["ai"].split("-"):
                known = identifiers()[ai]
                assert known.separator is (row["fnc1_separator_needed_if_not_last"] != "no"), row
    assert len(identifiers()) == 541


# --- an independent parser -------------------------------------------------------------------

CSET = st.text([c for c in CHARACTERS_82 if c not in "()"], min_size=1, max_size=20)
NUMBER = st.text("0123456789", min_size=13, max_size=13).map(lambda d: d + check_digit(d))
PIECES = st.lists(
    st.one_of(
        st.tuples(st.just("01"), NUMBER),
        st.tuples(st.sampled_from(["10", "21", "240", "90"]), CSET),
        st.tuples(st.sampled_from(["11", "15", "17"]), st.just("270314")),
        st.tuples(st.sampled_from(["3103", "3922"]), st.just("001250")),
    ),
    min_size=1,
    max_size=6,
    unique_by=lambda piece: piece[0],
)


@given(PIECES)
def test_split_as_biip_does(pieces: list[tuple[str, str]]):
    # biip (Apache-2.0) is an independent implementation of GS1 General Specifications 7.8
    text = ""
    for ai, value in pieces:
        text += ai + value + ("\x1d" if identifiers()[ai].separator else "")
    theirs = GS1Message.parse(text)
    ours = parse(text)
    assert [(e.ai, e.value) for e in ours.elements] == pieces
    assert [(s.ai.ai, s.value) for s in theirs.element_strings] == pieces
    assert ours.valid


@given(PIECES)
def test_brackets_and_separators_say_the_same(pieces: list[tuple[str, str]]):
    bracketed = "".join(f"({ai}){value}" for ai, value in pieces)
    assert parse(bracketed).text == bracketed
    assert parse(parse(bracketed).text) == parse(bracketed)


@given(st.text(max_size=60))
def test_any_text_gives_content_or_problems(text: str):
    content = parse(text)
    assert content.valid or content.problems


@given(st.text("0123456789()^\x1d]C1 /:?=htps.", max_size=40))
def test_any_near_miss_gives_content_or_problems(text: str):
    content = parse(text)
    assert content.valid or content.problems


@pytest.mark.parametrize("text", ["(01)9501101530003", "(17)271314", "(17)270332", "(37)12A"])
def test_biip_and_we_refuse_the_same(text: str):
    with pytest.raises(ParseError, match=r".+"):
        GS1Message.parse_hri(text)
    assert not parse(text).valid


# --- what other parsers leave unchecked -----------------------------------------------------


@pytest.mark.parametrize(
    "ai",
    sorted(
        ai
        for ai, known in identifiers().items()
        if any("csum" in part.rules for part in known.parts)
    ),
)
def test_every_identifier_with_a_check_digit_is_checked(ai: str):
    right = wrong = ""
    for part in identifiers()[ai].parts:
        if "csum" in part.rules:
            digits = "1234567890123456789"[: part.longest - 1]
            last = check_digit(digits)
            right += digits + last
            wrong += digits + str((int(last) + 1) % 10)
        elif not part.optional:
            filler = "0" if "zero" in part.rules else "0102"[: part.longest]
            right, wrong = right + filler, wrong + filler
    assert parse(f"({ai}){right}").valid
    assert codes(parse(f"({ai}){wrong}")) == [("content", ai)]
    assert "check digit" in parse(f"({ai}){wrong}").problems[0].what


@pytest.mark.parametrize(
    ("yymmdd", "today", "day"),
    [
        ("270300", DAY, date(2027, 3, 31)),  # day 00: the last of the month
        ("240200", DAY, date(2024, 2, 29)),
        ("760601", DAY, date(2076, 6, 1)),  # 50 years ahead: this century
        ("770601", DAY, date(1977, 6, 1)),  # 51 years ahead: the century before
        ("040101", date(2054, 1, 1), date(2104, 1, 1)),  # 50 years back: the next century
        ("050101", date(2054, 1, 1), date(2005, 1, 1)),
    ],
)
def test_dates_follow_the_51_year_rule(yymmdd: str, today: date, day: date):
    # GS1 General Specifications 7.12
    assert parse(f"(01){GTIN}(17){yymmdd}", today=today).expiry == day


def test_use_by_comes_before_best_before():
    content = parse(f"(01){GTIN}(15)270401(17)270301(11)260301")
    assert content.expiry == date(2027, 3, 1)
    assert parse(f"(01){GTIN}(15)270401(11)260301").expiry == date(2027, 4, 1)


def test_an_expiry_with_time_must_have_a_day():
    assert parse(f"(01){GTIN}(7003)2703140930").expiry == date(2027, 3, 14)
    assert codes(parse(f"(01){GTIN}(7003)2703000930")) == [("content", "7003")]
    assert codes(parse(f"(01){GTIN}(7003)2703142430")) == [("content", "7003")]


def test_missing_and_excluded_partners_are_said_apart_from_the_rest():
    alone = parse("(10)K4471")
    assert alone.valid
    assert [(p.code, p.ai) for p in alone.pairing] == [("required", "10")]
    both = parse(f"(01){GTIN}(02){GTIN}(37)12")
    assert both.valid
    assert ("excluded", "02") in [(p.code, p.ai) for p in both.pairing]
    assert ("excluded", "01") in [(p.code, p.ai) for p in both.pairing]
    assert parse(f"(01){GTIN}(10)K4471(21)7").pairing == ()
    assert parse(f"(02){GTIN}(37)12(00)395123451234567895").pairing == ()
    assert [p.ai for p in parse(f"(01){GTIN}(3103)001250(3105)001250").pairing] == ["3103", "3105"]
    assert [p.code for p in parse(f"(01){GTIN}(7258)1/2").pairing] == ["required"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (f"^01{GTIN[:-2]}", [("content", "01")]),
        (f"^01{GTIN}10" + 21 * "A", [("content", "10")]),
        ("^05123", [("unknown-identifier", "")]),
        ("^10AB^^17270314", [("separator-doubled", "")]),
        (f"^01{GTIN}^10AB", []),  # one separator too many is accepted after any element
        ("^10AB^", []),
        ("^10AB^10AC", [("repeated", "10")]),
        ("^10AB^10AB", []),
        ("^40212345678901234560" + "10AB", [("separator-missing", "402")]),
        ("(10)12 34", [("content", "10")]),
        ("(10)1234^5", [("content", "10")]),
        ("(8013)1987654Ad4X4bL5ttr2310c2J", [("content", "8013")]),
        ("(4321)2", [("content", "4321")]),
        ("", [("form", "")]),
        ("K4471", [("unknown-identifier", "")]),
        ("]C0K4471", [("form", "")]),
        ("]E02112345678901", [("content", "")]),
        ("]E021123456789", [("form", "")]),
    ],
)
def test_what_is_wrong_is_named(text: str, expected: list[tuple[str, str]]):
    assert codes(parse(text)) == expected


def test_a_forgotten_separator_is_suspected():
    glued = parse(f"^01{GTIN}10K447117270314")
    assert glued.valid
    assert [(p.code, p.ai) for p in glued.suspicions] == [("separator-suspected", "10")]
    assert parse(f"^01{GTIN}10K447117279914").suspicions == ()


def test_a_bracket_in_the_content_keeps_its_backslash():
    assert parse(r"(10)A\(3)B").lot == "A(3)B"
    assert parse("^10A(3)B").text == r"(10)A\(3)B"


# --- Digital Link ---------------------------------------------------------------------------


def test_digital_link_gives_the_same_elements():
    link = parse(f"https://example.com/some/01/{GTIN}/10/K%2F4471/21/7?17=270314&linkType=all")
    assert link.text == f"(01){GTIN}(10)K/4471(21)7(17)270314"
    assert (link.gtin, link.lot, link.serial) == (GTIN, "K/4471", "7")
    assert link.expiry == date(2027, 3, 14)
    assert link.valid
    assert parse(f"]Q1https://example.com/01/{GTIN}").gtin == GTIN


@pytest.mark.parametrize(
    "address",
    [
        "https://example.com/a/b",
        f"https://example.com/01/{GTIN}/21/7/10/A",  # qualifiers in the wrong order
        f"https://example.com/10/A/01/{GTIN}/99/1",
        f"https://example.com/01/{GTIN}?1234=5",
        "https://[example/01/1",
    ],
)
def test_other_addresses_are_no_digital_link(address: str):
    assert codes(parse(address)) == [("form", "")]


def test_a_wrong_check_digit_in_a_link_is_noticed():
    assert codes(parse("https://example.com/01/09501101530004")) == [("content", "01")]
