"""`underlid check`: is everything wired, and what does a given message become? Changes nothing."""

import contextlib
import json
import os
import shutil
import ssl
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from http.client import HTTPException
from pathlib import Path

from underlid.address import BrokerAddress, is_loopback
from underlid.clock import Clock
from underlid.ground import StartError, check_certificate, listen, nobody_known
from underlid.intake.decode import Message
from underlid.intake.intake import TOPICS
from underlid.intake.trial import BrokerTrialError, visit
from underlid.notify.targets import check_urls
from underlid.settings import Settings, split_address
from underlid.store.look import has_credentials, look, look_at_server
from underlid.store.readings import StoreError, sqlite_file

FREE_BYTES = 200 * 1024 * 1024  # a year of a dozen probes, and the journals
_MOST_BYTES = 64 * 1024  # of what a service says of itself
_EARLIEST_YEAR, _LATEST_YEAR = 2025, 2099


class WrongError(Exception):
    """What is wrong with a part, and what to do."""


@dataclass(frozen=True, slots=True)
class Found:
    part: str
    is_ok: bool
    words: str


def check_all(settings: Settings, clock: Clock) -> Iterator[Found]:
    """Look at each part in turn."""
    runs = _is_at_work(settings.data_dir)
    parts: dict[str, Callable[[], str]] = {
        "settings": lambda: _settings(settings),
        "data": lambda: _data_dir(settings.data_dir, runs),
        "readings": lambda: _store(settings.readings_url),
        "catalogue": lambda: _store(settings.catalogue_url),
        "broker": lambda: _broker(settings, runs),
        "screens": lambda: _screens(settings, runs),
        "clock": lambda: _clock(clock()),
        "notify": lambda: _notify(settings),
    }
    for part, examine in parts.items():
        try:
            yield Found(part, True, examine())
        except WrongError as error:
            yield Found(part, False, str(error))


def describe(topic: str, message: Message) -> list[str]:
    """What a message becomes, a line for each reading."""
    lines = []
    if message.status is not None:
        probe_id, online = message.status
        lines.append(f"{probe_id} says that it is {'online' if online else 'offline'}")
    for probe_id, sample in message.readings:
        at = datetime.fromtimestamp(sample.time_ms / 1000, UTC).isoformat(timespec="milliseconds")
        lines.append(
            f"{probe_id}  {sample.channel}  {sample.quantity}  {sample.value:.10g} {sample.unit}  "
            f"{at.replace('+00:00', 'Z')}{' (by arrival)' if sample.by_arrival else ''}"
        )
    if not lines and not message.problems:
        lines.append(f"nothing: {topic} is no probe's topic, and no mapping in the settings takes it")
    return lines


def _is_at_work(folder: Path) -> bool:
    """Whether a service holds the data directory."""
    if sys.platform == "win32":
        return False
    import fcntl

    try:
        with (folder / "underlid.lock").open() as lock:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        pass
    return False


def _settings(settings: Settings) -> str:
    maps = len(settings.mappings)
    return f"understood; {maps} mapping{'' if maps == 1 else 's'} of other devices' topics"


def _data_dir(folder: Path, runs: bool) -> str:
    nearest = next(parent for parent in (folder, *folder.absolute().parents) if parent.exists())
    if not nearest.is_dir() or not os.access(nearest, os.W_OK | os.X_OK):
        raise WrongError(
            f"{nearest} can't be written; give another folder with data_dir, or the rights to it"
        )
    free = shutil.disk_usage(nearest).free
    if free < FREE_BYTES:
        raise WrongError(
            f"{nearest} has {free / 1e6:.0f} MB of room left; make at least {FREE_BYTES / 1e6:.0f} MB"
        )
    word = "a service is at work on it" if runs else "ready" if folder.exists() else "will be made"
    return f"{folder}, {word}, {free / 1e9:.1f} GB free"


def _store(url: str) -> str:
    if not url.startswith("sqlite:"):
        try:
            return look_at_server(url)
        except StoreError as error:
            raise WrongError(f"{error}; start the server, or correct the address") from error
    file = sqlite_file(url)
    if not file.exists():
        return f"{file} will be made"
    try:
        look(file)
    except StoreError as error:
        raise WrongError(f"{error}; restore it from a backup, or use the program that wrote it") from error
    return f"{file}, {file.stat().st_size / 1e6:.1f} MB"


