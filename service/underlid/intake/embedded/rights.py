"""Who may connect to the embedded broker, and what each may publish and read."""

import base64
import hashlib
import hmac
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from underlid.intake.wire.topics import covers, matches

INTAKE_USER = "underlid-intake"
PROBES_USER = "probes"
PROBE_TOPICS = "underlid/probe/#"
STATE_TOPICS = ("underlid/bin/#", "underlid/feed-store/#")

_SCRYPT_LOG_N, _SCRYPT_R, _SCRYPT_P = 14, 8, 1  # 16 MiB and some 40 ms a check


@dataclass(frozen=True, slots=True)
class Principal:
    """Somebody who was let in. `publish` and `read` are topic filters.

    `credential` is the hash that a probe was let in by where it can be taken back meanwhile.
    """

    name: str
    publish: tuple[str, ...]
    read: tuple[str, ...]
    credential: str | None = None

    @property
    def is_service(self) -> bool:
        return self.name == INTAKE_USER

    def may_publish(self, topic: str) -> bool:
        """What Underlid says of bins and stores is for Underlid to say, however wide a mapping is."""
        if not self.is_service and topic.startswith("underlid/") and not matches(topic, PROBE_TOPICS):
            return False
        return any(matches(topic, allowed) for allowed in self.publish)

    def may_read(self, topic_filter: str) -> bool:
        return any(covers(allowed, topic_filter) for allowed in self.read)


class Rights:
    """Decides who is let in.

    - The service's own user may publish and read everything.
    - The user `probes` may publish for every probe and to the mapped topics: one password for all.
    - Any other user is a probe of that name and may publish to its own two topics, or a reader.
    - Without a name, where that is allowed: as `probes`.

    Users are given at the start. Probes that are none of them are looked up each time they come, so that
    one that was added or removed meanwhile is let in or kept out at once.

    All may read the state of bins and feed stores; nobody but the service reads what probes say.
    """

    def __init__(
        self,
        intake_password: str,
        users: Mapping[str, str],
        anonymous: bool,
        mapped_topics: Sequence[str] = (),
        look_up: Callable[[str], str | None] = lambda _: None,
    ) -> None:
        """Take `users` as name -> what `hash_password` gave. Raises ValueError for anything else.

        `look_up` gives the same for a probe that was added, or None; any thread may call it.
        """
        for name, hashed in users.items():
            if name == INTAKE_USER:
                raise ValueError(f"the MQTT user name {INTAKE_USER} belongs to the service; choose another")
            if not name or set(name) & set("/+#"):
                raise ValueError(
                    f"the MQTT user name {name!r} stands in topics: it cannot be empty or hold / + #"
                )
            _parts(name, hashed)
        self._intake_password = intake_password.encode()
        self._users = dict(users)
        self._anonymous = anonymous
        self._look_up = look_up
        self._all_probes = (PROBE_TOPICS, *mapped_topics)

    def admit(self, user: str | None, password: bytes) -> Principal | None:
        """Give who this is, or None when name and password do not fit. A user's check takes some 40 ms."""
        if user is None:
            return Principal("", self._all_probes, STATE_TOPICS) if self._anonymous else None
        if user == INTAKE_USER:
            fits = hmac.compare_digest(password, self._intake_password)
            return Principal(user, ("#",), ("#",)) if fits else None
        if hashed := self._users.get(user):
            added = None
        else:
            hashed = added = self._look_up(user)
        if hashed is None or not _fits(user, hashed, password):
            return None
        own = f"underlid/probe/{user}"
        topics = self._all_probes if user == PROBES_USER and not added else (own, f"{own}/status")
        return Principal(user, topics, STATE_TOPICS, added)

    def holds(self, principal: Principal) -> bool:
        """Whether somebody who was let in would still be by the same password."""
        return principal.credential is None or self._look_up(principal.name) == principal.credential


def hash_password(password: str) -> str:
    """Give what may be kept of a password: scrypt (RFC 7914) with its costs and a random salt."""
    salt = os.urandom(16)
    digest = _scrypt(password.encode(), salt, _SCRYPT_LOG_N, _SCRYPT_R, _SCRYPT_P)
    salted = "$".join(base64.b64encode(part).decode() for part in (salt, digest))
    return f"scrypt${_SCRYPT_LOG_N}${_SCRYPT_R}${_SCRYPT_P}${salted}"


def _scrypt(password: bytes, salt: bytes, log_n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(
        password, salt=salt, n=1 << log_n, r=r, p=p, maxmem=(1 << log_n) * r * 256, dklen=32
    )


def _parts(name: str, hashed: str) -> tuple[int, int, int, bytes, bytes]:
    try:
        scheme, log_n, r, p, salt, digest = hashed.split("$")
        if scheme != "scrypt" or not 0 < int(log_n) <= 20 or not 0 < int(r) <= 32 or not 0 < int(p) <= 16:
            raise ValueError(scheme)
        return int(log_n), int(r), int(p), base64.b64decode(salt, validate=True), base64.b64decode(digest)
    except ValueError:
        raise ValueError(f"MQTT user {name}: what stands for its password is not a hash of ours") from None


def _fits(name: str, hashed: str, password: bytes) -> bool:
    log_n, r, p, salt, digest = _parts(name, hashed)
    return hmac.compare_digest(_scrypt(password, salt, log_n, r, p), digest)
