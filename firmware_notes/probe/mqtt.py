"""An MQTT 3.1.1 publisher at QoS 1 over any stream with `read(n)` and `write(bytes)`."""

CONNECT, CONNACK, PUBLISH, PUBACK, DISCONNECT = 0x10, 0x20, 0x30, 0x40, 0xE0
RETAIN, QOS_1 = 0x01, 0x02
KEEP_ALIVE_S = 60
REFUSALS = (
    "",
    "the protocol's version",
    "the client's name",
    "server unavailable",
    "user or password",
    "not authorised",
)


class MqttError(OSError):
    """The broker said no, or said nothing that makes sense."""


class Publisher:
    """One connection. Every failure is an OSError, and the connection is then of no more use."""

    def __init__(self, stream: object) -> None:
        self._stream = stream
        self._packet_id = 0

    def connect(self, client: str, will_topic: str, will: str, user: str = "", password: str = "") -> None:
        """Open a clean session; the broker publishes the will, retained, if the connection dies."""
        flags = 0x02 | 0x04 | QOS_1 << 2 | 0x20  # clean session; will, at QoS 1, retained
        fields = [client, will_topic, will]
        if user:
            flags |= 0x80
            fields.append(user)
            if password:
                flags |= 0x40
                fields.append(password)
        head = _text("MQTT") + bytes((4, flags)) + KEEP_ALIVE_S.to_bytes(2, "big")
        self._send(CONNECT, head + b"".join(_text(field) for field in fields))
        kind, body = self._receive()
        if kind != CONNACK or len(body) != 2:
            raise MqttError("no MQTT broker answers there")
        if body[1]:
            reason = REFUSALS[body[1]] if body[1] < len(REFUSALS) else f"code {body[1]}"
            raise MqttError("the broker refuses: " + reason)

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        """Publish at QoS 1; returns when the broker has acknowledged."""
        self._packet_id = self._packet_id % 0xFFFF + 1
        packet_id = self._packet_id.to_bytes(2, "big")
        flags = QOS_1 | (RETAIN if retain else 0)
        self._send(PUBLISH | flags, _text(topic) + packet_id + payload)
        while True:
            kind, body = self._receive()
            if kind == PUBACK and body == packet_id:
                return

    def disconnect(self) -> None:
        """Leave in good order, so that the will is not published."""
        self._send(DISCONNECT, b"")

    def _send(self, kind: int, body: bytes) -> None:
        length = len(body)
        head = bytearray((kind,))
        while True:
            head.append(length & 0x7F | (0x80 if length > 0x7F else 0))
            length >>= 7
            if not length:
                break
        self._stream.write(bytes(head) + body)

    def _receive(self) -> tuple:
        kind = self._exactly(1)[0]
        length = shift = 0
        while True:
            byte = self._exactly(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
            if shift > 21:
                raise MqttError("no MQTT broker answers there")
        return kind & 0xF0, self._exactly(length)

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = self._stream.read(count - len(data))
            if not more:
                raise MqttError("the broker closed the connection")
            data += more
        return data


def _text(value: str) -> bytes:
    data = value.encode()
    return len(data).to_bytes(2, "big") + data
