"""A line between a board and a broker that breaks where a test wants it to."""

import socket
import threading
from dataclasses import dataclass, field
from typing import Literal

PUBLISH = 0x30


@dataclass
class Relay:
    """Passes MQTT packets between a connected socket and a broker, one question and one answer at a time.

    With `breaks_at` n it breaks on the n-th publication of readings: with half of it passed on, or with the
    whole passed on and acknowledged to nobody.
    """

    far_end: socket.socket
    port: int
    breaks_at: int = 0
    breaks: Literal["half way", "before the acknowledgement"] = "half way"
    published: list[bytes] = field(default_factory=list)  # what the broker got whole

    def start(self) -> threading.Thread:
        thread = threading.Thread(target=self._run)
        thread.start()
        return thread

    def _run(self) -> None:
        # Nobody dials the broker before the board speaks: it would be sent away as too slow.
        with self.far_end as board:
            first = packet(board)
            if not first:
                return
            with socket.create_connection(("127.0.0.1", self.port), timeout=15) as broker:
                broker.sendall(first)
                board.sendall(packet(broker))
                self._pass_on(board, broker)

    def _pass_on(self, board: socket.socket, broker: socket.socket) -> None:
        seen = 0
        while len(question := packet(board)) > 2:  # a DISCONNECT has two bytes
            holds_readings = question[0] & 0xF0 == PUBLISH and b"/status" not in question[:80]
            seen += holds_readings
            is_the_end = bool(self.breaks_at) and holds_readings and seen == self.breaks_at
            if is_the_end and self.breaks == "half way":
                broker.sendall(question[: len(question) // 2])
                return
            broker.sendall(question)
            answer = packet(broker)
            if holds_readings:
                self.published.append(question)
            if is_the_end:
                return
            board.sendall(answer)
        broker.sendall(question)


def packet(line: socket.socket) -> bytes:
    """A whole MQTT packet, or nothing where the line is closed."""
    head = line.recv(1)
    if not head:
        return b""
    length = shift = 0
    while True:
        head += (byte := line.recv(1))
        length |= (byte[0] & 0x7F) << shift
        shift += 7
        if not byte[0] & 0x80:
            break
    body = b""
    while len(body) < length:
        body += line.recv(length - len(body))
    return head + body
