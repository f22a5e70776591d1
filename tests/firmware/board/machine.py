"""A board's `machine`: pins and memories of the scene the test has set."""

import binascii

import bridge


class Pin:
    IN, OUT, PULL_UP = 0, 1, 2

    def __init__(self, number, mode=IN, pull=None, value=None):
        self.number = number
        if value is not None:
            self.value(value)

    def value(self, level=None):
        if level is None:
            return bridge.pin(self.number)
        bridge.set_pin(self.number, level)
        return None


class ADC:
    ATTN_11DB = 3

    def __init__(self, pin, atten=None):
        assert atten == self.ATTN_11DB, "the narrow ranges can't hold what the sensors give"
        self._pin = pin.number

    def read_uv(self):
        return bridge.converter_uv(self._pin)


class I2C:
    def __init__(self, number, sda, scl, freq):
        pass

    def writeto(self, address, data):
        if not bridge.has_air_sensor():
            raise OSError(19)  # ENODEV
        assert (address, data) == (0x44, b"\x24\x00")

    def readfrom(self, address, count):
        return binascii.unhexlify(bridge.air_answer())[:count]


class RTC:
    def memory(self, data=None):
        if data is None:
            return binascii.unhexlify(bridge.memory())
        bridge.set_memory(binascii.hexlify(data).decode())
        return None

    def datetime(self, parts):
        year, month, day, _, hour, minute, second, _ = parts
        bridge.set_clock(year, month, day, hour, minute, second)


class WDT:
    def __init__(self, timeout):
        bridge.watch(timeout)

    def feed(self):
        bridge.feed()


def unique_id():
    return b"\x02\x00\x00\x4f\xf1\x0a"  # locally administered: nobody's


def deepsleep(ms):
    bridge.sleep(ms)
    raise SystemExit


def reset():
    bridge.sleep(0)
    raise SystemExit
