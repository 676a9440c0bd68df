"""A house copied while people work in it, and brought back into either database."""

import gzip
import hashlib
import io
import json
import random
import signal
import sqlite3
import subprocess
import sys
import tarfile
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from service import files
from service.backups.actions import scheduled, tables
from service.backups.actions.archive import seal_of
from service.backups.actions.making import make
from service.backups.actions.restoring import restore
from service.backups.actions.scheduled import back_up_due, thin_out
from service.backups.actions.verifying import verify
from service.backups.models import Backup
from service.backups.rules import value_of
from service.cli import main
from service.database import open_database
from service.errors import Conflict
from service.security import audit
from service.security.actor import SERVICE
from service.settings import Settings
from tests.conftest import DATABASES, Templates, create_database, drop_database, on_server
from tests.kitchen import START, Kitchen
from tests.photos.test_pictures import picture


@pytest.fixture(params=DATABASES)
def empty(request: pytest.FixtureRequest, templates: Templates, tmp_path: Path) -> Iterator[str]:
    """The address of a database without any table."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'brought back' / 'empty.db'}"
        return
    name = f"empty_{uuid.uuid4().hex[:12]}"
    create_database(templates.server, name)
    yield on_server(templates.server, name)
    drop_database(templates.server, name)


def content(address: str) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table in order, whichever database."""
    database = open_database(address)
    try:
        with database.snapshot.connect() as connection:
            return {
                table.name: sorted(
                    (
                        tuple(
                            value_of(part, column.kind)
                            for part, column in zip(line.split("\t"), table.columns, strict=True)
                        )
                        for chunk in tables.rows_of(connection, table)
                        for line in chunk.decode().split("\n")[:-1]
                    ),
                    key=repr,
                )
                for table in tables.tables_of(connection)
            }
    finally:
        database.close()


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def busy(kitchen: Kitchen) -> None:
    """Some of everything: fish, readings, floats, photos, awkward words."""
    kitchen.a_lot(supplier_lot="tab\there \\N back\\slash 魚")
    kitchen.pulled(kitchen.a_lot(caught="2026-07-01")["code"], "20 kg")
    start = START - timedelta(hours=40)
    kitchen.temperatures("FZ1-AIR", start, [-20.0 - i / 7 for i in range(200)], every_s=600)
    kitchen.commissary.post(
        "/photos", None, content=picture(), headers={"Content-Type": "image/jpeg"}
    )
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {"from": "2026-11-01", "items": [{"species": "HER", "mass": "3 kg"}]},
    )


def copied(kitchen: Kitchen, folder: Path) -> Path:
    database = kitchen.app.state.database
    return make(database, kitchen.folder, folder, at=kitchen.clock()).path


def test_what_is_brought_back_is_what_was_copied_table_by_table_in_either_database(
    kitchen: Kitchen, empty: str, tmp_path: Path
) -> None:
    busy(kitchen)
    path = copied(kitchen, tmp_path / "backups")
    report = verify(path)
    assert report.problems == report.notes == () and report.files == 1 and report.rows > 300
    before = content(kitchen.address)
    assert sum(map(len, before.values())) == report.rows
    restored = restore(path, empty, tmp_path / "data")
    assert content(empty) == before and restored.problems == []
    (kept,) = (tmp_path / "data" / "files").glob("*/*")
    assert files.read(tmp_path / "data", kept.parent.name + kept.name) is not None
    opened = Kitchen(empty, tmp_path / "data", tokens=dict(kitchen.tokens))
    try:
        assert opened.keeper.shown("/stock") == kitchen.keeper.shown("/stock")
        opened.a_lot()  # numbers go on after the largest that there is
        with opened.looking() as session:
            assert audit.verify(session) == []
    finally:
        opened.close()


