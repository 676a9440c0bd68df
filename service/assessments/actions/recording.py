"""The one-page record of an excursion, drawn by typst.

Typst runs inside the process and brings its fonts. Words come in as data, never as source.
"""

import json
from collections.abc import Sequence
from datetime import datetime
from importlib.resources import files
from typing import Any

from sqlmodel import Session

from service.assessments.queries import shown
from service.assessments.queries.shown import Standing
from service.assessments.rules.chart import Limit, Measured, chart
from service.assessments.rules.figures import Range
from service.assessments.schemas import AssessmentOut, DecisionOut, FishOut
from service.checks.schemas import CheckOut
from service.excursions.rules import SETTLED, ExcursionKind
from service.quantities import TemperatureUnit, Units
from service.site.models import Site
from service.site.queries import SiteView
from service.site.rules import PlaceKind, place_limit_c

MOST_FISH, MOST_CHECKS, MOST_STEPS = 14, 10, 8
_KINDS = {
    ExcursionKind.WARM: "warmer than its limit",
    ExcursionKind.RISING: "rising fast",
    ExcursionKind.SILENT: "silent: nobody measured",
}
FISH_HEAD = (
    "lot",
    "fish",
    "there / on hand",
    "worst carton: peak core",
    "stack: peak core",
    "h of mean above",
    "life used, %",
    "suggested",
    "decided",
)
CHECKS_HEAD = ("when", "lot", "carton", "in words", "core", "by")


def record(session: Session, it: Standing, *, at: datetime) -> bytes:
    """The record as a PDF of one page. Cost: five queries, and about 0.2 s to draw."""
    import typst  # noqa: PLC0415 - heavy, and only for paper

    said = words(session, it, at)
    template = files("service").joinpath("assessments", "data", "record.typ").read_bytes()
    drawn: bytes | list[bytes] = typst.compile(
        template,
        format="pdf",
        ignore_system_fonts=True,
        sys_inputs={"record": json.dumps(said)},
    )
    return drawn[0] if isinstance(drawn, list) else drawn


def words(session: Session, it: Standing, at: datetime) -> dict[str, Any]:
    """Everything that stands on the record, as the template takes it."""
    said = shown.shown(session, it)
    view, place = it.found.view, it.found.place
    site = session.get_one(Site, view.id)
    paper = _Paper(view)
    decisions = [shown.decision_out(each, it) for each in it.decisions]
    fish = sorted(said.fish, key=lambda f: (-f.figures.worst.peak_core.range[1], f.lot))
    left = len(fish) - MOST_FISH
    return {
        "site": site.name,
        "title": f"Excursion {said.excursion}: {place.name}",
        "state": said.state,
        "settled": said.state in SETTLED,
        "happened": paper.happened(said, it),
        "chart": paper.chart(said, it, fish),
        "chart_of": f"Core of a corner carton of lot {fish[0].lot}, which may have become warmest."
        if fish
        else "",
        "fish_head": FISH_HEAD,
        "fish_note": f"Peaks in °{view.units.temperature.upper()}, with the range that the model "
        "leaves; hours of the worst carton's mean above −12 / −9 / −5 °C.",
        "fish": [paper.fish(each) for each in fish[:MOST_FISH]],
        "more_fish": f"And {left} more, none of them warmer: see the assessment."
        if left > 0
        else "",
        "no_fish": "No fish that is judged by its core was in the place.",
        "checks_head": CHECKS_HEAD,
        "checks": paper.checks(said),
        "decisions": [paper.decision(each) for each in decisions],
        "no_decision": "Nobody has decided yet.",
        "waiting": f"Waiting for a decision: {', '.join(said.undecided)}."
        if said.undecided
        else "",
        "steps": _steps(fish, said),
        "cautions": said.cautions,
        "footer": _footer(said, it),
        "printed": f"printed {paper.instant(at)}",
    }


