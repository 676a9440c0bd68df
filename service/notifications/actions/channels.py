"""The ways out: e-mail, webhook, and whatever apprise reaches. No database here.

Each function sends one envelope and returns None, or says in a sentence why it did not
arrive. No sentence holds an address, a key or a password; a channel that is slower than
`GIVE_UP_S` has failed.
"""

import asyncio
import contextlib
import json
import logging
import smtplib
import ssl
from collections.abc import Callable
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from service.notifications.queries import Envelope, Line
from service.notifications.rules import Channel, Urgency, signature
from service.settings import Settings

if TYPE_CHECKING:
    from apprise import Apprise

GIVE_UP_S = 10.0
_ORDINAL = {1: "", 2: " (told a second time)", 3: " (told a third time)"}

# These write whole addresses into the log, and addresses may be secrets.
for _name in ("httpx", "httpcore", "apprise"):
    logging.getLogger(_name).setLevel(logging.CRITICAL)


def send(envelope: Envelope, settings: Settings, at: datetime) -> str | None:
    """Send an envelope by its recipient's channel. None: it has arrived."""
    way: Callable[[Envelope, Settings, datetime], str | None] = {
        Channel.EMAIL: send_email,
        Channel.WEBHOOK: send_webhook,
        Channel.APPRISE: send_apprise,
    }[Channel(envelope.recipient.channel)]
    try:
        return way(envelope, settings, at)
    except Exception as error:  # a library may raise anything, and its words may hold the address
        return f"sending failed: {type(error).__name__}"


def headline(envelope: Envelope) -> str:
    """One line: the site, how urgent, and what."""
    first = envelope.lines[0]
    title = " ".join(first.message.title.split())  # one line, whatever a name holds
    urgent = any(line.message.urgency == Urgency.NOW for line in envelope.lines)
    mark = f"[{envelope.site.code}]{' NOW:' if urgent else ''}"
    if len(envelope.lines) == 1:
        return f"{mark} {title}{_again(first.times)}"
    return f"{mark} {len(envelope.lines)} messages: {title}, …"


def text(envelope: Envelope) -> str:
    """What there is to say, a paragraph a message, times in the site's zone."""
    zone = ZoneInfo(envelope.site.timezone)
    return "\n\n".join(_paragraph(line, zone) for line in envelope.lines) + "\n"


def _paragraph(line: Line, zone: ZoneInfo) -> str:
    message = line.message
    about = f"{message.subject} {message.number}" if message.number else message.subject
    parts = [
        message.title + _again(line.times),
        message.body,
        f"Message {message.id}, {about}, {message.created_at.astimezone(zone):%Y-%m-%d %H:%M %Z}.",
    ]
    if message.acknowledged_by is not None:
        parts.append(f"{message.acknowledged_by} has acknowledged it.")
    elif message.urgency == Urgency.NOW and not message.once:
        parts.append(f"It is told again until somebody acknowledges message {message.id}.")
    return "\n".join(part for part in parts if part)


def _again(times: int) -> str:
    return _ORDINAL.get(times, f" (told {times} times)")


def send_email(envelope: Envelope, settings: Settings, _at: datetime) -> str | None:
    """By SMTP. The Message-ID is the dispatch's own, whenever and however often it is sent."""
    if not settings.smtp_host or not settings.smtp_from:
        return "e-mail is not set up: FISHHOUSE_SMTP_HOST and FISHHOUSE_SMTP_FROM"
    letter = email_of(envelope, settings.smtp_from)
    try:
        _hand_over(letter, settings)
    except smtplib.SMTPRecipientsRefused as refused:
        code = next(iter(refused.recipients.values()))[0]
        return f"the mail server refused the recipient with {code}"
    except smtplib.SMTPResponseException as refused:
        return f"the mail server answered {refused.smtp_code}"
    except (OSError, smtplib.SMTPException) as error:
        return f"the mail server was not reached: {_reason(error)}"
    return None


