"""Supplier labels against what GS1 publishes, and against an independent program.

Values marked [R] are those that GS1 gives with its Barcode Syntax Dictionary (linters
csum, cset82, yymmd0, as of version 2024) and its Barcode Engine (tests of AI data); "^"
there is FNC1. python-stdnum is the independent program; zxing-cpp encodes.
"""

from datetime import date
from string import ascii_letters, digits

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from stdnum import ean, gs1_128

from service.barcodes.rules.dates import full_year, printed_date
from service.barcodes.rules.elements import CodeKind, read_code
from service.barcodes.rules.identifiers import identifiers
from service.catalogue.rules import check_digit_of
from tests.labels.pictures import barcode, scanned

TODAY = date(2026, 11, 25)
SET_82 = ascii_letters + digits + "!\"%&'()*+,-./:;<=>?_"


def elements(text: str) -> list[tuple[str, str]]:
    code = read_code(text, TODAY)
    assert code.faults == [], code.faults
    return [(e.ai, e.value) for e in (*code.elements, *code.unknown)]


def raw(text: str) -> str:
    """As a scanner sends what GS1 writes with ^ for FNC1."""
    return "]C1" + text.removeprefix("^").replace("^", "\x1d")


# [R] linter csum: right numbers of five lengths.
@pytest.mark.parametrize(
    "number",
    ["02345673", "416000336108", "1234567890128", "12345678901231", "123456789012345675"],
)
def test_check_digits_are_those_that_gs1_gives(number: str) -> None:
    assert check_digit_of(number[:-1]) == number[-1]


# [R] linter csum: the same with another last digit.
@pytest.mark.parametrize(
    "text", ["(01)12345678901232", "(00)123456789012345670", "(410)1234567890129"]
)
def test_a_wrong_check_digit_is_a_fault(text: str) -> None:
    (fault,) = read_code(text, TODAY).faults
    assert "check digit" in fault.because


# [R] linter yymmd0: dates that are, in the year 2021.
GOOD = ["000606", "250606", "500606", "750606", "990606", "200131", "200229", "200331", "200430"]
GOOD += ["200531", "200630", "200731", "200831", "200930", "201031", "201130", "201231", "210228"]
GOOD += ["220228", "230228", "240229", "000229", "040229", "960229", "200600"]
# [R] linter yymmd0: dates that are not.
BAD = ["200010", "201310", "209910", "200132", "200230", "200332", "200431", "200532", "200631"]
BAD += ["200732", "200832", "200931", "201032", "201131", "201232", "210229", "220229", "230229"]
BAD += ["240230", "000230", "040230", "960230"]


@pytest.mark.parametrize("text", GOOD)
def test_dates_are_those_that_gs1_takes(text: str) -> None:
    found = printed_date(text, date(2021, 6, 1), whole_month=True)
    assert f"{found:%y%m}" == text[:4]
    if text.endswith("00"):
        assert found == date(2020, 6, 30)


@pytest.mark.parametrize("text", BAD)
def test_dates_that_gs1_refuses_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"month|day"):
        printed_date(text, date(2021, 6, 1), whole_month=True)


# [R] linter yymmd0: in 2021 a difference of 51 and more is the last century, of −50 and
# less the next.
@pytest.mark.parametrize(
    ("today", "two_digits", "year"),
    [(2021, 72, 1972), (2021, 71, 2071), (2021, 0, 2000), (2071, 21, 2121), (2071, 22, 2022)],
)
def test_the_century_is_the_nearer_one(today: int, two_digits: int, year: int) -> None:
    assert full_year(two_digits, date(today, 6, 1)) == year


# [R] linter cset82, in pieces that fit a lot.
@pytest.mark.parametrize(
    "lot",
    ["!\"%&'()*+,-/012345", "6789:;<=>?ABCDEFGHIJ", "KLMNOPQRSTUVWXYZ_abc", "defghijklmnopqrstuvw"],
)
def test_a_lot_may_have_every_character_of_the_set(lot: str) -> None:
    assert elements(f"]C110{lot}") == [("10", lot)]


@pytest.mark.parametrize("character", [*"#$@[\\]^`{|}~\x01\x7f\x80\xff "])
def test_a_lot_has_no_other_character(character: str) -> None:
    (fault,) = read_code(f"]C110A{character}C", TODAY).faults
    assert fault.ai == "10"


# [R] Barcode Engine, bracketed and raw forms of the same.
PAIRS = [
    ("(01)12345678901231", "^0112345678901231"),
    ("(10)12345", "^1012345"),
    ("(01)12345678901231(10)12345", "^01123456789012311012345"),
    ("(3100)123456(10)12345", "^31001234561012345"),
    ("(10)12345(11)991225", "^1012345^11991225"),
    ("(3900)12345(11)991225", "^390012345^11991225"),
]


