"""Sessions as types: a route that only looks cannot write.

A write session commits before the answer leaves (`scope="function"`) and rolls
back on any error. Its transaction begins with its first statement, inside the
route's own thread: begun earlier, writers waiting for the database could hold
every thread while the one that has it waits for a thread.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import Depends, Header, Request
from sqlmodel import Session

from service.clock import Clock
from service.database import Database
from service.http.bodies import Moment

OpenWrite = Callable[[Request], AbstractContextManager[Session]]


class Looking(Session):
    """A session on a snapshot that the database itself refuses to write through."""


def write_session(request: Request) -> Iterator[Session]:
    """A transaction that `app` opens: with idempotency and the audit trail in it."""
    open_write: OpenWrite = request.app.state.open_write
    with open_write(request) as session:
        yield session


def read_session(request: Request) -> Iterator[Looking]:
    """Several selects that agree with one another."""
    database: Database = request.app.state.database
    with Looking(database.snapshot) as session:
        yield session


def instant_of_asking(request: Request) -> datetime:
    """The present instant by the injected clock."""
    clock: Clock = request.app.state.clock
    return clock()


async def now(request: Request) -> datetime:
    """The present instant as a type of the signature; hot reads ask for it themselves."""
    return instant_of_asking(request)


WriteSession = Annotated[Session, Depends(write_session, scope="function")]
ReadSession = Annotated[Looking, Depends(read_session, scope="function")]
Now = Annotated[datetime, Depends(now)]


def _behind(
    at: Now,
    device_time: Annotated[
        Moment | None, Header(description="What the sender's clock shows now, to correct it by.")
    ] = None,
) -> timedelta:
    """How far the sender's clock is behind."""
    return timedelta() if device_time is None else at - device_time


Behind = Annotated[timedelta, Depends(_behind)]


def database_of(request: Request) -> Database:
    """The database of this application."""
    database: Database = request.app.state.database
    return database
