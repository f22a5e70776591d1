"""The DS18B20's scratchpad: nine bytes to degrees Celsius, or why not."""

CONVERT_MS = 750  # the longest conversion, at 12 bits (data sheet)
POWER_ON = 0x0550  # 85 degrees: what the register holds before the first conversion


def crc8(data: bytes) -> int:
    """The 1-Wire check sum: polynomial x8 + x5 + x4 + 1, bits reversed, starting at 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc


def register_c(register: int) -> float:
    """Degrees of the 16-bit register in two's complement, a sixteenth of a degree a step."""
    return (register - 0x10000 if register & 0x8000 else register) / 16


def temperature_c(scratchpad: bytes) -> float:
    """Degrees of a scratchpad. Raises ValueError with the reason where it can't be trusted."""
    if len(scratchpad) != 9:
        raise ValueError(f"the scratchpad has {len(scratchpad)} bytes, not 9")
    if not any(scratchpad):
        raise ValueError("all bits are 0: the data line is held down")  # and the check sum of zeros is 0
    if crc8(scratchpad[:8]) != scratchpad[8]:
        raise ValueError("check sum: a loose wire, or no pull-up resistor")
    register = scratchpad[0] | scratchpad[1] << 8
    if register == POWER_ON:
        raise ValueError("85.0 degrees, the value at power-on: no conversion took place")
    # Below 12 bits the lowest bits are undefined (data sheet); bits 5 and 6 of byte 4 give the resolution.
    spare = 3 - (scratchpad[4] >> 5 & 3)
    return register_c(register >> spare << spare)
