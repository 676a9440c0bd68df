"""What the answers come to: accept, hold or reject, with every reason.

One "reject" proposes rejection; any question holds; what is asked and not answered is a
question. A warm core and too many defective cartons count by their own rules. A person
decides: more strictly as they like, more mildly only who may override each reason.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.decisions import Finding
from service.inspections.rules.cartons import Sample
from service.inspections.rules.checklist import Answer, Item, Purpose, items, stricter
from service.lots.rules import ReceivedAs
from service.quantities import Temperature, TemperatureLimit
from service.site.rules import Policy, finding


class Verdict(StrEnum):
    """What becomes of a lot: from the mildest to the strictest."""

    ACCEPT = "accept"
    HOLD = "hold"
    REJECT = "reject"


VERDICTS = tuple(Verdict)
MOST_NAMED = 3  # questions that a sentence names
_CORE = {"pass": Answer.ACCEPT, "warn": Answer.QUESTION, "block": Answer.REJECT}
_VERDICT = {
    Answer.ACCEPT: Verdict.ACCEPT,
    Answer.QUESTION: Verdict.HOLD,
    Answer.REJECT: Verdict.REJECT,
}


@dataclass(frozen=True)
class Opened:
    """So many cartons were opened; so many of them were defective."""

    cartons: int
    defective: int


@dataclass(frozen=True)
class Arrived:
    """What the delivery's own record says of the cores: how many, and what the rule found."""

    measured: int = 0
    found: str | None = None


@dataclass(frozen=True)
class Seen:
    """All that is known of one lot of an inspection.

    answers: the newest to each question. cores: the newest of each carton.
    sample: None where there are no cartons to open.
    """

    lot: str
    received_as: ReceivedAs
    purpose: Purpose
    answers: Mapping[str, Answer]
    cores: Sequence[Temperature]
    sample: Sample | None
    opened: Opened | None
    cartons: int
    arrived: Arrived = Arrived()


@dataclass(frozen=True)
class Reason:
    """Why an outcome is proposed: what a rule found, and how strict that is."""

    verdict: Verdict
    found: Finding


@dataclass(frozen=True)
class Proposal:
    """The proposed outcome of one lot, why, and what is still to be answered."""

    verdict: Verdict
    reasons: tuple[Reason, ...]
    open_items: tuple[str, ...]

    def against(self, decided: Verdict) -> tuple[Finding, ...]:
        """The findings that a decision goes against: each must be overridden."""
        return tuple(
            reason.found
            for reason in self.reasons
            if VERDICTS.index(reason.verdict) > VERDICTS.index(decided)
        )


def strictest(verdicts: Sequence[Verdict]) -> Verdict:
    """The strictest of some verdicts; of none: accept."""
    return max(verdicts, key=VERDICTS.index, default=Verdict.ACCEPT)


def proposal(seen: Seen, policy: Policy) -> Proposal:
    """What the answers to one lot come to."""
    answers = with_measured(seen, policy)
    asked = [item for item in items().values() if item.required(seen.received_as, seen.purpose)]
    still_open = tuple(item.code for item in asked if item.code not in answers)
    reasons = (
        *_answered(seen, answers),
        *_open(seen, still_open),
        *_cores(seen, policy),
        *_defectives(seen),
    )
    return Proposal(strictest([r.verdict for r in reasons]), reasons, still_open)


def with_measured(seen: Seen, policy: Policy) -> Mapping[str, Answer]:
    """The answers, with what thermometers answered: the stricter of the two counts."""
    measured = core_answer(seen, policy)
    if measured is None:
        return seen.answers
    said = seen.answers.get("core_temp", measured)
    return {**seen.answers, "core_temp": stricter(said, measured)}


def core_answer(seen: Seen, policy: Policy) -> Answer | None:
    """What the measured cores answer; None where none was measured or fish is not frozen."""
    if seen.received_as is not ReceivedAs.FROZEN:
        return None
    found = [_CORE[seen.arrived.found]] if seen.arrived.measured and seen.arrived.found else []
    cold = TemperatureLimit(policy.receive_core_hold)
    limit = TemperatureLimit(policy.receive_core_reject)
    for core in seen.cores:
        if cold.passed_by(core):
            found.append(Answer.ACCEPT)
        else:
            found.append(Answer.QUESTION if limit.passed_by(core) else Answer.REJECT)
    return max(found, key=tuple(Answer).index, default=None)


