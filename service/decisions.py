"""Findings and decisions: what a rule says about fish, before anybody acts on it."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from pydantic import BaseModel, ConfigDict, Field

# With several blocking findings the refusal is named after the first of these.
PRECEDENCE = (
    "lot-on-hold",
    "no-refreeze",
    "excursion-open",
    "past-age-limit",
    "older-lot-first",
    "clock-from-freezer",
    "clock-from-thawed",
    "warm-too-long",
    "thawed-not-returned",
    "not-enough-stock",
)

_STORABLE = r"^[^\x00]*$"  # a text with a NUL character can be stored nowhere


class Outcome(StrEnum):
    """What a rule says."""

    PASS = "pass"
    WARN = "warn"
    BLOCK = "block"


class Finding(BaseModel):
    """One rule's answer: its numbers, its source, and who may override it."""

    model_config = ConfigDict(frozen=True)

    rule: str
    outcome: Outcome
    because: str
    numbers: dict[str, float | str | None] = Field(default_factory=dict)
    source: str
    may_override: tuple[str, ...] = ()


class Override(BaseModel):
    """A person's reasoned decision to go against one rule."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rule: str = Field(max_length=100, pattern=_STORABLE)
    reason: str = Field(min_length=3, max_length=1000, pattern=_STORABLE)


@dataclass(frozen=True)
class Decision:
    """All findings of all rules asked, not only the first."""

    findings: tuple[Finding, ...] = ()

    def __add__(self, other: "Decision") -> "Decision":
        return Decision(self.findings + other.findings)

    def blocking(self) -> tuple[Finding, ...]:
        """The findings that say no, in the order of precedence."""
        no = [f for f in self.findings if f.outcome is Outcome.BLOCK]
        return tuple(sorted(no, key=lambda f: _rank(f.rule)))

    def first_blocking(self) -> Finding:
        """The finding that a refusal is named after."""
        return self.blocking()[0]

    def noteworthy(self) -> tuple[Finding, ...]:
        """Warnings and blocks: what a person should see."""
        return tuple(f for f in self.findings if f.outcome is not Outcome.PASS)


def _rank(rule: str) -> int:
    return PRECEDENCE.index(rule) if rule in PRECEDENCE else len(PRECEDENCE)


def decide(*groups: Iterable[Finding]) -> Decision:
    """One decision from the findings of several rules."""
    return Decision(tuple(finding for group in groups for finding in group))
