"""`underlid probe`: what it prints, what it refuses, and the embedded broker that follows it while it runs."""

import builtins
import json
import os
import re
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.exchange.farm import begin
from typer.testing import CliRunner

from conftest import MakeService, Service, free_port, wait_for
from underlid.cli import app
from underlid.commands import admission
from underlid.intake.embedded.rights import Rights, hash_password

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(autouse=True)
def _clean(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [n for n in os.environ if n.startswith("UNDERLID_")]:
        monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)
    begin(Path("data"))


def run(*words: str, data_dir: Path | None = None) -> str:
    done = CliRunner().invoke(app, ["probe", *words, "--data-dir", str(data_dir or "data")])
    assert done.exit_code == 0, done.output
    return done.output


def refused(*words: str) -> str:
    """The one line of a refusal."""
    done = CliRunner().invoke(app, ["probe", *words])
    assert done.exit_code == 1, done.output
    [line] = done.output.splitlines()
    assert line.startswith("underlid: ")
    return line


def password(told: str) -> str:
    found = re.search(r"^  password +(\S+)$", told, re.MULTILINE)
    assert found, told
    return found[1]


def test_what_is_told_fits_the_reference_probe_and_only_a_hash_is_kept(tmp_path: Path) -> None:
    told = run("add", "alder-1", "--host", "192.0.2.10")
    secret = password(told)
    for line in (
        "host       192.0.2.10",
        "port       1883",
        "user       alder-1",
        "topic      underlid/probe/alder-1",
    ):
        assert f"  {line}\n" in told
    lines = re.findall(r'^  "\w+": .*$', told, re.MULTILINE)
    given = json.loads("{" + "".join(lines) + "}")
    assert given == {
        "id": "alder-1",
        "broker": "192.0.2.10",
        "port": 1883,
        "user": "alder-1",
        "password": secret,
        "tls": False,
    }
    # The probe's own reader of its settings is plain Python.
    check = "import sys, settings as s; g = s.parse(sys.stdin.read()); print(g['id'], g['broker'], g['port'], g['tls'])"
    read = subprocess.run(
        [sys.executable, "-B", "-c", check],
        cwd=ROOT / "firmware_notes/probe",
        input=json.dumps(given | {"wifi": "garden"}),
        capture_output=True,
        text=True,
        check=False,
    )
    assert (read.stdout, read.stderr) == ("alder-1 192.0.2.10 1883 False\n", "")

    stored = b"".join(file.read_bytes() for file in (tmp_path / "data").iterdir())
    assert secret.encode() not in stored
    with sqlite3.connect(tmp_path / "data/catalogue.db") as connection:
        [(name, hashed)] = connection.execute("SELECT probe_id, hash FROM probe_credential")
    connection.close()
    admitted = Rights("x", {}, False, look_up={name: hashed}.get).admit("alder-1", secret.encode())
    assert admitted is not None
    assert admitted.publish == ("underlid/probe/alder-1", "underlid/probe/alder-1/status")
    assert "alder-1  password of 20" in run("list")
    assert secret not in run("list")


def test_passwords_have_eighty_bits_and_more_in_groups_that_can_be_read_aloud() -> None:
    assert len(set(admission.SIGNS)) == len(admission.SIGNS)
    assert not set(admission.SIGNS) & set("0o1li")
    assert len(admission.SIGNS) ** (admission.GROUPS * admission.SIGNS_A_GROUP) >= 2**80
    made = {admission.make_password() for _ in range(200)}
    assert len(made) == 200
    assert all(
        re.fullmatch(rf"[{admission.SIGNS}]{{4}}(-[{admission.SIGNS}]{{4}}){{4}}", each) for each in made
    )


