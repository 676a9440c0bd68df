"""Whether fish that was in an excursion may be taken to thaw, or fed.

Moving it to another freezer is never asked here: fish must get out of a freezer that fails.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.assessments.rules.deciding import Decided
from service.assessments.rules.judging import is_past
from service.decisions import Finding
from service.excursions.rules import ExcursionKind
from service.site.rules import Policy, finding


@dataclass(frozen=True)
class Met:
    """An undecided excursion that met fish of a lot.

    freezer : it was in a freezer; elsewhere other clocks judge. worst_c : how warm the worst
    carton of this fish may have been; None: not assessed. decided : what was decided of the
    lot, if anything was.
    """

    excursion: int
    place: str
    freezer: bool
    kind: ExcursionKind
    from_at: datetime
    ended_at: datetime | None
    peak_c: float | None
    worst_c: float | None = None
    decided: Decided | None = None

    def blocks(self, policy: Policy, at: datetime) -> bool:
        """Whether nobody takes of this fish until somebody has decided.

        Fish is never warmer than the warmest air: until it is assessed the air bounds it,
        and where nobody measured the air, the hours of silence that a site allows.
        """
        if not self.freezer or (self.decided is not None and self.decided.holds(self.worst_c)):
            return False
        if self.worst_c is not None:
            return is_past(self.worst_c, policy.excursion_core_limit)
        if self.kind is ExcursionKind.SILENT:
            return self._hours(at) > policy.excursion_silence_h
        return self.peak_c is not None and is_past(self.peak_c, policy.excursion_core_limit)

    def _hours(self, at: datetime) -> float:
        return ((self.ended_at or at) - self.from_at).total_seconds() / 3600

    def says(self, policy: Policy, at: datetime) -> str:
        """What is known, in one sentence."""
        limit = f"{policy.excursion_core_limit:g} °C"
        what = f"excursion {self.excursion} of {self.place}"
        if self.decided is not None and self.decided.holds(self.worst_c):
            return f"{what} is decided for this lot: {self.decided.choice.replace('_', ' ')}"
        if self.worst_c is not None:
            word = "may have passed" if self.blocks(policy, at) else "stayed within"
            worst = f"the worst carton, up to {self.worst_c:.1f} °C,"
            return f"{what} is not decided: {worst} {word} {limit}"
        if self.kind is ExcursionKind.SILENT:
            return f"{what} is not assessed: nobody measured for {self._hours(at):.1f} h"
        peak = "" if self.peak_c is None else f", air up to {self.peak_c:.1f} °C"
        return f"{what} is not assessed{peak}; the core limit is {limit}"


def taking_findings(
    lot: str, met: Sequence[Met], policy: Policy, at: datetime, *, feeding: bool = False
) -> Iterator[Finding]:
    """One finding for each undecided excursion of this fish; one that passes where there is none.

    feeding : of fish that has been thawed already, which has clocks of its own: it warns.
    """
    if not met:
        yield finding("excursion-open", "pass", f"no excursion of lot {lot} is undecided")
    for each in met:
        decided = each.decided is not None and each.decided.holds(each.worst_c)
        blocks = each.blocks(policy, at) and not feeding
        yield finding(
            "excursion-open",
            "pass" if decided else "block" if blocks else "warn",
            each.says(policy, at),
            numbers={
                "excursion": each.excursion,
                "place": each.place,
                "worst_c": each.worst_c,
                "peak_c": each.peak_c,
                "limit_c": policy.excursion_core_limit,
                "silence_h": policy.excursion_silence_h,
            },
        )
