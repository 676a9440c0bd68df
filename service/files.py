"""Files outside the database, named after their content.

`files/ab/cdef…` is the file whose SHA-256 is `abcdef…`. A file is written beside its
place, flushed to the disk and then renamed: whoever reads finds all of it or nothing,
also after a power cut. Storing the same content twice is one file.
"""

import hashlib
import os
import tempfile
from pathlib import Path

HASH = r"^[0-9a-f]{64}$"


def path_of(folder: Path, digest: str) -> Path:
    """Where the file of this SHA-256 (64 hexadecimal digits, lower case) lies."""
    return folder / "files" / digest[:2] / digest[2:]


def keep(folder: Path, content: bytes) -> str:
    """Store content under its SHA-256, which is returned; nothing is left of a failure.

    Raises OSError where the disk refuses. Cost: one write and two flushes, or none
    where the file is there already.
    """
    digest = hashlib.sha256(content).hexdigest()
    place = path_of(folder, digest)
    if place.exists():
        return digest
    place.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(dir=place.parent, prefix=".", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(beside).replace(place)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    _flush_folder(place.parent)
    return digest


def _flush_folder(folder: Path) -> None:
    """The new name is on the disk too; Windows cannot open a folder and needs no flush."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def read(folder: Path, digest: str) -> bytes | None:
    """The content of this SHA-256; None where no such file lies, or what lies there is damaged."""
    try:
        content = path_of(folder, digest).read_bytes()
    except FileNotFoundError:
        return None
    return content if hashlib.sha256(content).hexdigest() == digest else None
