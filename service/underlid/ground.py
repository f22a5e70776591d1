"""What the service stands on: data directory, stores, web address, broker; each with a clear refusal."""

import asyncio
import contextlib
import secrets
import socket
import ssl
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import structlog

from underlid.address import BrokerAddress, is_loopback
from underlid.exchange.backup import RESTORING
from underlid.model import Farm
from underlid.settings import Settings, split_address
from underlid.store import catalogue, credentials
from underlid.store.ledger import Ledger
from underlid.store.look import has_farm
from underlid.store.opening import open_readings
from underlid.store.readings import Readings, Retention, StoreError
from underlid.store.url import shown

log = structlog.get_logger("underlid")


class StartError(Exception):
    """The service can't start: one line that says what, where and what would be right."""


@contextlib.contextmanager
def data_dir(folder: Path, *, restores: bool = False, is_shared: bool = False) -> Iterator[None]:
    """Make the data directory, and hold it, so that no second service works on the same files.

    Workers share it where no database is in it.

    One in which a restore was broken off is refused, but for another restore.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        lock = (folder / "underlid.lock").open("w")
    except OSError as error:
        raise StartError(
            f"data directory {folder}: {error.strerror}; give one that can be written with --data-dir"
        ) from error
    with lock:
        if sys.platform != "win32":
            import fcntl

            try:
                fcntl.flock(lock, (fcntl.LOCK_SH if is_shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
            except OSError as error:
                raise StartError(
                    f"data directory {folder}: another underlid is at work on it; stop that one, "
                    "or give another with --data-dir"
                ) from error
        if not restores:
            _refuse_half(folder)
        yield


def _refuse_half(folder: Path) -> None:
    if (folder / RESTORING).exists():
        raise StartError(
            f"data directory {folder}: a restore into it was broken off; finish it with underlid restore"
        )


@contextlib.contextmanager
def stores(settings: Settings) -> Iterator[tuple[Ledger, Readings]]:
    """Both stores of a farm. Raises StoreError, and StartError where a restore was broken off."""
    _refuse_half(settings.data_dir)
    ledger = Ledger(settings.catalogue_url)
    try:
        retention = Retention(settings.keep_raw_days, settings.keep_hourly_days)
        readings = open_readings(settings.readings_url, retention)
        try:
            yield ledger, readings
        finally:
            readings.close()
    finally:
        ledger.close()


def check_certificate(settings: Settings) -> None:
    """See that the screens' certificate and its key can be used. Raises StartError."""
    if settings.tls_cert is None or settings.tls_key is None:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(settings.tls_cert, settings.tls_key)
    except OSError as error:
        reason = error.strerror or str(error)
        raise StartError(
            f"tls_cert {settings.tls_cert} with tls_key {settings.tls_key}: {reason}; give the PEM files of a "
            "certificate and its key, readable by this user"
        ) from error


