"""A time server, or none."""

import bridge

host = ""


def time():
    if not bridge.has_time_server():
        raise OSError(110)  # ETIMEDOUT
    return bridge.true_s() - 946_684_800
