"""Live pages: told when something has changed, by server-sent events.

While anybody listens, one look every two seconds goes to the database for each site, however
many listen; what other processes write is seen all the same. No connection is held between
looks. A stream ends when its session has ended, and after an hour: browsers ask again.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field

from fastapi import Request
from sqlmodel import Session
from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from service.database import Database
from service.errors import Busy, NotAuthenticated
from service.http.sessions import ReadSession
from service.pages.news import News
from service.pages.page import HEADERS, chosen_site, page_router
from service.security.guard import MayLook, visit_of

router = page_router("/live")

LOOK_EVERY_S = 2.0
ALIVE_EVERY_S = 15.0
LONGEST_S = 3600.0
MOST_STREAMS = 500
RETRY_MS = 3000


@dataclass
class _Listened:
    """A site that somebody listens to. heard: set and put anew whenever there is news; news:
    how often there was, for whoever was not waiting just then."""

    newest: int
    listeners: int = 0
    news: int = 0
    heard: asyncio.Event = field(default_factory=asyncio.Event)
    looking: asyncio.Task[None] | None = None


class Onlookers:
    """Everybody in this process who listens, and the one look for all who listen to a site."""

    def __init__(self, database: Database, news: News) -> None:
        self._database, self._news = database, news
        self._sites: dict[int, _Listened] = {}
        self.looks = 0

    @property
    def streams(self) -> int:
        """How many listen."""
        return sum(site.listeners for site in self._sites.values())

    @asynccontextmanager
    async def listening(self, site_id: int) -> AsyncIterator[_Listened]:
        """While somebody listens. Raises Busy where too many do."""
        if self.streams >= MOST_STREAMS:
            raise Busy("too many pages listen already; this one is read again each minute")
        if site_id not in self._sites:
            listened = self._sites[site_id] = _Listened(newest=-1)
            listened.looking = asyncio.create_task(self._look_on(site_id, listened))
        listened = self._sites[site_id]
        listened.listeners += 1
        try:
            yield listened
        finally:
            listened.listeners -= 1
            if not listened.listeners:
                self._sites.pop(site_id, None)
                assert listened.looking is not None
                listened.looking.cancel()

    async def _look_on(self, site_id: int, listened: _Listened) -> None:
        while True:
            with suppress(Exception):  # the database is away: whoever listens still does
                newest = await run_in_threadpool(self._look, site_id)
                if listened.newest not in (-1, newest):
                    listened.news += 1
                    heard, listened.heard = listened.heard, asyncio.Event()
                    heard.set()
                listened.newest = newest
            await asyncio.sleep(LOOK_EVERY_S)

    def _look(self, site_id: int) -> int:
        self.looks += 1
        with Session(self._database.reader) as session:
            return self._news.newest(session, site_id)


@router.get("/events")
async def events(request: Request, session: ReadSession, by: MayLook) -> StreamingResponse:
    """`changed` when something that pages show has changed; `alive` every quarter of a minute."""
    onlookers: Onlookers = request.app.state.onlookers
    site = await run_in_threadpool(chosen_site, session, request.state.visit, by)
    if onlookers.streams >= MOST_STREAMS:
        raise Busy("too many pages listen already; this one is read again each minute")
    return StreamingResponse(
        _events(request, onlookers, site.id or 0),
        media_type="text/event-stream",
        headers={**HEADERS, "X-Accel-Buffering": "no"},
    )


async def _events(request: Request, onlookers: Onlookers, site_id: int) -> AsyncIterator[str]:
    loop = asyncio.get_running_loop()
    ends_at = loop.time() + LONGEST_S
    async with onlookers.listening(site_id) as listened:
        known = listened.news
        yield f"retry: {RETRY_MS}\n{_event('alive')}"
        while loop.time() < ends_at:
            if listened.news == known:
                await _heard(listened)
            changed, known = listened.news != known, listened.news
            if not await run_in_threadpool(_is_logged_in, request):
                return
            yield _event("changed" if changed else "alive")


async def _heard(listened: _Listened) -> None:
    """Wait for news, a quarter of a minute at the longest."""
    with suppress(TimeoutError):
        await asyncio.wait_for(listened.heard.wait(), ALIVE_EVERY_S)


def _is_logged_in(request: Request) -> bool:
    try:
        visit_of(request)
    except NotAuthenticated:
        return False
    return True


def _event(name: str) -> str:
    """One event. Browsers leave out an event without data."""
    return f"event: {name}\ndata: {name}\n\n"
