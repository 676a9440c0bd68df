"""Settings: the figures of the rules: what each means, its bounds and source, the site's own.

Another figure is looked at first: what it would change now is shown before it is stored, with
a reason. What was decided before keeps the figures of then.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from annotated_types import Ge, Gt, Le, Lt
from fastapi import Response

from service.errors import Invalid, NotFound
from service.figures import Row
from service.http.bodies import storable
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.policy_effects import Effect, House, effects_of
from service.pages.words import Writer, _
from service.quantities import TemperatureUnit
from service.security.guard import MaySetUp
from service.site import actions
from service.site import queries as sites
from service.site.rules import RULES, Policy, Rule, default_policy, handling_rules
from service.site.schemas import PolicyChange

router = page_router("/settings/figures")
Value = float | bool | str
MOST_VERSIONS = 20
UNIT_AT_END = re.compile(r"_(h|n|months|days|minutes|percent|mm)$")

TOPICS: Mapping[str, str] = {
    "storage": _("Cold storage"),
    "age": _("Age"),
    "receiving": _("Receiving"),
    "thaw": _("Thawing"),
    "exposure": _("Warmth"),
    "feeding": _("Feeding and animals"),
    "supplements": _("Supplements"),
    "hygiene": _("Cleaning"),
    "records": _("Records"),
    "": _("Choices"),
}
UNITS: Mapping[str, str] = {
    "Cel": "°C", "K": "°C", "K/h": "°C/h", "mo": _("months"), "d": _("days"),
    "h": "h", "min": "min", "1": "", "W/m2K": "W/(m² K)",
}  # fmt: skip
COMPARED: Mapping[str, str] = {
    "<=": _("at most"), ">=": _("at least"), "<": _("less than"), ">": _("more than"), "=": "",
}  # fmt: skip
READ: Mapping[str, str] = {
    "R": _("read in the source named"),
    "R2": _("read where another text quotes it"),
    "M": _("from memory, to be checked"),
    "D": _("our default, or worked out"),
}
"""How well a source is known, by the first letters of its flag."""
WORDS: Mapping[str, str] = {
    "oldest_catch": _("the oldest catch first"),
    "first_received": _("the first received first"),
    "true": _("yes"),
    "false": _("no"),
}


@dataclass(frozen=True)
class FigureShown:
    """A figure: its value here, what it means, and where it comes from.

    choices are there where it is no number; own: whether the site has set it.
    """

    key: str
    name: str
    topic: str
    applies_to: str
    parameter: str
    compared: str
    value: str
    default: str
    unit: str
    own: bool
    bounds: str
    source: str
    read: str
    note: str
    is_temperature: bool
    rules: Sequence[Rule]
    choices: Sequence[tuple[str, str]]
    number: float | None


@dataclass(frozen=True)
class Topic:
    """Figures about one thing."""

    name: str
    figures: Sequence[FigureShown]


@dataclass(frozen=True)
class Version:
    """One change of figures, as it was decided."""

    number: int
    from_at: datetime
    by: str
    reason: str


@dataclass(frozen=True)
class FiguresShown:
    """All figures by topic, and the newest changes."""

    topics: Sequence[Topic]
    own: int
    versions: Sequence[Version]


@dataclass(frozen=True)
class OneFigureShown:
    """A figure to be changed. asked: another value that is being looked at; what it does."""

    figure: FigureShown
    asked: str | None
    asked_words: str
    asked_number: float | None
    effects: Sequence[Effect] | None = field(default=None)


@router.get("")
def figures(screen: OnScreen, by: MaySetUp) -> Response:
    """Every figure in force, by topic."""
    shown = [_figure(screen, key) for key in Policy.model_fields]
    topics = [
        Topic(name, [f for f in shown if f.topic == topic])
        for topic, name in TOPICS.items()
        if any(f.topic == topic for f in shown)
    ]
    versions = [
        Version(v.version, v.from_at, v.by, v.reason)
        for v in sites.policy_versions(screen.session, screen.view.id, limit=MOST_VERSIONS)
    ]
    page = FiguresShown(topics, sum(f.own for f in shown), versions)
    return screen.show("settings_figures.html", page)


@router.get("/{figure}")
def one_figure(figure: str, screen: OnScreen, by: MaySetUp, value: str = "") -> Response:
    """One figure; with another value: what that would change now."""
    _ensure_known(figure)
    shown = _figure(screen, figure)
    if not value.strip():
        return screen.show("settings_figure.html", OneFigureShown(shown, None, "", None))
    asked = read_value(figure, value)
    then = _policy_with(screen, {figure: asked})
    house = House(screen.session, screen.view, by, screen.at, screen.write)
    now_set = getattr(then, figure)
    page = OneFigureShown(
        figure=shown,
        asked=value.strip(),
        asked_words=_words(screen.write, now_set),
        asked_number=_number(now_set),
        effects=effects_of(house, then, figure),
    )
    return screen.show("settings_figure.html", page)


@router.post("/{figure}")
def change_figure(
    figure: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Set a figure of this site from now on, with a reason."""
    _ensure_known(figure)
    changes = {figure: read_value(figure, form.text("value"))}
    change = form.read(ReasonedChange, screen.view.zone, changes=changes)
    actions.change_policy(session, screen.site.code, change, at=at, by=by)
    said = screen.write.say("From now on %(figure)s is as you set it.", figure=_name(figure))
    return go_to("/settings/figures", said=said)


