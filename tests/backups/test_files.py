"""The file of a backup and the rules around it, without a database."""

import gzip
import os
import random
import subprocess
import sys
import tarfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.backups.actions.archive import broken_seal, members, written
from service.backups.rules import Kind, kept, last_slot, unescaped, value_of
from service.errors import Conflict

AT = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)


def a_file(folder: Path, name: str = "x.tar.gz") -> Path:
    with written(folder / name) as archive:
        archive.add("head.json", b"{}")
        archive.add("tables/site/000001", b"1\tMAIN\n" * 1000)
    return folder / name


def test_a_backup_is_a_tar_that_any_program_reads(tmp_path: Path) -> None:
    """Python's own gzip and tarfile, and the system's `tar`."""
    path = a_file(tmp_path)
    assert broken_seal(path) is None
    assert [m.name for m in members(path)] == ["head.json", "tables/site/000001"]
    with tarfile.open(path) as tar:
        assert tar.getnames() == ["head.json", "tables/site/000001"]
    assert gzip.decompress(path.read_bytes())
    listed = subprocess.run(["tar", "tzf", path], capture_output=True, text=True, check=True)
    assert listed.stdout.split() == ["head.json", "tables/site/000001"]


def test_only_its_owner_reads_a_backup(tmp_path: Path) -> None:
    assert a_file(tmp_path).stat().st_mode & 0o077 == 0


def test_no_bit_of_a_backup_changes_unnoticed(tmp_path: Path) -> None:
    path = a_file(tmp_path)
    whole = path.read_bytes()
    places = {
        *range(24),
        *range(len(whole) - 110, len(whole)),
        *random.Random(1).sample(range(len(whole)), min(200, len(whole))),
    }
    for place in places:
        changed = bytearray(whole)
        changed[place] ^= 1 << (place % 8)
        path.write_bytes(changed)
        assert broken_seal(path) is not None, place
    for length in (0, 10, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:length])
        assert broken_seal(path) is not None, length
    path.write_bytes(whole + b"\0")
    assert broken_seal(path) is not None


def test_a_backup_never_takes_the_place_of_another(tmp_path: Path) -> None:
    path = a_file(tmp_path)
    before = path.read_bytes()
    with pytest.raises(Conflict, match="exists") as refused:
        a_file(tmp_path)
    assert refused.value.kind == "backup-failed"
    assert path.read_bytes() == before and [p.name for p in tmp_path.iterdir()] == ["x.tar.gz"]


def test_on_a_stick_without_links_nothing_is_overwritten_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError("no links here")

    monkeypatch.setattr(os, "link", no_links)
    path = a_file(tmp_path)
    assert broken_seal(path) is None
    with pytest.raises(Conflict, match="exists"):
        a_file(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["x.tar.gz"]


def test_a_full_disk_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    """The system's limit on the size of a file stands for the disk: the same write fails."""
    script = (
        "import resource, sys, os; from pathlib import Path;"
        "from service.backups.actions.archive import written; from service.errors import Conflict\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))\n"
        "try:\n"
        "    with written(Path(sys.argv[1])) as archive:\n"
        "        [archive.add(str(i), os.urandom(8192)) for i in range(100)]\n"
        "except Conflict as error:\n"
        "    print(error.kind, error.detail)\n"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script, tmp_path / "x.tar.gz"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert answer.stdout.startswith("backup-failed no backup was made"), answer.stderr
    assert "File too large" in answer.stdout
    assert [p.name for p in tmp_path.iterdir()] == []


def escaped(text: str) -> str:
    """As PostgreSQL's manual says for COPY's text format."""
    for plain, written_ in (("\\", "\\\\"), ("\t", "\\t"), ("\n", "\\n"), ("\r", "\\r")):
        text = text.replace(plain, written_)
    return text


@given(st.text())
def test_whatever_somebody_typed_comes_back(text: str) -> None:
    assert unescaped(escaped(text)) == text
    assert value_of(escaped(text), Kind.TEXT) == text


def test_nothing_and_the_text_that_looks_like_it_are_told_apart() -> None:
    assert value_of("\\N", Kind.TEXT) is None
    assert value_of(escaped("\\N"), Kind.TEXT) == "\\N"
    assert value_of("", Kind.TEXT) == ""


def test_a_backup_is_due_at_its_hours_and_one_that_was_missed_still_is() -> None:
    assert last_slot((2, 14), AT) == AT.replace(hour=2)
    assert last_slot((2, 14), AT.replace(hour=2)) == AT.replace(hour=2)
    assert last_slot((14,), AT) == AT.replace(day=24, hour=14)


def test_backups_are_thinned_to_days_weeks_and_months() -> None:
    slots = [AT - timedelta(days=n) for n in range(400)]
    chosen = kept(slots, days=7, weeks=5, months=12)
    assert set(slots[:7]) <= chosen
    assert len({slot.isocalendar()[:2] for slot in chosen}) >= 5
    assert len({(slot.year, slot.month) for slot in chosen}) == 12
    assert len(chosen) <= 7 + 5 + 12


@given(
    st.sets(st.integers(0, 5000), max_size=60),
    st.integers(1, 9),
    st.integers(0, 6),
    st.integers(0, 14),
)
def test_the_newest_backup_is_always_kept_and_thinning_again_removes_nothing(
    hours: set[int], days: int, weeks: int, months: int
) -> None:
    slots = [AT - timedelta(hours=h) for h in hours]
    chosen = kept(slots, days=days, weeks=weeks, months=months)
    assert chosen <= set(slots)
    assert not slots or max(slots) in chosen
    assert kept(chosen, days=days, weeks=weeks, months=months) == chosen
