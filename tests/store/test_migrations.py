"""From every version of the catalogue to the present one, with data in it, on both databases."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, MetaData, create_engine, insert, select, text

from underlid.store import alarms, catalogue, log
from underlid.store.ledger import MIGRATIONS, Ledger

VERSIONS = sorted(script.name[:4] for script in (MIGRATIONS / "versions").glob("[0-9]*.py"))
# What every version has; columns that are not named here are filled by their type.
ROWS: dict[str, dict[str, Any]] = {
    "farm": {"name": "Walled garden", "time_zone": "Europe/Vienna", "limits": {"temp_high_c": 27.5}},
    "place": {"id": "shed", "name": "Potting shed", "outdoors": False, "limits": {}},
    "bin": {"id": "alder", "name": "Alder", "place_id": "shed", "species": "eisenia-fetida", "limits": {}},
    "feed_store": {"id": "tub", "name": "Tub", "place_id": "shed", "limits": {}},
    "probe": {"id": "p1", "name": "Probe 1"},
    "channel": {"id": 1, "probe_id": "p1", "name": "moist", "unit": "%", "quantity": "moisture"},
    "placement": {"id": 1, "channel_id": 1, "subject_kind": "bin", "subject_id": "alder", "position": "top"},
    "log_entry": {"id": 1, "subject_kind": "bin", "subject_id": "alder", "kind": "wetted", "amount_l": 0.75},
    "alarm": {
        "id": 1,
        "subject_kind": "bin",
        "subject_id": "alder",
        "rule": "top-drying",
        "state": "unacknowledged",
        "finding": None,
    },
    "transition": {"id": 1, "alarm_id": 1, "before": "normal", "after": "unacknowledged", "cause": "raised"},
    "condition": {"subject_kind": "bin", "subject_id": "alder", "body": {"words": "dry"}},
    "outbox": {"id": 1, "key": "k1", "target": "mail", "title": "Alder: top is dry"},
    "quarantine": {"id": 1, "topic": "underlid/probe/p2", "digest": "d", "payload": b"\xff\x00"},
}


@pytest.fixture(params=["sqlite", "postgres"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "postgres":
        return str(request.getfixturevalue("postgres_url"))
    return f"sqlite:///{tmp_path / 'catalogue.db'}"


@pytest.fixture
def old(url: str) -> Iterator[Connection]:
    """A database without tables, as Alembic alone sees it."""
    engine = create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        yield connection
    engine.dispose()


def upgrade(connection: Connection, version: str) -> None:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    command.upgrade(config, version)


def fill(connection: Connection) -> dict[str, dict[str, Any]]:
    """A row for each table there is in that version; gives them as they are kept."""
    there = MetaData()
    there.reflect(connection)
    kept = {}
    for table in there.sorted_tables:
        given = ROWS.get(table.name)
        if given is None:
            continue
        values = {}
        for column in table.columns:
            if column.name in given:
                values[column.name] = given[column.name]
            elif (
                not column.nullable
                and column.server_default is None
                and not (column.primary_key and column.name == "id")
            ):
                kind = column.type.python_type
                values[column.name] = {bool: False, str: "", bytes: b"", int: 7, float: 0.5, dict: {}}[kind]
        connection.execute(insert(table).values(values))
        kept[table.name] = dict(connection.execute(select(table)).mappings().one())
    assert ROWS.keys() <= kept.keys()
    return kept


@pytest.mark.parametrize("version", VERSIONS)
def test_what_was_kept_in_a_version_is_there_in_the_present_one(
    url: str, old: Connection, version: str
) -> None:
    upgrade(old, version)
    before = fill(old)
    old.commit()
    ledger = Ledger(url)
    with ledger.reading() as connection:
        there = MetaData()
        there.reflect(connection)
        for name, row in before.items():
            after = dict(connection.execute(select(there.tables[name])).mappings().one())
            assert row == {column: after[column] for column in row}
        # and it is what the program understands
        [alder] = catalogue.bins(connection)
        assert (alder.name, alder.place_id) == ("Alder", "shed")
        [entry] = log.entries(connection, 0, 10)
        assert entry.amount_l == 0.75
        [alarm] = alarms.alarms(connection)
        assert [step.cause for step in alarms.history(connection, alarm)] == ["raised"]
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == VERSIONS[-1]
    ledger.close()
