"""Computing an assessment: reads only, so that nobody waits for it to write."""

from dataclasses import dataclass

from service.assessments.queries.inputs import Inputs
from service.assessments.rules.figures import Air, Fish, Group, Histories, air_of, fish_of


@dataclass(frozen=True)
class Computed:
    """An assessment that is not stored yet."""

    inputs: Inputs
    air: Air
    fish: tuple[tuple[Group, Fish], ...]


def computed(found: Inputs) -> Computed:
    """The figures of all fish that was there.

    Cost: per history of its own (product, stay, mass of the lot, checks) about 0.1 s a week
    of excursion, twice where there are checks; fish that shares a history shares the work.
    """
    histories = Histories(found.air)
    policy = found.view.policy
    fish = tuple((group, fish_of(group, histories, policy)) for group in found.groups)
    begin_s = found.whole.from_at.timestamp()
    return Computed(found, air_of(found.air, begin_s, found.until_s, found.air_source), fish)
