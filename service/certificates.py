"""A local authority: certificates for a kitchen's own name, without the outside world.

Tablets work offline and use their camera only in a secure context, so the service must speak
TLS under the name that they know it by, and no public authority gives a certificate for
`kitchen.local`. Fishhouse makes an authority of its own, once, and signs with it. Installed on
a tablet, it can vouch for the names it was made for and for no others (RFC 5280, 4.2.1.10,
name constraints): a stolen key opens no other door.

Source of the forms: RFC 5280. Of the lengths: 825 days is the longest that tablets accept of a
server's certificate from an authority that somebody installed (from memory).
"""

import ipaddress
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

AUTHORITY_LASTS, SERVER_LASTS = timedelta(days=3650), timedelta(days=825)
RENEWED_BEFORE, CLOCKS_DIFFER = timedelta(days=60), timedelta(days=1)


@dataclass(frozen=True)
class Certificates:
    """Where the files are: the authority to install on tablets, what the service speaks with."""

    authority: Path
    server: Path
    key: Path
    fingerprint: str
    """SHA-256 of the authority, to compare before it is installed."""


def local_certificates(folder: Path, names: Sequence[str], *, at: datetime) -> Certificates:
    """Certificates for these names, made or renewed where needed.

    names : host names and IP addresses that tablets reach the service by.

    The authority is made once. Raises ValueError for a name that it was not made for: it would
    have to be made, and installed on every tablet, anew.
    """
    folder.mkdir(parents=True, exist_ok=True)
    files = {part: folder / f"{part}.pem" for part in ("authority", "authority-key", "server")}
    key_file = folder / "server-key.pem"
    if not files["authority"].exists():
        _make_authority(files["authority"], files["authority-key"], names, at)
    authority = x509.load_pem_x509_certificate(files["authority"].read_bytes())
    _ensure_vouches(authority, names, folder)
    if not _good_for(files["server"], names, at):
        _make_server(files, key_file, authority, names, at)
    digest = authority.fingerprint(hashes.SHA256()).hex(":").upper()
    return Certificates(files["authority"], files["server"], key_file, digest)


def _make_authority(file: Path, key_file: Path, names: Sequence[str], at: datetime) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Fishhouse of {names[0]}")])
    made = (
        _certificate(name, name, key, at, AUTHORITY_LASTS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_use(signs=True), critical=True)
        .add_extension(
            x509.NameConstraints([_permitted(name) for name in names], _excluded(names)),
            critical=True,
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    _write_secret(key_file, key)
    file.write_bytes(made.public_bytes(serialization.Encoding.PEM))


def _make_server(
    files: dict[str, Path],
    key_file: Path,
    authority: x509.Certificate,
    names: Sequence[str],
    at: datetime,
) -> None:
    loaded = serialization.load_pem_private_key(files["authority-key"].read_bytes(), password=None)
    assert isinstance(loaded, ec.EllipticCurvePrivateKey)
    key = ec.generate_private_key(ec.SECP256R1())
    called = f"Fishhouse at {names[0]}"  # not read as a host name: an address is none
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, called)])
    lasts = min(SERVER_LASTS, authority.not_valid_after_utc - at)
    made = (
        _certificate(subject, authority.subject, key, at, lasts)
        .add_extension(x509.SubjectAlternativeName([_general(n) for n in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_use(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(loaded.public_key()), critical=False
        )
        .sign(loaded, hashes.SHA256())
    )
    _write_secret(key_file, key)
    chain = (made, authority)
    files["server"].write_bytes(
        b"".join(one.public_bytes(serialization.Encoding.PEM) for one in chain)
    )


def _certificate(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    at: datetime,
    lasts: timedelta,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(at - CLOCKS_DIFFER)  # a tablet's clock may be behind
        .not_valid_after(at + lasts - CLOCKS_DIFFER)
    )


def _use(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs,
        key_cert_sign=signs,
        crl_sign=signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _permitted(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_network(name))
    except ValueError:
        return x509.DNSName(name)


def _excluded(names: Sequence[str]) -> list[x509.GeneralName] | None:
    """Every name of a kind that none of these is: what is permitted limits its own kind only."""
    kinds = {type(_general(name)) for name in names}
    excluded: list[x509.GeneralName] = []
    if x509.DNSName not in kinds:
        excluded.append(x509.DNSName(""))
    if x509.IPAddress not in kinds:
        excluded += [x509.IPAddress(ipaddress.ip_network(all_)) for all_ in ("0.0.0.0/0", "::/0")]
    return excluded or None


def _ensure_vouches(authority: x509.Certificate, names: Sequence[str], folder: Path) -> None:
    limits = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    permitted = list(limits.permitted_subtrees or ())
    missing = [name for name in names if _permitted(name) not in permitted]
    if missing:
        made_for = ", ".join(str(one.value) for one in permitted)
        raise ValueError(
            f"The authority in {folder} was made for {made_for}, not for {', '.join(missing)}. "
            "Name only those, or delete that folder: a new authority is made then, which has to "
            "be installed on every tablet."
        )


def _good_for(file: Path, names: Sequence[str], at: datetime) -> bool:
    """Whether a server's certificate names these and lasts long enough."""
    if not file.exists():
        return False
    found = x509.load_pem_x509_certificate(file.read_bytes())
    named = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return set(named) == {_general(name) for name in names} and (
        found.not_valid_after_utc - at > RENEWED_BEFORE
    )


def _write_secret(file: Path, key: ec.EllipticCurvePrivateKey) -> None:
    """A key that only its owner reads."""
    text = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as opened:
        opened.write(text)
