"""Real database servers for tests and benchmarks: each started on a free port with an empty folder of its own."""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from conftest import free_port

START_WITHIN_S = 60
POSTGRES_BIN = next(iter(sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)), None)
INFLUXD = shutil.which("influxd")
VICTORIA = shutil.which("victoria-metrics")


@dataclass
class Server:
    """A server process that can be stopped, killed and started again on what it had."""

    command: list[str]
    port: int
    folder: Path
    user: str | None = None
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                self.command, cwd=self.folder, stdout=log, stderr=log, user=self.user, start_new_session=True
            )
        deadline = time.monotonic() + START_WITHIN_S
        while not self.is_up():
            if self.process.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError(f"{self.command[0]} does not answer: {(self.folder / 'log').read_text()}")
            time.sleep(0.05)

    def is_up(self) -> bool:
        with socket.socket() as trial:
            return trial.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self, kill: bool = False) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL if kill else signal.SIGQUIT)
            self.process.wait(30)
            self.process = None


class Postgres(Server):
    def url(self, database: str = "postgres") -> str:
        return f"postgresql://underlid@127.0.0.1:{self.port}/{database}"

    def is_up(self) -> bool:
        assert POSTGRES_BIN is not None
        asked = [str(POSTGRES_BIN / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port)]
        return subprocess.run(asked, check=False).returncode == 0

    def sql(self, statement: str, database: str = "postgres") -> str:
        command = ["psql", "-XAtq", "-v", "ON_ERROR_STOP=1", "-d", self.url(database), "-c", statement]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


class Influx(Server):
    """InfluxDB 1.x, or victoria-metrics, which takes the same line protocol."""

    def is_up(self) -> bool:
        path = "health" if "victoria" in self.command[0] else "ping"
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/{path}", timeout=2):
                return True
        except OSError:
            return False


@contextmanager
def _folder(user: str | None = None) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="underlid-", ignore_cleanup_errors=True) as name:
        if user is not None:
            shutil.chown(name, user)
        yield Path(name)


@contextmanager
def _running(server: Server) -> Iterator[None]:
    server.start()
    try:
        yield
    finally:
        server.stop()


@contextmanager
def postgres(*options: str) -> Iterator[Postgres]:
    """A PostgreSQL with data safe on disk, as it comes; run as another user, since it refuses to run as root."""
    assert POSTGRES_BIN is not None
    user = "postgres" if os.geteuid() == 0 and _is_user("postgres") else None
    with _folder(user) as folder:
        made = [
            str(POSTGRES_BIN / "initdb"),
            "-D",
            str(folder / "data"),
            "-U",
            "underlid",
            "-A",
            "trust",
            "--no-sync",
        ]
        subprocess.run([*made, "-E", "UTF8", "--locale=C.UTF-8"], check=True, capture_output=True, user=user)
        port = free_port()
        command = [str(POSTGRES_BIN / "postgres"), "-D", str(folder / "data"), "-p", str(port)]
        command += ["-c", "listen_addresses=127.0.0.1", "-c", f"unix_socket_directories={folder}"]
        for option in options:
            command += ["-c", option]
        server = Postgres(command, port, folder, user)
        with _running(server):
            yield server


@contextmanager
def influx(*data: str) -> Iterator[Influx]:
    """InfluxDB 1.x; `data` are more lines of its section of that name."""
    assert INFLUXD is not None
    with _folder() as folder:
        port, inner = free_port(), free_port()
        config = folder / "influxdb.conf"
        config.write_text(
            f'reporting-disabled = true\nbind-address = "127.0.0.1:{inner}"\n'
            f'[meta]\ndir = "{folder}/meta"\n'
            f'[data]\ndir = "{folder}/data"\nwal-dir = "{folder}/wal"\nquery-log-enabled = false\n'
            + "".join(f"{line}\n" for line in data)
            + f'[http]\nbind-address = "127.0.0.1:{port}"\nlog-enabled = false\n[monitor]\nstore-enabled = false\n'
            "[logging]\nlevel = 'warn'\n".replace("'", '"')
        )
        server = Influx([INFLUXD, "run", "-config", str(config)], port, folder)
        with _running(server):
            yield server


@contextmanager
def victoria() -> Iterator[Influx]:
    assert VICTORIA is not None
    with _folder() as folder:
        port = free_port()
        command = [VICTORIA, f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={folder}/data"]
        server = Influx([*command, "-retentionPeriod=100y", "-search.latencyOffset=0s"], port, folder)
        with _running(server):
            yield server


def _is_user(name: str) -> bool:
    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True
