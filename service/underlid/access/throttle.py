"""How often somebody may try to sign in. Bounded in memory, whoever comes from wherever."""

import ipaddress
from collections import OrderedDict, deque

WINDOW_S = 900
PER_ADDRESS, PER_NAME, IN_ALL = 10, 30, 300  # tries in the window that failed: common practice, no source
MOST_KEYS = 4096


class Throttle:
    """Tries by address, by name and in all; who has too many waits until the oldest is a window ago.

    A try counts from its beginning, so that many at once are no way around; one that succeeds is taken back, with all
    of its address. Times are seconds of a clock that never jumps.
    """

    def __init__(self) -> None:
        self._tries: OrderedDict[tuple[str, str], deque[float]] = OrderedDict()
        self._all: deque[float] = deque(maxlen=IN_ALL)

    def wait_s(self, address: str, name: str, now_s: float) -> float:
        """How long to wait before the next try; 0 where it may be now."""
        waits = [_wait(self._all, IN_ALL, now_s)]
        for key, most in _keys(address, name):
            waits.append(_wait(self._tries.get(key, deque()), most, now_s))
        return max(waits)

    def begin(self, address: str, name: str, now_s: float) -> None:
        self._all.append(now_s)
        for key, most in _keys(address, name):
            self._tries.setdefault(key, deque(maxlen=most)).append(now_s)
            self._tries.move_to_end(key)
        while len(self._tries) > MOST_KEYS:
            self._tries.popitem(last=False)

    def succeeded(self, address: str, name: str) -> None:
        for key, _ in _keys(address, name):
            if key in self._tries:
                self._tries[key].pop()
                if key[0] == "address" or not self._tries[key]:
                    del self._tries[key]
        self._all.pop()

    def __len__(self) -> int:
        """How many addresses and names are remembered."""
        return len(self._tries)


def _keys(address: str, name: str) -> tuple[tuple[tuple[str, str], int], ...]:
    return (("address", _network(address)), PER_ADDRESS), (("name", name.casefold()[:80]), PER_NAME)


def _network(address: str) -> str:
    """An address of version 6 stands for its /64: whoever has one has them all."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    return str(ipaddress.ip_network((parsed, 64), strict=False)) if parsed.version == 6 else str(parsed)


def _wait(tries: "deque[float]", most: int, now_s: float) -> float:
    """0 while fewer than `most` lie within the window; the queue holds the newest `most`."""
    return max(tries[0] + WINDOW_S - now_s, 0.0) if len(tries) == most else 0.0
