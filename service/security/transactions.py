"""The transaction around everything that writes: idempotency first, audit last."""

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

from fastapi import Request, Response
from sqlalchemy import ColumnElement, Connection, Engine, delete, event
from sqlalchemy import select as select_columns
from sqlmodel import Session, SQLModel, col

from service.database import Database, insert_ignoring
from service.errors import Conflict, FishhouseError, Invalid, NotAllowed, NotFound
from service.security import audit
from service.security.actor import Actor
from service.security.models import IdempotencyKey

KEPT_FOR = timedelta(days=30)
KEPT_FOR_EVER = (
    "/feeds",
    "/feed-rounds",
    "/correction",
    "/given",
    "/pulls",
    "/weigh-back",
    "/outcomes",
    "/entries",
)
LONGEST_KEY = 200
_COMES_FIRST = (NotAllowed, Invalid, NotFound)  # 403, 422 and 404 before a mismatch


class Replayed(Exception):
    """The request has succeeded before; here is its answer."""

    def __init__(self, status: int, body: bytes) -> None:
        super().__init__("replayed")
        self.status = status
        self.body = body


@contextmanager
def transaction(engine: Engine) -> Iterator[Session]:
    """A transaction with its audit entries, for the doors that are not HTTP."""
    with Session(engine) as session, session.begin():
        yield session
        audit.write_pending(session)


@contextmanager
def request_transaction(request: Request) -> Iterator[Session]:
    """The transaction of one request, with the answer kept under its Idempotency-Key.

    The key is claimed by the transaction's first statement, in the thread of
    the route. Only successes are kept. Raises Conflict `idempotency-mismatch`
    when the key was used with another body, but after what the request itself
    names has been found (404 comes first).
    """
    database: Database = request.app.state.database
    claim = _claim_of(request)
    try:
        with Session(database.writer) as session, session.begin():
            if claim is not None:
                event.listen(session, "after_begin", claim.on_begin, once=True)
            yield session
            if claim is not None:
                claim.keep(session, request.state.answer)
            audit.write_pending(session)
    except FishhouseError as error:
        if claim is not None and claim.mismatched and not isinstance(error, _COMES_FIRST):
            raise claim.mismatch() from error
        raise


def _claim_of(request: Request) -> "_Claim | None":
    key = getattr(request.state, "form_key", None) or request.headers.get("idempotency-key")
    actor: Actor | None = getattr(request.state, "actor", None)
    if key is None or actor is None:
        return None
    if not (1 <= len(key) <= LONGEST_KEY and key.isprintable()):
        raise Invalid.at("Idempotency-Key", f"a key has 1 to {LONGEST_KEY} printable characters")
    return _Claim(
        user_id=actor.user_id,
        route=f"{request.method} {request.url.path}",
        key=key,
        body_hash=_digest_of(request),
        at=request.app.state.clock(),
    )


def _digest_of(request: Request) -> bytes:
    """Of body and query: the unit of readings stands in the query."""
    query = hashlib.sha256(request.url.query.encode()).digest()
    return hashlib.sha256(query + request.state.body).digest()


@dataclass
class _Claim:
    user_id: int
    route: str
    key: str
    body_hash: bytes
    at: datetime
    mismatched: bool = False

    def on_begin(self, _session: Session, _transaction: object, connection: Connection) -> None:
        """Insert the key first; another request with it waits here until this one ends."""
        table = SQLModel.metadata.tables["idempotency_key"]
        row = {
            "user_id": self.user_id,
            "route": self.route,
            "key": self.key,
            "body_hash": self.body_hash,
            "created_at": self.at,
        }
        # RETURNING, not rowcount: psycopg gives -1 for an INSERT.
        insert = insert_ignoring(connection.dialect.name, table).returning(table.c.key)
        if connection.execute(insert, row).first() is not None:
            return
        kept = connection.execute(
            select_columns(
                col(IdempotencyKey.body_hash),
                col(IdempotencyKey.status),
                col(IdempotencyKey.answer),
            ).where(*self._mine())
        ).one()
        if kept.body_hash != self.body_hash:
            self.mismatched = True
        else:
            raise Replayed(kept.status, kept.answer)

    def keep(self, session: Session, answer: Response) -> None:
        """Store the answer beside the key. Raises Conflict if the key was another body's."""
        if self.mismatched:
            raise self.mismatch()
        session.connection()  # a request that wrote nothing still keeps its key
        table = SQLModel.metadata.tables["idempotency_key"]
        session.execute(
            table.update()
            .where(*self._mine())
            .values(status=answer.status_code, answer=bytes(answer.body))
        )

    def mismatch(self) -> Conflict:
        """The refusal of a key that was used for something else."""
        return Conflict(
            f"the key {self.key!r} was used before with another body",
            kind="idempotency-mismatch",
            advice="Send a new key for a new request; a retry must repeat the same body.",
        )

    def _mine(self) -> tuple[ColumnElement[bool], ...]:  # the primary key, as conditions
        return (
            col(IdempotencyKey.user_id) == self.user_id,
            col(IdempotencyKey.route) == self.route,
            col(IdempotencyKey.key) == self.key,
        )


def forget_old_keys(session: Session, *, at: datetime) -> None:
    """Drop keys older than thirty days, but never those of feeds, pulls and supplements."""
    path = col(IdempotencyKey.route)
    kept = [path.endswith(end) for end in KEPT_FOR_EVER]
    session.execute(
        delete(IdempotencyKey).where(
            col(IdempotencyKey.created_at) < at - KEPT_FOR, *(~condition for condition in kept)
        )
    )
