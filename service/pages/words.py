"""The pages' own words in other languages, by gettext; and how instants and amounts are written.

English stands in the templates and in the code; `words/<language>.po` holds the rest, compiled
beside it. Sentences of the rules (why something is refused) stay as the rules write them.
"""

import gettext
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from math import ceil
from pathlib import Path

from service.quantities import GRAMS_PER, Units
from service.site.queries import SiteView

FOLDER = Path(__file__).parent / "words"
LANGUAGES = {"en": "English", "es": "Español"}
ROUNDING = 1e-6  # of a tenth of a degree: what a number in binary may be off by
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


@lru_cache(maxsize=len(LANGUAGES))
def translations(language: str) -> gettext.NullTranslations:
    """The words of a language; English for one that is not known."""
    compiled = FOLDER / f"{language}.mo"
    if language == "en" or not compiled.is_file():
        return gettext.NullTranslations()
    with compiled.open("rb") as file:
        return gettext.GNUTranslations(file)


def language_of(chosen: str | None, accepted: str) -> str:
    """What somebody chose, else the first that a browser names and we know, else English."""
    if chosen in LANGUAGES:
        return chosen
    for part in accepted.split(","):
        code = part.split(";", maxsplit=1)[0].strip().split("-", maxsplit=1)[0].lower()
        if code in LANGUAGES:
            return code
    return "en"


@dataclass(frozen=True)
class Writer:
    """Writes instants in a site's zone and amounts in its units, in one language."""

    view: SiteView
    language: str
    now: datetime

    @property
    def units(self) -> Units:
        """The site's units."""
        return self.view.units

    def say(self, message: str, **values: object) -> str:
        """A sentence in this language, with `%(name)s` filled in."""
        said = translations(self.language).gettext(message)
        return said % values if values else said

    def mass(self, grams: int) -> str:
        """`11.3 kg`, `2.25 kg`, `0.125 kg`: the less, the finer, so that what a small animal
        gets can be weighed out; grams where it is little."""
        if self.units.mass == "kg" and 0 < abs(grams) < 100:
            return f"{grams} g"
        value = grams / GRAMS_PER[self.units.mass]
        digits = 3 if 0 < abs(value) < 1 else 2 if abs(value) < 10 else 1
        return f"{value:.{digits}f} {self.units.mass}"

    def amount(self, grams: int) -> str:
        """What a field for a mass holds: read again, it is the same grams."""
        return f"{grams / GRAMS_PER[self.units.mass]:.4f}".rstrip("0").rstrip(".")

    def temperature(self, celsius: float) -> str:
        """`−21.5 °C`; never colder than it was: −17.96 reads −17.9, not as its limit of −18."""
        shown = self.units.temperature_out(celsius)
        return f"{warm_tenth(shown.value)} °{shown.unit.upper()}"

    def time(self, at: datetime) -> str:
        """`14:05`."""
        return f"{at.astimezone(self.view.zone):%H:%M}"

    def day(self, day: date | datetime) -> str:
        """`Fri 27 Nov`, with the year where it is another."""
        if isinstance(day, datetime):
            day = self.view.day_of(day)
        year = "" if day.year == self.view.day_of(self.now).year else f" {day.year}"
        weekday, month = self.say(WEEKDAYS[day.weekday()]), self.say(MONTHS[day.month - 1])
        return f"{weekday} {day.day} {month}{year}"

    def when(self, at: datetime) -> str:
        """The time alone today; else day and time."""
        if self.view.day_of(at) == self.view.day_of(self.now):
            return self.time(at)
        return f"{self.day(at)} {self.time(at)}"

    def span(self, length: timedelta) -> str:
        """`3 h 20 min`, `12 days`; the sign is left to the sentence around it."""
        length = abs(length)
        if length >= 3 * DAY:
            return self.say("%(count)s days", count=round(length / DAY))
        if length >= HOUR:
            minutes = round(length / MINUTE)
            return f"{minutes // 60} h {minutes % 60:02d} min"
        return f"{round(length / MINUTE)} min"

    def local(self, at: datetime) -> str:
        """What a `datetime-local` field holds."""
        return f"{at.astimezone(self.view.zone):%Y-%m-%dT%H:%M}"


def warm_tenth(degrees: float) -> str:
    """Degrees to a tenth, never colder than they were.

    >>> warm_tenth(-17.96), warm_tenth(-18.0), warm_tenth(0.31)
    ('−17.9', '−18.0', '0.4')
    """
    return f"{ceil(degrees * 10 - ROUNDING) / 10:.1f}".replace("-", "−")


def _(message: str) -> str:
    """Mark a word for translation that is looked up where it is written."""
    return message


WEEKDAYS = (_("Mon"), _("Tue"), _("Wed"), _("Thu"), _("Fri"), _("Sat"), _("Sun"))
MONTHS = (
    _("Jan"), _("Feb"), _("Mar"), _("Apr"), _("May"), _("Jun"),
    _("Jul"), _("Aug"), _("Sep"), _("Oct"), _("Nov"), _("Dec"),
)  # fmt: skip
