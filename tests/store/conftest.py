"""Servers for the tests of the stores, one of each for the whole run, and a database of its own for each test."""

from collections.abc import Iterator
from itertools import count

import pytest
from tests.store import servers

NUMBER = count()


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[servers.Postgres]:
    if servers.POSTGRES_BIN is None:
        pytest.skip("no PostgreSQL on this machine; install Debian's package postgresql")
    with servers.postgres() as server:
        yield server


@pytest.fixture(scope="session")
def influx_server() -> Iterator[servers.Influx]:
    if servers.INFLUXD is None:
        pytest.skip("no InfluxDB on this machine; install Debian's package influxdb")
    with servers.influx() as server:
        yield server


@pytest.fixture(scope="session")
def victoria_server() -> Iterator[servers.Influx]:
    if servers.VICTORIA is None:
        pytest.skip("no victoria-metrics on this machine; install Debian's package of that name")
    with servers.victoria() as server:
        yield server


@pytest.fixture
def postgres_url(postgres_server: servers.Postgres) -> str:
    name = f"test_{next(NUMBER)}"
    postgres_server.sql(f"CREATE DATABASE {name}")
    return postgres_server.url(name)


@pytest.fixture
def influx_url(influx_server: servers.Influx) -> str:
    return f"influx://127.0.0.1:{influx_server.port}/test_{next(NUMBER)}"
