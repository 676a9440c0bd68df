"""The words of the pages: found in templates and code, kept in `service/pages/words/`.

`python -m tests.architecture.words` brings every `.po` up to date (new words come in empty,
words that are gone go out) and compiles it.
"""

import io
import sys
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

from service.pages.words import FOLDER, LANGUAGES

ROOT = Path(__file__).resolve().parents[2]
METHODS = [("**.py", "python"), ("templates/**.html", "jinja2.ext:babel_extract")]
KEYWORDS = {"_": None, "gettext": None, "say": None}
OTHERS = tuple(language for language in LANGUAGES if language != "en")


def found() -> Iterator[str]:
    """Every word and sentence that the pages say, once."""
    seen: set[str] = set()
    pages = ROOT / "service" / "pages"
    for _file, _line, message, _comments, _context in extract_from_dir(
        pages, METHODS, keywords=KEYWORDS
    ):
        if isinstance(message, str) and message and message not in seen:
            seen.add(message)
            yield message


def catalog(language: str) -> Catalog:
    """What is translated into a language."""
    file = FOLDER / f"{language}.po"
    if not file.exists():
        return Catalog(locale=language)
    with file.open("rb") as opened:
        return read_po(opened, locale=language)


def compiled(words: Catalog) -> bytes:
    """A catalog as gettext reads it."""
    made = io.BytesIO()
    write_mo(made, words)
    return made.getvalue()


def update(language: str) -> int:
    """Bring one language up to date; how many words it still lacks."""
    old, new = catalog(language), Catalog(locale=language, project="Fishhouse", charset="utf-8")
    for message in sorted(found()):
        known = old.get(message)
        new.add(message, known.string if known else "", flags=known.flags if known else ())
    with (FOLDER / f"{language}.po").open("wb") as file:
        write_po(file, new, width=100, omit_header=False, sort_output=True)
    (FOLDER / f"{language}.mo").write_bytes(compiled(catalog(language)))
    return sum(1 for message in new if message.id and not message.string)


if __name__ == "__main__":
    for one in OTHERS:
        sys.stdout.write(f"{one}: {update(one)} words lack a translation\n")
