"""Steps that lead to a figure: numbers in plain words, each following from others."""

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from service.catalogue.rules import species_facts


class How(StrEnum):
    """How a number follows from those it is of."""

    STATED = "stated"
    FIGURE = "figure"
    TIMES = "times"
    PLUS = "plus"
    LESS = "less"
    LEAST = "least"


@dataclass(frozen=True)
class Step:
    """A number in plain words, and the steps that it follows from.

    stated: a fact. figure: another figure of the same nutrient, which `figure` names. times,
    plus, least: of all of `of`. less: the first less the others, never below nothing.
    flag: how sure the source is, in words. notes: more that is known of it.
    """

    words: str
    value: float
    unit: str
    how: How = How.STATED
    of: tuple["Step", ...] = ()
    figure: str | None = None
    source: str | None = None
    flag: str | None = None
    notes: tuple[str, ...] = ()


_FLAGS = {"R": "read", "R2": "quoted", "M": "from memory", "D": "derived, ours"}
_SURE = {"h": "confidence high", "m": "confidence medium", "l": "confidence low"}
_FLAG = re.compile(r"^(?P<source>.*\S)\s*\[(?P<flag>R2|R|D|M)(?:-(?P<sure>[hml]))?\]$", re.DOTALL)


def in_words(source: str) -> tuple[str, str | None]:
    """A source without its flag, and the flag in words.

    >>> in_words("Geraci 1972 [R]"), in_words("a fact sheet [M-l]"), in_words("set by the site")
    (('Geraci 1972', 'read'), ('a fact sheet', 'from memory, confidence low'), \
('set by the site', None))
    """
    found = _FLAG.match(source)
    if found is None:
        return source, None
    sure = _SURE.get(found["sure"] or "")
    return found["source"], ", ".join(filter(None, (_FLAGS[found["flag"]], sure)))


def said(value: float) -> str:
    """A number as it is written here: six figures, never with an exponent.

    >>> said(125.0), said(0.0000123456789), said(1234567.0)
    ('125', '0.0000123457', '1234570')
    """
    written = format(Decimal(f"{value:.6g}"), "f")
    return written.rstrip("0").rstrip(".") if "." in written else written


def fish(species: str) -> str:
    """A fish by name and code."""
    facts = species_facts().get(species)
    return species if facts is None else f"{facts.name} ({species})"


def counted(count: float, counted_in: str) -> str:
    """How many of what.

    >>> counted(2.0, "piece"), counted(0.5, "piece"), counted(12.5, "g")
    ('2 pieces', '0.5 piece', '12.5 g')
    """
    plural = "s" if counted_in == "piece" and count > 1 else ""
    return f"{said(count)} {counted_in}{plural}"
