"""The README is true: its example runs as it stands, and it names every setting, command and rule."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread

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
    for ours, theirs in {
        r"mailtos://\S+": f"json://127.0.0.1:{phone.server_port}/'",
        r"\.venv/bin/underlid": f"{sys.executable} -m underlid",
        "8480": str(http),
        "mosquitto_pub ": f"mosquitto_pub -p {broker} ",
    }.items():
        block, changed = re.subn(ours, theirs, block)
        assert changed, ours
    environment = {
        **os.environ,
        "UNDERLID_HTTP": f"127.0.0.1:{http}",
        "UNDERLID_BROKER": f"127.0.0.1:{broker}",
    }
    shell = subprocess.Popen(
        ["bash", "-e", "-c", f"{block}\nwait"], cwd=tmp_path, env=environment, start_new_session=True
    )
    try:
        wait_for(lambda: bool(told), "the alarm on the phone", 90)
    finally:
        os.killpg(shell.pid, signal.SIGTERM)
        shell.wait(20)
        phone.shutdown()
        phone.server_close()
    assert "Alder: top is 62" in told[0]["title"]
    assert "L" in told[0]["message"]
