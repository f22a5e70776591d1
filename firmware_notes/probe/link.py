"""Wi-Fi, the time, and a stream to the broker."""

import socket
import time

import network

JOIN_MS = 15_000
ANSWER_S = 10
UNIX_AT_2000_S = 946_684_800


def join(settings: dict) -> object:
    """The station interface, joined. Raises OSError where the Wi-Fi is away."""
    if settings["country"]:
        network.country(settings["country"])
    station = network.WLAN(network.STA_IF)
    station.active(True)
    station.connect(settings["wifi"], settings["wifi_password"] or None)
    started = time.ticks_ms()
    while not station.isconnected():
        if time.ticks_diff(time.ticks_ms(), started) > JOIN_MS:
            raise OSError(f"Wi-Fi '{settings['wifi']}' is not there, or the password is wrong")
        time.sleep_ms(50)
    return station


def leave() -> None:
    network.WLAN(network.STA_IF).active(False)


def unix_s(server: str) -> int:
    """Seconds since 1970, from a time server. Raises OSError where none answers."""
    import ntptime

    ntptime.host = server
    ntptime.timeout = 3
    return ntptime.time() + (UNIX_AT_2000_S if time.gmtime(0)[0] == 2000 else 0)


def open_stream(settings: dict, authority: bytes) -> object:
    """A stream to the broker; with TLS only to one that `authority` (DER) vouches for. Raises OSError."""
    address = socket.getaddrinfo(settings["broker"], settings["port"], 0, socket.SOCK_STREAM)[0][-1]
    stream = socket.socket()
    try:
        stream.settimeout(ANSWER_S)
        stream.connect(address)
        return _secured(stream, settings["broker"], authority) if settings["tls"] else stream
    except OSError:
        stream.close()
        raise


def _secured(stream: object, host: str, authority: bytes) -> object:
    import ssl

    if not authority:
        raise OSError("TLS needs the authority's certificate, in the file ca.der")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_verify_locations(cadata=authority)
    return context.wrap_socket(stream, server_hostname=host)
