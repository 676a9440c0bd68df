"""Now: what must be done in the next hours."""

from dataclasses import dataclass

from fastapi import Response

from service.pages.page import OnScreen, page_router
from service.security.guard import MayLook

router = page_router()


@dataclass(frozen=True)
class BoardShown:
    """What the board shows."""


@router.get("/")
def board(screen: OnScreen, by: MayLook) -> Response:
    """What must be done in the next hours, the most urgent first."""
    return screen.show("board.html", BoardShown())
