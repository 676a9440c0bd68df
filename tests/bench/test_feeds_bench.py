"""The bench of rounds and intake records makes what it measures, and measures whole answers."""

import pytest

from service.bench import databases, feeds


@pytest.mark.parametrize("kind", databases.kinds())
def test_a_round_and_a_record_are_measured(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feeds, "YEARS", 1)
    monkeypatch.setattr(feeds, "ROUNDS", 1)
    fed, eaten = feeds.measure(kind)
    assert (fed.detail["feeds"], fed.target, fed.less_is_better) == (300, 150, True)
    assert (eaten.detail["animals"], eaten.detail["days"], eaten.target) == (300, 365, 30)
    assert fed.value > 0 and eaten.value > 0
