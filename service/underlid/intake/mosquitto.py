"""The files of a Mosquitto for a farm: its configuration, passwords, rights and certificates, in one folder.

`passwords` has every user; from it and the mapped topics `acl` is made, so that the two can't drift apart.
Each file is replaced whole and only when it changes. `mosquitto.conf` is written once and then the keeper's.
"""

import base64
import contextlib
import hashlib
import os
import secrets
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from types import ModuleType

SERVICE_USER, READER_USER = "underlid", "reader"
SERVICE_PORT, PROBES_PORT = 1883, 8883
OWN_LINES = "# What is below this line is yours and stays."
RENEW_BEFORE = timedelta(days=90)

_ROUNDS, _SALT_BYTES = 101, 12  # what mosquitto_passwd 2.0 makes; the passwords here can't be guessed anyway


@dataclass(frozen=True, slots=True)
class Certificate:
    """The broker's: where it is reached (as last asked for, first) and until when it holds."""

    hosts: tuple[str, ...]
    until: datetime
    authority_until: datetime
    is_new: bool


def hash_password(password: str) -> str:
    """What stands for a password in `passwords`: PBKDF2 (RFC 8018) with HMAC-SHA-512, scheme 7."""
    salt = secrets.token_bytes(_SALT_BYTES)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS)
    return f"$7${_ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def users_in(folder: Path) -> dict[str, str]:
    """User -> hash from `passwords`; empty where there is no such file. Raises OSError."""
    file = folder / "passwords"
    lines = file.read_text("utf-8").splitlines() if file.exists() else []
    return {user: hashed for user, colon, hashed in (line.partition(":") for line in lines) if colon}


def write_users(folder: Path, users: Mapping[str, str], mapped_topics: Iterable[str]) -> None:
    """Write `passwords`, `acl` and, where there is none, `mosquitto.conf`. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    data = folder / "data"
    if not data.exists():
        data.mkdir(mode=0o700)
        _give_to_owner(data, folder)
    write(folder / "passwords", "".join(f"{user}:{hashed}\n" for user, hashed in users.items()), secret=True)
    acl = folder / "acl"
    _, _, own = (acl.read_text("utf-8") if acl.exists() else "").partition(f"{OWN_LINES}\n")
    write(acl, f"{_rights(users, mapped_topics)}{OWN_LINES}\n{own}", secret=True)
    if not (folder / "mosquitto.conf").exists():
        write(folder / "mosquitto.conf", _configuration(folder))


def certify(folder: Path, host: str | None, now: datetime, anew: bool = False) -> Certificate:
    """See that there is an authority and a certificate of the broker for `host` (None: as before).

    The certificate is made anew for another host, three months before its end, and when asked for.
    Raises OSError, and ValueError with one line.
    """
    folder.mkdir(parents=True, exist_ok=True)
    library = _authority()
    authority_file, key_file = folder / "ca.crt", folder / "ca.key"
    if not authority_file.exists():
        key, authority = library.make_authority(now)
        write(key_file, key, secret=True)
        write(authority_file, authority)
    authority = authority_file.read_bytes()
    file = folder / "broker.crt"
    try:
        write(folder / "ca.der", library.der(authority))
        present = file.read_bytes() if file.exists() and (folder / "broker.key").exists() else None
        hosts = library.hosts_of(present) if present else []
        wanted = [host, *(each for each in hosts if each != host)] if host else hosts
        if not wanted:
            raise ValueError("there is no certificate yet; give the broker's name or address with --host")
        if (
            anew
            or present is None
            or set(wanted) != set(hosts)
            or library.valid_until(present) - now < RENEW_BEFORE
            or not library.is_signed_by(present, authority)
        ):
            if not key_file.exists():
                raise ValueError(
                    "ca.key is needed to sign and is not there; put it back, or delete ca.crt too to begin "
                    "anew (every probe then needs the new ca.der)"
                )
            key, present = library.make_certificate(key_file.read_bytes(), authority, wanted, now)
            write(folder / "broker.key", key, secret=True)
            write(file, present)
            is_new = True
        else:
            is_new = False
        return Certificate(
            tuple(wanted), library.valid_until(present), library.valid_until(authority), is_new
        )
    except ValueError as error:
        raise ValueError(f"certificates in {folder}: {error}") from error


def _authority() -> "ModuleType":
    try:
        from underlid.intake import authority
    except ImportError as error:
        raise ValueError(
            "certificates need the package cryptography, which the extra tls brings: "
            "pip install 'underlid[tls]'"
        ) from error
    return authority


def _rights(users: Iterable[str], mapped_topics: Iterable[str]) -> str:
    lines = ["# Who may do what. Made from the file passwords; what is changed here by hand is lost.", ""]
    for user in users:
        lines.append(f"user {user}")
        if user == SERVICE_USER:
            lines += [f"topic read {each}" for each in ("underlid/probe/#", *mapped_topics)]
            lines.append("topic write underlid/#")
        elif user == READER_USER:
            lines += ["topic read underlid/bin/#", "topic read underlid/feed-store/#"]
        else:
            lines += [f"topic write underlid/probe/{user}", f"topic write underlid/probe/{user}/status"]
        lines.append("")
    return "\n".join(lines) + "\n"


def _configuration(folder: Path) -> str:
    return f"""\
# Mosquitto for Underlid: written once, yours to change.

# Underlid, on this computer.
listener {SERVICE_PORT} 127.0.0.1

# Probes and other automations, from anywhere the firewall lets through.
listener {PROBES_PORT}
certfile {folder / "broker.crt"}
keyfile {folder / "broker.key"}

allow_anonymous false
password_file {folder / "passwords"}
acl_file {folder / "acl"}
log_dest stderr

# What arrives while Underlid is away waits for it, also through a restart of the broker.
persistence true
persistence_location {folder / "data"}/
autosave_interval 60
max_queued_messages 500000
persistent_client_expiration 30d
"""


def write(file: Path, content: str | bytes, secret: bool = False) -> None:
    """Replace a file whole, or leave it where it is the same. Raises OSError.

    A secret one can be read by its owner alone: the folder's, where that may be given.
    """
    data = content.encode() if isinstance(content, str) else content
    mode = 0o600 if secret else 0o644
    if file.exists() and file.read_bytes() == data:
        file.chmod(mode)
        return
    number, name = tempfile.mkstemp(prefix=f".{file.name}-", dir=file.parent)  # 0600
    try:
        with open(number, "wb") as opened:  # noqa: PTH123  # a descriptor, not a path
            opened.write(data)
            opened.flush()
            os.fsync(number)
        Path(name).chmod(mode)
        _give_to_owner(Path(name), file.parent)
        Path(name).replace(file)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise


def _give_to_owner(path: Path, folder: Path) -> None:
    """Root writes for whom the folder belongs to, such as the user that Mosquitto runs as."""
    chown: Any = getattr(os, "chown", None)
    if chown is not None and os.geteuid() == 0:
        chown(path, folder.stat().st_uid, folder.stat().st_gid)