@contextlib.contextmanager
def listen(http: str, option: str = "--http") -> Iterator[socket.socket]:
    """Listen at HOST:PORT; `option` is what gives another. Raises StartError."""
    host, port = split_address(http)
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listening = socket.socket(family)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind((host, port))
            listening.listen()  # with SO_REUSEADDR, it is now that a port in use is found
        except OSError:
            listening.close()
            raise
    except OSError as error:
        raise StartError(
            f"screens and API at {http}: {error.strerror or error}; free the port or give another with {option}"
        ) from error
    with listening:
        yield listening


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is, and how to wait until it has handed over what it acknowledged to probes."""

    address: BrokerAddress
    drain: Callable[[float], Awaitable[object]]


@asynccontextmanager
async def broker(settings: Settings, ledger: Ledger) -> AsyncIterator[Broker]:
    """The given broker, else an embedded one that runs meanwhile and takes the probes in the ledger too."""
    if settings.mqtt is not None:
        address = BrokerAddress.from_url(settings.mqtt.get_secret_value(), settings.mqtt_ca)
        if settings.mqtt_ca is not None:
            try:
                ssl.create_default_context(cafile=settings.mqtt_ca)
            except OSError as error:
                reason = error.strerror or "no certificate in it"
                raise StartError(
                    f"mqtt_ca {settings.mqtt_ca}: {reason}; give the PEM file of the authority that signed "
                    "the broker's certificate"
                ) from error
        yield Broker(address, lambda _: asyncio.sleep(0))  # it keeps what was not taken
        return
    from underlid.intake.broker import BrokerPortError, embedded_broker
    from underlid.intake.embedded.rights import INTAKE_USER, hash_password

    host, port = split_address(settings.broker)
    if not is_loopback(host) and not settings.broker_users:
        with ledger.reading() as connection:
            if not credentials.credentials(connection):
                raise StartError(nobody_known(settings))
    users = {user: hash_password(secret.get_secret_value()) for user, secret in settings.broker_users.items()}
    password = secrets.token_urlsafe(24)
    async with contextlib.AsyncExitStack() as stack:
        try:
            running = await stack.enter_async_context(
                embedded_broker(
                    host,
                    port,
                    password,
                    users,
                    anonymous=is_loopback(host) and not users,
                    mapped_topics=settings.mapped_topics,
                    look_up=lambda probe_id: _hash_of(ledger, probe_id),
                )
            )
        except (BrokerPortError, ValueError) as error:
            raise StartError(str(error)) from error
        reach = (
            "this computer alone; for probes on the Wi-Fi set broker = 0.0.0.0:1883 and add them: underlid probe"
            if is_loopback(host)
            else "the network, for probes that were added and users in broker_users"
        )
        log.info("embedded broker listens", at=f"{running.host}:{running.port}", reach=reach)
        inside = "127.0.0.1" if host in ("0.0.0.0", "localhost") else "::1" if host == "::" else host
        yield Broker(BrokerAddress(inside, running.port, INTAKE_USER, password), running.drain)


def nobody_known(settings: Settings) -> str:
    """What is wrong with an embedded broker that listens beyond loopback when nobody has a password."""
    return (
        f"broker = {settings.broker} would take readings from anyone on the network; add a probe with "
        f"'underlid probe add NAME --data-dir {settings.data_dir}', or set broker_users, for example "
        'UNDERLID_BROKER_USERS=\'{"probes": "a long password"}\''
    )


def _hash_of(ledger: Ledger, probe_id: str) -> str | None:
    try:
        with ledger.reading() as connection:
            found = credentials.credential(connection, probe_id)
    except StoreError as error:
        log.error(
            "a probe can't be let in, as nobody can look up its password", probe=probe_id, reason=str(error)
        )
        return None
    return found.hash if found else None


def need_farm(settings: Settings) -> None:
    """Refuse, before anything is made, to work where no service has begun a farm, or on half of one.

    Raises ValueError, StoreError and StartError.
    """
    _refuse_half(settings.data_dir)
    url = settings.catalogue_url
    if not has_farm(url):
        where = settings.data_dir.absolute() if url.startswith("sqlite:") else shown(url)
        raise ValueError(
            f"there is no farm here yet ({where}); start the service once, or give its --data-dir"
        )


@contextlib.contextmanager
def farm_stores(settings: Settings) -> Iterator[tuple[Farm, Ledger, Readings]]:
    """The farm that is there, and its stores. Raises ValueError, StoreError and StartError."""
    need_farm(settings)
    with stores(settings) as (ledger, readings):
        with ledger.reading() as connection:
            farm = catalogue.farm(connection)
        assert farm is not None
        yield farm, ledger, readings


@contextlib.contextmanager
def farm_ledger(settings: Settings) -> Iterator[Ledger]:
    """The ledger of the farm that is there. Raises ValueError, StoreError and StartError."""
    need_farm(settings)
    ledger = Ledger(settings.catalogue_url)
    try:
        yield ledger
    finally:
        ledger.close()
