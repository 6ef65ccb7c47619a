"""Patterns of printed lines: what is fixed, what the order gives, what is read."""

from datetime import date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steps._shared.text_patterns import BadPattern, minutes_off, parse_pattern, print_date, to_date

ORDER = {"lot": "K4471", "expiry": date(2027, 3, 14), "size": 6}


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("LOT {lot} hh:mm", "LOT K4471 ??:??"),
        ("BB {expiry:dd/mm/yyyy}", "BB 14/03/2027"),
        ("BB dd/mm/yyyy", "BB ??/??/????"),
        ("EXP {expiry:mm/yyyy}", "EXP 03/2027"),
        ("{expiry:dd mon yy}", "14 MAR 27"),
        ("{expiry:ddmmyy}{lot}", "140327K4471"),
        ("BB ddmmyy", "BB ??????"),
        ("hh.mm.ss L{lot}", "??.??.?? LK4471"),
        ("N{size}", "N6"),
        ("Zug {'hh:mm'} {'{'}", "Zug hh:mm {"),
        ("5 mm dd", "5 ?? ??"),
        ("Xdd/mm", "Xdd/mm"),
        ("hammer mm", "hammer mm"),
    ],
)
def test_a_pattern_shows_the_line_with_what_is_read_left_open(text, shown):
    assert parse_pattern(text, ORDER).shown() == shown


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("LOT {lto}", r"no field `lto` \(it has: expiry, lot, size\)"),
        ("BB {expiry}", r"say how it is printed, \{expiry:dd/mm/yyyy\}"),
        ("BB {expiry:ddd}", "`ddd` is no date layout"),
        ("{lot:dd/mm}", "takes no layout"),
        ("LOT {lot", "at character 5 has no partner"),
        ("LOT lot}", "at character 8 has no partner"),
        ("dd/mm/yyyy {expiry:mm/yy}", "more than one date"),
        ("hh:mm hh:mm", "more than one time"),
        ("   L", "fewer than 2 characters"),
        ("LOT\nA", "cannot be printed in one line"),
    ],
)
def test_a_wrong_pattern_says_what_is_wrong(text, why):
    with pytest.raises(BadPattern, match=why):
        parse_pattern(text, ORDER)


def test_an_empty_field_of_the_order_is_refused():
    with pytest.raises(BadPattern, match="`lot` is empty"):
        parse_pattern("LOT {lot}", {"lot": " "})


@given(st.dates(date(2000, 1, 1), date(2099, 12, 31)))
def test_printed_dates_are_those_of_the_standard_library(day):
    # strftime of the Python standard library is the independent reference.
    assert print_date(day, "dd/mm/yyyy") == day.strftime("%d/%m/%Y")
    assert print_date(day, "yy.mm.dd") == day.strftime("%y.%m.%d")
    assert print_date(day, "dd mon yyyy") == day.strftime("%d %b %Y").upper()


@given(st.dates(date(2000, 1, 1), date(2099, 12, 31)))
def test_what_was_printed_reads_as_the_same_day(day):
    parts = {"dd": f"{day:%d}", "mon": f"{day:%b}".upper(), "yy": f"{day:%y}"}
    assert to_date(parts) == day


def test_a_date_without_day_is_the_last_day_of_its_month():
    # As a best-before date of GS1 with day 00 is read (General Specifications, from memory).
    assert to_date({"mm": "02", "yyyy": "2028"}) == date(2028, 2, 29)


def test_a_day_that_does_not_exist_is_no_date():
    assert to_date({"dd": "31", "mm": "02", "yyyy": "2027"}) is None


@given(st.datetimes(datetime(2027, 1, 1), datetime(2027, 12, 31)), st.integers(-700, 700))
def test_minutes_off_go_the_short_way_round_midnight(taken, off):
    taken = taken.replace(second=0, microsecond=0)
    printed = taken + timedelta(minutes=off)
    assert minutes_off((printed.hour, printed.minute), taken) == pytest.approx(off)


@given(st.text(max_size=30))
def test_any_text_is_a_line_or_a_bad_pattern(text):
    try:
        shown = parse_pattern(text, ORDER).shown()
    except BadPattern as wrong:
        shown = str(wrong)
    assert len(shown) >= 2
