"""`fishhouse backup`, `restore` and `verify`: the whole house in one file, and back."""

import argparse
import sys
from pathlib import Path
from typing import Any

from service.clock import system_clock
from service.settings import Settings

Subparsers = Any  # argparse keeps the name of its type to itself


def register(commands: Subparsers) -> None:
    """Add `backup`, `restore` and `verify` to the command line."""
    what = "copy database and files into one new file while the service runs"
    backup = commands.add_parser("backup", help=what, description=what)
    backup.add_argument(
        "folder",
        type=Path,
        nargs="?",
        metavar="FOLDER",
        help="left out: FISHHOUSE_BACKUP_FOLDER, else `backups` in the data folder",
    )
    backup.set_defaults(command=_backup)
    what = "bring a backup into an empty database; nothing is ever overwritten"
    restore = commands.add_parser("restore", help=what, description=what)
    restore.add_argument("file", type=Path, metavar="FILE")
    restore.add_argument(
        "--into", metavar="ADDRESS", help="an empty database, sqlite:///… or postgresql://…"
    )
    restore.set_defaults(command=_restore)
    what = "bring a backup into a temporary database and look whether all of it is good"
    verify = commands.add_parser("verify", help=what, description=what)
    verify.add_argument("file", type=Path, metavar="FILE")
    verify.set_defaults(command=_verify)


def _backup(parsed: argparse.Namespace) -> int:
    from service.backups.actions.making import make
    from service.database import open_database

    settings = Settings()
    folder = parsed.folder or settings.backup_folder or settings.data_dir / "backups"
    database = open_database(settings.database_url, connections=2)
    try:
        made = make(database, settings.data_dir, folder, at=system_clock())
    finally:
        database.close()
    for digest in made.damaged:
        print(f"The file {digest} was damaged already; it was copied as it is.", file=sys.stderr)
    print(f"{made.rows} rows and {made.files} files in {made.bytes} bytes:")
    print(made.path)
    return 0


def _restore(parsed: argparse.Namespace) -> int:
    from service.backups.actions.restoring import restore

    settings = Settings()
    restored = restore(
        _readable(parsed.file), parsed.into or settings.database_url, settings.data_dir
    )
    print(
        f"{sum(restored.rows.values())} rows and {restored.files} files of "
        f"{restored.head['made_at']} are back. Run `fishhouse migrate` before `fishhouse serve`."
    )
    return 0


def _verify(parsed: argparse.Namespace) -> int:
    from service.backups.actions.verifying import verify

    report = verify(_readable(parsed.file))
    for line in (*report.problems, *report.notes):
        print(line)
    if not report.good:
        print("The backup is no good.")
        return 1
    print(f"The backup of {report.made_at} is good: {report.rows} rows, {report.files} files.")
    return 0


def _readable(path: Path) -> Path:
    if not path.is_file():
        raise ValueError(f"{path} is no file.")
    return path