def test_a_second_password_needs_renew_and_the_first_then_fits_no_more(tmp_path: Path) -> None:
    first = password(run("add", "alder-1", "--host", "bins.example"))
    assert "alder-1 has a password already; give --renew" in refused("add", "alder-1", "--data-dir", "data")
    second = password(run("add", "alder-1", "--host", "bins.example", "--renew"))
    with sqlite3.connect(tmp_path / "data/catalogue.db") as connection:
        [(hashed,)] = connection.execute("SELECT hash FROM probe_credential")
    connection.close()
    rights = Rights("x", {}, False, look_up={"alder-1": hashed}.get)
    assert rights.admit("alder-1", first.encode()) is None
    assert rights.admit("alder-1", second.encode())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("add", "alder/1"), "'alder/1' can't be a probe's id: it begins with"),
        (("add", "-- a"), "can't be a probe's id"),
        (("add", "a" * 129), "128 at most"),
        (("add", "probes"), "'probes' is a user of the broker with other rights"),
        (("add", "reader"), "other rights"),
        (("add", "underlid"), "other rights"),
        (("add", "underlid-intake"), "other rights"),
        (("add", "oak-1", "--host", "http://bins.example"), "is no name or address alone"),
        (("add", "oak-1", "--host", "bins.example", "--mosquitto", "file"), "file"),
        (("remove", "oak-1"), "no probe 'oak-1' has a password; those that have one: alder-1"),
        (("certify", "nowhere"), "nowhere has no files of ours"),
    ],
)
def test_a_refusal_is_one_line_and_keeps_nothing(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    run("add", "alder-1", "--host", "bins.example")
    if words[0] != "certify":
        words = (words[0], "--data-dir", "data", *words[2:], "--", words[1])
    assert said in refused(*words)
    assert len(run("list").splitlines()) == 1


def test_without_a_password_there_is_nothing_to_list_or_remove() -> None:
    assert "no probe has a password" in run("list")
    assert "none has" in refused("remove", "alder-1", "--data-dir", "data")


def test_a_data_directory_that_is_none_and_a_user_of_the_settings_are_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert "file/inside" in refused("add", "oak-1", "--host", "bins.example", "--data-dir", "file/inside")
    (tmp_path / "underlid.toml").write_text('[broker_users]\noak-1 = "garden"\n')
    assert "'oak-1' has a password in broker_users" in refused("add", "oak-1", "--data-dir", "data")


def test_without_the_certificate_library_one_line_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.split(".")[0] == "cryptography":
            raise ModuleNotFoundError("No module named 'cryptography'")
        return whole(name, *rest)

    monkeypatch.delitem(sys.modules, "underlid.intake.authority", raising=False)
    monkeypatch.delattr("underlid.intake.authority", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    words = ("add", "alder-1", "--host", "bins.example", "--mosquitto", "m", "--data-dir", "data")
    assert "pip install 'underlid[tls]'" in refused(*words)
    assert "no probe has a password" in run("list")
    assert password(run("add", "alder-1", "--host", "bins.example")), "without files there is no need for it"


def test_a_broker_beyond_loopback_is_opened_for_added_probes_alone(make_service: MakeService) -> None:
    service = make_service()
    port = free_port()
    service.options += ["--broker", f"0.0.0.0:{port}"]
    service.start(wait=False)
    assert service.process is not None
    assert service.process.wait(60) == 1
    [line] = service.log.splitlines()
    assert "underlid probe add NAME" in line
    assert "broker_users" in line
    secret = password(run("add", "alder-1", "--host", "127.0.0.1", data_dir=service.data_dir))
    service.mqtt_port = port
    service.start()
    with pytest.raises(ConnectionRefusedError):
        Probe(service, None, "")
    probe = Probe(service, "alder-1", secret)
    probe.publish("underlid/probe/alder-1")
    wait_for(lambda: [each["id"] for each in service.items("/probes")] == ["alder-1"], "the probe")
    probe.close()
    assert service.stop() == 0


def test_a_running_service_takes_an_added_probe_and_lets_go_of_a_removed_one(service: Service) -> None:
    with pytest.raises(ConnectionRefusedError):
        Probe(service, "alder-1", "guessed")
    secret = password(run("add", "alder-1", "--host", "127.0.0.1", data_dir=service.data_dir))
    with pytest.raises(ConnectionRefusedError):
        Probe(service, "alder-1", "guessed")
    probe = Probe(service, "alder-1", secret)
    probe.publish("underlid/probe/birch-2")  # acknowledged, as MQTT 3.1.1 has no other way, and left out
    probe.publish("underlid/probe/alder-1")
    wait_for(lambda: [each["id"] for each in service.items("/probes")] == ["alder-1"], "its own topic alone")
    assert "heard" in run("list", data_dir=service.data_dir)
    other = password(run("add", "birch-2", "--host", "127.0.0.1", data_dir=service.data_dir))
    stays = Probe(service, "birch-2", other)

    run("remove", "alder-1", data_dir=service.data_dir)
    with pytest.raises(ConnectionRefusedError):
        Probe(service, "alder-1", secret)
    wait_for(lambda: not probe.client.is_connected(), "the removed probe to be let go")
    assert stays.client.is_connected()
    newer = password(run("add", "birch-2", "--renew", "--host", "127.0.0.1", data_dir=service.data_dir))
    wait_for(lambda: not stays.client.is_connected(), "the one with the old password to be let go")
    Probe(service, "birch-2", newer).close()
    for each in (probe, stays):
        each.close()


def test_what_a_look_up_gives_counts_after_the_users_of_the_settings() -> None:
    rights = Rights(
        "x",
        {"alder-1": hash_password("one")},
        False,
        look_up={"alder-1": hash_password("two"), "probes": hash_password("three")}.get,
    )
    assert rights.admit("alder-1", b"one")
    assert rights.admit("alder-1", b"two") is None
    added = rights.admit("probes", b"three")
    assert added is not None
    assert not added.may_publish("underlid/probe/birch-2"), "a name gives an added probe no more rights"


class Probe:
    """A client that is connected; raises ConnectionRefusedError where it is not let in."""

    def __init__(self, service: Service, user: str | None, secret: str) -> None:
        self.client = paho.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
        if user is not None:
            self.client.username_pw_set(user, secret)
        answers: list[bool] = []
        self.client.on_connect = lambda _c, _u, _f, reason, _p: answers.append(not reason.is_failure)
        self.client.connect("127.0.0.1", service.mqtt_port)
        self.client.loop_start()
        wait_for(lambda: bool(answers), "the broker's answer")
        if not answers[0]:
            self.close()
            raise ConnectionRefusedError(user)

    def publish(self, topic: str) -> None:
        self.client.publish(topic, '{"temp": 21.5}', qos=1).wait_for_publish(20)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
