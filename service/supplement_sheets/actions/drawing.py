"""The sheets on paper, drawn by typst: words come in as data, never as source."""

import json
from collections.abc import Iterator
from datetime import datetime
from importlib.resources import files
from typing import Any

from service.catalogue.rules import nutrients
from service.site.queries import SiteView
from service.supplement_sheets.rules import breakable, joined
from service.supplement_sheets.schemas import (
    NOT_IN_FORCE,
    NOT_SIGNED,
    BlockOut,
    KitchenSheetOut,
    PieceOut,
    SheetHead,
    VetAnimalOut,
    VetSheetOut,
    WaitingOut,
)
from service.supplements.rules import LimitOn
from service.supplements.rules.steps import in_words
from service.supplements.schemas import PlanLine, PlannedSupplement, PlanOut, TotalOut

_HALF = 0.5
_MEDICATED = "MEDICINE is in this bucket too: see its label"


def kitchen(sheet: KitchenSheetOut, view: SiteView) -> bytes:
    """The kitchen's sheet as a PDF. Cost: about 10 ms, and 2 ms for each block."""
    return _paper("kitchen.typ", kitchen_words(sheet, view))


def vet(sheet: VetSheetOut, view: SiteView) -> bytes:
    """The vet's sheet as a PDF. Cost: about 10 ms, and 10 ms for each animal."""
    return _paper("vet.typ", vet_words(sheet, view))


def _paper(template: str, words: dict[str, Any]) -> bytes:
    import typst  # noqa: PLC0415 - heavy, and only for paper

    source = files("service").joinpath("supplement_sheets", "data", template).read_bytes()
    drawn: bytes | list[bytes] = typst.compile(
        source,
        format="pdf",
        ignore_system_fonts=True,
        pdf_tags=False,  # it is printed; whoever has it read aloud takes the JSON: a fifth the size
        sys_inputs={"sheet": json.dumps(words)},
    )
    return drawn[0] if isinstance(drawn, list) else drawn


def _head(title: str, sheet: SheetHead, view: SiteView) -> dict[str, Any]:
    return {
        "title": title,
        "site": breakable(f"{sheet.site_name} ({sheet.site})"),
        "day": f"{sheet.day:%A %-d %B %Y}",
        "printed": breakable(f"printed {_instant(sheet.printed_at, view)} by {sheet.printed_by}"),
        "cautions": sheet.cautions,
    }


def _instant(at: datetime, view: SiteView) -> str:
    return f"{at.astimezone(view.zone):%a %-d %b %Y %H:%M %Z}"


# --- the kitchen's


def kitchen_words(sheet: KitchenSheetOut, view: SiteView) -> dict[str, Any]:
    """All that stands on the kitchen's sheet, as its template takes it."""
    return _head("Supplements: kitchen", sheet, view) | {
        "nothing": "No supplements are ordered for this day.",
        "blocks": [_block(block, view) for block in sheet.blocks],
        "waiting": [_waiting(each) for each in sheet.not_signed],
    }


def _block(block: BlockOut, view: SiteView) -> dict[str, Any]:
    feed = f"feed {block.feed}" if block.feed is not None else None
    state = block.state.replace("_", " ") if block.state else None
    return {
        "time": f"{block.at.astimezone(view.zone):%H:%M}" if block.at else "no feed",
        "name": breakable(block.name),
        "code": block.animal or (f"group {block.group}" if block.name != block.group else "group"),
        "where": joined(["apart, before a feed" if block.apart else None, feed, state]),
        "bucket": block.bucket or "",
        "fish": [f"{f.mass.value:g} {f.mass.unit} {f.name}" for f in block.fish],
        "warning": _MEDICATED if block.medicated else "",
        "pieces": [_piece(piece, block) for piece in block.pieces],
    }


def _piece(piece: PieceOut, block: BlockOut) -> dict[str, Any]:
    batch = f"batch {piece.batch}" if piece.batch else "batch …………………"
    signed = f"order {piece.plan}, signed by {piece.signed_by}" if piece.in_force else None
    outcome = piece.outcome.replace("_", " ") if piece.outcome else None
    return {
        "whose": breakable(f"{piece.animal_name} ({piece.animal})") if block.group else "",
        "count": _count(piece.count, piece.counted_in),
        "unit": _unit(piece.count, piece.counted_in),
        "name": breakable(piece.name),
        "product": piece.product,
        "how": piece.how,
        "details": breakable(joined([batch, signed])),
        "stop": "" if piece.in_force or piece.done else NOT_IN_FORCE,
        "done": piece.done,
        "recorded": breakable(joined([outcome, *piece.recorded], "; ")),
    }


def _count(count: float, counted_in: str) -> str:
    """How many: of pieces with ½, which nobody reads as five."""
    whole, half = divmod(count, 1)
    if counted_in != "piece" or half != _HALF:
        return f"{count:g}"
    return f"{whole:g}½" if whole else "½"


def _unit(count: float, counted_in: str) -> str:
    if counted_in != "piece":
        return counted_in
    return "pieces" if count > 1 else "piece" if count == 1 else "half a piece"


def _counted(count: float, counted_in: str) -> str:
    plural = "s" if counted_in == "piece" and count > 1 else ""
    return f"{_count(count, counted_in)} {counted_in}{plural}"


def _waiting(each: WaitingOut) -> dict[str, Any]:
    return {
        "says": each.says,
        "name": breakable(each.animal_name),
        "code": each.animal,
        "plan": breakable(f"plan {each.plan}, proposed by {each.proposed_by}"),
        "pieces": [
            breakable(f"{_counted(p.count, p.counted_in)} {p.name} ({p.product})")
            for p in each.pieces
        ]
        or ["nothing any more"],
    }


