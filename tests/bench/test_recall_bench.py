"""The recall's bench makes books that hold, and measures the whole answer."""

from pathlib import Path

import pytest
from sqlalchemy import text

from service.bench import databases, recall
from service.bench.place import opened
from service.clock import system_clock

WEEK = recall.FEEDS_A_DAY * recall.DAYS_A_LOT


@pytest.mark.parametrize("kind", databases.kinds())
def test_the_recall_accounts_for_every_gram_of_the_history_that_was_made(kind: str) -> None:
    (figure,) = recall.measure(kind, WEEK)
    assert figure.detail["feeds"] == WEEK
    assert figure.detail["lots"] == recall.RECALLED
    assert figure.detail["animals"] == recall.ANIMALS
    assert figure.value > 0 and figure.target == 200 and figure.less_is_better


def test_the_made_books_balance(tmp_path: Path) -> None:
    with databases.empty("sqlite", tmp_path) as address:
        recall.make_history(address, WEEK, at=system_clock())
        with opened(address) as database, database.reader.connect() as connection:
            wrong = (
                "SELECT count(*) FROM parcel WHERE grams <> "
                "(SELECT coalesce(sum(grams), 0) FROM transfer WHERE to_parcel_id = parcel.id) - "
                "(SELECT coalesce(sum(grams), 0) FROM transfer WHERE from_parcel_id = parcel.id)"
            )
            assert connection.execute(text(wrong)).scalar_one() == 0
            broken = connection.execute(text("PRAGMA foreign_key_check")).all()
            assert broken == []
