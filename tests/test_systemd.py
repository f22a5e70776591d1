"""What systemd is told, over a socket of its protocol (sd_notify(3)), and the unit that runs the service."""

import re
import shutil
import signal
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from conftest import MakeService, Service

UNIT = Path(__file__).parents[1] / "deploy" / "underlid.service"


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """Where systemd listens."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(60)
        yield listening


def started(make_service: MakeService, tmp_path: Path) -> Service:
    service = make_service(NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="400000")
    service.start(wait=False)
    return service


def until_silent(manager: socket.socket) -> list[bytes]:
    """What is told until nothing is for five times as long as a living service is silent."""
    manager.settimeout(1)
    told = []
    while True:
        try:
            told.append(manager.recv(100))
        except TimeoutError:
            return told


def test_it_says_when_it_is_ready_that_it_is_alive_and_that_it_stops(
    make_service: MakeService, manager: socket.socket, tmp_path: Path
) -> None:
    service = started(make_service, tmp_path)
    told = [manager.recv(100) for _ in range(4)]
    assert told == [b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1", b"WATCHDOG=1"]
    assert service.stop() == 0
    assert until_silent(manager)[-1] == b"STOPPING=1"


def test_a_service_that_hangs_says_nothing_any_more(
    make_service: MakeService, manager: socket.socket, tmp_path: Path
) -> None:
    service = started(make_service, tmp_path)
    assert manager.recv(100) == b"READY=1"
    assert service.process is not None
    service.process.send_signal(signal.SIGSTOP)
    assert len(until_silent(manager)) <= 2  # what was under way
    service.process.send_signal(signal.SIGCONT)
    assert manager.recv(100) == b"WATCHDOG=1"


def test_without_systemd_nothing_is_told_and_nothing_is_missed(
    make_service: MakeService, tmp_path: Path
) -> None:
    service = make_service(NOTIFY_SOCKET=str(tmp_path / "nobody-listens"))
    service.start()
    assert service.stop() == 0


def test_the_unit_is_watched_started_again_and_shut_in() -> None:
    unit = dict(re.findall(r"^(\w+)=(.*)$", UNIT.read_text(), re.MULTILINE))
    assert (unit["Type"], unit["Restart"], unit["WatchdogSec"]) == ("notify", "always", "60")
    assert (unit["ProtectSystem"], unit["NoNewPrivileges"], unit["CapabilityBoundingSet"]) == (
        "strict",
        "yes",
        "",
    )
    analyze = shutil.which("systemd-analyze")
    if analyze is None:  # the machine has no systemd; what it says of the unit can't be asked
        return
    done = subprocess.run(
        [analyze, "security", "--offline=true", str(UNIT)], capture_output=True, text=True, check=False
    )
    [level] = re.findall(r"exposure level for underlid.service: ([\d.]+)", done.stdout)
    assert float(level) < 2  # of 10, by systemd's own table