# --- the vet's


def vet_words(sheet: VetSheetOut, view: SiteView) -> dict[str, Any]:
    """All that stands on the vet's sheet, as its template takes it."""
    return _head("Supplements: all figures", sheet, view) | {
        "nothing": "No supplements are ordered or proposed for this day.",
        "animals": [_animal(item, view) for item in sheet.items],
    }


def _animal(item: VetAnimalOut, view: SiteView) -> dict[str, Any]:
    plan = item.plan
    return {
        "name": breakable(item.name),
        "code": item.animal,
        "about": breakable(
            joined(
                [
                    item.taxon,
                    str(item.group).replace("_", " "),
                    f"{item.body_mass_g / 1000:g} kg" if item.body_mass_g else "not weighed",
                    f"{plan.food_g / 1000:g} kg of food a day",
                    f"by {'diet' if plan.basis == 'diet' else 'what was eaten'}",
                    f"plan {plan.id}",
                    f"from {plan.day}" + (f" until {plan.until}" if plan.until else ""),
                ]
            )
        ),
        "in_force": item.in_force,
        "standing": _standing(item, view),
        "food": breakable(joined(item.food) or "no food"),
        "lines": [_line(line) for line in plan.lines],
        "sources": list(_sources(plan)),
        "pieces": [_supplement(each) for each in plan.supplements] or ["Nothing is given."],
        "told": [breakable(words) for words in _told(plan)],
    }


def _standing(item: VetAnimalOut, view: SiteView) -> str:
    plan = item.plan
    if not item.in_force or plan.signed_at is None:
        proposed = _instant(item.proposed_at, view)
        return breakable(f"{NOT_SIGNED} · proposed by {item.proposed_by}, {proposed}")
    role = f" ({item.signed_as})" if item.signed_as else ""
    return breakable(
        joined(
            [
                f"Signed by {plan.signed_by}{role}, {_instant(plan.signed_at, view)}",
                f"“{item.meaning}”" if item.meaning else None,
            ]
        )
    )


def _line(line: PlanLine) -> list[str]:
    fish, total = line.in_fish, line.total
    return [
        f"{nutrients()[line.nutrient].name}, {line.unit}",
        _number(line.required),
        _number(line.credit),
        _number(line.add) + _range(*line.range, at=line.add),
        _number(line.given),
        f"{_number(fish.value)} ({_number(fish.low)} to {_number(fish.high)})"
        if fish
        else "not known",
        _total(total) if total else "not known",
        "none" if line.limit is None else f"{_number(line.limit)} {line.limit_on}",
        "–" if line.room is None else _number(line.room),
    ]


def _total(total: TotalOut) -> str:
    if total.high is None:
        return f"at least {_number(total.low)}"
    return f"{_number(total.low)} to {_number(total.high)}"


def _range(low: float, high: float, *, at: float) -> str:
    return "" if low == high == at else f" ({_number(low)} to {_number(high)})"


def _number(value: float) -> str:
    """Four figures, never with an exponent."""
    rounded = float(f"{value:.4g}")
    return f"{rounded:.10f}".rstrip("0").rstrip(".")


def _sources(plan: PlanOut) -> Iterator[str]:
    for line in plan.lines:
        told = [_source(each) for each in line.source.split("; ")]
        unknown = ", ".join(line.unknown_in)
        credit = f"credit {_number(line.credit)}: {line.why_no_credit}"
        yield breakable(
            joined(
                [
                    f"{line.nutrient}: {'; '.join(told)}",
                    credit if line.why_no_credit else None,
                    f"not known in {unknown}, counted as nothing" if unknown else None,
                ]
            )
        )


def _source(source: str) -> str:
    said, flag = in_words(source)
    return f"{said} ({flag})" if flag else said


def _supplement(each: PlannedSupplement) -> str:
    gives = ", ".join(f"{_number(g.amount)} {g.unit} {g.nutrient}" for g in each.gives)
    where = "; ".join(
        f"{f'feed {g.feed}: ' if g.feed else ''}{_count(g.count, each.counted_in)} {g.how}"
        for g in each.givings
    )
    batch = f", batch {each.batch}" if each.batch else ""
    return breakable(
        f"{_counted(each.count, each.counted_in)} {each.name} "
        f"({each.product}{batch}): {gives}. {where or each.placement}"
    )


def _told(plan: PlanOut) -> Iterator[str]:
    """Unmet needs, what would meet them, findings and suggestions."""
    for unmet in plan.unmet:
        short = f"{_number(unmet.short_by)} {unmet.unit}"
        yield f"UNMET: {unmet.nutrient} is short by {short}: {unmet.why}"
    yield from (f"Possible: {change}" for change in plan.changes)
    for line in plan.lines:
        if line.limit is not None and line.limit_on is LimitOn.TOTAL and line.in_fish:
            most = line.in_fish.high
            if most > line.limit:
                yield (
                    f"OVER BY FISH ALONE: it may hold {_number(most)} {line.unit} of "
                    f"{line.nutrient}, the limit is {_number(line.limit)} {line.unit}"
                )
    for found in plan.findings:
        yield f"{str(found.outcome).upper()}: {found.because} ({_source(found.source)})"
    for each in plan.suggestions:
        yield f"Consider {each.nutrient}: {each.words} ({_source(each.source)})"
    if not plan.exact:
        yield "The search was cut short: a better choice of pieces may exist."
