"""The kitchen sheet: which pieces go into which fish on a day, in the order of feeding."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated

from fastapi import Query, Response

from service.http.bodies import Day
from service.pages.frame import WHO_SEES_REASONS
from service.pages.page import OnScreen, page_router
from service.pages.supplements_shown import amount_of, fish_name
from service.security.guard import MayLook
from service.supplement_sheets.queries.kitchen import kitchen_sheet
from service.supplement_sheets.schemas import (
    NOT_IN_FORCE,
    NOT_SIGNED,
    BlockOut,
    KitchenSheetOut,
    PieceOut,
)

router = page_router("/supplements")
ONE_DAY = timedelta(days=1)
ON_A_PAGE = 50


@dataclass(frozen=True)
class PieceLine:
    """Pieces of one product for one animal, in one bucket or by hand."""

    piece: PieceOut
    amount: str
    fish: str | None


@dataclass(frozen=True)
class BlockShown:
    """A bucket, or an animal's feed where no bucket is made yet."""

    block: BlockOut
    pieces: Sequence[PieceLine]

    @property
    def done(self) -> bool:
        """Whether something was said of every piece."""
        return all(line.piece.done for line in self.pieces)


@dataclass(frozen=True)
class KitchenShown:
    """What the page of the kitchen sheet shows."""

    sheet: KitchenSheetOut
    day: date
    before: date
    after: date
    blocks: Sequence[BlockShown]
    not_signed: Sequence[tuple[str, str, Sequence[str]]]
    """Animal's code, its name, the pieces that nobody has signed."""
    today: bool
    """What is recorded from here counts for today: of other days the sheet is only read."""
    says_not_signed: str
    says_not_in_force: str
    page: int
    more: bool
    reasons: bool


@router.get("/kitchen")
def kitchen(
    screen: OnScreen,
    by: MayLook,
    day: Annotated[Day | None, Query(description="Left out: today.")] = None,
    page: Annotated[int, Query(ge=1, le=1000)] = 1,
) -> Response:
    """What goes into which bucket on a day; only what is signed is to be given."""
    chosen = day or screen.view.day_of(screen.at)
    sheet = kitchen_sheet(
        screen.session, screen.site, screen.view, chosen, at=screen.at, by=screen.by
    )
    begin = (page - 1) * ON_A_PAGE
    return screen.show(
        "supplements_kitchen.html",
        KitchenShown(
            sheet=sheet,
            day=chosen,
            before=chosen - ONE_DAY,
            after=chosen + ONE_DAY,
            blocks=[_block(each) for each in sheet.blocks[begin : begin + ON_A_PAGE]],
            not_signed=[
                (
                    each.animal,
                    each.animal_name,
                    [f"{amount_of(p.count, p.counted_in)} {p.name}" for p in each.pieces],
                )
                for each in sheet.not_signed[:ON_A_PAGE]
            ],
            today=chosen == screen.view.day_of(screen.at),
            says_not_signed=NOT_SIGNED,
            says_not_in_force=NOT_IN_FORCE,
            page=page,
            more=len(sheet.blocks) > begin + ON_A_PAGE,
            reasons=screen.by.role in WHO_SEES_REASONS,
        ),
    )


def _block(block: BlockOut) -> BlockShown:
    return BlockShown(block, [_line(piece) for piece in block.pieces])


def _line(piece: PieceOut) -> PieceLine:
    fish = None if piece.fish is None else fish_name(piece.fish)
    return PieceLine(piece, amount_of(piece.count, piece.counted_in), fish)