def email_of(envelope: Envelope, sender: str) -> EmailMessage:
    """The letter, the same each time it is made."""
    letter = EmailMessage()
    letter["From"] = sender
    letter["To"] = envelope.recipient.address
    letter["Subject"] = headline(envelope)
    letter["Date"] = format_datetime(envelope.dispatch.made_at)
    domain = sender.rpartition("@")[2].strip(" >") or "fishhouse.invalid"
    letter["Message-ID"] = f"<{envelope.dispatch.key}@{domain}>"
    letter["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's holiday answer comes back
    letter.set_content(text(envelope))
    return letter


def _hand_over(letter: EmailMessage, settings: Settings) -> None:
    server = _connected(settings)
    try:
        server.send_message(letter)
        # It is accepted; a server that stumbles over the farewell has it all the same.
        with contextlib.suppress(OSError, smtplib.SMTPException):
            server.quit()
    finally:
        server.close()


def _connected(settings: Settings) -> smtplib.SMTP:
    where = (settings.smtp_host, settings.smtp_port)
    if settings.smtp_security == "tls":
        context = ssl.create_default_context()
        server: smtplib.SMTP = smtplib.SMTP_SSL(*where, timeout=GIVE_UP_S, context=context)
    else:
        server = smtplib.SMTP(*where, timeout=GIVE_UP_S)
    try:
        if settings.smtp_security == "starttls":
            server.starttls(context=ssl.create_default_context())
        if settings.smtp_user:
            server.login(settings.smtp_user, settings.smtp_password.get_secret_value())
    except BaseException:
        server.close()
        raise
    return server


def event_of(envelope: Envelope) -> dict[str, Any]:
    """A message as a CloudEvent 1.0 in structured JSON; `id` is the dispatch's own."""
    line = envelope.lines[0]
    message = line.message
    return {
        "specversion": "1.0",
        "id": envelope.dispatch.key,
        "source": f"/v1/sites/{envelope.site.code}",
        "type": f"fishhouse.{message.subject}",
        "subject": f"{message.subject}/{message.number}",
        "time": message.created_at.isoformat(),
        "datacontenttype": "application/json",
        "data": {
            "message": message.id,
            "site": envelope.site.code,
            "subject": message.subject,
            "number": message.number,
            "title": message.title,
            "body": message.body,
            "urgency": message.urgency,
            "times": line.times,
            "ends": message.ends,
            "acknowledged_by": message.acknowledged_by,
        },
    }


def send_webhook(envelope: Envelope, _settings: Settings, at: datetime) -> str | None:
    """By POST, signed. Redirects are not followed and the answer's body is not read."""
    body = json.dumps(event_of(envelope), ensure_ascii=False).encode()
    identity, timestamp = envelope.dispatch.key, int(at.timestamp())
    headers = {
        "Content-Type": "application/cloudevents+json; charset=utf-8",
        "User-Agent": "fishhouse",
        "webhook-id": identity,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature(envelope.recipient.key or "", identity, timestamp, body),
    }
    try:
        status = asyncio.run(_post(envelope.recipient.address, body, headers))
    except TimeoutError:
        return f"no answer within {GIVE_UP_S:.0f} s"
    except ConnectionError as error:
        return f"it was not reached: {error}"
    if 300 <= status < 400:
        return f"it answered {status}: redirects are not followed"
    return None if 200 <= status < 300 else f"it answered {status}"


async def _post(address: str, body: bytes, headers: dict[str, str]) -> int:
    import httpx  # noqa: PLC0415 - heavy, and only who sends needs it

    try:
        # One limit for all of it: a server that drips its answer would reset any other.
        async with (
            asyncio.timeout(GIVE_UP_S),
            httpx.AsyncClient(timeout=None, follow_redirects=False) as client,
            client.stream("POST", address, content=body, headers=headers) as answer,
        ):
            return answer.status_code
    except httpx.TransportError as error:
        raise ConnectionError(type(error).__name__) from None


def send_apprise(envelope: Envelope, _settings: Settings, _at: datetime) -> str | None:
    """By the library apprise, which is installed with `fishhouse[notify]`."""
    try:
        service = apprise_of(envelope.recipient.address)
    except ImportError:
        return "the library apprise is not installed here: install fishhouse[notify]"
    if service is None:
        return "apprise does not know this kind of URL"
    arrived = service.notify(title=headline(envelope), body=text(envelope))
    return None if arrived else "apprise could not deliver it"


def apprise_of(address: str) -> "Apprise | None":
    """The library's own object for an address; None where it does not know the kind."""
    from apprise import Apprise  # noqa: PLC0415 - heavy and optional

    service = Apprise()
    return service if service.add(address) else None


def _reason(error: Exception) -> str:
    """What failed, in the operating system's words or the name of the failure."""
    said = getattr(error, "strerror", None)
    return said if isinstance(said, str) and said else type(error).__name__
