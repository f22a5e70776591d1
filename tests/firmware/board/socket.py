"""Sockets over file descriptors that the test has connected; each can be used once."""

import binascii

import bridge

SOCK_STREAM, SOL_SOCKET, SO_REUSEADDR = 1, 1, 2


def getaddrinfo(host, port, family, kind):
    return [(2, kind, 0, "", (host, port))]


class socket:  # noqa: N801  its name on a board
    def __init__(self, line=-1):
        self._line = line

    def settimeout(self, seconds):
        pass

    def setsockopt(self, level, option, value):
        pass

    def bind(self, address):
        pass

    def listen(self, backlog):
        pass

    def accept(self):
        line = bridge.visitor()
        if line < 0:
            bridge.pass_ms(1000)
            raise OSError(11)  # EAGAIN: nobody came
        return socket(line), ("192.168.4.2", 50000)

    def connect(self, address):
        self._line = bridge.dial(*address)
        if self._line < 0:
            raise OSError(111)  # ECONNREFUSED

    def read(self, count):
        answer = bridge.receive(self._line, count)
        if answer == "timeout":
            raise OSError(110)  # ETIMEDOUT
        return binascii.unhexlify(answer)

    recv = read

    def write(self, data):
        if not bridge.send(self._line, binascii.hexlify(data).decode()):
            raise OSError(104)  # ECONNRESET

    def close(self):
        bridge.hang_up(self._line)
