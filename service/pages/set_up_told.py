"""Settings: who is told by e-mail. Webhooks and other ways are set up by the API."""

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import Response

from service.http.bodies import LARGEST_NUMBER, Number
from service.http.sessions import Now, WriteSession
from service.notifications import queries
from service.notifications.actions import recipients
from service.notifications.rules import Channel
from service.notifications.schemas import RecipientIn, RecipientOut, Withdrawal
from service.pages.forms import Form
from service.pages.page import OnScreen, go_to, page_router
from service.pages.set_up_people import ROLES
from service.security.guard import MaySetUp
from service.security.rules import Role

router = page_router("/settings/told")
A_PAGE = 50


@dataclass(frozen=True)
class ToldShown:
    """Who is told now, newest first; before: where the next ones begin."""

    recipients: Sequence[RecipientOut]
    before: int | None
    roles: Sequence[tuple[str, str]]


@router.get("")
def told(screen: OnScreen, by: MaySetUp, before: int | None = None) -> Response:
    """Who is told when something happens."""
    last = None if before is None else max(0, min(before, LARGEST_NUMBER))
    rows = queries.recipients(screen.session, [screen.view.id], limit=A_PAGE + 1, before_id=last)
    shown = ToldShown(
        recipients=[RecipientOut.of(*row) for row in rows[:A_PAGE] if row[0].withdrawn_at is None],
        before=rows[A_PAGE - 1][0].id if len(rows) > A_PAGE else None,
        roles=[role for role in ROLES if role[0] != Role.DEVICE],
    )
    return screen.show("settings_told.html", shown)


@router.post("")
def add(form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp) -> Response:
    """Tell somebody by e-mail from now on."""
    new = form.read(RecipientIn, screen.view.zone, site=screen.site.code, channel=Channel.EMAIL)
    recipient, _site = recipients.add_recipient(session, new, at=at, by=by)
    said = screen.write.say("%(name)s is told from now on.", name=recipient.name)
    return go_to("/settings/told", said=said)


@router.post("/{recipient}/test")
def try_out(
    recipient: Number, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Send a test."""
    recipients.try_out(session, recipient, at=at, by=by)
    return go_to("/settings/told", said=screen.write.say("A test is on its way."))


@router.post("/{recipient}/withdrawal")
def withdraw(
    recipient: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MaySetUp,
) -> Response:
    """Tell somebody nothing more."""
    withdrawal = form.read(Withdrawal, screen.view.zone)
    row, _site = recipients.withdraw(session, recipient, withdrawal, at=at, by=by)
    said = screen.write.say("%(name)s is told nothing more.", name=row.name)
    return go_to("/settings/told", said=said)
