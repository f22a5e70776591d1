"""What a probe remembers from wake to wake, in memory that lasts through deep sleep but not a power cut."""

import json


class State:
    def __init__(
        self,
        shift_s: int,
        at_s: int = 0,
        waited: int = 0,
        failures: int = 0,
        asked_s: int | None = None,
    ) -> None:
        self.shift_s = (
            shift_s  # what the board's clock showed when power came, and what it was set forward since
        )
        self.at_s = at_s  # seconds since power came, when this was noted
        self.waited = waited  # wakes since the last try to send
        self.failures = failures  # tries in a row that failed
        self.asked_s = asked_s  # when the network was last asked for the time, in board seconds

    @classmethod
    def from_memory(cls, data: bytes, clock_s: int) -> "State | None":
        """None where memory or clock began anew: the power was away. `clock_s` is what the board's clock shows."""
        try:
            state = cls(*json.loads(data))
            return state if clock_s - state.shift_s >= state.at_s else None
        except (ValueError, TypeError):
            return None

    def to_memory(self) -> bytes:
        return json.dumps([self.shift_s, self.at_s, self.waited, self.failures, self.asked_s]).encode()
