"""Backups made while the service runs, and what a restore makes of them."""

import asyncio
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest
from tests.exchange.farm import NOW_MS, opened, underlid

from conftest import MakeService, Service, wait_for
from underlid.exchange.backup import Where, backups_in, checksum, make_backup, prune
from underlid.exchange.restore import BadBackupError, restore, verified
from underlid.exchange.rotation import Rotation
from underlid.model import Probe, Quantity, Reading
from underlid.store import catalogue
from underlid.store.readings import StoreError
from web.screens import dry_out, furnish, publish

DAY_MS = 86_400_000


def where(folder: Path) -> Where:
    return Where(folder, folder / "catalogue.db", folder / "readings.db")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data directory with a farm, readings, a photo and a key."""
    folder = tmp_path / "data"
    with opened(folder) as stores:
        with stores.ledger.writing() as connection:
            catalogue.save_probe(connection, Probe("alder-1", "alder-1", 0))
            channel = catalogue.register_channel(connection, "alder-1", "temp", "Cel", Quantity.TEMPERATURE)
        stores.readings.add([Reading(channel.id, NOW_MS + n, 20.0, NOW_MS) for n in range(5000)])
    (folder / "photos" / "2026").mkdir(parents=True)
    (folder / "photos" / "2026" / "worms.jpg").write_bytes(b"\xff\xd8worms")
    (folder / "keys").mkdir()
    (folder / "keys" / "broker.key").write_text("secret")
    (folder / "underlid.lock").touch()
    return folder


def answers(service: Service) -> dict[str, Any]:
    """What the API says of everything that is kept, but for what goes with the time of asking."""
    found: dict[str, Any] = {"farm": service.api("GET", "/farm")}
    for path in ("places", "bins", "feed-stores", "probes", "log", "alarms?show=all", "quarantine"):
        found[path] = service.items(f"/{path}")
    for each in found["bins"]:
        found[f"bin {each['id']}"] = service.api("GET", f"/bins/{each['id']}")
    for probe in found["probes"]:
        for channel in probe["channels"]:
            path = f"/readings?channel={channel['id']}&from=2026-01-01T00:00:00Z&to=2100-01-01T00:00:00Z"
            found[path] = service.api("GET", path)
    return {path: _still(answer) for path, answer in found.items()}


def _still(answer: Any) -> Any:
    """An answer without what is told anew of the present: ages, forecasts, conditions, where the broker is."""
    moving = {"condition", "health", "age_s", "at", "broker", "now", "time", "suggestion", "online", "eta_h"}
    if isinstance(answer, dict):
        return {key: _still(value) for key, value in answer.items() if key not in moving}
    return [_still(each) for each in answer] if isinstance(answer, list) else answer


def test_a_restore_of_a_running_services_backup_serves_the_same_answers(
    make_service: MakeService, tmp_path: Path
) -> None:
    service = make_service("--access", "open")
    service.start()
    furnish(service, alder=2)
    publish(service, "alder-9", '{"temp": "warm"}')
    dry_out(service, "alder")
    service.api(
        "POST", "/log", subject={"kind": "bin", "id": "alder"}, kind="wetted", amount_l=0.8, note="dry on top"
    )
    wait_for(lambda: bool(service.items("/quarantine")), "the unusable message")
    wait_for(lambda: bool(service.items("/alarms?show=live")), "an alarm of a dry top")
    wait_for(lambda: answers(service) == answers(service), "a farm at rest")
    before = answers(service)
    done = underlid("backup", str(tmp_path / "backups"), "--data-dir", str(service.data_dir))
    assert done.returncode == 0, done.stderr
    assert answers(service) == before
    assert before["log"]
    assert before["alarms?show=all"]
    service.stop()
    restored = make_service("--access", "open")
    done = underlid("restore", str(tmp_path / "backups"), "--data-dir", str(restored.data_dir))
    assert done.returncode == 0, done.stderr
    assert "is whole" in done.stdout
    restored.start()
    assert answers(restored) == before


def test_the_copies_are_of_one_moment_whatever_is_written_meanwhile(data: Path, tmp_path: Path) -> None:
    stop = threading.Event()
    written = []

    def write() -> None:
        with opened(data) as stores:
            while not stop.is_set():
                n = len(written)
                with stores.ledger.writing() as connection:  # the catalogue first, as the intake does
                    channel = catalogue.register_channel(
                        connection, "alder-1", f"c{n}", "Cel", Quantity.TEMPERATURE
                    )
                stores.readings.add([Reading(channel.id, NOW_MS + n, n, NOW_MS)])
                written.append(channel.id)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for turn in range(5):
            least = 20 * (turn + 1)
            wait_for(lambda least=least: len(written) > least, "more readings")  # type: ignore[misc]
            copy = make_backup(where(data), tmp_path / "backups", NOW_MS + turn * 1000)
            with (
                sqlite3.connect(copy / "catalogue.db") as first,
                sqlite3.connect(copy / "readings.db") as second,
            ):
                known = {id_ for (id_,) in first.execute("SELECT id FROM channel")}
                named = {id_ for (id_,) in second.execute("SELECT DISTINCT channel FROM reading")}
            assert named <= known
            assert len(known - named) <= 1  # a channel whose first reading was about to come
            assert len(named) > 20 * (turn + 1)
            verified(copy)
    finally:
        stop.set()
        writer.join()


def test_photos_and_keys_come_back_and_locks_and_backups_do_not(data: Path, tmp_path: Path) -> None:
    into = data / "backups"
    make_backup(where(data), into, NOW_MS)
    copy = make_backup(where(data), into, NOW_MS + 1000)
    target = tmp_path / "new"
    assert restore(verified(copy), where(target)) is None
    files = {file.relative_to(target).as_posix() for file in target.rglob("*") if file.is_file()}
    assert files == {"catalogue.db", "readings.db", "photos/2026/worms.jpg", "keys/broker.key"}
    assert (target / "photos/2026/worms.jpg").read_bytes() == b"\xff\xd8worms"
    assert into.stat().st_mode & 0o077 == 0  # keys are in it
    with opened(target) as stores:
        assert len(stores.series("alder-1", "temp")) == 5000


def test_a_backup_that_was_killed_is_never_taken_for_a_whole_one(data: Path, tmp_path: Path) -> None:
    into = tmp_path / "backups"

    def die(_left: int, _of: int) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    child = os.fork()
    if child == 0:
        make_backup(where(data), into, NOW_MS, die)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    left = [each.name for each in into.iterdir() if each.is_dir()]
    assert left == ["underlid-20260528T202640Z.partial"]
    assert backups_in(into) == []
    for path in (into, into / left[0]):
        with pytest.raises(BadBackupError, match="never finished"):
            verified(path)
    whole = make_backup(where(data), into, NOW_MS + 5000)
    assert [path for _, path in backups_in(into)] == [whole]
    assert not (into / left[0]).exists()


@pytest.mark.parametrize("spoil", ["byte", "lost", "manifest", "outside", "format"])
def test_a_spoiled_backup_is_refused_in_one_line(data: Path, tmp_path: Path, spoil: str) -> None:
    copy = make_backup(where(data), tmp_path / "backups", NOW_MS)
    manifest = json.loads((copy / "manifest.json").read_text())
    if spoil == "byte":
        content = bytearray((copy / "readings.db").read_bytes())
        content[len(content) // 2] ^= 1
        (copy / "readings.db").write_bytes(content)
    elif spoil == "lost":
        (copy / "files/photos/2026/worms.jpg").unlink()
    elif spoil == "manifest":
        (copy / "manifest.json").write_text('{"underlid_backup": ')
    elif spoil == "outside":
        next(f for f in manifest["files"] if "photos" in f["path"])["path"] = "files/../../../etc/passwd"
        (copy / "manifest.json").write_text(json.dumps(manifest))
    else:
        manifest["underlid_backup"] = 99
        (copy / "manifest.json").write_text(json.dumps(manifest))
    done = underlid("restore", str(copy), "--data-dir", str(tmp_path / "new"))
    assert done.returncode == 1
    [line] = done.stderr.strip().splitlines()
    expected = {
        "byte": "not what was written",
        "lost": "lacks",
        "manifest": "not the manifest",
        "outside": "outside",
    }
    assert expected.get(spoil, "format 99") in line
    assert not (tmp_path / "new").exists()


def test_a_database_of_a_later_program_is_refused_in_one_line(data: Path, tmp_path: Path) -> None:
    with sqlite3.connect(data / "catalogue.db") as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    copy = make_backup(where(data), tmp_path / "backups", NOW_MS)
    with pytest.raises(StoreError, match="version 9999 is later than this program's"):
        verified(copy)


def test_a_broken_page_is_found_though_its_checksum_fits(data: Path, tmp_path: Path) -> None:
    copy = make_backup(where(data), tmp_path / "backups", NOW_MS)
    content = bytearray((copy / "readings.db").read_bytes())
    content[-4096:] = bytes(4096)
    (copy / "readings.db").write_bytes(content)
    manifest = json.loads((copy / "manifest.json").read_text())
    for kept in manifest["files"]:
        kept["sha256"] = checksum(copy / kept["path"])
    (copy / "manifest.json").write_text(json.dumps(manifest))
    with pytest.raises(StoreError, match=r"readings\.db"):
        verified(copy)


def test_a_restore_goes_onto_an_empty_directory_unless_told(data: Path, tmp_path: Path) -> None:
    copy = make_backup(where(data), tmp_path / "backups", NOW_MS)
    done = underlid("restore", str(copy), "--data-dir", str(data))
    assert done.returncode == 1
    assert "--replace" in done.stderr
    (data / "photos" / "later.jpg").write_text("taken since")
    done = underlid("restore", str(copy), "--data-dir", str(data), "--replace")
    assert done.returncode == 0, done.stderr
    [aside] = data.glob("before-restore-*")
    assert (aside / "photos" / "later.jpg").read_text() == "taken since"
    assert not (data / "photos" / "later.jpg").exists()
    with opened(data) as stores:
        assert len(stores.series("alder-1", "temp")) == 5000
    again = make_backup(where(data), tmp_path / "backups", NOW_MS + 1000)
    assert not list(again.rglob("*later*"))


def test_a_running_services_directory_is_not_restored_into(
    service: Service, data: Path, tmp_path: Path
) -> None:
    copy = make_backup(where(data), tmp_path / "backups", NOW_MS)
    done = underlid("restore", str(copy), "--data-dir", str(service.data_dir), "--replace")
    assert done.returncode == 1
    assert "another underlid is at work" in done.stderr


def test_after_a_restore_that_was_broken_off_nothing_starts_until_it_is_finished(
    data: Path, tmp_path: Path
) -> None:
    copy = make_backup(where(data), tmp_path / "backups", NOW_MS)
    target = tmp_path / "new"
    backup = verified(copy)
    shutil.move(copy / "catalogue.db", tmp_path / "away")  # so that it breaks off at the last file
    with pytest.raises(FileNotFoundError):
        restore(backup, where(target))
    shutil.move(tmp_path / "away", copy / "catalogue.db")
    done = underlid("serve", "--data-dir", str(target), "--http", "127.0.0.1:0", "--broker", "127.0.0.1:0")
    assert done.returncode == 1
    assert "a restore into it was broken off" in done.stderr
    for command in (["export", "readings"], ["report"], ["user", "list"]):
        done = underlid(*command, "--data-dir", str(target))
        assert done.returncode == 1
        assert "a restore into it was broken off" in done.stderr
    done = underlid("restore", str(copy), "--data-dir", str(target))
    assert done.returncode == 0, done.stderr
    with opened(target) as stores:
        assert len(stores.series("alder-1", "temp")) == 5000


def test_a_backup_within_the_data_directory_is_not_moved_aside_with_it(data: Path) -> None:
    copy = make_backup(where(data), data / "mine", NOW_MS)
    done = underlid("restore", str(copy), "--data-dir", str(data), "--replace")
    assert done.returncode == 1
    assert "move the backup out of it" in done.stderr
    verified(copy)
    with opened(data) as stores:
        assert len(stores.series("alder-1", "temp")) == 5000


def test_where_there_is_no_farm_nothing_is_made(tmp_path: Path) -> None:
    done = underlid("backup", "--data-dir", str(tmp_path / "nowhere"))
    assert done.returncode == 1
    assert f"there is no farm here yet ({tmp_path / 'nowhere'})" in done.stderr
    assert not (tmp_path / "nowhere").exists()


def test_of_many_backups_the_newest_stay(data: Path, tmp_path: Path) -> None:
    into = tmp_path / "backups"
    made = [make_backup(where(data), into, NOW_MS + day * DAY_MS) for day in range(4)]
    (into / "underlid-20200101T000000Z").mkdir()  # without a manifest it is none of ours
    assert prune(into, 2, NOW_MS - 1) == []  # by a clock set back, all of them lie ahead
    assert prune(into, 2, NOW_MS + 3 * DAY_MS) == made[:2]
    assert [path for _, path in backups_in(into)] == made[2:]
    assert (into / "underlid-20200101T000000Z").is_dir()


async def _run_until(rotation: Rotation, is_done: Callable[[], bool], within_s: float = 60) -> None:
    task = asyncio.ensure_future(rotation.run())
    for _ in range(round(within_s / 0.05)):
        if is_done():
            break
        await asyncio.sleep(0.05)
    task.cancel()
    await asyncio.wait([task])


def test_a_rotation_counts_from_the_newest_backup_over_restarts_and_keeps_so_many(
    data: Path, tmp_path: Path
) -> None:
    into, made = tmp_path / "backups", []
    make_backup(where(data), into, NOW_MS)
    early = Rotation(where(data), into, 24, 2, lambda: NOW_MS + DAY_MS - 1, made.append)
    asyncio.run(_run_until(early, lambda: bool(made), within_s=0.3))
    assert made == []
    now = [NOW_MS]

    def tick() -> int:
        now[0] += DAY_MS
        return now[0]

    asyncio.run(_run_until(Rotation(where(data), into, 24, 2, tick, made.append), lambda: len(made) > 2))
    assert len(made) > 2
    assert len(backups_in(into)) == 2
    (data / "catalogue.db").unlink()
    failing = Rotation(where(data), into, 24, 2, tick)
    asyncio.run(_run_until(failing, lambda: failing.failing))
    assert failing.failing
    assert "catalogue.db" in failing.state


def test_the_service_makes_backups_by_itself_and_says_how_it_goes(
    make_service: MakeService, tmp_path: Path
) -> None:
    into = tmp_path / "nightly"
    service = make_service("--access", "open", UNDERLID_BACKUP_EVERY_H="24", UNDERLID_BACKUP_DIR=str(into))
    service.start()
    wait_for(lambda: bool(backups_in(into)), "a backup")
    wait_for(
        lambda: (
            "the last one is" in httpx.get(f"{service.url}/healthz", timeout=5).json()["parts"]["backups"]
        ),
        "word",
    )
    assert service.stop() == 0
    assert verified(into).files


def test_the_command_goes_on_making_backups_until_it_is_stopped(data: Path, tmp_path: Path) -> None:
    into = tmp_path / "backups"
    command = [sys.executable, "-m", "underlid", "backup", str(into), "--data-dir", str(data)]
    heeds = partial(signal.signal, signal.SIGINT, signal.SIG_DFL)  # a shell's background job would not
    going_on = [*command, "--every", "24h", "--keep", "2"]
    with subprocess.Popen(going_on, stderr=subprocess.PIPE, preexec_fn=heeds) as process:
        wait_for(lambda: bool(backups_in(into)), "the first backup")
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 130
    time.sleep(1.1)  # their names go by the second
    for _ in range(3):
        assert subprocess.run([*command, "--keep", "2"], check=True, capture_output=True).returncode == 0
        time.sleep(1.1)
    assert len(backups_in(into)) == 2
    assert "24h" in underlid("backup", str(into), "--data-dir", str(data), "--every", "often").stderr
