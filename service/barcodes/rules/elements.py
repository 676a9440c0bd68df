"""A scanned text as its elements: bracketed, raw with separators, or a web address.

    (01)09506000134352(10)A77          as printed below a barcode
    ]d2010950600013435210A77<GS>…      as a scanner sends it
    https://…/01/09506000134352/10/A77  as a GS1 Digital Link

What a code does not say is not guessed: a text that could be something else is left
alone, and one that says it is a GS1 code is held to the standard.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from urllib.parse import parse_qsl, unquote, urlsplit

from service.barcodes.rules.identifiers import (
    PREDEFINED_LENGTH,
    check_value,
    identifier_digits,
    identifiers,
)
from service.barcodes.rules.own import check_own, own_kind
from service.catalogue.rules import gtin_is_valid

SEPARATOR = "\x1d"  # FNC1 inside a code, as scanners send it: ASCII 29, "group separator"
# How programs and people write a character that cannot be seen.
_SEEN_AS = re.compile(r"<GS>|\{GS\}|<FNC1>|\{FNC1\}|\\x1d|\\u001d|\^\]|\u241d", re.IGNORECASE)
# What a scanner may send before a code, to say in which symbology it was (ISO/IEC 15424;
# GS1 General Specifications 5.1.2 [memory, high]).
_SYMBOLOGY = re.compile(r"\][A-Za-z][0-9A-Za-z]", re.ASCII)
SAYS_GS1 = frozenset({"]C1", "]e0", "]d2", "]Q3", "]J1"})
SAYS_GTIN = frozenset({"]E0", "]E4", "]I1", "]I0"})
_BRACKETED = re.compile(r"\((\d{2,4})\)", re.ASCII)
_GTIN_LENGTHS = (12, 13, 14)


class CodeKind(StrEnum):
    """What a code turned out to be."""

    GS1 = "gs1"
    OURS = "ours"
    OTHER = "other"


@dataclass(frozen=True)
class Element:
    """One identifier with its value, as printed."""

    ai: str
    value: str


@dataclass(frozen=True)
class Fault:
    """What is wrong in a code, and in which element; None: in the code as a whole."""

    ai: str | None
    because: str


@dataclass
class Code:
    """One barcode or typed text: what it is and the elements that it holds."""

    text: str
    symbology: str | None
    kind: CodeKind = CodeKind.OTHER
    elements: list[Element] = field(default_factory=list)
    unknown: list[Element] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


def read_code(text: str, today: date, symbology: str | None = None) -> Code:
    """What a scanned or typed text says. Never raises: what is wrong is in `faults`.

    today: decides the century of years of two digits. symbology: as a reader of photos
    knows it; a text may also begin with it. Cost: linear in the length.
    """
    body = _SEEN_AS.sub(SEPARATOR, text).strip(" \t\r\n")
    said = _SYMBOLOGY.match(body)
    if said:
        symbology, body = said[0], body[said.end() :]
    body = body.lstrip(SEPARATOR)
    code = Code(text, symbology)
    found = _elements(body, code, today)
    if found is not None:
        code.kind = CodeKind.GS1
        _sort(found, code, today)
    return code


def _elements(body: str, code: Code, today: date) -> list[Element] | None:
    """The elements of a text; None where it is ours, or nothing that is known here."""
    if code.symbology not in SAYS_GS1 and _is_ours(body, code):
        return None
    if body.startswith("(") and _BRACKETED.match(body):
        return list(_bracketed(body))
    if (linked := _linked(body)) is not None:
        return linked
    article = _article(body, code)
    if article is not None:
        return [Element("01", article)]
    if code.symbology in SAYS_GS1 or _may_be_raw(body, code.symbology, today):
        return list(_raw(body, code))
    return None


def _is_ours(body: str, code: Code) -> bool:
    typed = body.upper()
    if own_kind(typed) is None:
        return False
    code.kind, code.text = CodeKind.OURS, typed
    try:
        check_own(typed)
    except ValueError as error:
        code.faults.append(Fault(None, str(error)))
    return True


def _bracketed(body: str) -> Iterator[Element]:
    """(01)… (10)…: a bracketed number of two to four digits begins the next element."""
    pieces = _BRACKETED.split(body)
    for ai, value in zip(pieces[1::2], pieces[2::2], strict=True):
        yield Element(ai, value.strip().strip(SEPARATOR))


def _linked(body: str) -> list[Element] | None:
    """The elements of a GS1 Digital Link; None for any other text or address."""
    if not body.lower().startswith(("https://", "http://")):
        return None
    try:
        address = urlsplit(body)
        query = parse_qsl(address.query)
    except ValueError:
        return None
    parts = [unquote(part) for part in address.path.split("/")]
    keys = [i for i, part in enumerate(parts[:-1]) if part in ("00", "01")]
    if not keys:
        return None
    path = parts[keys[-1] :]
    pairs = [*zip(path[::2], path[1::2], strict=False), *query]
    found = [Element(ai, value) for ai, value in pairs if re.fullmatch(r"[0-9]{2,4}", ai)]
    return [Element(e.ai, e.value.zfill(14)) if e.ai == "01" else e for e in found]


def _article(body: str, code: Code) -> str | None:
    """The GTIN, in fourteen digits, that a code of nothing else holds."""
    if not body.isascii() or not body.isdigit() or not 8 <= len(body) <= 14:
        return None
    if code.symbology in SAYS_GTIN:
        return body.zfill(14)
    if code.symbology is None and len(body) in _GTIN_LENGTHS and gtin_is_valid(body):
        return body.zfill(14)
    return None


def _may_be_raw(body: str, symbology: str | None, today: date) -> bool:
    """Whether a text that does not say so is to be read as a GS1 code.

    From a keyboard or a scanner that sends no symbology: where it begins with an
    identifier known here. Out of a barcode that says it is none: only with separators,
    or where it begins with an article or pallet number that checks.
    """
    ai = identifier_digits(body)
    if ai is None or ai not in identifiers():
        return False
    if symbology is None or SEPARATOR in body:
        return True
    try:
        check_value(ai, body[2 : PREDEFINED_LENGTH.get(ai, 0)], today)
    except ValueError:
        return False
    return ai in ("00", "01", "02")


def _raw(body: str, code: Code) -> Iterator[Element]:
    """Elements one after the other; those without predefined length end at a separator."""
    rest = body
    while rest:
        ai = identifier_digits(rest)
        if ai is None:
            lost, _, rest = rest.partition(SEPARATOR)
            code.faults.append(Fault(None, f"no identifier begins with {lost[:20]!r}"))
            continue
        length = PREDEFINED_LENGTH.get(ai[:2])
        value, _, behind = rest[len(ai) :].partition(SEPARATOR)
        if length is not None and len(value) > length - len(ai):
            yield Element(ai, value[: length - len(ai)])
            rest = rest[length:].removeprefix(SEPARATOR)
        else:
            yield Element(ai, value)
            rest = behind


def _sort(found: Sequence[Element], code: Code, today: date) -> None:
    """Sort elements into what holds, what is unknown, and what is wrong."""
    for element in found:
        if element.ai not in identifiers():
            code.unknown.append(element)
            continue
        try:
            check_value(element.ai, element.value, today)
        except ValueError as error:
            hint = _hint(element, code.text)
            code.faults.append(Fault(element.ai, f"{error}{hint}"))
        else:
            if element not in code.elements:
                code.elements.append(element)


def _hint(element: Element, text: str) -> str:
    """What is probably wrong with an element that runs on into the next."""
    known = identifiers()[element.ai]
    runs_on = known.pattern.match(element.value) and not known.pattern.fullmatch(element.value)
    if text.startswith("(") or not runs_on or element.ai[:2] in PREDEFINED_LENGTH:
        return ""
    return "; perhaps the separator (FNC1) behind it is missing"
