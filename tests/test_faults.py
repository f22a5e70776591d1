"""Faults of the computer that a service starts into or lives through: told, survived, nothing lost."""

import os
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import httpx
import paho.mqtt.publish as publish

from conftest import MakeService, Mosquitto, Service, count_readings, free_port, wait_for

START_S = int(time.time()) - 3 * 3600  # of today, as those of days before are sealed into blocks


def refusal(folder: Path) -> str:
    """What `underlid serve` says when it can't start on a data directory."""
    ports = ["--http", f"127.0.0.1:{free_port()}", "--broker", f"127.0.0.1:{free_port()}"]
    done = subprocess.run(
        [sys.executable, "-m", "underlid", "serve", "--data-dir", str(folder), *ports],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={name: value for name, value in os.environ.items() if not name.startswith("UNDERLID_")},
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    return done.stderr.strip().splitlines()[-1]


def send(service: Service, first: int, count: int, port: int | None = None) -> None:
    messages = [
        (f"underlid/probe/p{n % 7}", f'{{"temp": 20, "t": {START_S + n}}}', 1, False)
        for n in range(first, first + count)
    ]
    publish.multiple(messages, hostname="127.0.0.1", port=port or service.mqtt_port)


def stored(service: Service) -> int:
    return count_readings(service.data_dir / "readings.db")


def parts(service: Service) -> dict[str, str]:
    found: dict[str, str] = httpx.get(f"{service.url}/healthz", timeout=20).json()["parts"]
    return found


def test_damaged_readings_are_found_after_a_crash_saved_and_told(make_service: MakeService) -> None:
    service = make_service()
    service.start()
    send(service, 0, 4000)
    wait_for(lambda: stored(service) == 4000, "the readings")
    service.stop()
    service.start()
    send(service, 4000, 10)
    wait_for(lambda: stored(service) == 4010, "the last readings")
    service.kill()
    file = service.data_dir / "readings.db"
    with file.open("r+b") as opened:
        opened.seek(10 * 4096)
        opened.write(b"\xa5" * 4096)
    service.start()
    assert httpx.get(f"{service.url}/healthz", timeout=20).status_code == 503
    words = parts(service)["stores"]
    assert words.startswith("readings.db was damaged")
    assert words in service.log
    [aside] = service.data_dir.glob("readings.db.damaged-*Z")
    assert str(aside) in words
    assert 3500 < stored(service) < 4010
    before = stored(service)
    send(service, 5000, 10)
    wait_for(lambda: stored(service) == before + 10, "new readings")
    assert service.stop() == 0
    service.start()
    assert "stores" not in parts(service)


def test_a_catalogue_of_which_nothing_can_be_read_is_refused_in_one_line(tmp_path: Path) -> None:
    file = tmp_path / "catalogue.db"
    file.write_bytes(b"\xa5" * 40_960)
    line = refusal(tmp_path)
    assert str(file) in line
    assert "underlid restore" in line
    assert file.read_bytes() == b"\xa5" * 40_960


def test_a_catalogue_of_a_later_version_is_refused_in_one_line_and_left_alone(
    make_service: MakeService,
) -> None:
    service = make_service()
    service.start()
    service.stop()
    file = service.data_dir / "catalogue.db"
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    before = file.read_bytes()
    line = refusal(service.data_dir)
    assert "version 9999 is later than this program's" in line
    assert "use the program that wrote it, or a later one" in line
    assert file.read_bytes() == before


def test_a_catalogue_that_another_program_holds_is_named_and_waited_for_while_running(
    make_service: MakeService, mosquitto: Mosquitto
) -> None:
    service = make_service("--mqtt", mosquitto.url)
    service.start()
    send(service, 0, 7, mosquitto.port)
    wait_for(lambda: stored(service) == 7, "the first readings")
    with closing(sqlite3.connect(service.data_dir / "readings.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        send(service, 7, 700, mosquitto.port)
        wait_for(lambda: "locked" in parts(service)["intake"], "the lock told by /healthz", 60)
        assert httpx.get(f"{service.url}/healthz/live", timeout=20).status_code == 204
        other.execute("ROLLBACK")
    wait_for(lambda: stored(service) == 707, "every reading once the lock is gone", 60)
    wait_for(lambda: httpx.get(f"{service.url}/healthz", timeout=20).status_code == 200, "well again")
    service.stop()
    with closing(sqlite3.connect(service.data_dir / "catalogue.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert "another program holds it" in refusal(service.data_dir)
