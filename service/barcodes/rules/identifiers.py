"""The GS1 application identifiers that are read here, and what a value of each may be.

They stand in `catalogue/data/gs1_ais.csv`, with their source. A row of the table is a
fact of the standard; what a value may be beyond its format is checked below.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache, partial

from service.barcodes.rules.dates import check_time, printed_date
from service.catalogue.rules import check_digit_of
from service.figures import Row, table

# The characters that an element may have: "encodable character set 82" of the GS1
# General Specifications; GS1 Barcode Syntax Dictionary, linter cset82 [R].
SET_82 = r"0-9A-Za-z!\"%&'()*+,\-./:;<=>?_"
_CLASSES = {"N": "0-9", "X": SET_82}
_WORDS = {"N": ("digit", "digits"), "X": ("character", "characters")}
_PIECE = re.compile(r"(\[?)\+?([NX])(\.\.)?(\d+)\]?")

# How many digits an identifier has, by its first two. From these two digits alone also
# how long an element of predefined length is; every other ends at a separator.
# GS1 General Specifications 7.8.5 [memory, high].
_LENGTH_BY_PREFIX: Mapping[str, int] = {
    **dict.fromkeys(("00", "01", "02", "03", "04", "10", "11", "12", "13", "14", "15"), 2),
    **dict.fromkeys(("16", "17", "18", "19", "20", "21", "22", "30", "37"), 2),
    **{str(n): 2 for n in range(90, 100)},
    **dict.fromkeys(("23", "24", "25", "40", "41", "42", "71"), 3),
    **dict.fromkeys(("31", "32", "33", "34", "35", "36", "39", "43"), 4),
    **dict.fromkeys(("70", "72", "80", "81", "82"), 4),
}
PREDEFINED_LENGTH: Mapping[str, int] = {
    **{"00": 20, "01": 16, "02": 16, "03": 16, "04": 18, "20": 4, "41": 16},
    **{str(n): 8 for n in range(11, 20)},
    **{str(n): 10 for n in range(31, 37)},
}


@dataclass(frozen=True)
class Identifier:
    """One application identifier: what it is called, and which values its format takes."""

    ai: str
    title: str
    meaning: str
    pattern: re.Pattern[str]
    format_words: str
    requires: tuple[frozenset[str], ...]
    excludes: tuple[str, ...]

    def conflicts_with(self, ai: str) -> bool:
        """Whether it may not stand beside another identifier in one code."""
        return any(
            ai != self.ai and ai.startswith(other.removesuffix("n")) and len(ai) == len(other)
            for other in self.excludes
        )


@cache
def identifiers() -> Mapping[str, Identifier]:
    """The identifiers of the table by their digits; a row for several is one for each."""
    return {ai: _identifier(ai, row) for row in table("gs1_ais") for ai in _digits(row["ai"])}


def _digits(cell: str) -> list[str]:
    first, _, last = cell.partition("-")
    return [f"{n:0{len(first)}}" for n in range(int(first), int(last or first) + 1)]


def _identifier(ai: str, row: Row) -> Identifier:
    groups = row["requires_any_of"].split(" and ") if row["requires_any_of"] else []
    return Identifier(
        ai=ai,
        title=row["data_title"],
        meaning=row["meaning"],
        pattern=re.compile(_pattern(row["format"])),
        format_words=_words(row["format"]),
        requires=tuple(frozenset(re.findall(r"\d+", group)) for group in groups),
        excludes=tuple(re.findall(r"\d+n?", row["excludes"])),
    )


def _pattern(form: str) -> str:
    """A pattern for a format as the standard writes it: N6[+N6], X..20.

    >>> _pattern("N6[+X1]").startswith("[0-9]{6}(?:")
    True
    """
    pieces = []
    for optional, kind, up_to, most in _PIECE.findall(form):
        count = f"{{1,{most}}}" if up_to else f"{{{most}}}"
        piece = f"[{_CLASSES[kind]}]{count}"
        pieces.append(f"(?:{piece})?" if optional else piece)
    return "".join(pieces)


def _words(form: str) -> str:
    """A format in words.

    >>> _words("N6[+X1]"), _words("X..20")
    ('6 digits, then if need be 1 character', '1 to 20 characters')
    """
    said = []
    for optional, kind, up_to, most in _PIECE.findall(form):
        noun = _WORDS[kind][most != "1"]
        amount = f"1 to {most} {noun}" if up_to else f"{most} {noun}"
        said.append(f"if need be {amount}" if optional else amount)
    return ", then ".join(said)


def identifier_digits(text: str) -> str | None:
    """The digits of the identifier that a text begins with, known here or not."""
    count = _LENGTH_BY_PREFIX.get(text[:2])
    digits = text[:count] if count else ""
    return digits if len(digits) == count and digits.isascii() and digits.isdigit() else None


def check_value(ai: str, value: str, today: date) -> None:
    """Raise ValueError, saying what is wrong, unless a value is one of its identifier."""
    known = identifiers()[ai]
    if known.pattern.fullmatch(value) is None:
        raise ValueError(f"{known.title} is {known.format_words}, not {value[:40]!r}")
    check = _CHECKS.get(ai)
    if check is not None:
        check(value, today)


def _check_digit(value: str, _today: date) -> None:
    right = check_digit_of(value[:-1])
    if value[-1] != right:
        raise ValueError(f"{value} ends in {value[-1]}, its check digit is {right}")


def _check_date(value: str, today: date, *, whole_month: bool = False) -> None:
    printed_date(value, today, whole_month=whole_month)


def _check_dates(value: str, today: date) -> None:
    first = printed_date(value[:6], today)
    if len(value) > 6 and printed_date(value[6:], today) < first:
        raise ValueError(f"{value} ends before it begins")


def _check_instant(value: str, today: date, *, whole_month: bool = False) -> None:
    printed_date(value[:6], today, whole_month=whole_month)
    if not (whole_month and value[6:] == "9999"):  # deliveries without a time [memory, medium]
        check_time(value[6:])


def _check_countries(value: str, _today: date) -> None:
    codes = [value[i : i + 3] for i in range(0, len(value), 3)]
    if any(len(code) != 3 or code == "000" for code in codes):
        raise ValueError(f"{value} is not made of countries of three digits (ISO 3166)")


def _check_first_country(value: str, today: date) -> None:
    if not value[:3].isdigit():
        raise ValueError(f"{value} does not begin with a country of three digits (ISO 3166)")
    _check_countries(value[:3], today)


def _check_temperature(value: str, _today: date) -> None:
    if len(value) > 6 and value[6] != "-":
        raise ValueError(f"{value}: only a hyphen, for below zero, may follow the six digits")


def _check_species(value: str, _today: date) -> None:
    if not re.fullmatch("[A-Za-z0-9]{3}", value):
        raise ValueError(f"{value} is no FAO species code: they have three letters")


_Check = Callable[[str, date], None]
_CHECKS: Mapping[str, _Check] = {
    **dict.fromkeys(("00", "01", "02", "410", "412", "414", "416"), _check_digit),
    **dict.fromkeys(("11", "13", "15", "16", "17"), partial(_check_date, whole_month=True)),
    "7006": _check_date,
    "7007": _check_dates,
    "7003": _check_instant,
    **dict.fromkeys(("7011", "8008"), _check_instant),
    **dict.fromkeys(("4324", "4325"), partial(_check_instant, whole_month=True)),
    **dict.fromkeys(("422", "423", "424", "426"), _check_countries),
    **dict.fromkeys(("421", *(f"703{n}" for n in range(10))), _check_first_country),
    **dict.fromkeys(("4330", "4331", "4332", "4333"), _check_temperature),
    "7008": _check_species,
}
