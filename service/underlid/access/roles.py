"""What somebody may do. Each role may do what the ones before it may."""

from dataclasses import dataclass
from enum import StrEnum


class Role(StrEnum):
    """`viewer` looks, `keeper` also changes the farm, `owner` also people, tokens and what replaces data."""

    VIEWER = "viewer"
    KEEPER = "keeper"
    OWNER = "owner"

    def may(self, needed: "Role") -> bool:
        return _RANK[self] >= _RANK[needed]


_RANK = {role: rank for rank, role in enumerate(Role)}


@dataclass(frozen=True, slots=True)
class Who:
    """Somebody who was let in: by a session of an account, or by a token (then without an account)."""

    name: str
    role: Role
    account_id: int | None = None
    session: bytes | None = None  # its digest


ANYBODY = Who("keeper", Role.OWNER)  # where no sign-in is asked for
