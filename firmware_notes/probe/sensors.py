"""The pins: what is connected, read once."""

import time

import battery
import ds18b20
import moisture
import sht3x
from machine import ADC, I2C, Pin
from onewire import OneWire, OneWireError

_CONVERT, _READ_SCRATCHPAD = 0x44, 0xBE
_TROUBLES = (OSError, ValueError, OneWireError)
_FAMILY = 0x28  # of the DS18B20, the first byte of its serial number


def read(settings: dict) -> tuple:
    """({channel: value}, faults): what each sensor says, and why those that can't be trusted are left out."""
    values = {}
    faults = []
    readers = {"ds18b20": _thermometers, "moist": _moisture, "sht3x": _air, "battery": _battery}
    for sensor in settings["sensors"]:
        try:
            readers[sensor](settings, values, faults)
        except _TROUBLES as error:
            faults.append(f"{sensor}: {error}")
    return values, faults


def serial_numbers(pin: int) -> list:
    """The serial numbers of the thermometers on the wire, in a steady order."""
    return sorted(bytes(rom).hex() for rom in OneWire(Pin(pin)).scan() if rom[0] == _FAMILY)


def _thermometers(settings: dict, values: dict, faults: list) -> None:
    wire = OneWire(Pin(settings["pins"]["ds18b20"]))
    numbers = serial_numbers(settings["pins"]["ds18b20"])
    if not numbers:
        raise ValueError("no thermometer answers")
    wire.reset(True)
    wire.writebyte(wire.SKIP_ROM)
    wire.writebyte(_CONVERT)
    time.sleep_ms(ds18b20.CONVERT_MS)
    for place, number in enumerate(numbers):
        name = settings["names"].get(number) or (f"temp{place + 1}" if place else "temp")
        scratchpad = bytearray(9)
        try:
            wire.reset(True)
            wire.select_rom(bytes.fromhex(number))
            wire.writebyte(_READ_SCRATCHPAD)
            wire.readinto(scratchpad)
            values[name] = ds18b20.temperature_c(scratchpad)
        except _TROUBLES as error:
            faults.append(f"{name}: {error}")


def _moisture(settings: dict, values: dict, faults: list) -> None:  # noqa: ARG001
    power = Pin(settings["pins"]["moist_power"], Pin.OUT, value=1)
    try:
        time.sleep_ms(moisture.SETTLE_MS)
        values["moist"] = moisture.millivolts(_samples_uv(settings["pins"]["moist"], moisture.SAMPLES))
    finally:
        power.value(0)


def _air(settings: dict, values: dict, faults: list) -> None:  # noqa: ARG001
    bus = I2C(0, sda=Pin(settings["pins"]["sda"]), scl=Pin(settings["pins"]["scl"]), freq=100_000)
    bus.writeto(sht3x.ADDRESS, sht3x.MEASURE)
    time.sleep_ms(sht3x.MEASURE_MS)
    values["air-temp"], values["air-rh"] = sht3x.convert(bus.readfrom(sht3x.ADDRESS, 6))


def _battery(settings: dict, values: dict, faults: list) -> None:  # noqa: ARG001
    samples = _samples_uv(settings["pins"]["battery"], battery.SAMPLES)
    values["batt"] = battery.volts(samples, *settings["battery_ohm"])


def _samples_uv(pin: int, count: int) -> list:
    converter = ADC(Pin(pin), atten=ADC.ATTN_11DB)
    return [converter.read_uv() for _ in range(count)]
