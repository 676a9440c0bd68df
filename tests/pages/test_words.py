"""The pages in another language: every word, with what is filled into it."""

import re
from html.parser import HTMLParser

import pytest

from service.pages.words import FOLDER, language_of
from tests.architecture.words import OTHERS, ROOT, catalog, compiled, found, said
from tests.kitchen import Kitchen
from tests.pages.visiting import visitor

FILLED_IN = re.compile(r"%\((\w+)\)[sd]|%")
JINJA = re.compile(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", re.DOTALL)
NOT_WORDS = {"Fishhouse", "kcal", "PDF", "CSV", "°C", "°F", "kg"}


@pytest.mark.parametrize("language", OTHERS)
def test_every_word_of_the_pages_is_translated_and_none_is_kept_that_is_gone(language: str) -> None:
    words = {m.id: said(m) for m in catalog(language) if m.id}
    asked = set(found())
    assert asked, "the search finds words"
    assert sorted(asked - words.keys(), key=str) == [], "run `python -m tests.architecture.words`"
    assert sorted(str(w) for w in words.keys() - asked) == []
    assert [word for word, there in words.items() if not all(there)] == []


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_has_the_same_places_to_fill_in(language: str) -> None:
    for message in catalog(language):
        if message.id:
            word = message.id if isinstance(message.id, str) else message.id[0]
            there = sorted(FILLED_IN.findall(word))
            for translation in said(message):
                assert sorted(FILLED_IN.findall(translation)) == there, message.id
            assert not message.fuzzy, message.id


@pytest.mark.parametrize("language", OTHERS)
def test_what_is_read_is_what_was_compiled_from_the_words(language: str) -> None:
    assert (FOLDER / f"{language}.mo").read_bytes() == compiled(catalog(language))


class _Text(HTMLParser):
    """What of a template a person reads."""

    def __init__(self) -> None:
        super().__init__()
        self.read: list[str] = []

    def handle_data(self, data: str) -> None:
        self.read += re.findall(r"[A-Za-zÀ-ÿ]{2,}", data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        del tag
        for name, value in attrs:
            if name in ("aria-label", "title", "placeholder", "alt") and value:
                self.handle_data(value)


def test_no_word_of_a_template_stands_outside_of_gettext() -> None:
    bare = []
    for file in (ROOT / "service" / "pages" / "templates").rglob("*.html"):
        text = _Text()
        text.feed(JINJA.sub(" ", file.read_text()))
        bare += [f"{file.name}: {word}" for word in text.read if word not in NOT_WORDS]
    assert bare == []


def test_a_browser_is_answered_in_its_own_language_and_a_person_in_the_one_chosen(
    kitchen: Kitchen,
) -> None:
    who = visitor(kitchen, "keeper")
    who.headers["Accept-Language"] = "es-MX,es;q=0.9,en;q=0.5"
    assert '<html lang="es">' in who.page("/animals") and "Animales" in who.page("/animals")
    who.sent("/language", {"language": "en", "_back": "/"})
    assert '<html lang="en">' in who.page("/animals")
    assert language_of(None, "fi,de;q=0.3") == "en"
