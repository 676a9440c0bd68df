"""`fishhouse bench ingest` in small: every figure comes about, and nothing of it is timed."""

import pytest

from service.bench import ingest, storing


def test_every_figure_of_ingest_comes_about(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(storing, "ROWS", 500)
    monkeypatch.setattr(storing, "ROUNDS", 1)
    monkeypatch.setattr(ingest, "ROUNDS", 1)
    monkeypatch.setattr(ingest, "FEEDS", 8)
    monkeypatch.setattr(ingest, "measure_broker", lambda *_: {})  # it has a test of its own
    figures = list(ingest.measure("sqlite", readings=5000))
    assert [figure.unit for figure in figures] == [
        "× raw executemany",
        "× raw executemany",
        "ms",
        "MB",
    ]
    assert all(figure.value >= 0 for figure in figures)
    assert figures[2].detail["readings_per_s"] > 0
    assert figures[3].detail["most_mb"] > 50
