"""Whether something has changed at a site: told by the head of its audit trail.

Everything that is done is noted there, whichever process did it. Readings are noted too, and
left out: they come every minute, and what follows from them (an excursion) is noted itself.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Lock
from typing import Generic, TypeVar

from sqlmodel import Session

from service.security import audit

NO_NEWS = "readings stored"
KEPT_FOR = timedelta(seconds=20)  # clocks and temperatures go on by themselves
Shown = TypeVar("Shown")


class News:
    """The newest entry of each site's trail that is news, as far as this process has looked."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[int, int]] = {}  # site: looked up to, newest that is news

    def newest(self, session: Session, site_id: int) -> int:
        """The number of the newest entry that is news. One query; cost: the entries since."""
        if site_id not in self._known:
            length = audit.length_of(session, site_id)
            self._known[site_id] = (length, length)
            return length
        looked, newest = self._known[site_id]
        entries = audit.written_since(session, site_id, looked)
        if entries:
            newest = max((number for number, what in entries if what != NO_NEWS), default=newest)
            self._known[site_id] = (entries[-1][0], newest)
        return newest


@dataclass(frozen=True)
class _Kept(Generic[Shown]):
    newest: int
    at: datetime
    shown: Shown


class Kept(Generic[Shown]):
    """What was worked out for a page, for whoever else asks in the next seconds while there is
    no news: when something happens, ten tablets ask at once and it is worked out once."""

    def __init__(self, longest: timedelta) -> None:
        self._longest = longest
        self._kept: dict[Hashable, _Kept[Shown]] = {}
        self._locks: dict[Hashable, Lock] = {}

    def lock(self, key: Hashable) -> Lock:
        """Held by whoever looks and works out."""
        return self._locks.setdefault(key, Lock())

    def get(self, key: Hashable, newest: int, at: datetime) -> Shown | None:
        """What is kept, if it is still as things stand."""
        kept = self._kept.get(key)
        fresh = kept is not None and kept.newest == newest
        if kept is None or not fresh or not timedelta(0) <= at - kept.at <= self._longest:
            return None
        return kept.shown

    def keep(self, key: Hashable, newest: int, at: datetime, shown: Shown) -> Shown:
        """Keep it under a key: the newest news that it was worked out with."""
        self._kept[key] = _Kept(newest, at, shown)
        return shown
