"""The sheets as rows of a table."""

from collections.abc import Iterator

from service.supplement_sheets.rules import joined
from service.supplement_sheets.schemas import (
    NOT_IN_FORCE,
    NOT_SIGNED,
    BlockOut,
    KitchenRow,
    KitchenSheetOut,
    PieceOut,
    VetAnimalOut,
    VetRow,
    VetSheetOut,
)


def kitchen_rows(sheet: KitchenSheetOut) -> list[KitchenRow]:
    """A row for the pieces of each product at each time; what is not signed at the end."""
    caution = " ".join(sheet.cautions)
    rows = [
        _kitchen_row(sheet, block, piece, caution)
        for block in sheet.blocks
        for piece in block.pieces
    ]
    return rows + [
        KitchenRow(
            day=sheet.day,
            at=None,
            feed=None,
            bucket=None,
            group=None,
            animal=waiting.animal,
            name=waiting.animal_name,
            fish="",
            product=piece.product,
            count=piece.count,
            counted_in=piece.counted_in,
            batch=None,
            how="",
            plan=waiting.plan,
            signed_by=None,
            says=waiting.says,
            caution=caution,
        )
        for waiting in sheet.not_signed
        for piece in waiting.pieces
    ]


def _kitchen_row(
    sheet: KitchenSheetOut, block: BlockOut, piece: PieceOut, caution: str
) -> KitchenRow:
    fish = [f"{f.mass.value:g} {f.mass.unit} {f.name}" for f in block.fish]
    outcome = piece.outcome.replace("_", " ") if piece.outcome else None
    return KitchenRow(
        day=sheet.day,
        at=block.at,
        feed=block.feed,
        bucket=block.bucket,
        group=block.group,
        animal=piece.animal,
        name=piece.animal_name,
        fish=joined(fish, ", "),
        product=piece.product,
        count=piece.count,
        counted_in=piece.counted_in,
        batch=piece.batch,
        how=piece.how,
        plan=piece.plan,
        signed_by=piece.signed_by,
        says=joined([None if piece.in_force else NOT_IN_FORCE, outcome, *piece.recorded], "; "),
        caution=caution,
    )


def vet_rows(sheet: VetSheetOut) -> list[VetRow]:
    """A row for each nutrient of each animal."""
    return [row for item in sheet.items for row in _vet_rows(sheet, item)]


def _vet_rows(sheet: VetSheetOut, item: VetAnimalOut) -> Iterator[VetRow]:
    plan = item.plan
    short = {unmet.nutrient: unmet.short_by for unmet in plan.unmet}
    for line in plan.lines:
        fish, total = line.in_fish, line.total
        yield VetRow(
            day=sheet.day,
            animal=item.animal,
            name=item.name,
            plan=plan.id,
            says="in force" if item.in_force else NOT_SIGNED,
            nutrient=line.nutrient,
            unit=line.unit,
            required=line.required,
            credit=line.credit,
            add=line.add,
            add_low=line.range[0],
            add_high=line.range[1],
            given=line.given,
            fish_low=fish.low if fish else None,
            fish=fish.value if fish else None,
            fish_high=fish.high if fish else None,
            total_low=total.low if total else None,
            total_high=total.high if total else None,
            limit=line.limit,
            limit_on=line.limit_on,
            room=line.room,
            short_by=short.get(line.nutrient, 0.0),
            source=line.source,
            pieces=joined((f"{s.count:g} × {s.product}" for s in plan.supplements), "; "),
            findings=joined((found.because for found in plan.findings), "; "),
            signed_by=plan.signed_by,
            signed_as=item.signed_as,
            meaning=item.meaning,
            signed_at=plan.signed_at,
            caution=" ".join(sheet.cautions),
        )
