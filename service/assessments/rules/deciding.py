"""What was decided of a lot after an excursion, and how long that holds."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.assessments.rules.judging import STRICTNESS, Choice
from service.decisions import Finding
from service.security.rules import Role
from service.site.rules import finding

MEANING = (
    "I have looked at what happened to this fish and decide what becomes of it. Models estimate; "
    "a thermometer in the fish and the attending veterinarian decide."
)
GREW_K = 0.5  # by which fish may have become warmer since, before somebody decides again


@dataclass(frozen=True)
class Decided:
    """A decision on one lot.

    worst_c : how warm its worst carton may have been by what was known. breach : it was
    recorded as a fact by somebody who was not entitled; it settles nothing.
    """

    choice: Choice
    worst_c: float | None
    breach: bool = False
    hold: int | None = None

    def kept(self) -> dict[str, Any]:
        """As it is stored."""
        return {
            "choice": self.choice.value,
            "worst_c": self.worst_c,
            "breach": self.breach,
            "hold": self.hold,
        }

    @classmethod
    def of(cls, kept: Mapping[str, Any]) -> "Decided":
        """From what is stored."""
        return cls(Choice(kept["choice"]), kept["worst_c"], kept["breach"], kept["hold"])

    def holds(self, worst_c: float | None) -> bool:
        """Whether it settles the lot by what is known now: not if the fish became warmer since.

        >>> Decided(Choice.USE, -13.0).holds(-9.0), Decided(Choice.HOLD, -13.0).holds(-9.0)
        (False, True)
        """
        if self.breach:
            return False
        if STRICTNESS[self.choice] >= STRICTNESS[Choice.HOLD] or worst_c is None:
            return True
        return self.worst_c is None or worst_c <= self.worst_c + GREW_K


def newest(decisions: Iterable[Mapping[str, Mapping[str, Any]]]) -> dict[str, Decided]:
    """By lot, the newest decision that settles; a breach only where there is no other.

    decisions : the lots of each decision, oldest first.
    """
    found: dict[str, Decided] = {}
    for lots in decisions:
        for code, kept in lots.items():
            decided = Decided.of(kept)
            if not decided.breach or code not in found or found[code].breach:
                found[code] = decided
    return found


@dataclass(frozen=True)
class Known:
    """What is known of a lot when somebody decides on it; worst_c None: nothing."""

    lot: str
    worst_c: float | None
    commissary_may_release: bool


def known_of(lot: str, fish: Iterable[tuple[float, bool]]) -> Known:
    """The worst of a lot's fish: how warm it may have been, whether the commissary may release.

    >>> known_of("HER1", [(-13.0, True), (-9.0, False)])
    Known(lot='HER1', worst_c=-9.0, commissary_may_release=False)
    """
    every = list(fish)
    if not every:
        return Known(lot, None, False)
    return Known(lot, max(c for c, _ in every), all(may for _, may in every))


def decision_findings(
    known: Known, choice: Choice, role: Role, limit_c: float
) -> Iterable[Finding]:
    """Whether somebody of a role may decide so: nobody but the vet lets warmer fish be used.

    To hold and to condemn is open to whoever may decide at all.
    """
    if role is Role.VET or STRICTNESS[choice] >= STRICTNESS[Choice.HOLD]:
        return
    if known.worst_c is None:
        because = f"lot {known.lot} is not assessed: a vet decides, or wait for the assessment"
    elif known.commissary_may_release:
        return
    else:
        because = (
            f"the worst carton of lot {known.lot} may have been at {known.worst_c:.1f} °C, past "
            f"{limit_c:g} °C, and no core measured in time shows it colder: a vet decides"
        )
    yield finding(
        "excursion-open",
        "block",
        because,
        numbers={"worst_c": known.worst_c, "limit_c": limit_c, "lot": known.lot},
    )