def _answered(seen: Seen, answers: Mapping[str, Answer]) -> Iterator[Reason]:
    for code, answer in answers.items():
        item = items()[code]
        if answer is Answer.ACCEPT or (code == "core_temp" and code not in seen.answers):
            continue
        if code == "core_temp" and seen.answers[code] is not answer:
            continue  # the thermometer is stricter than what was said: it speaks for itself
        yield Reason(_VERDICT[answer], _answer_finding(seen.lot, item, answer))


def _answer_finding(lot: str, item: Item, answer: Answer) -> Finding:
    said = getattr(item, answer) or item.look_at
    return finding(
        "inspection",
        "block",
        f"lot {lot}, {item.code}: {said}",
        numbers={"item": item.code, "answer": answer.value},
        source=item.source,
    )


def _open(seen: Seen, still_open: Sequence[str]) -> Iterator[Reason]:
    if still_open:
        yield Reason(
            Verdict.HOLD,
            finding(
                "inspection",
                "block",
                f"lot {seen.lot}: not answered yet: {_named(still_open)}",
                numbers={"open": float(len(still_open))},
            ),
        )


def _named(codes: Sequence[str]) -> str:
    """Questions by what they look at, the first few of them."""
    named = [items()[code].look_at for code in codes]
    more = len(named) - MOST_NAMED
    return "; ".join(named[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")


def _cores(seen: Seen, policy: Policy) -> Iterator[Reason]:
    """The rules of cores, of arrival and inspection together."""
    if seen.received_as is not ReceivedAs.FROZEN:
        return
    answer = core_answer(seen, policy)
    if answer is not None and answer is not Answer.ACCEPT:
        yield Reason(_VERDICT[answer], _core_finding(seen, policy, answer))
    wanted = min(int(policy.receive_cartons_core_n), seen.cartons)
    measured = len(seen.cores) + seen.arrived.measured
    if measured < wanted:
        yield Reason(
            Verdict.HOLD,
            finding(
                "inspection",
                "block",
                f"lot {seen.lot}: {measured} of {wanted} cores were measured",
                numbers={"measured": float(measured), "wanted": float(wanted)},
            ),
        )


def _core_finding(seen: Seen, policy: Policy, answer: Answer) -> Finding:
    limit = policy.receive_core_reject if answer is Answer.REJECT else policy.receive_core_hold
    numbers: dict[str, float | str | None] = {"limit_c": limit}
    said = "a core on arrival"
    if seen.cores:
        warmest = max(seen.cores, key=lambda core: core.c)
        numbers["warmest_c"] = round(warmest.c, 2)
        if not TemperatureLimit(limit).passed_by(warmest):
            said = f"a core of {warmest.value} °{warmest.unit.upper()}"
    return finding(
        "core-too-warm",
        "block",
        f"lot {seen.lot}: {said} is warmer than {limit:g} °C",
        numbers=numbers,
    )


def _defectives(seen: Seen) -> Iterator[Reason]:
    if seen.sample is None:
        return
    opened = seen.opened or Opened(0, 0)
    numbers: dict[str, float | str | None] = {
        "opened": float(opened.cartons),
        "defective": float(opened.defective),
        "sample": float(seen.sample.size),
        "accept": float(seen.sample.accept),
    }
    if opened.defective > seen.sample.accept:
        because = (
            f"lot {seen.lot}: {opened.defective} of {opened.cartons} cartons are defective; "
            f"{seen.sample.accept} of {seen.sample.size} are allowed"
        )
        yield Reason(Verdict.HOLD, finding("sample-plan", "block", because, numbers=numbers))
    if opened.cartons < seen.sample.size:
        because = (
            f"lot {seen.lot}: {opened.cartons} of {seen.sample.size} cartons were opened and judged"
        )
        yield Reason(Verdict.HOLD, finding("sample-plan", "block", because, numbers=numbers))
