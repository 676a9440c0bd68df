"""What a probe's readings show since they were last judged, or since something in them changed."""

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from sqlmodel import Session

from service.excursions.models import ProbeWatch
from service.excursions.queries.watching import Book
from service.excursions.rules.detecting import (
    Finds,
    Memory,
    leave,
    note_standing,
    quiet_from,
    silent_now,
    watch_on,
)
from service.excursions.rules.hanging import Hung
from service.probes.models import Probe
from service.probes.rules import Offsets
from service.science.arrays import Array, Indices
from service.science.excursion_shape import LOOKED_BACK_S
from service.temperatures import queries as temperatures

PASS_S = 31 * 86400  # of readings in one go
_FIRST_LOOK_S = 6 * 3600


@dataclass
class Judged:
    """What was found, and from where on it replaces what was found before.

    from_s : excursions that ended before are not touched. afresh: what is not among the
    finds is no more. memory None: the probe hung nowhere yet. mark_s : judged until here.
    """

    memory: Memory | None
    at_s: int
    from_s: int
    afresh: bool
    mark_s: int
    finds: Finds = field(default_factory=Finds)


def judge(
    session: Session,
    probe: Probe,
    pieces: list[Hung],
    book: Book,
    watched: ProbeWatch | None,
    offsets: Offsets | None,
    *,
    until_s: int,
) -> Judged:
    """Judge a probe's readings before an instant. Cost grows with the readings that are new.

    Where something changed behind the mark, it begins at the last calm stretch before
    that, after two days that are only looked at for what repeats. Of new readings it
    takes a month at once; the next pass goes on.
    """
    judged = _begin(session, probe, pieces, book, watched)
    end_s = until_s
    if not judged.afresh and until_s - judged.at_s > PASS_S:
        first = temperatures.neighbours(session, probe.id or 0, judged.at_s, judged.at_s)[1]
        end_s = until_s if first is None else min(until_s, first[0] + PASS_S)
    for piece in pieces:
        if piece.from_s < end_s and _enter(session, probe, judged, piece):
            _through(session, probe, judged, piece, book, offsets, end_s)
    memory = judged.memory
    if memory is not None and memory.left_s is None:
        note_standing(memory, judged.finds)
        if end_s == until_s:
            limits = book.limits(memory.place_id, until_s)
            silent_now(memory, limits, until_s - 1, judged.finds)
    _forget_before(judged)
    return judged


def _begin(
    session: Session,
    probe: Probe,
    pieces: list[Hung],
    book: Book,
    watched: ProbeWatch | None,
) -> Judged:
    """Where the watch goes on, or from where it must look again."""
    mark = probe.watched_until_s
    if watched is None and mark == 0:
        return Judged(None, 0, 0, False, 0)
    memory = Memory.of_json(watched.memory) if watched is not None and watched.memory else None
    if watched is not None and watched.at_s == mark and _still_true(memory, pieces):
        return Judged(memory, mark, mark, False, mark)
    before = [piece for piece in pieces if piece.from_s < mark]
    if not before:
        return Judged(None, mark, mark, True, mark)
    piece = before[-1]
    from_s = _calm(session, probe, piece, book, mark)
    begin_s = _calm(session, probe, piece, book, max(piece.from_s, from_s - LOOKED_BACK_S))
    started = Memory(piece.place_id, piece.from_s) if begin_s > piece.from_s else None
    return Judged(started, begin_s, from_s, True, mark)


def _still_true(memory: Memory | None, pieces: list[Hung]) -> bool:
    """Whether the probe still hung where the memory says it did, and left when it says."""
    return memory is None or any(
        (piece.place_id, piece.from_s) == (memory.place_id, memory.since_s)
        and memory.left_s in (None, piece.until_s)
        for piece in pieces
    )


def _calm(session: Session, probe: Probe, piece: Hung, book: Book, before_s: int) -> int:
    """The last instant before another from which judging may begin anew. One query for each
    fourfold time that it looks further back."""
    limits = book.limits(piece.place_id, before_s)
    look_s = _FIRST_LOOK_S
    while before_s > piece.from_s:
        low = max(piece.from_s, before_s - look_s)
        at_s, temperature_c = temperatures.raw(session, probe.id or 0, low, before_s)
        found = quiet_from(at_s, temperature_c, limits)
        if found is not None:
            return found
        if low == piece.from_s or look_s > 4000 * 86400:
            break
        look_s *= 4
    return piece.from_s