def test_a_copy_made_while_people_write_is_one_still_picture(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    busy(kitchen)
    stop = threading.Event()
    done: list[str] = []

    def work() -> None:
        while not stop.is_set():
            done.append(kitchen.a_lot(mass="50 kg")["code"])

    workers = [threading.Thread(target=work) for _ in range(2)]
    for each in workers:
        each.start()
    try:
        paths = []
        for _ in range(3):
            seen = len(done)
            while len(done) <= seen:
                stop.wait(0.01)
            paths.append(copied(kitchen, tmp_path / "backups"))
            kitchen.clock.forward(seconds=1)
    finally:
        stop.set()
        for each in workers:
            each.join()
    reports = [verify(path) for path in paths]
    assert [report.problems for report in reports] == [(), (), ()]
    assert reports[0].rows < reports[1].rows < reports[2].rows, "they did write meanwhile"


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    names=st.lists(
        st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1)
        .map(str.strip)
        .filter(bool),
        min_size=1,
        max_size=5,
    ),
    numbers=st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=20),
)
def test_any_words_and_any_figures_come_back(
    small_kitchen: Kitchen, names: list[str], numbers: list[float]
) -> None:
    folder = small_kitchen.folder / uuid.uuid4().hex
    with small_kitchen.writing() as session:
        for name in names:
            audit.note(session, SERVICE, name, name, at=START, detail={name: name})
        session.execute(text("CREATE TABLE IF NOT EXISTS figures (a FLOAT, b BLOB)"))
        for number in numbers:
            row = {"a": number, "b": repr(number).encode()}
            session.execute(text("INSERT INTO figures VALUES (:a, :b)"), row)
    before = content(small_kitchen.address)
    with small_kitchen.app.state.database.snapshot.connect() as connection:
        copies = {t.name: t for t in tables.tables_of(connection)}
        with closing(sqlite3.connect(":memory:")) as other:
            for name in ("audit_entry", "figures"):
                made = connection.execute(
                    text("SELECT sql FROM sqlite_master WHERE name = :name"), {"name": name}
                ).scalar_one()
                other.execute(made)
                for chunk in tables.rows_of(connection, copies[name]):
                    tables.into_sqlite(other, copies[name], chunk)
                asked = f"SELECT * FROM {name}"
                found = other.execute(asked).fetchall()
                assert found == [tuple(row) for row in connection.execute(text(asked))]
    assert before["figures"] is not None and folder.name


Change = Callable[[str, bytes], bytes | None]


def rewritten(path: Path, change: Change, *, signed: bool) -> Path:
    """A backup with members changed or left out, sealed anew; signed: with a manifest that fits."""
    out = io.BytesIO()
    digests: dict[str, str] = {}
    with tarfile.open(path) as source, tarfile.open(fileobj=out, mode="w") as target:
        for member in source:
            file = source.extractfile(member)
            assert file is not None
            inside = change(member.name, file.read())
            if inside is None:
                continue
            if signed and member.name == "manifest.json":
                inside = json.dumps(json.loads(inside) | {"digests": digests}).encode()
            digests[member.name] = hashlib.sha256(inside).hexdigest()
            member.size = len(inside)
            target.addfile(member, io.BytesIO(inside))
    packed = gzip.compress(out.getvalue())
    forged = path.with_name(f"{uuid.uuid4().hex}.tar.gz")
    forged.write_bytes(packed + seal_of(hashlib.sha256(packed).hexdigest()))
    return forged


