"""What the embedded broker lets grow, and how far."""

from dataclasses import dataclass

MAX_PAYLOAD_BYTES = 1024 * 1024  # more than the intake takes, so that it can say what was too large
MAX_PACKET_BYTES = MAX_PAYLOAD_BYTES + 2048
MAX_CONNECT_BYTES = 64 * 1024

MAX_CLIENTS = 500
MAX_HALF_OPEN = 100  # connections that did not say yet who they are
CONNECT_WITHIN_S = 10.0
TAKE_BACK_EVERY_S = 2.0  # connected probes whose password was taken back are let go so soon
LINGER_S = 5.0  # for a client to take what it was sent before the end

MAX_FILTERS = 100  # of one session, ended ones counted
MAX_UNROUTED = 20  # messages of one client on their way to the router; said as receive maximum
WINDOW = 1_000  # messages sent to a client and not acknowledged
MAX_RETAINED, MAX_RETAINED_BYTES = 2_000, 8 * 1024 * 1024  # of clients; the service's own come on top


@dataclass(frozen=True, slots=True)
class Limits:
    """What is kept for one client at most.

    Beyond it the oldest messages are dropped; where the session lasts, new ones are refused to publishers.
    """

    messages: int
    octets: int


LASTING = Limits(100_000, 64 * 1024 * 1024)
SHORT = Limits(1_000, 4 * 1024 * 1024)