class _Paper:
    """How one site writes instants, masses and temperatures on paper."""

    def __init__(self, view: SiteView) -> None:
        self._view = view
        self._units: Units = view.units
        self._degree = f"°{view.units.temperature.upper()}"

    def instant(self, at: datetime) -> str:
        """In the site's zone, to the minute."""
        local = at.astimezone(self._view.zone)
        return f"{local:%Y-%m-%d %H:%M} {local.tzname()}"

    def degrees(self, c: float) -> str:
        """To a tenth, with a true minus sign."""
        return f"{self._units.temperature_out(c).value:.1f}".replace("-", "−")

    def between(self, found: Range) -> str:
        """A temperature and its range."""
        low, high = found.range
        return f"{self.degrees(found.value)} ({self.degrees(low)} to {self.degrees(high)})"

    def happened(self, said: AssessmentOut, it: Standing) -> list[str]:
        """What happened, in sentences."""
        excursion = it.found.excursion
        over = f"until {self.instant(said.ended_at)}" if said.ended_at else "and goes on"
        sentences = [
            f"{it.found.place.code} was {_KINDS[said.kind]} from {self.instant(said.from_at)} "
            f"{over}, {_lasted(said, it)}."
        ]
        if it.found.whole.peak_c is not None:
            unknown = said.air.hours_unknown
            measured = "measured all the time" if unknown == 0 else f"{unknown:.1f} h not measured"
            peak = self.degrees(it.found.whole.peak_c)
            sentences.append(f"Air up to {peak} {self._degree}, {measured}.")
        if excursion.cause != "unknown":
            sentences.append(f"By its course it looks like: {excursion.cause} (a guess).")
        return sentences

    def chart(self, said: AssessmentOut, it: Standing, fish: Sequence[FishOut]) -> dict[str, Any]:
        """The chart's lines."""
        view = self._view
        limit_c = place_limit_c(PlaceKind(it.found.place.kind), view.policy, view.units.temperature)
        limits = [Limit(said.limit.c, "core limit")] if fish else []
        if limit_c is not None:
            limits.append(Limit(limit_c, "limit of the place"))
        return chart(
            said.air.line,
            fish[0].figures.core if fish else None,
            limits=limits,
            checks=[
                Measured(check.occurred_at, check.temperature.c, check.lot == fish[0].lot)
                for check in _cores(said)
                if fish and check.temperature is not None
            ],
            begun=said.from_at,
            ended=said.ended_at,
            warm_above_c=limit_c,
            zone=view.zone,
            unit=TemperatureUnit(view.units.temperature),
        ).drawn()

    def fish(self, each: FishOut) -> list[str]:
        """One row of the table."""
        worst = each.figures.worst
        life, (low, high) = worst.life_used.value, worst.life_used.range
        decided = each.decided
        return [
            each.lot,
            each.product,
            f"{each.was_there.value:g} / {each.on_hand.value:g} {each.on_hand.unit}",
            self.between(worst.peak_core),
            self.between(each.figures.typical.peak_core),
            " / ".join(f"{h.value:.1f}" for _, h in _falling(worst.hours_of_mean_above)),
            f"{100 * life:.1f} ({100 * low:.1f} to {100 * high:.1f})",
            each.figures.suggestion.replace("_", " "),
            _decided(decided.decision, decided.by, decided.holds) if decided else "–",
        ]

    def checks(self, said: AssessmentOut) -> list[list[str]]:
        """Cores measured by hand, those that were wrong left out, oldest first."""
        return [
            [
                self.instant(check.occurred_at),
                check.lot or "",
                check.position or "not said",
                check.carton or "",
                f"{self.degrees(check.temperature.c)} {self._degree}",
                check.by,
            ]
            for check in _cores(said)[:MOST_CHECKS][::-1]
            if check.temperature is not None
        ]

    def decision(self, each: DecisionOut) -> dict[str, str]:
        """A signed decision."""
        by_choice: dict[str, list[str]] = {}
        for lot, decided in each.lots.items():
            by_choice.setdefault(decided.decision.replace("_", " "), []).append(lot)
        lots = "; ".join(f"{choice}: {', '.join(codes)}" for choice, codes in by_choice.items())
        return {
            "lots": lots or "no fish was there",
            "reason": each.reason.rstrip("."),
            "action": each.corrective_action.rstrip("."),
            "by": each.by,
            "role": each.role,
            "at": self.instant(each.signed_at),
            "meaning": each.meaning,
        }


def _lasted(said: AssessmentOut, it: Standing) -> str:
    until = said.ended_at.timestamp() if said.ended_at else it.found.until_s
    return f"{(until - said.from_at.timestamp()) / 3600:.1f} h"


def _falling(hours: dict[str, Range]) -> list[tuple[str, Range]]:
    return sorted(hours.items(), key=lambda pair: float(pair[0]))


def _cores(said: AssessmentOut) -> list[CheckOut]:
    """Newest first, without those that were wrong."""
    return [check for check in said.checks if check.lot is not None and check.replaced_by is None]


def _decided(choice: str, by: str, holds: bool) -> str:
    words = choice.replace("_", " ")
    return f"{words}, {by}" if holds else f"{words}, {by}: decide again"


def _steps(fish: Sequence[FishOut], said: AssessmentOut) -> list[str]:
    """How the figures of the warmest came about, and on whose word."""
    if not fish:
        return [f"{said.air.source}."]
    warmest = fish[0].figures
    steps = [*warmest.worst.steps, *warmest.supposed, said.air.source][:MOST_STEPS]
    return [f"{step[0].upper()}{step[1:]}." for step in dict.fromkeys(steps)] + [
        f"Source: {source}." for source in warmest.worst.sources[:MOST_STEPS]
    ]


def _footer(said: AssessmentOut, it: Standing) -> str:
    number = "just computed" if said.number is None else f"assessment {said.number}"
    return (
        f"Excursion {said.excursion}, {number}, computed {said.computed_at:%Y-%m-%d %H:%M} UTC, "
        f"policy {it.found.view.policy_version}, basis {it.found.basis[:16]}"
    )
