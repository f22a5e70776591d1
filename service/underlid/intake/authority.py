"""A certificate authority for one broker, and that broker's certificate (RFC 5280; keys on the curve P-256).

Everything goes in and out as PEM bytes; whoever calls keeps the files. The probes know the authority alone, so
that the broker's certificate can be made anew without touching them.
"""

import ipaddress
from collections.abc import Sequence
from datetime import datetime, timedelta

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

AUTHORITY_DAYS = 3652
BROKER_DAYS = 825  # what the pickier clients take at most (from memory)
_CLOCKS_DIFFER = timedelta(days=1)  # between who signs and who checks


def make_authority(now: datetime) -> tuple[bytes, bytes]:
    """Give key and certificate of a new authority."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = _name(f"Underlid broker authority {now:%Y-%m-%d}")
    certificate = (
        _builder(name, name, key.public_key(), now, now + timedelta(days=AUTHORITY_DAYS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(key_cert_sign=True, crl_sign=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    return _pem(key), certificate.public_bytes(Encoding.PEM)


def make_certificate(
    authority_key: bytes, authority: bytes, hosts: Sequence[str], now: datetime
) -> tuple[bytes, bytes]:
    """Give key and certificate of a broker that is reached by any of `hosts`, names or addresses.

    Raises ValueError for an authority that can't be read or whose key is another's.
    """
    signer, issuer = load_pem_private_key(authority_key, None), x509.load_pem_x509_certificate(authority)
    if not isinstance(signer, ec.EllipticCurvePrivateKey) or signer.public_key() != issuer.public_key():
        raise ValueError("the key is not the one of the authority's certificate")
    key = ec.generate_private_key(ec.SECP256R1())
    until = min(now + timedelta(days=BROKER_DAYS), issuer.not_valid_after_utc)
    certificate = (
        _builder(_name(hosts[0][:64]), issuer.subject, key.public_key(), now, until)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(digital_signature=True), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(_alternatives(hosts)), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False
        )
        .sign(signer, hashes.SHA256())
    )
    return _pem(key), certificate.public_bytes(Encoding.PEM)


def hosts_of(certificate: bytes) -> list[str]:
    """Give the names and addresses that a broker's certificate is for. Raises ValueError."""
    read = x509.load_pem_x509_certificate(certificate)
    names = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return list(dict.fromkeys(str(each.value) for each in names))


def valid_until(certificate: bytes) -> datetime:
    return x509.load_pem_x509_certificate(certificate).not_valid_after_utc


def is_signed_by(certificate: bytes, authority: bytes) -> bool:
    try:
        read = x509.load_pem_x509_certificate(certificate)
        read.verify_directly_issued_by(x509.load_pem_x509_certificate(authority))
    except Exception:  # InvalidSignature is no ValueError
        return False
    return True


def der(certificate: bytes) -> bytes:
    return x509.load_pem_x509_certificate(certificate).public_bytes(Encoding.DER)


def _alternatives(hosts: Sequence[str]) -> list[x509.GeneralName]:
    names: list[x509.GeneralName] = []
    for host in hosts:
        try:
            names.append(x509.IPAddress(ipaddress.ip_address(host)))
        except ValueError:
            names.append(x509.DNSName(host))
        else:
            # Small TLS libraries on microcontrollers look for an address among the names only (from memory).
            names.append(x509.DNSName(host))
    return names


def _builder(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, now: datetime, until: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _CLOCKS_DIFFER)
        .not_valid_after(until)
    )


def _usage(
    digital_signature: bool = False, key_cert_sign: bool = False, crl_sign: bool = False
) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=digital_signature,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=key_cert_sign,
        crl_sign=crl_sign,
        encipher_only=False,
        decipher_only=False,
    )


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])


def _pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
