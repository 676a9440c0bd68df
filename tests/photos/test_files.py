"""Files by their content: all of one or nothing."""

import hashlib
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service import files


def everything(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


@given(st.binary(max_size=200))
def test_a_file_lies_under_its_sha_256_and_is_read_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    folder = tmp_path_factory.mktemp("kept")
    digest = files.keep(folder, content)
    assert digest == hashlib.sha256(content).hexdigest()
    assert everything(folder) == [folder / "files" / digest[:2] / digest[2:]]
    assert files.read(folder, digest) == content
    assert files.keep(folder, content) == digest
    assert len(everything(folder)) == 1


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        files.keep(tmp_path, b"a picture")
    assert everything(tmp_path) == []


def test_a_file_that_is_missing_or_damaged_is_not_given(tmp_path: Path) -> None:
    digest = files.keep(tmp_path, b"a picture")
    path = files.path_of(tmp_path, digest)
    path.chmod(0o600)
    path.write_bytes(b"another")
    assert files.read(tmp_path, digest) is None
    path.unlink()
    assert files.read(tmp_path, digest) is None
