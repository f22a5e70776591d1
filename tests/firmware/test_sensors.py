"""The sensors' registers, check sums and refusals, computed by MicroPython, against the makers' data sheets."""

import pytest

from firmware.conftest import Interpreter, Refused

# DS18B20 data sheet, table 'temperature/data relationship': register and degrees.
REGISTERS = {
    0x07D0: 125.0,
    0x0550: 85.0,
    0x0191: 25.0625,
    0x00A2: 10.125,
    0x0008: 0.5,
    0x0000: 0.0,
    0xFFF8: -0.5,
    0xFF5E: -10.125,
    0xFE6F: -25.0625,
    0xFC90: -55.0,
}


def scratchpad(micropython: Interpreter, register: int, config: int = 0x7F) -> bytes:
    body = bytes((register & 0xFF, register >> 8, 0x4B, 0x46, config, 0xFF, 0x0F, 0x10))
    return body + bytes((micropython.call("ds18b20.crc8", body),))


@pytest.mark.parametrize(("register", "degrees"), REGISTERS.items(), ids=lambda each: str(each))
def test_a_register_is_the_degrees_of_the_data_sheet(
    micropython: Interpreter, register: int, degrees: float
) -> None:
    assert micropython.call("ds18b20.register_c", register) == degrees
    if degrees != 85:
        assert micropython.call("ds18b20.temperature_c", scratchpad(micropython, register)) == degrees


def test_the_1_wire_check_sum_is_that_of_the_makers_example(micropython: Interpreter) -> None:
    # Application note 27 on 1-Wire check sums: serial number 02 1C B8 01 00 00 00 has A2 (from memory).
    assert micropython.call("ds18b20.crc8", bytes.fromhex("021cb801000000")) == 0xA2
    # The scratchpad at power-on ends with 1C (from memory).
    assert micropython.call("ds18b20.crc8", bytes.fromhex("50054b467fff0c10")) == 0x1C


def test_the_value_at_power_on_is_no_temperature(micropython: Interpreter) -> None:
    with pytest.raises(Refused, match="no conversion took place"):
        micropython.call("ds18b20.temperature_c", scratchpad(micropython, 0x0550))


@pytest.mark.parametrize("byte", range(9))
def test_any_wrong_byte_of_a_scratchpad_is_refused(micropython: Interpreter, byte: int) -> None:
    data = bytearray(scratchpad(micropython, 0x0191))
    data[byte] ^= 0x10
    with pytest.raises(Refused, match="check sum"):
        micropython.call("ds18b20.temperature_c", bytes(data))


def test_a_wire_held_down_or_cut_off_is_refused_though_zeros_have_the_check_sum_zero(
    micropython: Interpreter,
) -> None:
    assert micropython.call("ds18b20.crc8", bytes(8)) == 0
    with pytest.raises(Refused, match="held down"):
        micropython.call("ds18b20.temperature_c", bytes(9))
    with pytest.raises(Refused, match="check sum"):
        micropython.call("ds18b20.temperature_c", b"\xff" * 9)


@pytest.mark.parametrize(
    ("config", "step"),
    [(0x1F, 0.5), (0x3F, 0.25), (0x5F, 0.125), (0x7F, 0.0625)],
    ids=["9", "10", "11", "12"],
)
def test_undefined_low_bits_of_a_lower_resolution_are_left_out(
    micropython: Interpreter, config: int, step: float
) -> None:
    # Data sheet: 9 bits leave bits 2 to 0 undefined, 10 bits 1 and 0, 11 bits 0; the steps are those of the sheet.
    found = micropython.call("ds18b20.temperature_c", scratchpad(micropython, 0x0191 | 0x0007, config))
    assert found == 25.4375 // step * step


def test_the_air_sensors_check_sum_and_conversion_are_those_of_the_data_sheet(
    micropython: Interpreter,
) -> None:
    # SHT3x-DIS data sheet: CRC(0xBEEF) = 0x92; T = -45 + 175 S/65535, RH = 100 S/65535.
    assert micropython.call("sht3x.crc8", b"\xbe\xef") == 0x92
    word = b"\x66\x66" + bytes((micropython.call("sht3x.crc8", b"\x66\x66"),))
    assert micropython.call("sht3x.convert", word + word) == (25.0, 40.0)
    low = b"\0\0" + bytes((micropython.call("sht3x.crc8", b"\0\0"),))
    high = b"\xff\xff" + bytes((micropython.call("sht3x.crc8", b"\xff\xff"),))
    assert micropython.call("sht3x.convert", low + high) == (-45.0, 100.0)
    assert micropython.call("sht3x.convert", high + low) == (130.0, 0.0)


@pytest.mark.parametrize("byte", range(6))
def test_any_wrong_byte_of_the_air_sensor_is_refused(micropython: Interpreter, byte: int) -> None:
    data = bytearray(b"\xbe\xef\x92\xbe\xef\x92")
    data[byte] ^= 0x01
    with pytest.raises(Refused, match="check sum"):
        micropython.call("sht3x.convert", bytes(data))


def test_moisture_is_the_median_of_its_samples_so_that_spikes_do_nothing(micropython: Interpreter) -> None:
    samples = [1_500_000] * 40 + [3_100_000] * 10 + [0] * 10 + [1_504_000] * 4
    assert micropython.call("moisture.millivolts", samples) == 1500
    assert micropython.call("moisture.median", [4, 1, 3, 2]) == 2.5


@pytest.mark.parametrize(("mv", "is_taken"), [(149, False), (150, True), (2450, True), (2451, False)])
def test_moisture_is_taken_only_where_the_converter_is_accurate(
    micropython: Interpreter, mv: int, is_taken: bool
) -> None:
    # ESP-IDF 4.4, ADC: 11 dB is accurate from 150 to 2450 mV.
    if is_taken:
        assert micropython.call("moisture.millivolts", [mv * 1000]) == mv
    else:
        with pytest.raises(Refused, match="outside 150 to 2450 mV"):
            micropython.call("moisture.millivolts", [mv * 1000])


def test_the_battery_is_what_stands_before_the_divider(micropython: Interpreter) -> None:
    # Ohm's law: two equal resistors halve; 300 and 100 kilohm give a quarter.
    assert micropython.call("battery.volts", [1_950_000] * 5, 1_000_000, 1_000_000) == 3.9
    assert micropython.call("battery.volts", [1_050_000], 300_000, 100_000) == 4.2
