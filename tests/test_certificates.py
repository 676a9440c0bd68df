"""The local authority, held against OpenSSL's own verification."""

import socket
import ssl
import stat
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.certificates import Certificates, local_certificates
from service.migrations import migrate
from tests.processes import served

NOW = datetime.now(UTC)


def verified(made: Certificates, name: str, at: datetime = NOW) -> bool:
    """What `openssl verify` says of the server's certificate under a name."""
    flag = "-verify_ip" if name[0].isdigit() else "-verify_hostname"
    return (
        subprocess.run(
            ["openssl", "verify", "-x509_strict", "-attime", str(int(at.timestamp())),
             "-CAfile", made.authority, flag, name, made.server],
            capture_output=True,
            check=False,
        ).returncode
        == 0
    )  # fmt: skip


def forged(made: Certificates, folder: Path, name: str) -> Certificates:
    """What a thief of the authority's key could make."""
    key, request, certificate = folder / "k.pem", folder / "r.pem", folder / "c.pem"
    commands: tuple[list[str | Path], ...] = (
        ["req", "-newkey", "rsa:2048", "-nodes", "-keyout", key, "-subj", f"/CN={name}",
         "-addext", f"subjectAltName={'IP' if name[0].isdigit() else 'DNS'}:{name}",
         "-out", request],
        ["x509", "-req", "-in", request, "-CA", made.authority, "-CAkey",
         folder / "authority-key.pem", "-days", "30", "-copy_extensions", "copy",
         "-out", certificate],
    )  # fmt: skip
    for command in commands:
        subprocess.run(["openssl", *command], check=True, capture_output=True)
    return Certificates(made.authority, certificate, key, made.fingerprint)


def test_openssl_trusts_the_names_that_the_authority_was_made_for_and_no_others(
    tmp_path: Path,
) -> None:
    made = local_certificates(tmp_path, ["kitchen.local", "192.0.2.7"], at=NOW)
    assert verified(made, "kitchen.local") and verified(made, "192.0.2.7")
    assert not verified(made, "elsewhere.local") and not verified(made, "192.0.2.8")


def test_an_authority_whose_key_was_stolen_vouches_for_no_other_name(tmp_path: Path) -> None:
    made = local_certificates(tmp_path, ["kitchen.local"], at=NOW)
    soon = datetime.now(UTC) + timedelta(minutes=1)
    assert verified(forged(made, tmp_path, "kitchen.local"), "kitchen.local", at=soon)
    assert not verified(forged(made, tmp_path, "bank.example"), "bank.example", at=soon)


def test_an_authority_for_an_address_vouches_for_no_name_and_one_for_a_name_for_no_address(
    tmp_path: Path,
) -> None:
    soon = datetime.now(UTC) + timedelta(minutes=1)
    (tmp_path / "a").mkdir()
    (tmp_path / "n").mkdir()
    of_address = local_certificates(tmp_path / "a", ["192.0.2.7"], at=NOW)
    assert verified(of_address, "192.0.2.7")
    stolen = forged(of_address, tmp_path / "a", "bank.example")
    assert not verified(stolen, "bank.example", at=soon)
    of_name = local_certificates(tmp_path / "n", ["kitchen.local"], at=NOW)
    stolen = forged(of_name, tmp_path / "n", "192.0.2.8")
    assert not verified(stolen, "192.0.2.8", at=soon)


def test_the_authority_stays_and_the_servers_certificate_is_renewed_in_time(
    tmp_path: Path,
) -> None:
    first = local_certificates(tmp_path, ["kitchen.local"], at=NOW)
    server, authority = first.server.read_bytes(), first.authority.read_bytes()
    local_certificates(tmp_path, ["kitchen.local"], at=NOW + timedelta(days=700))
    assert first.server.read_bytes() == server
    later = NOW + timedelta(days=800)
    renewed = local_certificates(tmp_path, ["kitchen.local"], at=later)
    assert renewed.server.read_bytes() != server and renewed.authority.read_bytes() == authority
    assert verified(renewed, "kitchen.local", at=later + timedelta(days=700))


def test_a_name_that_the_authority_cannot_vouch_for_is_refused_in_words(tmp_path: Path) -> None:
    local_certificates(tmp_path, ["kitchen.local"], at=NOW)
    with pytest.raises(ValueError, match=r"was made for kitchen\.local, not for other\.local"):
        local_certificates(tmp_path, ["kitchen.local", "other.local"], at=NOW)


def test_only_the_owner_reads_the_keys(tmp_path: Path) -> None:
    made = local_certificates(tmp_path, ["kitchen.local"], at=NOW)
    for key in (made.key, tmp_path / "authority-key.pem"):
        assert stat.S_IMODE(key.stat().st_mode) == 0o600


def test_serve_speaks_tls_under_the_kitchens_own_name(tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path / 'kitchen.db'}"
    migrate(address, at=NOW)
    with served(address, tmp_path, ports=1, options=("--tls", "--name", "kitchen.test")) as (url,):
        trusting = ssl.create_default_context(cafile=tmp_path / "tls" / "authority.pem")
        port = int(url.rsplit(":", 1)[1])
        with (
            socket.create_connection(("127.0.0.1", port)) as raw,
            trusting.wrap_socket(raw, server_hostname="kitchen.test") as secured,
        ):
            assert secured.version() in ("TLSv1.2", "TLSv1.3")
        with (
            socket.create_connection(("127.0.0.1", port)) as raw,
            pytest.raises(ssl.SSLCertVerificationError),
        ):
            trusting.wrap_socket(raw, server_hostname="elsewhere.test")
