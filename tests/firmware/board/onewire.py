"""A 1-Wire bus with the thermometers of the scene. A conversion takes its time, or the register keeps 85 degrees."""

import binascii
import json

import bridge

CONVERT, READ, SELECT_ALL = 0x44, 0xBE, 0xCC


class OneWireError(Exception):
    pass


class OneWire:
    SKIP_ROM = SELECT_ALL

    def __init__(self, pin):
        self._scratchpads = json.loads(bridge.thermometers())
        self._chosen = None

    def scan(self):
        return [bytearray(binascii.unhexlify(number)) for number in self._scratchpads]

    def reset(self, required=False):
        if required and bridge.is_wire_cut():
            raise OneWireError

    def writebyte(self, value):
        if value == CONVERT:
            bridge.convert()

    def select_rom(self, rom):
        self._chosen = binascii.hexlify(rom).decode()

    def readinto(self, buffer):
        power_on = "50054b467fff0c101c"
        answer = self._scratchpads[self._chosen] if bridge.is_converted() else power_on
        buffer[:] = binascii.unhexlify(answer)
