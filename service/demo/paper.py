"""How the run is printed: plain lines, at most 80 columns, the same on a screen and in a file."""

import textwrap
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from service.demo.asking import Answer, Asker

WIDTH = 80
_INDENT = "     "


def title(text: str) -> None:
    """The head of the run."""
    print(f"\n{text}\n{'=' * len(text)}")


def chapter(number: int, text: str) -> None:
    """The head of one step."""
    print(f"\n{number:2d}.  {text}")


def line(text: str) -> None:
    """One line of plain words, wrapped."""
    print(textwrap.fill(text, WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT + "  "))


def asked(by: Asker, method: str, path: str, answer: Answer) -> None:
    """Who asked what, and the status of the answer."""
    said = f"{_INDENT}{method} /v1{path}"
    print(f"{said:<58} {by.name:<14}  {answer.status}"[:WIDTH].rstrip())


def findings(answer: Answer, *, outcomes: tuple[str, ...] = ("block",)) -> None:
    """A refusal, or the findings of an answer, with their words."""
    for found in list(_findings(answer.body, outcomes)):
        line(f"{found['rule']}: {found['because']}")


def _findings(body: Any, outcomes: tuple[str, ...]) -> Iterator[Any]:
    yield from (f for f in body.get("findings", []) if f["outcome"] in outcomes)


def mass(shown: Any) -> str:
    """A mass as the service shows it."""
    return f"{shown['value']:g} {shown['unit']}"


def when(text: str) -> str:
    """An instant of an answer, short. All instants are UTC."""
    return moment(datetime.fromisoformat(text))


def moment(at: datetime) -> str:
    """An instant, short."""
    return f"{at:%d %b %H:%M}"


def grams(amount: int) -> str:
    """Grams, in groups of three digits."""
    return f"{amount:,} g".replace(",", " ")
