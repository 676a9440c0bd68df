"""Why so many: for each nutrient the steps from what is required to what the pieces give."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.pages.supplements_shown import figure, fish_name, nutrient_name, unit
from service.pages.words import _
from service.supplements.rules import LimitOn
from service.supplements.schemas import ExplainedOut, ExplanationOut, PlanLine, PlanOut, StepOut

STAGES: Sequence[tuple[str, Sequence[str]]] = (
    (_("Required"), ("required",)),
    (_("The fish still gives"), ("in_fish_low", "in_fish", "in_fish_high")),
    (_("Of that counts"), ("credit",)),
    (_("To be added"), ("add", "add_low", "add_high")),
    (_("Pieces"), ("given", "one_less", "over", "short")),
    (_("Limit"), ("room", "left_of_room", "total_low", "total_high")),
)


@dataclass(frozen=True)
class Stage:
    """One stage on the way, with its steps."""

    title: str
    steps: Sequence[StepOut]


@dataclass(frozen=True)
class Scale:
    """A nutrient's amounts as a bar, in percent of its longest."""

    credit: float
    given: float
    required: float
    limit: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Why:
    """One nutrient of a plan: its figures, and for those who see reasons its steps."""

    tag: str
    name: str
    unit: str
    required: str
    credit: str
    add: str
    given: str
    limit: str | None
    limit_on_added: bool
    in_fish: str | None
    """With its range, where ranges are seen."""
    range: str | None
    """What is to be added at least and at most, where that is a range."""
    total: str | None
    short: bool
    why_no_credit: str | None
    source: str
    scale: Scale
    stages: Sequence[Stage]
    asks_for_less: Sequence[StepOut]
    does_not_count: Sequence[str]
    not_known: Sequence[str]
    unknown_in: Sequence[str]


def why_of(plan: PlanOut, explained: ExplanationOut | None) -> list[Why]:
    """Each nutrient of a plan; with its steps where they are given."""
    steps = {} if explained is None else {each.nutrient: each for each in explained.lines}
    short = {each.nutrient for each in plan.unmet}
    return [
        _why(line, steps.get(line.nutrient), line.nutrient in short, explained is not None)
        for line in plan.lines
    ]


def _why(line: PlanLine, steps: ExplainedOut | None, short: bool, reasons: bool) -> Why:
    low, high = line.range
    return Why(
        tag=line.nutrient,
        name=nutrient_name(line.nutrient),
        unit=unit(line.unit),
        required=figure(line.required),
        credit=figure(line.credit),
        add=figure(line.add),
        given=figure(line.given),
        limit=None if line.limit is None else figure(line.limit),
        limit_on_added=line.limit_on is LimitOn.ADDED,
        in_fish=_in_fish(line) if reasons else None,
        range=_span(low, high) if reasons and figure(low) != figure(high) else None,
        total=_total(line) if reasons else None,
        short=short,
        why_no_credit=line.why_no_credit if reasons else None,
        source=line.source,
        scale=_scale(line, reasons),
        stages=[] if steps is None else _stages(steps.figures),
        asks_for_less=[] if steps is None else steps.asks_for_less,
        does_not_count=[] if steps is None else steps.does_not_count,
        not_known=[] if steps is None else steps.not_known,
        unknown_in=[fish_name(species) for species in line.unknown_in],
    )


def _in_fish(line: PlanLine) -> str | None:
    fish = line.in_fish
    return None if fish is None else f"{figure(fish.value)} ({_span(fish.low, fish.high)})"


def _total(line: PlanLine) -> str | None:
    if line.total is None:
        return None
    high = line.total.high
    return f"≥ {figure(line.total.low)}" if high is None else _span(line.total.low, high)


def _span(low: float, high: float) -> str:
    return f"{figure(low)} – {figure(high)}"


def _stages(figures: Mapping[str, StepOut]) -> list[Stage]:
    """The figures by stage; what no stage names stands with the limits, so that none is lost."""
    known = {name for _title, names in STAGES for name in names}
    rest = [name for name in figures if name not in known]
    stages = [
        Stage(title, [figures[name] for name in names if name in figures])
        for title, names in (*STAGES[:-1], (STAGES[-1][0], (*STAGES[-1][1], *rest)))
    ]
    return [stage for stage in stages if stage.steps]


def _scale(line: PlanLine, reasons: bool) -> Scale:
    total = line.total if reasons else None
    high = None if total is None else total.high
    longest = max(line.credit + line.given, line.required, line.limit or 0.0, high or 0.0, 1e-9)

    def percent(amount: float) -> float:
        return round(100 * amount / longest, 2)

    return Scale(
        credit=percent(line.credit),
        given=percent(line.given),
        required=percent(line.required),
        limit=None if line.limit is None else percent(line.limit),
        low=None if total is None or high is None else percent(total.low),
        high=None if high is None else percent(high),
    )
