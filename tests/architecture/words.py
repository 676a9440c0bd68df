"""The words of the pages: found in templates and code, kept in `service/pages/words/`.

`python -m tests.architecture.words` brings every `.po` up to date (new words come in empty,
words that are gone go out) and compiles it.
"""

import io
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

from service.pages.words import FOLDER, LANGUAGES

ROOT = Path(__file__).resolve().parents[2]
METHODS = [("**.py", "python"), ("templates/**.html", "jinja2.ext:babel_extract")]
KEYWORDS = {"_": None, "gettext": None, "say": None, "ngettext": (1, 2)}
DATE = datetime(2026, 11, 27, tzinfo=UTC)
Word = str | tuple[str, str]  # Or of one, and of many.
OTHERS = tuple(language for language in LANGUAGES if language != "en")


def found() -> Iterator[Word]:
    """Every word and sentence that the pages say, once."""
    seen: set[Word] = set()
    pages = ROOT / "service" / "pages"
    for _file, _line, message, _comments, _context in extract_from_dir(
        pages, METHODS, keywords=KEYWORDS
    ):
        word = message if isinstance(message, str) else (message[0], message[1])
        if word and word not in seen:
            seen.add(word)
            yield word


def catalog(language: str) -> Catalog:
    """What is translated into a language. Its dates stand still: Git knows when it changed."""
    file = FOLDER / f"{language}.po"
    if not file.exists():
        return Catalog(locale=language)
    with file.open("rb") as opened:
        words = read_po(opened, locale=language, charset="utf-8")
    words.creation_date = words.revision_date = DATE
    return words


def compiled(words: Catalog) -> bytes:
    """A catalog as gettext reads it."""
    made = io.BytesIO()
    write_mo(made, words)
    return made.getvalue()


def update(language: str) -> int:
    """Bring one language up to date; how many words it still lacks."""
    old, new = catalog(language), Catalog(locale=language, charset="utf-8")
    for message in sorted(found(), key=str):
        known = old.get(message)
        new.add(message, known.string if known else "", flags=known.flags if known else ())
    with (FOLDER / f"{language}.po").open("wb") as file:
        write_po(file, new, width=100, omit_header=True, sort_output=True)
    (FOLDER / f"{language}.mo").write_bytes(compiled(catalog(language)))
    return sum(1 for message in new if message.id and not all(said(message)))


def said(message: Message) -> tuple[str, ...]:
    """A word's translation; or those for each kind of number."""
    return (message.string,) if isinstance(message.string, str) else tuple(message.string or ("",))


if __name__ == "__main__":
    for one in OTHERS:
        sys.stdout.write(f"{one}: {update(one)} words lack a translation\n")
