"""The file of a backup: a gzip-compressed tar with a seal at its end.

`tar xzf` reads it. The seal is an empty gzip member whose comment is the SHA-256 of
every byte before it: no byte can change unnoticed, and a file without it is not whole.
"""

import contextlib
import gzip
import hashlib
import io
import os
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

from service.errors import Conflict

_LEVEL = 3  # half the time of the usual level, a tenth larger
_READ = 1 << 20
# RFC 1952: magic, deflate, a comment follows, no time, no flags, unknown system; then the
# comment, an empty deflate block, and checksum and length of nothing.
_SEAL_STARTS = b"\x1f\x8b\x08\x10\0\0\0\0\0\xff"
_SEAL_ENDS = b"\0\x03\0\0\0\0\0\0\0\0\0"
SEAL_BYTES = len(_SEAL_STARTS) + len("sha256=") + 64 + len(_SEAL_ENDS)


def seal_of(digest: str) -> bytes:
    """The end of a file whose bytes before have this SHA-256."""
    return _SEAL_STARTS + f"sha256={digest}".encode() + _SEAL_ENDS


class _Hashed(io.RawIOBase):
    """A file that is being written, and the hash of what was."""

    def __init__(self, file: BinaryIO) -> None:
        super().__init__()
        self._file = file
        self.hash = hashlib.sha256()

    def writable(self) -> bool:
        """It is only written."""
        return True

    def write(self, content: "bytes | memoryview") -> int:  # type: ignore[override]
        """All of it, or an OSError."""
        self.hash.update(content)
        return self._file.write(content)


@dataclass
class Archive:
    """A backup that is being written; `digests` are of its members so far."""

    tar: tarfile.TarFile
    digests: dict[str, str] = field(default_factory=dict)

    def add(self, name: str, content: bytes) -> None:
        """One more member. Raises OSError where the disk refuses."""
        member = tarfile.TarInfo(name)
        member.size, member.mode = len(content), 0o600
        self.tar.addfile(member, io.BytesIO(content))
        self.digests[name] = hashlib.sha256(content).hexdigest()


@contextlib.contextmanager
def written(path: Path) -> Iterator[Archive]:
    """A new file at `path`: whole and on the disk when the block ends, else nothing.

    Nothing is overwritten. Raises Conflict `backup-failed` where there is a file already
    or the disk refuses. Only its owner may read it: it holds everything.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    except OSError as error:
        raise _refused(path, error) from error
    try:
        with os.fdopen(handle, "wb") as file:
            yield from _sealed(file)
            file.flush()
            os.fsync(file.fileno())
        _named(Path(beside), path)
    except OSError as error:
        raise _refused(path, error) from error
    finally:
        Path(beside).unlink(missing_ok=True)


def _sealed(file: BinaryIO) -> Iterator[Archive]:
    hashed = _Hashed(file)
    with (
        gzip.GzipFile("", "wb", _LEVEL, cast(BinaryIO, hashed), mtime=0) as packed,
        tarfile.open(fileobj=packed, mode="w", format=tarfile.PAX_FORMAT) as tar,
    ):
        yield Archive(tar)
    file.write(seal_of(hashed.hash.hexdigest()))


def _named(beside: Path, path: Path) -> None:
    """Give a finished file its name, which nothing else may have."""
    try:
        os.link(beside, path)
    except FileExistsError:
        raise
    except OSError:  # a stick's file system without links
        if path.exists():
            raise FileExistsError(f"{path.name} exists already") from None
        beside.rename(path)
    if os.name == "posix":
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _refused(path: Path, error: OSError) -> Conflict:
    why = error.strerror or str(error) or type(error).__name__
    return Conflict(
        f"no backup was made in {path.parent}: {why}",
        kind="backup-failed",
        advice="Make room, or name another folder; nothing half-made was left.",
    )


def broken_seal(path: Path) -> str | None:
    """Why a file is not whole, or None where every byte is as it was written. One read."""
    size = path.stat().st_size
    if size <= SEAL_BYTES:
        return "the file is too short to be a backup"
    hashed = hashlib.sha256()
    with path.open("rb") as file:
        left = size - SEAL_BYTES
        while left and (part := file.read(min(_READ, left))):
            hashed.update(part)
            left -= len(part)
        seal = file.read()
    if not seal.startswith(_SEAL_STARTS):
        return "the seal at its end is missing: it was cut off, or is no backup"
    if seal != seal_of(hashed.hexdigest()):
        return "it was changed or damaged after it was made: its SHA-256 does not fit its seal"
    return None


@dataclass(frozen=True)
class Member:
    """One member of a backup."""

    name: str
    content: bytes

    @property
    def digest(self) -> str:
        """SHA-256 of its content."""
        return hashlib.sha256(self.content).hexdigest()


def members(path: Path) -> Iterator[Member]:
    """The members in their order, one in memory at a time.

    Raises Conflict `backup-damaged` for what cannot be read.
    """
    try:
        with gzip.open(path, "rb") as packed, tarfile.open(fileobj=packed, mode="r|") as tar:
            for each in tar:
                file = tar.extractfile(each)
                yield Member(each.name, file.read() if file else b"")
    except (tarfile.TarError, EOFError, OSError, ValueError) as error:
        raise damaged(f"{path.name} cannot be read: {error}") from error


def damaged(why: str) -> Conflict:
    """The refusal of a file that is not as it was made."""
    return Conflict(
        why, kind="backup-damaged", advice="Use an older backup; `fishhouse verify` checks it."
    )
