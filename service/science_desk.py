"""`fishhouse science`: the physics on the command line, without a database."""

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Any

from service import pictures
from service.science import thawing
from service.science.properties import GROUPS, Composition
from service.science.thawing import Body, Shape, Stage, ThawTime, described

GROUP_NAMES = {"very_fatty": "very fatty fish", "squid": "squid"}
MEASURED = ("water", "protein", "fat", "ash", "freezing_point_c")
FORMULA_UP_TO_C = 1.0  # the closed formula is for a core about 0 °C
PICTURE_CELLS = 20  # with ten the surface warms in visible steps
METHOD = (
    "enthalpy method in one dimension, 10 cells to the middle; bricks and fish by a shape "
    "factor; 10-90 % range from one changed run for each uncertain input"
)
CAUTION = "A model estimates; a thermometer in the fish decides."


def register(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `science` and what it answers to the commands of `fishhouse`."""
    group = commands.add_parser("science", help="the physics of fish, for one question")
    questions = group.add_subparsers(required=True, metavar="QUESTION")
    what = "how long a piece of fish takes to thaw, with its range"
    thaw = questions.add_parser(
        "thaw",
        help=what,
        description=f"Says {what}. {CAUTION}",
        usage="fishhouse science thaw OPTIONS; --help lists them",
    )
    thaw.set_defaults(command=answer_thaw)
    _ask_for_body(thaw)
    _ask_for_warmth(thaw)
    _ask_for_food(thaw)
    thaw.add_argument("--json", action="store_true", help="print JSON only")
    thaw.add_argument("--plot", metavar="FILE", help="draw it into a .png or .svg file")


def _ask_for_body(parser: argparse.ArgumentParser) -> None:
    size = number("mm", 2, 1000)
    side = number("mm", 2, 20_000)
    parser.add_argument("--shape", required=True, choices=[shape.value for shape in Shape])
    parser.add_argument(
        "--thickness-mm", required=True, type=size, help="smallest side, or diameter; 2 to 1000"
    )
    parser.add_argument("--width-mm", type=side, help="of a brick or fish; up to 20000")
    parser.add_argument("--length-mm", type=side, help="of a brick; up to 20000")
    parser.add_argument(
        "--packing",
        type=number("", 0.3, 1),
        default=1.0,
        help="share of the volume that is fish, 0.3 to 1; 1 for a solid block",
    )


def _ask_for_warmth(parser: argparse.ArgumentParser) -> None:
    degrees = number("°C", thawing.COLDEST_C, thawing.WARMEST_C)
    parser.add_argument("--medium-c", required=True, type=degrees, help="air or water, °C")
    parser.add_argument(
        "--heat-transfer",
        required=True,
        type=number("W/m²K", 0.5, 2000),
        help="W/m²K: still air 8, fan 15, still water 60, running water 150",
    )
    parser.add_argument("--start-c", type=degrees, default=-20.0, help="even throughout; -20")
    parser.add_argument(
        "--core-c", type=degrees, help="core to reach; without it, 0.4 K above the freezing point"
    )


def _ask_for_food(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--group", choices=list(GROUPS), help="typical composition")
    for part in ("water", "protein", "fat", "ash", "carbohydrate"):
        parser.add_argument(f"--{part}", type=number("%", 0, 100), help="measured, g in 100 g")
    parser.add_argument(
        "--freezing-point-c", type=number("°C", -3, -0.3), help="with a measured composition"
    )


def number(unit: str, low: float, high: float) -> Callable[[str], float]:
    """A reader of numbers within a range, that says the range when it refuses."""

    def read(text: str) -> float:
        try:
            value = float(text.replace("\u2212", "-"))
        except ValueError:
            value = float("nan")
        if not isfinite(value) or not low <= value <= high:
            bounds = f"{low:g} and {high:g} {unit}".rstrip()
            raise argparse.ArgumentTypeError(f"must be a number between {bounds}, not {text!r}")
        return value

    return read


@dataclass(frozen=True)
class ThawQuestion:
    """What is thawed, in what, and to which core."""

    food: Composition
    food_name: str
    body: Body
    stage: Stage
    start_c: float
    core_c: float
    notes: tuple[str, ...]


def answer_thaw(parsed: argparse.Namespace) -> int:
    """`fishhouse science thaw`. Raises ValueError, a sentence, for what cannot be."""
    file = None if parsed.plot is None else pictures.picture_file(parsed.plot)
    question = thaw_question(parsed)
    found = thaw_answer(question)
    if file is not None:
        draw_thaw(question, found, file)
    print(
        json.dumps(thaw_document(question, found), indent=2)
        if parsed.json
        else told(question, found)
    )
    return 0


def thaw_question(parsed: argparse.Namespace) -> ThawQuestion:
    """The question, checked as a whole. Raises ValueError naming the argument at fault."""
    food, name = _food(parsed)
    body, notes = _body(parsed)
    core_c = thawing.fully_thawed_core_c(food) if parsed.core_c is None else parsed.core_c
    if not parsed.start_c < core_c:
        raise ValueError(
            f"--start-c must be colder than the core that is to be reached, {core_c:g} °C; "
            f"{parsed.start_c:g} °C is not."
        )
    if not parsed.medium_c > core_c:
        raise ValueError(
            f"--medium-c must be warmer than the core that is to be reached, {core_c:g} °C; "
            f"{parsed.medium_c:g} °C is not."
        )
    stage = Stage(parsed.medium_c, parsed.heat_transfer)
    return ThawQuestion(food, name, body, stage, parsed.start_c, core_c, notes)


def _food(parsed: argparse.Namespace) -> tuple[Composition, str]:
    measured = {part: getattr(parsed, part) for part in MEASURED}
    some = any(v is not None for v in (*measured.values(), parsed.carbohydrate))
    if parsed.group is not None and some:
        raise ValueError("Give either --group or a measured composition, not both.")
    if parsed.group is not None:
        return GROUPS[parsed.group], GROUP_NAMES.get(parsed.group, f"{parsed.group} fish")
    missing = [_option(part) for part, value in measured.items() if value is None]
    if missing:
        raise ValueError(
            f"Give --group, one of {', '.join(GROUPS)}, or a measured composition: "
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing."
        )
    try:
        food = Composition.from_percent(**measured, carbohydrate=parsed.carbohydrate or 0.0)
    except ValueError as error:
        raise ValueError(f"--water and the rest of the composition: {error}.") from error
    return food, f"fish of {parsed.water:g} % water and {parsed.fat:g} % fat"


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def _body(parsed: argparse.Namespace) -> tuple[Body, tuple[str, ...]]:
    """The body, and which sides were given for nothing."""
    shape = Shape(parsed.shape)
    needed = {Shape.BRICK: ("width_mm", "length_mm"), Shape.FISH: ("width_mm",)}.get(shape, ())
    sides: dict[str, float | None] = {"width_mm": parsed.width_mm, "length_mm": parsed.length_mm}
    missing = [_option(side) for side in needed if sides[side] is None]
    if missing:
        raise ValueError(f"A {shape} needs {' and '.join(missing)}.")
    for side in needed:
        if (sides[side] or 0.0) < parsed.thickness_mm:
            raise ValueError(
                f"{_option(side)} must lie between the thickness, {parsed.thickness_mm:g} mm, "
                "and 20000 mm: the smallest side is the thickness."
            )
    notes = tuple(
        f"{_option(side)} changes nothing for a {shape}"
        for side, length in sides.items()
        if length is not None and side not in needed
    )
    width, length = (_metres(sides[s]) if s in needed else None for s in sides)
    return Body(shape, parsed.thickness_mm / 1000, width, length, parsed.packing), notes


def _metres(millimetres: float | None) -> float | None:
    return None if millimetres is None else millimetres / 1000


def thaw_answer(question: ThawQuestion) -> ThawTime:
    """Hours with their range, beside the closed formula where it applies. Some eight solves."""
    food, stage = question.food, question.stage
    try:
        found = thawing.thaw_time(
            food, question.body, [stage], start_c=question.start_c, core_c=question.core_c
        )
    except ValueError as error:
        raise ValueError(
            f"The core does not reach {question.core_c:g} °C within {thawing.LONGEST_H:g} h. "
            "A smaller --thickness-mm, warmer --medium-c or larger --heat-transfer thaws sooner."
        ) from error
    formula = None
    from_freezing = food.freezing_point_c <= question.core_c <= FORMULA_UP_TO_C
    if from_freezing and question.start_c < food.freezing_point_c < stage.medium_c:
        formula = thawing.formula_hours(food, question.body, stage, start_c=question.start_c)
    return replace(found, formula_h=formula)


def thaw_document(question: ThawQuestion, found: ThawTime) -> dict[str, Any]:
    """The answer for programs."""
    return {
        "hours": round(found.value, 4),
        "range": [round(found.low, 4), round(found.high, 4)],
        "core_c": question.core_c,
        "freezing_point_c": question.food.freezing_point_c,
        "formula_hours": None if found.formula_h is None else round(found.formula_h, 4),
        "formula_disagrees": found.formula_disagrees,
        "method": METHOD,
        "sources": list(found.sources),
        "notes": list(question.notes),
        "caution": CAUTION,
    }


def told(question: ThawQuestion, found: ThawTime) -> str:
    """The answer for people."""
    body, stage = question.body, question.stage
    lines = [
        f"Core at {question.core_c:g} °C after {_hours(found.value)} h; of ten such thaws eight "
        f"take {_hours(found.low)} to {_hours(found.high)} h.",
        f"{described(body).capitalize()} of {question.food_name}, freezing at "
        f"{question.food.freezing_point_c:g} °C; from {question.start_c:g} °C in "
        f"{stage.medium_c:g} °C at {stage.coefficient_w_m2k:g} W/m²K.",
        _formula_told(found),
        *(f"Note: {note}." for note in question.notes),
        CAUTION,
    ]
    return "\n".join(lines)


def _formula_told(found: ThawTime) -> str:
    if found.formula_h is None:
        return "No closed formula to compare with: it is for a core about 0 °C."
    apart = "the two are more than 20 % apart: distrust both"
    verdict = apart if found.formula_disagrees else "the two agree within 20 %"
    return f"Closed formula: {_hours(found.formula_h)} h; {verdict}."


def _hours(hours: float) -> str:
    return f"{hours:.2f}" if hours < 10 else f"{hours:.1f}"


def draw_thaw(question: ThawQuestion, found: ThawTime, file: Path) -> None:
    """Core and surface over time, the 10-90 % range as a band, the freezing point as a line."""
    figure, axes = pictures.blank("hours from the start (h)", "temperature (°C)")
    until = min(found.high * 1.05, thawing.LONGEST_H)
    history = thawing.thaw_history(
        question.food,
        question.body,
        [question.stage],
        start_c=question.start_c,
        hours=until,
        cells=PICTURE_CELLS,
    )
    axes.axvspan(found.low, min(found.high, until), color=pictures.STONE, alpha=0.3, linewidth=0)
    axes.axvline(found.value, color=pictures.ACCENT, linewidth=1)
    axes.axhline(question.food.freezing_point_c, color=pictures.STONE, linewidth=1, linestyle="--")
    axes.plot(history.at_h, history.surface_c, color=pictures.INK, linewidth=1.2, label="surface")
    axes.plot(history.at_h, history.core_c, color=pictures.ACCENT, linewidth=2.2, label="core")
    axes.text(
        found.value,
        question.start_c,
        f" core {question.core_c:g} °C at {_hours(found.value)} h \n"
        f" 10-90 %: {_hours(found.low)} to {_hours(found.high)} h ",
        color=pictures.ACCENT,
        verticalalignment="bottom",
        horizontalalignment="left" if found.value < until / 2 else "right",
    )
    axes.text(
        1.01,
        question.food.freezing_point_c,
        f"freezing\n{question.food.freezing_point_c:g} °C",
        color=pictures.INK,
        transform=axes.get_yaxis_transform(),
        verticalalignment="center",
        fontsize="small",
    )
    axes.set_xlim(0, until)
    axes.legend(frameon=False, labelcolor=pictures.INK, loc="lower left", bbox_to_anchor=(0.2, 0.0))
    pictures.save(figure, file)
