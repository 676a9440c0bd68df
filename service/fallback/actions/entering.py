"""Entering a sheet: what was written on its lines becomes buckets and feeds, as facts."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.buckets.actions import making, weighing
from service.buckets.actions.handling import OPEN, Handled
from service.buckets.actions.making import Draft, InIt
from service.buckets.actions.serving import Served, serve
from service.buckets.queries import views as buckets
from service.buckets.queries.views import Asked, BucketView
from service.buckets.rules.pieces import Ordered, PieceKind
from service.buckets.rules.states import BucketState
from service.buckets.schemas import OutcomeIn
from service.errors import NotFound
from service.fallback import queries
from service.fallback.models import FallbackSheet, SheetEntry
from service.fallback.schemas import BeforeOut, EntriesIn, EntriesOut, EntryIn, EntryOut
from service.http.bodies import refuse_future
from service.ledger.rules import Batch
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView


def enter(session: Session, code: str, sent: EntriesIn, *, at: datetime, by: Actor) -> EntriesOut:
    """Store the lines of a sheet that are new; those recorded before are only reported.

    All of them or, where one cannot be read, none: raises Invalid and NotFound naming the line.
    """
    sheet = queries.sheet_by_code(session, code, by=by, lock=True)
    view = sites.view(session, sheet.site_id, at=at)
    lines, batches = _lines(sheet, sent), _batches(session, sent, by)
    it = _Entering(session, sheet, view, batches, at, by)
    said = [_Entry(f"lines.{n}.", entry, lines[entry.line]) for n, entry in enumerate(sent.lines)]
    for each in said:
        refuse_future(each.fed_at, now=at, skew=view.policy.skew, field=f"{each.field}fed_at")
    entered = queries.entries(session, sheet.id or 0)
    made = it.buckets_of_the_day()
    told_of = it.buckets_entered(entered)
    known, fresh = [], []
    for each in said:
        bucket = made.get(each.key)
        if each.line in entered:
            known.append(it.before(each, entered[each.line], told_of))
        elif bucket is not None and bucket.state not in OPEN:
            known.append(it.recorded(each, bucket))
        else:
            fresh.append((each, bucket))
    stored = it.stored(fresh) if fresh else []
    audit.note(
        session,
        by,
        "fallback sheet entered",
        sheet.code,
        at=at,
        site_id=view.id,
        after=sent,
        detail={"stored": [e.line for e in stored], "before": [e.line for e in known]},
    )
    return EntriesOut(sheet=sheet.code, stored=stored, before=known)


def _lines(sheet: FallbackSheet, sent: EntriesIn) -> Mapping[int, Any]:
    """The sheet's lines by number. Raises NotFound for one that it does not have."""
    lines = {line["line"]: line for line in sheet.document["lines"]}
    for n, entry in enumerate(sent.lines):
        if entry.line not in lines:
            raise NotFound.of("line", entry.line, f"lines.{n}.line")
    return lines


def _batches(session: Session, sent: EntriesIn, by: Actor) -> Mapping[str, Batch]:
    fields: dict[str, str] = {}
    for n, entry in enumerate(sent.lines):
        for m, item in enumerate(entry.items):
            fields.setdefault(item.thaw_batch, f"lines.{n}.items.{m}.thaw_batch")
    return queries.batches_named(session, fields, by=by) if fields else {}


MOST_BUCKETS = 10_000
Key = tuple[int | None, int | None, int | None, str]
"""What a line and its bucket have in common: for whom, which feed of the day, else its code."""


@dataclass(frozen=True)
class _Entry:
    """What was written on a line, beside what had been printed on it."""

    field: str
    entry: EntryIn
    printed: Mapping[str, Any]

    @property
    def line(self) -> int:
        """Its number."""
        return self.entry.line

    @property
    def fed_at(self) -> datetime:
        """When it was fed: as written, else as planned."""
        return self.entry.fed_at or datetime.fromisoformat(self.printed["feed_at"])

    @property
    def key(self) -> Key:
        """To find its bucket by."""
        number = self.printed["number"]
        bucket = "" if number else self.printed["bucket"]
        return self.printed["animal_id"], self.printed["group_id"], number, bucket

    def became(self, it: BucketView) -> Iterator[OutcomeIn]:
        """Outcomes under the numbers that the bucket has for what was printed."""
        asked = {piece["number"]: piece for piece in self.printed["pieces"]}
        inside = [
            (p.piece.number, p.piece.animal_id, p.piece.item, p.piece.fish) for p in it.pieces
        ]
        for n, said in enumerate(self.entry.carries):
            piece = asked.get(said.number, {})
            whose = [i for i in inside if i[1:3] == (piece.get("animal_id"), piece.get("item"))]
            if not whose:
                raise NotFound.of("piece", said.number, f"{self.field}carries.{n}.number")
            # Two pieces of one product lie in different fish, or were put in by hand in turn.
            chosen = min(whose, key=lambda i: (i[3] != piece["fish"], i[0] != said.number))
            inside.remove(chosen)
            yield said.model_copy(update={"number": chosen[0]})


