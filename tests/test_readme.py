"""The README is true: its example runs as it stands, and it names every setting, command and rule."""

import json
import os
import re
import shutil
import signal
import ssl
import subprocess
import sys
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread

import httpx
import pytest

from conftest import free_port, wait_for
from underlid.cli import app
from underlid.rules.catalogue import RULES
from underlid.settings import Settings

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")


def test_every_setting_command_and_rule_is_in_the_readme() -> None:
    for setting in Settings.model_fields:
        assert f"`{setting}`" in README, setting
    for rule in RULES:
        assert f"`{rule.id}`" in README, rule.id
    for command in app.registered_commands:
        name = command.name or (command.callback.__name__ if command.callback else "")
        assert f"underlid {name}" in README, name


def test_every_command_works_on_the_one_farm() -> None:
    lines = [
        line
        for block in re.findall(r"```(?:sh|console)\n(.*?)```", README, re.DOTALL)
        for line in block.splitlines()
        if re.search(r"underlid (?!demo|check --topic|probe-sim|notify-test)", line) and "sudo" not in line
    ]
    assert len(lines) > 10
    for line in lines:
        assert ".venv/bin/underlid " in line, line
        assert "--data-dir farm" in line or "underlid restore farm/backups --data-dir new" in line, line


def test_what_is_installed_besides_is_spelled_in_one_way() -> None:
    said = re.findall(r"[^\s`]*pip install [^`\n]*\[[^`\n]*", README)
    extras = [words for words in said if "test]" not in words]
    assert len(extras) == 3
    for words in extras:
        assert re.fullmatch(r"\.venv/bin/pip install 'underlid\[\w+\]'", words), words


def run_block(
    block: str, changes: dict[str, str], folder: Path, **environment: str
) -> subprocess.Popen[bytes]:
    """A block of the README in a shell of its own, on other addresses than those in it."""
    for ours, theirs in changes.items():
        block, changed = re.subn(ours, theirs, block)
        assert changed, ours
    clean = {name: value for name, value in os.environ.items() if not name.startswith("UNDERLID_")}
    command = ["bash", "-e", "-c", f"{block}\nwait"]
    return subprocess.Popen(command, cwd=folder, env={**clean, **environment}, start_new_session=True)


def test_a_start_is_waited_for_by_what_a_target_that_fails_does_not_hold_up() -> None:
    [waits] = [line for line in README.splitlines() if line.startswith("until curl")]
    assert waits.startswith("until curl -fs http://127.0.0.1:8480/healthz/ready; ")


def test_the_certificate_for_phones_is_one_and_the_service_takes_it(tmp_path: Path) -> None:
    if shutil.which("openssl") is None:
        pytest.skip("no openssl on this machine; install Debian's package openssl")
    [block] = [b for b in re.findall(r"```sh\n(.*?)```", README, re.DOTALL) if "openssl req" in b]
    assert len(block.splitlines()) <= 8
    (tmp_path / "farm").mkdir()
    port = free_port()
    changes = {
        r"192\.0\.2\.10": "127.0.0.1",
        "0.0.0.0:8480": f"0.0.0.0:{port}",
        r"\.venv/bin/underlid": f"{sys.executable} -m underlid",
    }
    shell = run_block(block, changes, tmp_path, UNDERLID_BROKER=f"127.0.0.1:{free_port()}")
    certificate = tmp_path / "farm/tls.crt"

    def answers() -> bool:
        assert shell.poll() is None
        if not certificate.exists() or not certificate.stat().st_size:
            return False
        trust = ssl.create_default_context(cafile=certificate)  # as a phone that trusts it: names are checked
        try:
            return (
                httpx.get(f"https://127.0.0.1:{port}/healthz/ready", verify=trust, timeout=5).status_code
                == 200
            )
        except httpx.TransportError:
            return False

    try:
        wait_for(answers, "the screens over HTTPS", 60)
    finally:
        os.killpg(shell.pid, signal.SIGTERM)
        shell.wait(20)
    assert (tmp_path / "farm/tls.key").stat().st_mode & 0o077 == 0


def test_the_example_from_a_probe_to_an_alarm_runs_as_it_stands(tmp_path: Path) -> None:
    if shutil.which("mosquitto_pub") is None:
        pytest.skip("no mosquitto_pub on this machine; install Debian's package mosquitto-clients")
    [block] = [b for b in re.findall(r"```sh\n(.*?)```", README, re.DOTALL) if "UNDERLID_NOTIFY" in b]
    assert len(block.splitlines()) < 10
    told: list[dict[str, str]] = []

    class Phone(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            told.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    phone = HTTPServer(("127.0.0.1", 0), Phone)
    Thread(target=phone.serve_forever, daemon=True).start()
    http, broker = free_port(), free_port()
    changes = {
        r"mailtos://\S+": f"json://127.0.0.1:{phone.server_port}/'",
        r"\.venv/bin/underlid": f"{sys.executable} -m underlid",
        "8480": str(http),
        "mosquitto_pub ": f"mosquitto_pub -p {broker} ",
    }
    addresses = {"UNDERLID_HTTP": f"127.0.0.1:{http}", "UNDERLID_BROKER": f"127.0.0.1:{broker}"}
    shell = run_block(block, changes, tmp_path, **addresses)
    try:
        wait_for(lambda: bool(told), "the alarm on the phone", 90)
    finally:
        os.killpg(shell.pid, signal.SIGTERM)
        shell.wait(20)
        phone.shutdown()
        phone.server_close()
    assert "Alder: top is 62" in told[0]["title"]
    assert "L" in told[0]["message"]
