"""Expected failures, free of HTTP.

    FishhouseError
    ├── Invalid              what was sent is malformed            (422)
    ├── NotAuthenticated     nobody, or nobody known, is asking    (401)
    ├── NotAllowed           this role or site may not do that     (403)
    ├── NotFound             no such thing                         (404)
    ├── Conflict             it cannot be done as things stand     (409)
    │   └── RuleRefused      a rule of the trade says no           (409)
    ├── TooLarge             longer than what is kept              (413)
    ├── UnknownMedia         not of a kind that is read here       (415)
    ├── ChangedMeanwhile     somebody edited it since it was read  (412)
    ├── TooOften             tried too many times in too short a time (429)
    ├── Busy                 more is asked than is done at once    (503)
    └── NotReady             the service cannot answer yet         (503)

Each says what happened, what to do next, and which field is at fault.
`http/problems.py` turns them into RFC 9457 answers.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.decisions import Decision


def with_article(noun: str) -> str:
    """'a keeper', 'an inspector'."""
    return f"{'an' if noun[0].lower() in 'aeiou' else 'a'} {noun}"


@dataclass(frozen=True)
class FieldError:
    """One field or line at fault, and why."""

    field: str
    message: str


class FishhouseError(Exception):
    """An expected failure with a stable kind, a sentence, and advice."""

    kind = "problem"
    advice = "Read the detail, correct it and send it again."

    def __init__(
        self,
        detail: str,
        *,
        kind: str | None = None,
        advice: str | None = None,
        errors: Sequence[FieldError] = (),
        extra: dict[str, object] | None = None,
    ) -> None:
        super().__init__(detail)
        self.detail = detail
        self.kind = kind or self.kind
        self.advice = advice or self.advice
        self.errors = tuple(errors)
        self.extra = extra or {}


class Invalid(FishhouseError):
    """What was sent is malformed or impossible in itself."""

    kind = "validation"
    advice = "Correct the field named and send it again; nothing was stored."

    @classmethod
    def at(cls, field: str, message: str) -> "Invalid":
        """The failure of one field."""
        return cls(f"{field}: {message}", errors=[FieldError(field, message)])


class NotAuthenticated(FishhouseError):
    """No token, or one that is unknown, withdrawn or run out."""

    kind = "not-authenticated"
    advice = "Send `Authorization: Bearer …` with a token from `fishhouse user add`."


class NotAllowed(FishhouseError):
    """This person's role or site does not carry the right."""

    kind = "not-allowed"
    advice = "Ask somebody whose role carries this right."


class NotFound(FishhouseError):
    """Nothing has this code or number."""

    advice = "Check the code; codes are found in any case."

    @classmethod
    def of(cls, what: str, code: object, field: str) -> "NotFound":
        """No `what` is called `code`; `field` is where it was named."""
        message = f"no {what} is called {code!r}"
        slug = what.replace(" ", "-")
        return cls(message, kind=f"unknown-{slug}", errors=[FieldError(field, message)])


class Conflict(FishhouseError):
    """It cannot be done as things stand."""

    kind = "conflict"
    advice = "Look at how things stand now and decide again."

    @classmethod
    def exists(cls, what: str, code: str, field: str = "code") -> "Conflict":
        """A second thing with the same code."""
        message = f"{with_article(what)} called {code} exists already"
        return cls(
            message,
            kind="already-exists",
            advice="Choose another code, or use the one that exists.",
            errors=[FieldError(field, message)],
        )


class RuleRefused(Conflict):
    """Rules of the trade block it; every finding is listed."""

    def __init__(self, decision: Decision) -> None:
        first = decision.first_blocking()
        super().__init__(
            "; ".join(f.because for f in decision.blocking()),
            kind=first.rule,
            advice=advice_for(decision),
        )
        self.decision = decision


def advice_for(decision: Decision) -> str:
    """What somebody refused by these findings can do."""
    blocking = decision.blocking()
    if any(not f.may_override for f in blocking):
        return "This cannot be overridden: do otherwise, or remove the cause."
    roles = sorted(set.intersection(*(set(f.may_override) for f in blocking)))
    if not roles:
        return "No one role may override all of this: do otherwise, or remove a cause."
    return f"Do otherwise, or let {' or '.join(roles)} override it with a reason."


class TooLarge(FishhouseError):
    """What was sent is longer than what is kept."""

    kind = "too-large"
    advice = "Send it smaller."


class UnknownMedia(FishhouseError):
    """What was sent is of a kind that is not read here."""

    kind = "unknown-media"
    advice = "Send one of the kinds named; the content counts, not the name."


class ChangedMeanwhile(FishhouseError):
    """Somebody edited it since it was read."""

    kind = "changed-meanwhile"
    advice = "Read it again, then send your change with the new ETag."


class TooOften(FishhouseError):
    """Somebody guesses, or has forgotten: they have to wait."""

    kind = "too-many-attempts"
    advice = "Wait a quarter of an hour; a manager can set a new password meanwhile."


class Busy(FishhouseError):
    """More is asked than is done at once."""

    kind = "busy"
    advice = "Wait a moment and send the same again with the same key."


class NotReady(FishhouseError):
    """The service cannot answer yet."""

    kind = "not-ready"
    advice = "Run `fishhouse migrate`, then try again."
