"""Any order of moves, faults and choices, however late: an hour has the probes it had."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import pairwise
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import Session, col, select

from service.errors import Conflict
from service.probes import queries
from service.probes.actions import choosing, faulting, hanging
from service.probes.models import Probe, ProbeStay
from service.probes.schemas import FaultEndIn, FaultIn, GoverningIn, StayIn, WithdrawalIn
from service.security.actor import SERVICE
from service.site.models import Place
from tests.kitchen import START, Kitchen

HOURS = 12
PLACES = ("FZ1", "FZ2", "COOL")
PROBES = {"FZ1-AIR": "FZ1", "FZ2-AIR": "FZ2", "COOL-AIR": "COOL"}
BECAUSE = "found out later"
hour = st.integers(0, HOURS - 1)
code = st.sampled_from(sorted(PROBES))


def at(hour_: int) -> Any:
    return (START - timedelta(hours=HOURS - hour_)).isoformat()


@dataclass
class Fault:
    probe: str
    begin: int
    end: int
    withdrawn: bool = False


@dataclass
class Model:
    """Hour by hour, by hand: where each probe hung, when it was broken, what was chosen.

    Hour 0 is far in the past. A move without an end holds until the next hour at which a
    move is known.
    """

    place: dict[str, list[str | None]] = field(
        default_factory=lambda: {p: [home] * HOURS for p, home in PROBES.items()}
    )
    moves: dict[str, set[int]] = field(default_factory=lambda: {p: set() for p in PROBES})
    faults: list[Fault] = field(default_factory=list)
    choices: list[tuple[str, int, str | None]] = field(default_factory=list)

    def hang(self, probe: str, place: str | None, begin: int, end: int | None) -> None:
        until = end or min((m for m in self.moves[probe] if m > begin), default=HOURS)
        self.moves[probe] = {m for m in self.moves[probe] if not begin < m < until} | {begin}
        if until < HOURS:
            self.moves[probe] |= {until}
        for h in range(begin, until):
            self.place[probe][h] = place

    def broken(self, probe: str, hour_: int) -> bool:
        return any(
            f.probe == probe and f.begin <= hour_ < f.end and not f.withdrawn for f in self.faults
        )

    def chosen(self, place: str, hour_: int) -> str | None:
        said = [(begin, i, p) for i, (of, begin, p) in enumerate(self.choices) if of == place]
        begun = sorted(s for s in said if s[0] <= hour_)
        return begun[-1][2] if begun else None

    def standing(self, place: str, hour_: int) -> set[tuple[str, bool]]:
        return {
            (p, self.chosen(place, hour_) == p)
            for p in PROBES
            if self.place[p][hour_] == place and not self.broken(p, hour_)
        }


def hang(session: Session, model: Model, said: Any) -> None:
    probe, place, begin, length = said
    end = begin + length if length and begin + length < HOURS else None
    body = {"place": place, "from": at(begin), "reason": BECAUSE}
    stay = StayIn.model_validate(body | ({"until": at(end)} if end else {}))
    try:
        hanging.hang(session, probe, stay, at=START, by=SERVICE)
    except Conflict as refused:
        assert refused.kind == "hangs-there"
        until = end or min((m for m in model.moves[probe] if m > begin), default=HOURS)
        assert set(model.place[probe][begin:until]) == {place}
        return
    model.hang(probe, place, begin, end)


def declare(session: Session, model: Model, said: Any) -> None:
    probe, begin, length = said
    end = begin + length if length and begin + length < HOURS else None
    body = {"from": at(begin), "reason": BECAUSE} | ({"until": at(end)} if end else {})
    try:
        faulting.declare(session, probe, FaultIn.model_validate(body), at=START, by=SERVICE)
    except Conflict as refused:
        assert all(model.broken(probe, h) for h in range(begin, end or HOURS)), refused.kind
        return
    model.faults.append(Fault(probe, begin, end or HOURS))


def end(session: Session, model: Model, said: Any) -> None:
    which, hour_ = said
    open_ = [i for i, f in enumerate(model.faults) if f.end == HOURS and not f.withdrawn]
    if not open_ or model.faults[open_[which % len(open_)]].begin >= hour_:
        return
    index = open_[which % len(open_)]
    ended = FaultEndIn.model_validate({"occurred_at": at(hour_)})
    faulting.end(session, numbers(session)[index], ended, at=START, by=SERVICE)
    model.faults[index].end = hour_


def withdraw(session: Session, model: Model, which: int) -> None:
    live = [i for i, f in enumerate(model.faults) if not f.withdrawn]
    if not live:
        return
    index = live[which % len(live)]
    slip = WithdrawalIn(reason=BECAUSE)
    faulting.withdraw(session, numbers(session)[index], slip, at=START, by=SERVICE)
    model.faults[index].withdrawn = True


def numbers(session: Session) -> list[int]:
    ids = session.exec(select(Probe.id)).all()
    return sorted(f.id or 0 for f in queries.faults(session, [i or 0 for i in ids]))


def choose(session: Session, model: Model, said: Any) -> None:
    place, probe, begin, there = said
    if there and probe is not None:  # else most choices are of probes that hang elsewhere
        place = model.place[probe][begin] or place
    choice = GoverningIn.model_validate({"probe": probe, "from": at(begin), "reason": BECAUSE})
    try:
        choosing.choose(session, place, choice, at=START, by=SERVICE)
    except Conflict as refused:
        assert refused.kind == "hangs-elsewhere"
        assert model.place[probe][begin] != place
        return
    assert probe is None or model.place[probe][begin] == place
    model.choices.append((place, begin, probe))


Step = tuple[Callable[[Session, Model, Any], None], Any]
some_place = st.sampled_from([*PLACES, None])
some_choice = st.tuples(
    st.sampled_from(PLACES),
    st.sampled_from([*sorted(PROBES), None]),
    hour,
    st.integers(0, 9).map(bool),
)
STEPS: st.SearchStrategy[Step] = st.one_of(
    st.tuples(st.just(hang), st.tuples(code, some_place, hour, st.integers(0, HOURS))),
    st.tuples(st.just(declare), st.tuples(code, hour, st.integers(0, HOURS))),
    st.tuples(st.just(end), st.tuples(st.integers(0, 9), hour)),
    st.tuples(st.just(withdraw), st.integers(0, 9)),
    st.tuples(st.just(choose), some_choice),
    st.tuples(st.just(choose), some_choice),
)


class Undone(Exception):
    """Each example is taken back."""


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(STEPS, min_size=2, max_size=14))
def test_an_hour_has_the_probes_that_hung_there_and_were_in_order(
    kitchen: Kitchen, steps: list[Step]
) -> None:
    try:
        with kitchen.writing() as session:
            model = Model()
            for do, said in steps:
                do(session, model, said)
            compare(session, model)
            raise Undone
    except Undone:
        pass


def compare(session: Session, model: Model) -> None:
    begin_s = int((START - timedelta(hours=HOURS)).timestamp())
    end_s = begin_s + HOURS * 3600
    codes = {p.id: p.code for p in session.exec(select(Probe))}
    for place in session.exec(select(Place).where(col(Place.code).in_(PLACES))):
        found = queries.standings(session, place.id or 0, begin_s, end_s)
        assert found == sorted(found, key=lambda s: (s.from_s, s.probe_id))
        assert all(begin_s <= s.from_s < s.until_s <= end_s for s in found)
        for h in range(HOURS):
            here = [s for s in found if s.from_s <= begin_s + h * 3600 + 1799 < s.until_s]
            ids = [s.probe_id for s in here]
            assert len(ids) == len(set(ids)), "one probe stands twice"
            assert {(codes[s.probe_id], s.chosen) for s in here} == model.standing(place.code, h)
    tiled(session, model)


def tiled(session: Session, model: Model) -> None:
    """Stays follow one another without a gap or an overlap, from the first second on."""
    for probe in session.exec(select(Probe)):
        stays: list[ProbeStay] = list(queries.stays(session, probe.id or 0))
        assert stays[0].from_s == 0 and stays[-1].until_s is None
        for one, next_ in pairwise(stays):
            assert one.until_s == next_.from_s and one.from_s < one.until_s
        if stays[-1].place_id is not None:
            assert probe.place_id == stays[-1].place_id, "where it hangs now"
        if probe.code in PROBES:
            last = model.place[probe.code][-1]
            assert (stays[-1].place_id is None) == (last is None)
