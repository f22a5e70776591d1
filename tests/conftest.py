"""Real parts for the tests: a Mosquitto of their own, the service as a process of its own, a browser."""

import logging
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest
from pcodec.standalone import simple_decompress

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
START_WITHIN_S = 60


_given: set[int] = set()


def free_port() -> int:
    """A port that nothing listens at, and none that was given before, as the system may."""
    while True:
        with socket.socket() as trial:
            trial.bind(("127.0.0.1", 0))
            port: int = trial.getsockname()[1]
        if port not in _given:
            _given.add(port)
            return port


def wait_for(is_so: Callable[[], bool], what: str, within_s: float = 30) -> None:
    """Wait until something is so; fails with what did not come about."""
    deadline = time.monotonic() + within_s
    while not is_so():
        if time.monotonic() > deadline:
            pytest.fail(f"{what}: not within {within_s:.0f} s")
        time.sleep(0.05)


def count_readings(file: Path) -> int:
    """How many readings a file of SQLite holds, as rows and sealed."""
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as connection:
        query = "SELECT (SELECT count(*) FROM reading) + (SELECT coalesce(sum(count), 0) FROM block)"
        return int(connection.execute(query).fetchone()[0])


def readings_in(file: Path, channel: int) -> list[tuple[int, float]]:
    """Time (ms) and value of every reading of a channel, in order of time."""
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as connection:
        connection.execute("BEGIN")
        found = connection.execute(
            "SELECT time_ms, value FROM reading WHERE channel = ?", (channel,)
        ).fetchall()
        for times, value in connection.execute(
            "SELECT times, value FROM block WHERE channel = ?", (channel,)
        ):
            found += zip(simple_decompress(times).tolist(), simple_decompress(value).tolist(), strict=True)
    return sorted(found)


def channels_in(file: Path) -> list[int]:
    """The channels that have readings."""
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as connection:
        rows = connection.execute("SELECT channel FROM reading UNION SELECT channel FROM block")
        return sorted(row[0] for row in rows)


@dataclass
class Mosquitto:
    """A broker that keeps its sessions on disk, so that it can be killed and started again."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        config = self.folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.port} 127.0.0.1\nuser root\nallow_anonymous true\npersistence true\n"
            f"persistence_location {self.folder}/\nautosave_interval 1\nmax_queued_messages 0\n"
            "max_inflight_messages 0\n"
        )
        assert MOSQUITTO is not None
        command = [MOSQUITTO, "-c", str(config)]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_for(self._answers, "Mosquitto")

    def _answers(self) -> bool:
        with socket.socket() as trial:
            return trial.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self, kill: bool = False) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL if kill else signal.SIGTERM)
            self.process.wait(10)
            self.process = None


@pytest.fixture(autouse=True)
def log_put_back() -> Iterator[None]:
    """A command run within the test sets up the log on a standard error that ends with the test."""
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    root.handlers[:] = handlers
    root.setLevel(level)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    if MOSQUITTO is None:
        pytest.skip("no mosquitto on this machine; install Debian's package mosquitto")
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.start()
    yield broker
    broker.stop()


@dataclass
class Service:
    """`underlid serve` as a process of its own, on free ports and an empty data directory."""

    data_dir: Path
    options: list[str] = field(default_factory=list)
    environment: dict[str, str] = field(default_factory=dict)
    command: str = "serve"
    access: str = "open"
    http_port: int = field(default_factory=free_port)
    mqtt_port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.http_port}"

    @property
    def log(self) -> str:
        return self._log_file.read_text()

    @property
    def _log_file(self) -> Path:
        return self.data_dir.with_suffix(".log")

    def start(self, wait: bool = True) -> None:
        command = [sys.executable, "-m", "underlid", self.command, "--data-dir", str(self.data_dir)]
        command += ["--access", self.access]
        command += ["--http", f"127.0.0.1:{self.http_port}", "--broker", f"127.0.0.1:{self.mqtt_port}"]
        clean = {name: value for name, value in os.environ.items() if not name.startswith("UNDERLID_")}
        with self._log_file.open("ab") as log:
            self.process = subprocess.Popen(
                [*command, *self.options], stdout=log, stderr=log, env={**clean, **self.environment}
            )
        if wait:
            wait_for(self._is_up, "the service", START_WITHIN_S)

    def _is_up(self) -> bool:
        assert self.process is not None
        if self.process.poll() is not None:
            pytest.fail(f"the service ended with {self.process.returncode}:\n{self.log}")
        try:
            state: str = httpx.get(f"{self.url}/healthz", timeout=2).json()["parts"]["broker"]
            return state.startswith("connected")
        except httpx.TransportError:
            return False

    def stop(self) -> int:
        """End it as systemd would; gives its exit status."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        status = self.process.wait(20)
        self.process = None
        return status

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.process = None

    def api(self, method: str, path: str, **body: object) -> dict[str, object]:
        """Call the API; fails on anything but success."""
        json = body or None
        answer = httpx.request(method, f"{self.url}/api/v1{path}", json=json, timeout=20)
        assert answer.is_success, answer.text
        result: dict[str, object] = answer.json()
        return result

    def items(self, path: str) -> list[dict[str, object]]:
        found = self.api("GET", path)["items"]
        assert isinstance(found, list)
        return found


@contextmanager
def started(service: Service) -> Iterator[Service]:
    """Runs a service for the time of a block."""
    try:
        service.start()
        yield service
    finally:
        if service.process is not None:
            service.kill()


MakeService = Callable[..., Service]


@pytest.fixture
def make_service(tmp_path: Path) -> Iterator[MakeService]:
    """A factory of services, not yet started; those still running at the end are killed."""
    made: list[Service] = []

    def make(*options: str, **environment: str) -> Service:
        service = Service(tmp_path / f"data-{len(made)}", list(options), environment)
        made.append(service)
        return service

    yield make
    for service in made:
        if service.process is not None:
            service.kill()


@pytest.fixture
def service(make_service: MakeService) -> Service:
    """A running service with its embedded broker."""
    started = make_service()
    started.start()
    return started
