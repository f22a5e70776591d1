"""Accounts, sessions, tokens and invitations: of every secret its digest or hash alone."""

from dataclasses import dataclass

from sqlalchemy import Connection, Row, delete, func, insert, or_, select, update

from underlid.store import tables

account, session, token, invitation = tables.account, tables.session, tables.token, tables.invitation


@dataclass(frozen=True, slots=True)
class Account:
    id: int
    name: str
    role: str
    hash: str
    made_ms: int
    signed_in_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Session:
    digest: bytes
    account_id: int
    made_ms: int
    seen_ms: int


@dataclass(frozen=True, slots=True)
class Token:
    """`role` is what it may do at most; it ends at `until_ms`."""

    id: int
    name: str
    role: str
    made_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Invitation:
    """Good once, until `until_ms`: for a new account of the role, or for a new password of an account."""

    digest: bytes
    role: str
    account_id: int | None
    until_ms: int


def name_key(name: str) -> str:
    """Two names with the same key are the same name."""
    return name.casefold()


def accounts(connection: Connection) -> list[Account]:
    """All, oldest first."""
    return [_account(row) for row in connection.execute(select(account).order_by(account.c.id))]


def by_id(connection: Connection, account_id: int) -> Account | None:
    row = connection.execute(select(account).where(account.c.id == account_id)).one_or_none()
    return _account(row) if row else None


def by_name(connection: Connection, name: str) -> Account | None:
    row = connection.execute(select(account).where(account.c.name_key == name_key(name))).one_or_none()
    return _account(row) if row else None


def count(connection: Connection, role: str) -> int:
    query = select(func.count()).select_from(account).where(account.c.role == role)
    return connection.execute(query).scalar() or 0


def add_account(connection: Connection, name: str, role: str, hash_: str, now_ms: int) -> Account:
    values = {"name": name, "name_key": name_key(name), "role": role, "hash": hash_, "made_ms": now_ms}
    return _account(connection.execute(insert(account).values(values).returning(account)).one())


def change_account(connection: Connection, account_id: int, **values: str | int) -> None:
    """Set `role`, `hash` or `signed_in_ms`."""
    connection.execute(update(account).where(account.c.id == account_id).values(values))


def remove_account(connection: Connection, account_id: int) -> None:
    """With its sessions and whatever would set its password."""
    end_sessions(connection, account_id)
    connection.execute(delete(invitation).where(invitation.c.account_id == account_id))
    connection.execute(delete(account).where(account.c.id == account_id))


def add_session(connection: Connection, new: Session) -> None:
    connection.execute(
        insert(session).values(
            digest=new.digest, account_id=new.account_id, made_ms=new.made_ms, seen_ms=new.seen_ms
        )
    )


def session_of(connection: Connection, digest: bytes) -> tuple[Session, Account] | None:
    query = select(session, account).join(account, account.c.id == session.c.account_id)
    row = connection.execute(query.where(session.c.digest == digest)).one_or_none()
    if row is None:
        return None
    return Session(*row[:4]), Account(row[4], row[5], row[7], row[8], row[9], row[10])


def seen(connection: Connection, digest: bytes, now_ms: int) -> None:
    connection.execute(update(session).where(session.c.digest == digest).values(seen_ms=now_ms))


def end_session(connection: Connection, digest: bytes) -> None:
    connection.execute(delete(session).where(session.c.digest == digest))


def end_sessions(connection: Connection, account_id: int, but: bytes = b"") -> None:
    """Sign an account out everywhere, or everywhere but in one session."""
    connection.execute(delete(session).where(session.c.account_id == account_id, session.c.digest != but))


def forget_sessions(connection: Connection, made_before_ms: int, seen_before_ms: int) -> None:
    """Those that hold no longer."""
    connection.execute(
        delete(session).where(or_(session.c.made_ms < made_before_ms, session.c.seen_ms < seen_before_ms))
    )


def tokens(connection: Connection) -> list[Token]:
    """All, oldest first."""
    return [_token(row) for row in connection.execute(select(token).order_by(token.c.id))]


def token_of(connection: Connection, digest: bytes) -> Token | None:
    row = connection.execute(select(token).where(token.c.digest == digest)).one_or_none()
    return _token(row) if row else None


def add_token(
    connection: Connection, name: str, digest: bytes, role: str, now_ms: int, until_ms: int
) -> Token:
    values = {"name": name, "digest": digest, "role": role, "made_ms": now_ms, "until_ms": until_ms}
    return _token(connection.execute(insert(token).values(values).returning(token)).one())


def remove_token(connection: Connection, token_id: int) -> None:
    connection.execute(delete(token).where(token.c.id == token_id))


def add_invitation(connection: Connection, new: Invitation) -> None:
    connection.execute(
        insert(invitation).values(
            digest=new.digest, role=new.role, account_id=new.account_id, until_ms=new.until_ms
        )
    )


def invitation_of(connection: Connection, digest: bytes) -> Invitation | None:
    row = connection.execute(select(invitation).where(invitation.c.digest == digest)).one_or_none()
    return Invitation(*row) if row else None


def invitations(connection: Connection, now_ms: int) -> list[Invitation]:
    """Those that can still be used, the earliest first to end."""
    good = select(invitation).where(invitation.c.until_ms > now_ms).order_by(invitation.c.until_ms)
    return [Invitation(*row) for row in connection.execute(good)]


def remove_invitation(connection: Connection, digest: bytes) -> None:
    connection.execute(delete(invitation).where(invitation.c.digest == digest))


def forget_invitations(connection: Connection, before_ms: int) -> None:
    connection.execute(delete(invitation).where(invitation.c.until_ms < before_ms))


def _account(row: Row[tuple[int, str, str, str, str, int, int | None]]) -> Account:
    return Account(row.id, row.name, row.role, row.hash, row.made_ms, row.signed_in_ms)


def _token(row: Row[tuple[int, str, bytes, str, int, int]]) -> Token:
    return Token(row.id, row.name, row.role, row.made_ms, row.until_ms)
