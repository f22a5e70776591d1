"""Test messages: is what is written in the settings heard by the person?"""

import threading
from collections.abc import Mapping

from underlid.clock import Clock
from underlid.model import Message
from underlid.notify.targets import Send, SendError

WITHIN_S = 30.0
TITLE = "Test from Underlid"
BODY = "If you read this, alarms reach you here. There is nothing to do."


class Trials:
    """Sends test messages past the outbox, one at a time to each target."""

    def __init__(self, senders: Mapping[str, Send], clock: Clock) -> None:
        self._senders = senders
        self._clock = clock
        self._under_way: set[str] = set()
        self._lock = threading.Lock()

    def send(self, name: str) -> str | None:
        """Send a test message: None when it was taken, else why not. KeyError for a target that is not there."""
        send = self._senders[name]
        now_ms = self._clock()
        key = f"test/{now_ms}"
        message = Message(key, name, TITLE, f"{BODY}\n\n[{key}]", now_ms)
        with self._lock:
            if name in self._under_way:
                return "it has not answered the last test yet"
            self._under_way.add(name)
        said: list[str | None] = []

        def work() -> None:
            try:
                send(message)
                said.append(None)
            except SendError as error:
                said.append(str(error))
            except Exception as error:
                said.append(f"{type(error).__name__} in the sender")
            finally:
                self._under_way.discard(name)

        thread = threading.Thread(target=work, name="test message", daemon=True)
        thread.start()
        thread.join(WITHIN_S)
        return said[0] if said else f"it did not answer within {WITHIN_S:.0f} s"
