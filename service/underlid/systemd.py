"""What systemd is told: ready, alive, stopping (sd_notify(3)); nothing where it does not ask."""

import asyncio
import contextlib
import os
import socket


def tell(state: str) -> None:
    """Send a line such as READY=1 to the service manager; one that does not listen is passed over."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sending:
        sending.setblocking(False)
        sending.sendto(state.encode(), f"\0{address[1:]}" if address[0] == "@" else address)


def watchdog_s() -> float | None:
    """How long the event loop may be silent before systemd starts the service anew; None: it does not watch."""
    if os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    microseconds = os.environ.get("WATCHDOG_USEC", "")
    return int(microseconds) / 1e6 if microseconds.isdecimal() and int(microseconds) else None


async def keep_alive() -> None:
    """Tell at half the watchdog's time that the event loop turns; a part that is degraded is no reason to restart."""
    patience_s = watchdog_s()
    while patience_s is not None:
        tell("WATCHDOG=1")
        await asyncio.sleep(patience_s / 2)
