"""What if: a changed day beside the day as it stands."""

from fastapi import APIRouter

from service.http.sessions import Now, ReadSession
from service.security.guard import MayLook, guarded_router
from service.what_if.actions.asking import what_if
from service.what_if.schemas import WhatIfIn, WhatIfOut

router: APIRouter = guarded_router("/what-if", "supplements")


@router.post("")
def ask_what_if(order: WhatIfIn, session: ReadSession, at: Now, by: MayLook) -> WhatIfOut:
    """Supplements, cost and limits of a day beside those of a changed one; nothing is stored.

    What may be otherwise: fish, lots, storage, products, requirements, the policy of credit,
    body mass.
    """
    return what_if(session, order, at=at, by=by)
