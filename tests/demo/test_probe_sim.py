"""The fake probe for wiring tests, against a real broker and none."""

import os
import signal
import subprocess
import sys

import pytest

from conftest import Mosquitto, free_port, wait_for
from demo.senml import resolve
from demo.test_player import Listener
from underlid.demo import probe_sim
from underlid.demo.probe_sim import NotAcknowledgedError, simulate_probe


def test_it_publishes_as_often_as_asked_and_counts(mosquitto: Mosquitto) -> None:
    listener = Listener(mosquitto.port)
    said: list[str] = []
    assert simulate_probe("oak-7", 0.01, mosquitto.url, count=5, say=said.append) == 5
    wait_for(lambda: listener.status("oak-7") == [b"online", b"offline"], "online, then offline")
    packs = [resolve(pack) for pack in listener.packs("oak-7")]
    listener.close()
    assert len(packs) == 5
    assert said.pop(0) == f"oak-7 speaks to the broker at 127.0.0.1:{mosquitto.port}; Ctrl-C ends it"
    assert [line.split(":")[0] for line in said] == ["1", "2", "3", "4", "5"]
    for temp, moist in packs:
        assert (temp.name.rsplit(":", 1)[1], temp.unit) == ("temp", "Cel")
        assert (moist.name.rsplit(":", 1)[1], moist.unit) == ("moist", "%")
        assert 15.0 < temp.value < 27.0
        assert 60.0 < moist.value < 88.0


def test_it_stops_on_a_keyboard_interrupt_having_said_goodbye(mosquitto: Mosquitto) -> None:
    listener = Listener(mosquitto.port)
    program = f"from underlid.demo.probe_sim import *; simulate_probe('oak-8', 0.05, {mosquitto.url!r})"
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.DEVNULL, env=os.environ)
    wait_for(lambda: len(listener.packs("oak-8")) >= 2, "packs", 60)
    process.send_signal(signal.SIGINT)
    assert process.wait(30) == 0
    wait_for(lambda: listener.status("oak-8")[-1:] == [b"offline"], "offline")
    listener.close()


def test_a_terminal_that_knows_no_degree_sign_is_shown_a_question_mark(mosquitto: Mosquitto) -> None:
    command = [
        sys.executable,
        "-m",
        "underlid",
        "probe-sim",
        "oak-8",
        "--mqtt",
        mosquitto.url,
        "--count",
        "1",
    ]
    ascii_only = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(command, capture_output=True, env=ascii_only, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b" ?C" in done.stdout


def test_a_broker_that_is_not_there_is_named_with_what_to_look_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_sim, "_ACK_TIMEOUT_S", 0.3)
    port = free_port()
    with pytest.raises(
        NotAcknowledgedError, match=f"127.0.0.1:{port} did not acknowledge .* check that it runs"
    ):
        simulate_probe("oak-9", 1.0, f"mqtt://127.0.0.1:{port}", count=1)


def test_a_wrong_url_and_a_wrong_interval_are_refused() -> None:
    with pytest.raises(ValueError, match="mqtt://"):
        simulate_probe("oak-9", 1.0, "http://127.0.0.1")
    with pytest.raises(ValueError, match="positive seconds"):
        simulate_probe("oak-9", 0.0, "mqtt://127.0.0.1")