class ReasonedChange(PolicyChange):
    """A change of figures as the form sends it: the value was read by itself."""

    value: str = ""


def read_value(figure: str, text: str) -> Value:
    """What was typed as a value of this figure. Raises Invalid, naming the field."""
    text = text.strip()
    kind: Any = Policy.model_fields[figure].annotation
    if not text or not storable(text):
        raise Invalid.at("value", "this is needed")
    if kind is bool:
        if text not in ("true", "false"):
            raise Invalid.at("value", "this is true or false")
        return text == "true"
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return text
    try:
        return float(text.replace("−", "-").replace(",", "."))
    except ValueError as error:
        raise Invalid.at("value", f"{text[:40]!r} is no number") from error


def _policy_with(screen: Screen, changes: Mapping[str, Value]) -> Policy:
    """The site's policy with these figures. Raises Invalid for one outside its bounds."""
    version = sites.policy_version(screen.session, screen.view.id, at=screen.at)
    return actions.checked_policy((version.document if version else {}) | dict(changes))


def _ensure_known(figure: str) -> None:
    if figure not in Policy.model_fields:
        raise NotFound.of("figure", figure, "figure")


def _figure(screen: Screen, key: str) -> FigureShown:
    row: Row = handling_rules().get(key, {})
    value, default = getattr(screen.view.policy, key), getattr(default_policy(), key)
    unit = row.get("unit", "")
    return FigureShown(
        key=key,
        name=_name(key),
        topic=row.get("topic", ""),
        applies_to=row.get("applies_to", "").replace("_", " "),
        parameter=_parameter(key, row),
        compared=COMPARED.get(row.get("comparison", ""), ""),
        value=_words(screen.write, value),
        default=_words(screen.write, default),
        unit=UNITS.get(unit, unit),
        own=value != default,
        bounds=_bounds(screen.write, key),
        source=row.get("source", "our default"),
        read=_read(row.get("flag", "D")),
        note=row.get("note", ""),
        is_temperature=unit == "Cel" and screen.view.units.temperature is TemperatureUnit.F,
        rules=[rule for rule in RULES if key in rule.figures],
        choices=_choices(key),
        number=_number(value),
    )


def _name(key: str) -> str:
    """The key in words; the unit at its end stands beside the figure."""
    return UNIT_AT_END.sub("", key).replace("_", " ").capitalize()


def _parameter(key: str, row: Row) -> str:
    """What is measured; of a choice, what it decides."""
    said = row.get("parameter") or Policy.model_fields[key].description or ""
    return said.replace("_Cel", " °C").replace("_", " ")


def _read(flag: str) -> str:
    return READ.get(flag.split("-", maxsplit=1)[0], flag)


def _choices(key: str) -> list[tuple[str, str]]:
    kind: Any = Policy.model_fields[key].annotation
    if kind is bool:
        return [(said, WORDS[said]) for said in ("true", "false")]
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return [(option.value, WORDS[option.value]) for option in kind]
    return []


def _words(write: Writer, value: Value) -> str:
    if isinstance(value, bool):
        return write.say(WORDS[str(value).lower()])
    if isinstance(value, str):
        return write.say(WORDS[value])
    return _plain(value)


def _number(value: Value) -> float | None:
    return None if isinstance(value, (bool, str)) else float(value)


def _plain(number: float) -> str:
    return f"{number:g}".replace("-", "−")


def _bounds(write: Writer, key: str) -> str:
    """Between what a site may set it."""
    said = {
        Ge: _("at least %(limit)s"), Gt: _("more than %(limit)s"),
        Le: _("at most %(limit)s"), Lt: _("less than %(limit)s"),
    }  # fmt: skip
    parts = []
    for limit in Policy.model_fields[key].metadata:
        for kind, words in said.items():
            if isinstance(limit, kind):
                bound = getattr(limit, kind.__name__.lower())
                parts.append(write.say(words, limit=_plain(bound)))
    return ", ".join(parts)
