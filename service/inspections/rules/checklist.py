"""The questions of an inspection, from the trade's table."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from service.figures import table
from service.lots.rules import ReceivedAs


class Answer(StrEnum):
    """What was seen: from the mildest to the strictest."""

    ACCEPT = "accept"
    QUESTION = "question"
    REJECT = "reject"


class Purpose(StrEnum):
    """Why a load is looked at; each asks for at least as much as the one before."""

    ROUTINE = "routine"
    NEW_SUPPLIER = "new_supplier"
    DISPUTE = "dispute"


class Stage(StrEnum):
    """When in the course of an arrival a question is asked."""

    PAPERS = "papers"
    VEHICLE = "vehicle"
    BOXES = "boxes"
    FROZEN = "frozen"
    THAWED = "thawed sample"


STRICTNESS = tuple(Answer)
PURPOSES = tuple(Purpose)


@dataclass(frozen=True)
class Item:
    """One question, and what each answer looks like; an empty text: there is no such answer."""

    code: str
    stage: Stage
    asked_of: frozenset[ReceivedAs]
    look_at: str
    accept: str
    question: str
    reject: str
    source: str
    flag: str

    def required(self, received_as: ReceivedAs, purpose: Purpose) -> bool:
        """Whether an inspection is not done before this is answered.

        The sample thaws for a day: a routine delivery does not wait for it, a new
        supplier's and a disputed one do.
        """
        if received_as not in self.asked_of:
            return False
        return self.stage is not Stage.THAWED or purpose is not Purpose.ROUTINE

    def has(self, answer: Answer) -> bool:
        """Whether the question can be answered like this."""
        return bool(getattr(self, answer))


@lru_cache(maxsize=1)
def items() -> Mapping[str, Item]:
    """All questions by code, in the order in which they are asked."""
    return {
        row["item"]: Item(
            code=row["item"],
            stage=Stage(row["stage"]),
            asked_of=frozenset(ReceivedAs(each) for each in row["asked_of"].split()),
            look_at=row["look_at"],
            accept=row["accept"],
            question=row["question"],
            reject=row["reject"],
            source=row["source"],
            flag=row["flag"],
        )
        for row in table("inspection_items")
    }


def stricter(one: Answer, other: Answer) -> Answer:
    """The stricter of two answers."""
    return max(one, other, key=STRICTNESS.index)