@dataclass(frozen=True)
class _Entering:
    """A sheet being entered."""

    session: Session
    sheet: FallbackSheet
    view: SiteView
    batches: Mapping[str, Batch]
    at: datetime
    by: Actor

    def buckets_of_the_day(self) -> Mapping[Key, BucketView]:
        """Buckets that were made for the sheet's lines, before it was printed or since; locked."""
        asked = Asked([self.view.id], self.sheet.day)
        found = buckets.buckets(self.session, asked, limit=MOST_BUCKETS)
        buckets.locked(self.session, [bucket.id or 0 for bucket in found])
        gone = (BucketState.CANCELLED, BucketState.DISCARDED)
        return {
            (b.animal_id, b.group_id, b.number, "" if b.number else b.code): it
            for it in buckets.views(self.session, found)
            for b in [it.bucket]
            if it.state not in gone
        }

    def buckets_entered(self, entered: Mapping[int, SheetEntry]) -> Mapping[int, BucketView]:
        """The buckets of lines that were entered before, by number."""
        found = buckets.buckets_by_id(self.session, [entry.bucket_id for entry in entered.values()])
        return {it.bucket.id or 0: it for it in buckets.views(self.session, found)}

    def before(
        self, each: _Entry, known: SheetEntry, told_of: Mapping[int, BucketView]
    ) -> BeforeOut:
        """A line that was entered before."""
        it = told_of[known.bucket_id]
        same = known.digest == audit.digest(each.entry)
        return BeforeOut(line=each.line, bucket=it.bucket.code, feed=it.feed_id, same=same)

    def recorded(self, each: _Entry, it: BucketView) -> BeforeOut:
        """A line whose bucket was recorded otherwise: the paper is the second telling of it."""
        self._keep(each, it.bucket.id or 0)
        return BeforeOut(line=each.line, bucket=it.bucket.code, feed=it.feed_id, same=False)

    def stored(self, fresh: Sequence[tuple[_Entry, BucketView | None]]) -> list[EntryOut]:
        """Lines that nobody has recorded yet, in their order."""
        drafts = [self._draft(each) for each, bucket in fresh if bucket is None]
        made = making.store(self.session, self.view, drafts, at=self.at, by=self.by)
        new = iter(buckets.views(self.session, made))
        policies: dict[datetime, SiteView] = {}
        served = []
        for each, bucket in fresh:
            found = bucket or next(new)
            if each.fed_at not in policies:
                policies[each.fed_at] = sites.view(self.session, self.view.id, at=each.fed_at)
            view = policies[each.fed_at]
            it = Handled(self.session, found, view, each.fed_at, self.at, self.by)
            if bucket is not None and each.entry.items:
                grams = self._offered(each)
                weighing.keep(it, [b for b in self.batches.values() if b.id in grams], grams, None)
            entry, became = each.entry, list(each.became(found))
            served.append(Served(it, entry.items, entry, became, entry.not_fed, each.field))
        done = serve(self.session, served)
        for (each, _), what in zip(fresh, done, strict=True):
            self._keep(each, what.bucket.bucket.id or 0)
        return [
            EntryOut(
                line=each.line,
                bucket=what.bucket.bucket.code,
                feed=what.bucket.feed_id,
                breaches=list(what.breaches),
            )
            for (each, _), what in zip(fresh, done, strict=True)
        ]

    def _offered(self, each: _Entry) -> Mapping[int, int]:
        """Grams offered by thaw batch; nothing of fish that were only counted."""
        grams: dict[int, int] = {}
        for item in each.entry.items:
            batch = self.batches[item.thaw_batch].id
            grams[batch] = grams.get(batch, 0) + item.portion().offered_g
        return grams

    def _draft(self, each: _Entry) -> Draft:
        """A bucket in hindsight, with the pieces that the sheet asked for."""
        line = each.printed
        return Draft(
            line["animal_id"],
            line["group_id"],
            self.sheet.day,
            line["number"],
            datetime.fromisoformat(line["feed_at"]),
            line["kind"],
            self._offered(each),
            [_in_it(piece) for piece in line["pieces"]],
        )

    def _keep(self, each: _Entry, bucket_id: int) -> None:
        self.session.add(
            SheetEntry(
                sheet_id=self.sheet.id or 0,
                line=each.line,
                bucket_id=bucket_id,
                not_fed=each.entry.not_fed,
                initials=each.entry.initials,
                digest=audit.digest(each.entry) or "",
                recorded_at=self.at,
                by=self.by.name,
            )
        )


def _in_it(piece: Mapping[str, Any]) -> InIt:
    ordered = Ordered(
        PieceKind(piece["kind"]),
        piece["by"],
        piece["animal_id"],
        piece["item"],
        piece["count"],
    )
    return InIt(ordered, piece["count"], None, piece["fish"])
