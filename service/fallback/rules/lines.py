"""The lines of a sheet: a feed of an animal or group each, in the order of feeding."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from service.buckets.rules.pieces import PieceKind


@dataclass(frozen=True)
class FishDue:
    """Fish that is due at a feed; thaw_batch: where its bucket is made already."""

    species: str
    grams: int
    thaw_batch: str | None = None


@dataclass(frozen=True)
class PieceDue:
    """Pieces that go into the fish: by a plan, or by an order of a vet. number: in its bucket.

    meant: the feed they were ordered for, where the day has no feed of that number.
    """

    number: int
    animal_id: int
    animal: str
    kind: PieceKind
    by: int
    item: str
    count: float
    fish: str | None
    meant: int | None = None


@dataclass(frozen=True)
class ByHand:
    """Pieces of a supplement that are due on the day and in the fish of no feed.

    at: when, where they are given apart from the feeds; how: in the words of the plan.
    """

    animal: str
    name: str
    plan: int
    item: str
    count: float
    at: datetime | None
    how: str


@dataclass(frozen=True)
class Line:
    """One feed of an animal or a group. number: which feed of its day, where that is planned."""

    feed_at: datetime
    animal_id: int | None
    group_id: int | None
    whose: str
    name: str
    station: str | None
    number: int | None
    kind: str
    bucket: str | None
    fish: tuple[FishDue, ...]
    pieces: tuple[PieceDue, ...]


def in_order(lines: Iterable[Line]) -> list[Line]:
    """By the time of the feed, then as the round goes: by station, then by code."""
    return sorted(lines, key=lambda it: (it.feed_at, it.station or "\uffff", it.whose))


def as_document(
    lines: Sequence[Line], by_hand: Iterable[ByHand] = (), **more: Any
) -> dict[str, Any]:
    """What is kept of a sheet, as it comes back from JSON; lines are numbered from 1."""
    numbered = [
        asdict(it) | {"line": n, "feed_at": it.feed_at.isoformat()}
        for n, it in enumerate(in_order(lines), start=1)
    ]
    apart = [
        asdict(it) | {"at": it.at.isoformat() if it.at else None}
        for it in sorted(by_hand, key=lambda it: (it.at is not None, it.at, it.animal, it.item))
    ]
    kept = {"lines": numbered, "by_hand": apart, **more}
    document: dict[str, Any] = json.loads(json.dumps(kept))
    return document
