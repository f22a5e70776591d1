"""The publisher's bytes on the wire, against the tables and figures of MQTT 3.1.1 (OASIS Standard, 2014)."""

import pytest

from firmware.conftest import Interpreter, Refused

LINE = """
from mqtt import Publisher
class Line:
    def __init__(self, answers):
        self.answers, self.sent = answers, b""
    def read(self, count):
        head, self.answers = self.answers[:min(count, 3)], self.answers[min(count, 3):]
        return head
    def write(self, data):
        self.sent += data
"""
ACCEPTED = b"\x20\x02\x00\x00"


def sent(micropython: Interpreter, answers: bytes, steps: str) -> bytes:
    """What goes out when these answers come in, three bytes at a time at most."""
    found: bytes = micropython.run(
        f"{LINE}\nline = Line({answers!r})\np = Publisher(line)\n{steps}\n_ = line.sent"
    )
    return found


def test_a_connection_opens_as_section_3_1_has_it(micropython: Interpreter) -> None:
    # Figure 3.6: protocol name and level; flags user, password, will retained at QoS 1, clean session; keep alive.
    out = sent(micropython, ACCEPTED, "p.connect('p1', 'a/status', 'offline', 'probes', 'pw')")
    assert out[2:12] == b"\x00\x04MQTT\x04\xee\x00\x3c"
    assert out[12:] == b"\x00\x02p1\x00\x08a/status\x00\x07offline\x00\x06probes\x00\x02pw"
    assert (out[0], out[1]) == (0x10, len(out) - 2)


def test_a_user_may_have_no_password_and_there_may_be_no_user(micropython: Interpreter) -> None:
    assert sent(micropython, ACCEPTED, "p.connect('p', 's', 'w', 'u')")[9] == 0xAE
    assert sent(micropython, ACCEPTED, "p.connect('p', 's', 'w')")[9] == 0x2E


@pytest.mark.parametrize(
    ("length", "encoded"),
    # Table 2.4: where the remaining length takes another byte.
    [(127, "7f"), (128, "8001"), (16_383, "ff7f"), (16_384, "808001"), (65_536, "808004")],
)
def test_lengths_are_encoded_as_in_table_2_4(micropython: Interpreter, length: int, encoded: str) -> None:
    payload = length - len(b"\x00\x01t") - 2
    out = sent(micropython, b"\x40\x02\x00\x01", f"p.publish('t', b'x' * {payload})")
    head = bytes.fromhex("32" + encoded)
    assert out.startswith(head + b"\x00\x01t\x00\x01x")
    assert len(out) == len(head) + length


def test_a_retained_message_says_so(micropython: Interpreter) -> None:
    assert sent(micropython, b"\x40\x02\x00\x01", "p.publish('t', b'x', retain=True)")[0] == 0x33


def test_only_the_acknowledgement_of_this_very_message_counts(micropython: Interpreter) -> None:
    others = (
        b"\xd0\x00" + b"\x40\x02\x00\x09" + b"\x20\x02\x00\x01"
    )  # a PINGRESP, another's PUBACK, a stray CONNACK
    for kept_back in (others, others + b"\x40\x02\x00"):
        with pytest.raises(Refused, match="the broker closed the connection"):
            sent(micropython, kept_back, "p.publish('t', b'x')")
    assert sent(micropython, others + b"\x40\x02\x00\x01", "p.publish('t', b'x')")


def test_packet_identifiers_go_round_without_zero(micropython: Interpreter) -> None:
    # Section 2.3.1: a packet identifier is never 0.
    out = sent(micropython, b"\x40\x02\x00\x01", "p._packet_id = 0xFFFF\np.publish('t', b'x')")
    assert out[5:7] == b"\x00\x01"


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (b"", "closed the connection"),
        (b"\x20\x02\x00\x04", "user or password"),  # table 3.1
        (b"\x20\x02\x00\x05", "not authorised"),
        (b"\x20\x02\x00\x77", "code 119"),
        (b"HTTP/1.1 400 Bad Request" + b"." * 100, "no MQTT broker answers there"),
        (b"\x20\xff\xff\xff\xff\xff", "no MQTT broker answers there"),
    ],
)
def test_a_refusal_is_an_oserror_in_words(micropython: Interpreter, answers: bytes, said: str) -> None:
    with pytest.raises(Refused, match=said):
        sent(micropython, answers, "p.connect('p', 's', 'w')")
    assert micropython.run("import mqtt\n_ = issubclass(mqtt.MqttError, OSError)")
