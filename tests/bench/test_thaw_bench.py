"""The bench of plans and pull lists makes a store that plans, and measures the whole answer."""

import pytest

from service.bench import databases, pulls

SMALL = pulls.Size(animals=3, lots=8, parcels=160, requests=3)


@pytest.mark.parametrize("kind", databases.kinds())
def test_the_pull_list_holds_every_request_of_the_day(kind: str) -> None:
    figures = {f.name: f for f in pulls.measure(kind, old_requests=60, size=SMALL)}
    listed = figures["pull list of a day"]
    assert listed.target == 50 and listed.less_is_better and listed.value > 0
    assert listed.detail["requests"] == 3
    assert listed.detail["lines"] >= 3 * len(pulls.SPECIES) - len(pulls.SPECIES)
    assert figures["plan of a day for all animals"].value > 0
    assert all(f.target == 1.2 for name, f in figures.items() if "against none" in name)
