"""A browser's line to the service, bounded: how many there are, how long a head may take, and how large it may be.

Whoever is on the network may open lines; the server itself would let each of them wait, and grow, for ever.
"""

import asyncio
from typing import Any

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

# Of a phone's browser, six; of all that look at once on a large farm, some hundreds. Common practice, no source.
MOST_LINES, MOST_OF_AN_ADDRESS = 1000, 100
HEAD_WITHIN_S, HEAD_BYTES = 20.0, 65_536


class Line(HttpToolsProtocol):
    """Closed where a request's head does not come soon, is too large, or too many lines are open."""

    behind_proxy = False  # true: all lines come from the proxy's address

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)  # type: ignore[arg-type]
        self._head_bytes = 0
        self._late: asyncio.TimerHandle | None = None
        others: list[Any] = list(self.connections)
        if len(others) > MOST_LINES or (
            not self.behind_proxy and self.client and self._of_its_address(others) > MOST_OF_AN_ADDRESS
        ):
            self.transport.abort()
            return
        self._expect_a_head()

    def connection_lost(self, exc: Exception | None) -> None:
        self._head_is_there()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self._late is not None:
            self._head_bytes += len(data)
            if self._head_bytes > HEAD_BYTES:
                self.transport.abort()

    def on_message_begin(self) -> None:
        super().on_message_begin()
        self._expect_a_head()

    def on_headers_complete(self) -> None:
        self._head_is_there()
        super().on_headers_complete()

    def _expect_a_head(self) -> None:
        self._head_is_there()
        self._head_bytes = 0
        self._late = self.loop.call_later(HEAD_WITHIN_S, self.transport.abort)

    def _head_is_there(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _of_its_address(self, others: list[Any]) -> int:
        assert self.client is not None
        return sum(bool(other.client) and other.client[0] == self.client[0] for other in others)
