"""An SHT3x-class air sensor: six bytes to degrees Celsius and relative humidity, or why not."""

ADDRESS = 0x44
MEASURE = b"\x24\x00"  # once, high repeatability, no clock stretching (data sheet)
MEASURE_MS = 16


def crc8(data: bytes) -> int:
    """The sensor's check sum: polynomial 0x31, starting at 0xFF."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ (0x31 if crc & 0x80 else 0)) & 0xFF
    return crc


def convert(answer: bytes) -> tuple:
    """(degrees Celsius, per cent relative humidity). Raises ValueError where a check sum is wrong."""
    if len(answer) != 6 or crc8(answer[:2]) != answer[2] or crc8(answer[3:5]) != answer[5]:
        raise ValueError("check sum of the air sensor: a loose wire, or cables too long")
    ticks_t = answer[0] << 8 | answer[1]
    ticks_rh = answer[3] << 8 | answer[4]
    return round(175 * ticks_t / 65535 - 45, 2), round(100 * ticks_rh / 65535, 1)
