"""The dialogue of `underlid import`, at a real terminal."""

import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

from tests.exchange.farm import ZONE, begin, opened, underlid


class Terminal:
    """A command at a terminal of its own: what it says is awaited, what a person types is typed."""

    def __init__(self, *arguments: str) -> None:
        self._ours, theirs = pty.openpty()
        clean = {name: value for name, value in os.environ.items() if not name.startswith("UNDERLID_")}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "underlid", *arguments],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=clean | {"UNDERLID_TIME_ZONE": ZONE, "COLUMNS": "160", "TERM": "xterm"},
        )
        os.close(theirs)
        self.said = ""

    def _listen(self, within_s: float = 60) -> bool:
        ready, _, _ = select.select([self._ours], [], [], within_s)
        try:
            piece = os.read(self._ours, 65_536) if ready else b""
        except OSError:  # Linux' way to say that the other side is closed
            piece = b""
        self.said += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", piece.decode())
        return bool(piece)

    def answer(self, question: str, words: str) -> None:
        deadline = time.monotonic() + 60
        while question not in self.said and time.monotonic() < deadline and self._listen():
            pass
        assert question in self.said, self.said
        self.said = self.said.split(question, 1)[1]
        os.write(self._ours, f"{words}\n".encode())

    def end(self) -> int:
        while self._listen():
            pass
        os.close(self._ours)
        return self._process.wait(20)


def test_the_dialogue_asks_what_the_table_leaves_open_and_changes_what_was_guessed_wrong(
    tmp_path: Path,
) -> None:
    file = tmp_path / "shed [old].csv"
    file.write_text("time,temp,colour [count],ok\n01/02/2026 10:00,18.5,7,1\n01/02/2026 11:00,19.5,8,1\n")
    terminal = Terminal("import", str(file), "--data-dir", str(begin(tmp_path / "data")))
    terminal.answer("Which probe", "shed-1")
    terminal.answer("How are its dates written", "dmy")
    terminal.answer("column to change", "")  # no: one column has no unit yet
    terminal.answer("column to change", "4")
    terminal.answer("PROBE/CHANNEL UNIT", "-")
    terminal.answer("column to change", "3")
    terminal.answer("PROBE/CHANNEL UNIT", "shed-1/light count")
    terminal.answer("column to change", "")
    terminal.answer("Take it in?", "y")
    assert terminal.end() == 0, terminal.said
    assert "4 readings went in" in terminal.said
    with opened(tmp_path / "data") as stores:
        found = stores.everything()
    at = 1_769_936_400_000  # TZ=Europe/Vienna date -d '2026-02-01 10:00' +%s
    assert found["shed-1", "temp", "Cel"] == [(at, 18.5), (at + 3_600_000, 19.5)]
    assert found["shed-1", "light", "count"] == [(at, 7), (at + 3_600_000, 8)]
    assert len(found) == 2


def test_nothing_is_taken_in_where_the_answer_is_no_or_the_terminal_is_closed(tmp_path: Path) -> None:
    file, data = tmp_path / "shed.csv", str(begin(tmp_path / "data"))
    file.write_text("time,temp (°C)\n2026-02-01 10:00,18.5\n")
    terminal = Terminal("import", str(file), "--data-dir", data, "--probe", "shed-1")
    terminal.answer("column to change", "")
    terminal.answer("Take it in?", "n")
    assert terminal.end() == 1
    terminal = Terminal("import", str(file), "--data-dir", data, "--probe", "shed-1")
    terminal.answer("column to change", "\x04")
    assert terminal.end() != 0
    assert "Traceback" not in terminal.said
    assert underlid("export", "readings", "--data-dir", data).stdout.count("\n") == 1