def test_a_member_that_was_changed_or_left_out_is_found_though_the_seal_holds(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    busy(kitchen)
    path = copied(kitchen, tmp_path / "backups")

    def without(name: str) -> Change:
        return lambda member, inside: None if member.startswith(name) else inside

    def rusted(member: str, inside: bytes) -> bytes:
        return b"x" if member.startswith("files/") else inside

    for change, why in (
        (without("tables/parcel"), "tables/parcel/000001 is missing"),
        (without("files/"), "is missing"),
        (without("manifest"), "no manifest"),
        (rusted, "not as it was written"),
    ):
        report = verify(rewritten(path, change, signed=False))
        assert not report.good and why in " ".join(report.problems), report


def test_a_row_that_was_forged_with_seal_and_manifest_is_found_by_chain_and_balance(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    busy(kitchen)
    path = copied(kitchen, tmp_path / "backups")

    def in_table(name: str, old: bytes, new: bytes) -> Change:
        def change(member: str, inside: bytes) -> bytes:
            if not member.startswith(f"tables/{name}/"):
                return inside
            assert old in inside
            return inside.replace(old, new, 1)

        return change

    def cut(member: str, inside: bytes) -> bytes:
        if not member.startswith("tables/audit_entry/"):
            return inside
        return b"".join(inside.splitlines(keepends=True)[:-1])

    def rusted(member: str, inside: bytes) -> bytes:
        return b"x" if member.startswith("files/") else inside

    for change, why in (
        (in_table("audit_entry", b"\tmanager\t", b"\tnobody\t"), "the entry was changed"),
        (cut, "rows, not"),
        (in_table("transfer", b"\t100000\t", b"\t100001\t"), "do not balance"),
        (rusted, "is damaged"),
    ):
        report = verify(rewritten(path, change, signed=True))
        assert not report.good and why in " ".join(report.problems), report


def test_a_backup_of_a_newer_version_says_so(small_kitchen: Kitchen, tmp_path: Path) -> None:
    path = copied(small_kitchen, tmp_path / "backups")

    def newer(member: str, inside: bytes) -> bytes:
        if member != "head.json":
            return inside
        return json.dumps(json.loads(inside) | {"revision": "9999"}).encode()

    report = verify(rewritten(path, newer, signed=True))
    assert "newer version" in report.problems[0]


def test_any_byte_that_is_damaged_is_found(small_kitchen: Kitchen, tmp_path: Path) -> None:
    path = copied(small_kitchen, tmp_path / "backups")
    whole = path.read_bytes()
    for place in random.Random(7).sample(range(len(whole)), 40):
        changed = bytearray(whole)
        changed[place] ^= 0x20
        path.write_bytes(changed)
        assert not verify(path).good, place


def test_nothing_is_brought_back_over_anything(
    kitchen: Kitchen, empty: str, tmp_path: Path
) -> None:
    path = copied(kitchen, tmp_path / "backups")
    before = content(kitchen.address)
    with pytest.raises(Conflict, match="not empty") as refused:
        restore(path, kitchen.address, tmp_path / "data")
    assert refused.value.kind == "not-empty"
    assert content(kitchen.address) == before
    restore(path, empty, None)
    with pytest.raises(Conflict, match="not empty"):
        restore(path, empty, None)


def test_a_damaged_backup_is_refused_before_anything_is_written(
    small_kitchen: Kitchen, empty: str, tmp_path: Path
) -> None:
    path = copied(small_kitchen, tmp_path / "backups")
    whole = path.read_bytes()
    path.write_bytes(whole[:-1])
    with pytest.raises(Conflict) as refused:
        restore(path, empty, tmp_path / "data")
    assert refused.value.kind == "backup-damaged"
    path.write_bytes(whole)
    assert restore(path, empty, tmp_path / "data").problems == [], "the way is still free"


def test_a_file_that_was_damaged_before_is_said_to_be_and_stops_no_backup(
    small_kitchen: Kitchen, tmp_path: Path
) -> None:
    busy(small_kitchen)
    (kept,) = (small_kitchen.folder / "files").glob("*/*")
    kept.write_bytes(b"rust")
    made = make(small_kitchen.app.state.database, small_kitchen.folder, tmp_path / "b", at=START)
    digest = kept.parent.name + kept.name
    assert made.damaged == (digest,)
    report = verify(made.path)
    assert report.good and report.notes == (f"file {digest} was damaged before",)
    kept.unlink()
    gone = make(small_kitchen.app.state.database, small_kitchen.folder, tmp_path / "c", at=START)
    assert "was missing before" in verify(gone.path).notes[0]


def test_a_backup_that_is_killed_leaves_no_file_that_looks_whole(
    small_kitchen: Kitchen, tmp_path: Path
) -> None:
    busy(small_kitchen)
    script = (
        "import sys, time; from pathlib import Path; from datetime import datetime, UTC\n"
        "from service.backups.actions.making import make\n"
        "from service.database import open_database\n"
        "def still():\n    print('still', flush=True); time.sleep(0.2)\n"
        "make(open_database(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]),"
        " at=datetime(2026, 11, 25, tzinfo=UTC), still=still)\n"
    )
    folder = tmp_path / "backups"
    command = [
        sys.executable,
        "-c",
        script,
        small_kitchen.address,
        str(small_kitchen.folder),
        str(folder),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"still\n"
        process.send_signal(signal.SIGKILL)
    assert not [name for name in names_in(folder) if not name.startswith(".")]


def on_schedule(kitchen: Kitchen, folder: Path, **more: Any) -> Settings:
    return Settings(
        database_url=kitchen.address, data_dir=kitchen.folder, backup_folder=folder, **more
    )


def due(kitchen: Kitchen, setup: Settings) -> bool:
    return back_up_due(kitchen.app.state.database, setup, kitchen.clock)


def test_a_scheduled_backup_is_made_once_and_brought_back_to_try_it(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    setup = on_schedule(kitchen, tmp_path / "backups", backup_hours="2,14")
    assert due(kitchen, setup) and not due(kitchen, setup)
    (item,) = kitchen.person("inspector").shown("/backups")["items"]
    assert item["slot_at"].startswith("2026-11-25T02:00") and item["problem"] is None
    assert item["verified_at"] is not None and item["bytes"] > 1000
    assert verify(tmp_path / "backups" / item["name"]).good
    kitchen.clock.forward(hours=9)
    assert due(kitchen, setup)
    page = kitchen.manager.shown("/backups?limit=1")
    older = kitchen.manager.shown(f"/backups?limit=1&cursor={page['next']}")
    assert older["items"][0]["name"] == item["name"]
    assert kitchen.keeper.get("/backups").status_code == 403
    assert names_in(tmp_path / "backups") == [page["items"][0]["name"]], "the newest of the day"
    assert older["items"][0]["removed_at"] is not None


def test_a_backup_that_fails_is_told_at_once_and_tried_again(
    kitchen: Kitchen, tmp_path: Path
) -> None:
    (tmp_path / "backups").write_text("a file is in the way")
    setup = on_schedule(kitchen, tmp_path / "backups")
    assert not due(kitchen, setup) and not due(kitchen, setup)
    (message,) = kitchen.keeper.shown("/messages")["items"]
    assert (message["subject"], message["urgency"]) == ("backup", "now")
    assert "no backup was made" in message["body"]
    (tmp_path / "backups").unlink()
    assert not due(kitchen, setup), "not before an hour has passed"
    kitchen.clock.forward(hours=1)
    assert due(kitchen, setup)
    (item,) = kitchen.manager.shown("/backups")["items"]
    assert (item["attempts"], item["problem"]) == (2, None)


def test_a_backup_that_cannot_be_brought_back_is_told(
    kitchen: Kitchen, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    original = make

    def rotten(*args: Any, **more: Any) -> Any:
        made = original(*args, **more)
        changed = bytearray(made.path.read_bytes())
        changed[len(changed) // 2] ^= 1
        made.path.write_bytes(changed)
        return made

    monkeypatch.setattr(scheduled, "make", rotten)
    assert not due(kitchen, on_schedule(kitchen, tmp_path / "backups"))
    (message,) = kitchen.keeper.shown("/messages")["items"]
    assert "does not fit its seal" in message["body"]
    assert kitchen.manager.shown("/backups")["items"][0]["verified_at"] is None


def test_of_workers_at_once_one_makes_the_backup_and_a_dead_ones_is_begun_again(
    kitchen: Kitchen, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    setup = on_schedule(kitchen, tmp_path / "backups")

    class Killed(BaseException):
        pass

    def dies(*_: Any, **__: Any) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(scheduled, "make", dies)
        with pytest.raises(Killed):
            due(kitchen, setup)
    assert not due(kitchen, setup), "somebody may still be making it"
    kitchen.clock.at += scheduled.LEASE
    threads = [threading.Thread(target=due, args=(kitchen, setup)) for _ in range(4)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert len(names_in(tmp_path / "backups")) == 1


def test_thinning_keeps_the_good_ones_and_touches_no_other_file(
    small_kitchen: Kitchen, tmp_path: Path
) -> None:
    kitchen = small_kitchen
    setup = on_schedule(kitchen, tmp_path, backup_days=2, backup_weeks=0, backup_months=0)
    (tmp_path / "fishhouse-by-hand.tar.gz").write_text("mine")
    with kitchen.writing() as session:
        for day in range(1, 6):
            at = START - timedelta(days=day)
            (tmp_path / f"{day}.tar.gz").write_text("x")
            good = None if day in (1, 4) else at
            session.add(Backup(slot_at=at, attempts=1, name=f"{day}.tar.gz", verified_at=good))
    thin_out(kitchen.app.state.database, setup, kitchen.clock)
    assert [f for f in names_in(tmp_path) if f.endswith(".gz")] == [
        "1.tar.gz",  # no good, but nothing newer is
        "2.tar.gz",
        "3.tar.gz",
        "fishhouse-by-hand.tar.gz",
    ]


def test_by_hand_a_backup_is_made_checked_and_brought_back(
    kitchen: Kitchen,
    empty: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    busy(kitchen)
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", kitchen.address)
    monkeypatch.setenv("FISHHOUSE_DATA_DIR", str(kitchen.folder))
    assert main(["backup", str(tmp_path / "by hand")]) == 0
    path = capsys.readouterr().out.splitlines()[-1]
    assert main(["verify", path]) == 0
    assert "is good" in capsys.readouterr().out
    assert main(["restore", path]) == 1
    assert "not empty" in capsys.readouterr().err
    monkeypatch.setenv("FISHHOUSE_DATA_DIR", str(tmp_path / "elsewhere"))
    assert main(["restore", path, "--into", empty]) == 0
    monkeypatch.setenv("FISHHOUSE_DATABASE_URL", empty)
    assert main(["audit", "verify"]) == 0
    Path(path).write_bytes(Path(path).read_bytes()[:-3])
    capsys.readouterr()
    assert main(["verify", path]) == 1
    assert "no good" in capsys.readouterr().out
    assert main(["verify", str(tmp_path / "none")]) == 2
