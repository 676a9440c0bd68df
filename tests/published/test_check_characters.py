"""Check characters of lot codes and article numbers against an independent program.

ISO/IEC 7064 MOD 37,36 and the check digit of GS1 General Specifications 7.9,
as python-stdnum computes them.
"""

from string import ascii_uppercase, digits

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import ean
from stdnum.iso7064 import mod_37_36

from service.catalogue.rules import gtin_is_valid
from service.lots.rules import check_character, check_holds, numbered_code

ALPHABET = digits + ascii_uppercase
codes = st.text(alphabet=ALPHABET, min_size=1, max_size=40)


@given(codes)
def test_the_check_character_is_that_of_iso_7064(code: str) -> None:
    assert check_character(code) == mod_37_36.calc_check_digit(code)


@given(codes)
def test_a_code_checks_exactly_where_iso_7064_says_so(code: str) -> None:
    assert check_holds(code) == (len(code) > 1 and mod_37_36.is_valid(code))


def test_a_widely_printed_example_checks() -> None:
    # the example of a trade's release numbers, which use
    # this check character [memory, high]
    assert check_character("A12425GABC1234002") == "M"
    assert check_holds("A12425GABC1234002M")
    assert not check_holds("A12425GABC1234002N")


@given(codes, st.data())
def test_one_character_read_wrong_is_always_noticed(code: str, data: st.DataObject) -> None:
    whole = code + check_character(code)
    place = data.draw(st.integers(0, len(whole) - 1))
    wrong = data.draw(st.sampled_from(ALPHABET.replace(whole[place], "")))
    assert not check_holds(whole[:place] + wrong + whole[place + 1 :])


@pytest.mark.parametrize("text", ["a", "HER-1", "Ä", "HER 1"])
def test_a_check_character_is_only_of_upper_case_letters_and_digits(text: str) -> None:
    with pytest.raises(ValueError, match="substring"):
        check_character(text)


@given(st.sampled_from(["L2611", "T2611", "R"]), st.integers(0, 24**3 - 1))
def test_every_code_that_is_given_out_checks(prefix: str, number: int) -> None:
    assert mod_37_36.is_valid(numbered_code(prefix, number, 3))


@given(st.sampled_from([7, 11, 12, 13]).flatmap(lambda n: st.text(digits, min_size=n, max_size=n)))
def test_an_article_number_is_taken_with_the_check_digit_of_gs1_and_no_other(body: str) -> None:
    right = ean.calc_check_digit(body)
    assert [d for d in digits if gtin_is_valid(body + d)] == [right]


@pytest.mark.parametrize(
    "gtin",
    # worked examples of the GS1 General Specifications [memory, high]
    ["6291041500213", "09521234543213"],
)
def test_the_article_numbers_of_the_specification_check(gtin: str) -> None:
    assert gtin_is_valid(gtin)


@pytest.mark.parametrize("gtin", ["629104150021X", "٠٩٥٢١٢٣٤٥٤٣٢١٣", "", " 6291041500213"])
def test_an_article_number_is_digits(gtin: str) -> None:
    assert not gtin_is_valid(gtin)