def _broker(settings: Settings, runs: bool) -> str:
    topics = (*TOPICS, *settings.mapped_topics)
    host, port = split_address(settings.broker)
    if settings.mqtt is not None:
        address = BrokerAddress.from_url(settings.mqtt.get_secret_value(), settings.mqtt_ca)
        _visit(address, topics)
        return f"{address} takes our subscription to {', '.join(topics)}"
    if not is_loopback(host) and not settings.broker_users and not _has_credentials(settings):
        raise WrongError(nobody_known(settings))
    if not runs:
        _free(settings.broker, "broker", settings)
        return f"the embedded one will listen at {settings.broker}"
    if (
        is_loopback(host) and not settings.broker_users
    ):  # else one needs a password, and those are the probes'
        _visit(BrokerAddress(host, port), ())
    return f"the embedded one of the service at work, at {settings.broker}"


def _has_credentials(settings: Settings) -> bool:
    try:
        return has_credentials(settings.catalogue_url)
    except StoreError:  # that part says so itself
        return False


def _visit(address: BrokerAddress, topics: tuple[str, ...]) -> None:
    try:
        visit(address, topics)
    except BrokerTrialError as error:
        raise WrongError(f"{address}: {error}") from error


def _screens(settings: Settings, runs: bool) -> str:
    if "web" not in settings.parts:
        return "not among the parts that this process runs"
    address = f"{'https' if settings.tls_cert else 'http'}://{settings.http}"
    try:
        check_certificate(settings)
    except StartError as error:
        raise WrongError(str(error)) from error
    if not runs:
        _free(settings.http, "http", settings)
        return f"will be at {address}"
    try:
        parts = _asked(settings, address.partition("://")[0])
    except OSError as error:
        raise WrongError(f"{address}/healthz: {error}; see the service's log") from error
    if parts is None:
        raise WrongError(f"{address} answers, but not as Underlid does; give another port with http")
    if parts:
        raise WrongError(f"{address} answers; not well is {'; '.join(parts)}; see the service's log")
    return f"{address} answers and is well"


def _asked(settings: Settings, scheme: str) -> list[str] | None:
    """What is not well of the service at the screens' address, with what it says of it to whoever may know.

    None where no Underlid answers. Raises OSError where nobody does.
    """
    host, port = split_address(settings.http)
    inside = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(host, f"[{host}]" if ":" in host else host)
    # Its certificate is for other names than this one; asked is only how it is.
    trust = ssl.create_default_context()
    trust.check_hostname, trust.verify_mode = False, ssl.CERT_NONE
    try:
        with urllib.request.urlopen(
            f"{scheme}://{inside}:{port}/healthz", timeout=5, context=trust
        ) as answer:
            body = answer.read(_MOST_BYTES)
    except urllib.error.HTTPError as error:
        body = error.read(_MOST_BYTES)
    except HTTPException:
        return None
    try:
        told = json.loads(body)
        words = {name: str(told["parts"][name]) for name in told["not_well"]}
    except (ValueError, KeyError, TypeError):
        return None
    return [name if said == "not well" else f"{name} ({said})" for name, said in words.items()]


def _is_underlid(settings: Settings) -> bool:
    """Whether one answers at the screens' address."""
    for scheme in ("http", "https"):
        with contextlib.suppress(OSError):
            if _asked(settings, scheme) is not None:
                return True
    return False


def _free(address: str, setting: str, settings: Settings) -> None:
    try:
        with listen(address):
            pass
    except StartError as error:
        if _is_underlid(settings):
            raise WrongError(
                f"{address}: an Underlid is at work here, on another data directory than {settings.data_dir}; "
                f"give its --data-dir to look at that one, or another port with {setting}"
            ) from error
        reason = error.__cause__.strerror if isinstance(error.__cause__, OSError) else error
        raise WrongError(f"{address}: {reason}; free the port or give another with {setting}") from error


def _clock(now_ms: int) -> str:
    now = datetime.fromtimestamp(now_ms / 1000, UTC)
    if not _EARLIEST_YEAR <= now.year <= _LATEST_YEAR:
        raise WrongError(f"this computer's clock says {now:%Y-%m-%d}; set it, best by NTP")
    return f"{now:%Y-%m-%d %H:%M:%S} UTC"


def _notify(settings: Settings) -> str:
    urls = [target.url.get_secret_value() for target in settings.notify]
    if not urls:
        return "no targets: alarms show on the screens alone; give Apprise URLs with notify"
    if wrong := check_urls(urls):
        raise WrongError(wrong.removeprefix("notify: "))
    return f"{len(urls)} target{'s' if len(urls) > 1 else ''} understood; no message was sent"
