"""The history's bench makes what the service would have made, and measures whole answers."""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from sqlalchemy import text
from sqlmodel import Session, col, select

from service.bench import databases, history
from service.bench.place import opened
from service.clock import system_clock
from service.probes.models import Probe
from service.temperatures.actions.rebuilding import rebuild_hours
from service.temperatures.models import ProbeHour

DAYS = 40


@pytest.mark.parametrize("kind", databases.kinds())
def test_every_figure_of_a_short_history_is_measured(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(history, "MONTH_DAYS", 2)
    monkeypatch.setattr(history, "ROUNDS", 2)
    monkeypatch.setattr(history, "TURNS", 2)
    figures = {f.name: f for f in history.measure(kind, 0, days=DAYS)}
    assert len(figures) == 9
    assert all(f.value > 0 and f.less_is_better for f in figures.values())
    room = figures["room on disk for a reading, its hours included"]
    assert room.detail["readings"] == 2 * DAYS * 1440


@pytest.mark.parametrize("kind", databases.kinds())
def test_copied_years_have_the_hours_that_their_readings_make(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(history, "YEAR_DAYS", 2)
    # Not pytest's folder: another run of it would shut the server's user out.
    with TemporaryDirectory() as folder, databases.empty(kind, Path(folder)) as address:
        made = history.make_history(address, 2, 6, at=system_clock())
        with opened(address) as database, Session(database.writer) as session:
            probe = session.exec(select(Probe).where(col(Probe.code) == "AIR-1")).one()
            statement = (
                select(ProbeHour)
                .where(col(ProbeHour.probe_id) == probe.id)
                .order_by(col(ProbeHour.hour_s))
            )
            copied = [row.model_dump(exclude={"version"}) for row in session.exec(statement)]
            assert len(copied) == 6 * 24
            rebuild_hours(session, probe.id or 0, made.from_s, made.until_s, gap_s=3600)
            session.expire_all()
            again = [row.model_dump(exclude={"version"}) for row in session.exec(statement)]
            # A copied year was made without the readings before it: its edge hours cover less.
            for old, new in zip(copied[2:46], again[2:46], strict=True):
                assert old["integrals"] == new["integrals"] and old["mean_c"] == new["mean_c"]
            middle = copied[2 * 24 + 2 : 4 * 24 - 2], again[2 * 24 + 2 : 4 * 24 - 2]
            for old, new in zip(*middle, strict=True):
                assert np.isclose(old["mean_c"], new["mean_c"])
                assert old["readings"] == new["readings"] and old["max_c"] == new["max_c"]
            count = session.connection().execute(text("SELECT count(*) FROM reading")).scalar_one()
            assert count == made.readings == 2 * 6 * 1440