def _enter(session: Session, probe: Probe, judged: Judged, piece: Hung) -> bool:
    """Come to a piece: go on in it, or begin it anew. False where it is behind."""
    memory = judged.memory
    if memory is not None and memory.since_s >= piece.from_s:
        return memory.since_s == piece.from_s and memory.left_s is None
    if memory is None and piece.until_s is not None and piece.until_s <= judged.at_s:
        return False
    judged.at_s = max(judged.at_s, piece.from_s)
    heard = temperatures.neighbours(session, probe.id or 0, piece.from_s, piece.from_s)[0]
    # A probe that was heard before is silent from here on until it is heard again.
    judged.memory = Memory(
        piece.place_id, piece.from_s, last_s=None if heard is None else piece.from_s
    )
    return True


def _through(
    session: Session,
    probe: Probe,
    judged: Judged,
    piece: Hung,
    book: Book,
    offsets: Offsets | None,
    end_s: int,
) -> None:
    """Go through the readings of a piece, a month at a time; the end of it, if it has come."""
    memory = judged.memory
    assert memory is not None
    stop = end_s if piece.until_s is None else min(end_s, piece.until_s)
    while judged.at_s < stop:
        chunk = min(stop, judged.at_s + PASS_S)
        back = book.limits(piece.place_id, judged.at_s).rise_s * 2
        low = max(piece.from_s, judged.at_s - back)
        at_s, centi_c = temperatures.as_read(session, probe.id or 0, low, chunk)
        temperature_c = (centi_c if offsets is None else centi_c + offsets.of(at_s)) / 100.0
        _feed(judged, book, at_s, temperature_c, judged.at_s, chunk)
        if at_s.size and int(at_s[-1]) >= judged.at_s:
            judged.mark_s = max(judged.mark_s, int(at_s[-1]) + 1)
        judged.at_s = chunk
        if chunk < stop:
            following = temperatures.neighbours(session, probe.id or 0, chunk, chunk)[1]
            judged.at_s = stop if following is None else max(chunk, min(stop, following[0]))
    if piece.until_s is not None and piece.until_s <= end_s:
        limits = book.limits(piece.place_id, piece.until_s)
        leave(memory, limits, piece.until_s, judged.finds)


def _feed(
    judged: Judged, book: Book, at_s: Indices, temperature_c: Array, from_s: int, until_s: int
) -> None:
    """Readings of one place, cut where its policy changed."""
    memory = judged.memory
    assert memory is not None
    cuts = [from_s, *book.changes(memory.place_id, from_s, until_s), until_s]
    for low, high in pairwise(cuts):
        begin, end = np.searchsorted(at_s, (low, high))
        limits = book.limits(memory.place_id, low)
        watch_on(memory, limits, at_s[:end], temperature_c[:end], int(begin), judged.finds)


def _forget_before(judged: Judged) -> None:
    """Leave out what ended in the time that was only looked at for what repeats."""
    if not judged.afresh:
        return
    finds = judged.finds
    finds.excursions = {
        key: found
        for key, found in finds.excursions.items()
        if found.ended_s is None or found.ended_s > judged.from_s
    }
    finds.passed = [passed for passed in finds.passed if passed.until_s > judged.from_s]


def remember(session: Session, probe: Probe, watched: ProbeWatch | None, judged: Judged) -> None:
    """Keep where the watch is, if it has moved. Two rows, flushed by the caller."""
    memory: dict[str, Any] = {} if judged.memory is None else judged.memory.as_json()
    if watched is None:
        session.add(ProbeWatch(probe_id=probe.id or 0, at_s=judged.mark_s, memory=memory))
    elif (watched.at_s, watched.memory) != (judged.mark_s, memory):
        watched.at_s, watched.memory = judged.mark_s, memory
        session.add(watched)
    if probe.watched_until_s != judged.mark_s:
        probe.watched_until_s = judged.mark_s
        session.add(probe)
