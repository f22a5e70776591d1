"""What probes sign in with at the broker: of each password its hash alone."""

from dataclasses import asdict, dataclass

from sqlalchemy import Connection, delete, insert, select

from underlid.store import tables


@dataclass(frozen=True, slots=True)
class Credential:
    """`hash` is what the embedded broker's `hash_password` gave; `mosquitto_dir` has the same user's files."""

    probe_id: str
    hash: str
    made_ms: int
    mosquitto_dir: str | None = None


def credentials(connection: Connection) -> list[Credential]:
    """All, oldest first."""
    table = tables.probe_credential
    rows = connection.execute(select(table).order_by(table.c.made_ms, table.c.probe_id))
    return [Credential(**row) for row in rows.mappings()]


def credential(connection: Connection, probe_id: str) -> Credential | None:
    table = tables.probe_credential
    row = connection.execute(select(table).where(table.c.probe_id == probe_id)).mappings().first()
    return Credential(**row) if row else None


def save_credential(connection: Connection, credential: Credential) -> None:
    """Keep it in place of the probe's former one."""
    remove_credential(connection, credential.probe_id)
    connection.execute(insert(tables.probe_credential).values(asdict(credential)))


def remove_credential(connection: Connection, probe_id: str) -> None:
    table = tables.probe_credential
    connection.execute(delete(table).where(table.c.probe_id == probe_id))
