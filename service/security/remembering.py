"""Who a secret belongs to, remembered for two seconds: each request asks."""

from collections.abc import Callable
from datetime import datetime
from typing import Generic, TypeVar

from sqlalchemy import Connection

KNOWN_FOR_S = 2.0  # what was withdrawn stops within this time
_LARGEST = 10_000

Found = TypeVar("Found")


class Remembered(Generic[Found]):
    """What was found under a hash, by one look-up a hash and miss. Nothing is not remembered."""

    def __init__(self, find: Callable[[Connection, bytes], Found | None]) -> None:
        self._find = find
        self._known: dict[bytes, tuple[float, Found]] = {}

    def __call__(
        self, connection_of: Callable[[], Connection], hashed: bytes, *, at: datetime
    ) -> Found | None:
        """What stands under a hash at an instant, as it was at most two seconds before."""
        seconds = at.timestamp()
        known = self._known.get(hashed)
        if known is not None and 0 <= seconds - known[0] <= KNOWN_FOR_S:
            return known[1]
        with connection_of() as connection:
            found = self._find(connection, hashed)
        if found is None:
            self._known.pop(hashed, None)
            return None
        if len(self._known) >= _LARGEST:
            self._known.clear()
        self._known[hashed] = (seconds, found)
        return found

    def forget(self) -> None:
        """Look everything up anew."""
        self._known.clear()
