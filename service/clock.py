"""The only place that asks what time it is."""

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]
"""Gives the present instant: aware, in UTC. Injected, so that a test can set it."""


def system_clock() -> datetime:
    """The present instant in UTC."""
    return datetime.now(UTC)