@pytest.mark.parametrize(("bracketed", "sent"), PAIRS)
def test_both_forms_of_a_code_say_the_same(bracketed: str, sent: str) -> None:
    assert sorted(elements(bracketed)) == sorted(elements(raw(sent)))


# [R] Barcode Engine: what holds, and how many elements it has.
@pytest.mark.parametrize(
    ("sent", "count"),
    [
        ("^991234", 1),
        ("^0112345678901231", 1),
        ("^0112345678901231^", 1),
        ("^0112345678901231991234", 2),
        ("^0112345678901231^991234", 2),
        ("^2421", 1),
        ("^242123456^10ABC123", 2),
        ("^242123456^", 1),
        ("^81111234^10ABC123", 2),
        ("^800112341234512398^0112345678901231", 2),
    ],
)
def test_raw_codes_that_gs1_takes_are_taken(sent: str, count: int) -> None:
    assert len(elements(raw(sent))) == count


# [R] Barcode Engine: what does not hold, as far as its identifiers are read here.
@pytest.mark.parametrize(
    "sent",
    [
        "^891234",
        "^99~ABC",
        "^99ABC~",
        "^01A2345678901231",
        "^011234567890123A",
        "^0112345678901234",
        "^011234567890123",
        "^01123456789012312",
        "^011234567890123^",
        "^01123456789012345^",
        "^01123456789012345^991234",
    ],
)
def test_raw_codes_that_gs1_refuses_are_refused(sent: str) -> None:
    assert read_code(raw(sent), TODAY).faults


@pytest.mark.parametrize(
    "text",
    ["(10)(11)980701", "(10)12345(11)", "(01)123456789012312(10)12345", "(17)9(90)217"],
)
def test_bracketed_codes_that_gs1_refuses_are_refused(text: str) -> None:
    assert read_code(text, TODAY).faults


@pytest.mark.parametrize("text", ["(1A)12345", "1(12345", "()12345", "(1)12345", "(15", "(1", "("])
def test_what_is_no_code_is_not_taken_for_one(text: str) -> None:
    code = read_code(text, TODAY)
    assert code.faults or code.kind is CodeKind.OTHER


LOTS = st.text(SET_82, min_size=1, max_size=20).filter(lambda lot: "<GS>" not in lot.upper())
LOTS = LOTS.filter(lambda lot: "<FNC1>" not in lot.upper())
DAYS = st.dates(date(2000, 1, 1), date(2060, 12, 31))
BODIES = st.text(digits, min_size=13, max_size=13)


@given(BODIES, LOTS, DAYS, st.integers(0, 999_999), st.integers(0, 3))
def test_an_independent_program_reads_the_same(
    body: str, lot: str, day: date, mass: int, places: int
) -> None:
    assume(not set(lot) & set("() "))  # which it takes for brackets and leaves out
    gtin = body + ean.calc_check_digit(body)
    text = f"01{gtin}310{places}{mass:06}15{day:%y%m%d}10{lot}"
    theirs = gs1_128.info(text, "\x1d")
    ours = dict(elements(f"]C1{text}"))
    assert ours == {
        "01": theirs["01"],
        f"310{places}": f"{int(theirs[f'310{places}'].scaleb(places)):06}",
        "15": f"{theirs['15']:%y%m%d}",
        "10": theirs["10"],
    }


@given(BODIES, LOTS, DAYS, st.sampled_from(["<GS>", "\x1d", "{GS}", "^]"]))
def test_what_is_written_raw_is_read_back(body: str, lot: str, day: date, gs: str) -> None:
    gtin = body + ean.calc_check_digit(body)
    text = f"]d201{gtin}10{lot}{gs}7007{day:%y%m%d}{gs}3102001250"
    said = dict(elements(text))
    assert said == {"01": gtin, "10": lot, "7007": f"{day:%y%m%d}", "3102": "001250"}


@given(st.text(max_size=60))
def test_no_text_makes_it_fail(text: str) -> None:
    code = read_code(text, TODAY)
    assert code.kind in CodeKind


@given(st.text(SET_82 + "\x1d]", max_size=60), st.sampled_from(["]C1", "]d2", "", "(01)", "01"]))
def test_no_text_that_looks_like_a_code_makes_it_fail(text: str, head: str) -> None:
    for element in read_code(head + text, TODAY).elements:
        assert identifiers()[element.ai].pattern.fullmatch(element.value)


@pytest.mark.parametrize("symbol", ["datamatrix", "qr", "code128"])
def test_what_another_program_encodes_and_decodes_is_read(symbol: str) -> None:
    text = "(01)12345678901231(7007)260801260803(10)A77"
    (found,) = scanned(barcode(text, symbol))
    assert elements(found) == elements(text)
