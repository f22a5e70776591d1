"""What the API works with, put together by the composition root and handed to every route."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

from fastapi import Depends, Request

from underlid.access.roles import Who
from underlid.access.throttle import Throttle
from underlid.clock import Clock
from underlid.exchange.trials import Trials
from underlid.model import LogEntry, Subject, Transition
from underlid.store.ledger import Connection, Ledger
from underlid.store.readings import Readings
from underlid.target import Target
from underlid.web.live import Hub

WHO = "underlid.who"  # where the gate says whom it has let in


@dataclass(frozen=True, slots=True)
class Context:
    """The stores, the clock, and whom to tell of a change made through the API."""

    ledger: Ledger
    readings: Readings
    clock: Clock
    speed: float
    broker: str
    hub: Hub
    post: Callable[[Connection, Transition, str], None]  # writes what is to be sent for a step
    targets: Sequence[Target]
    try_target: Callable[[str], str | None]  # send a test message: None, or why it was not taken
    parts: Callable[[], dict[str, tuple[bool, str]]]  # each part of the service: is it well, and in words
    subject_changed: Callable[[Subject], None]
    everything_changed: Callable[[], None]
    posted: Callable[[], None]
    nudge: Callable[[str, str], None]
    logged: Callable[[LogEntry], None]
    calibrated: Callable[[], None]
    photos: Path  # the folder of the log's photos
    sign_in: bool = True  # false: whoever reaches the service may do everything
    throttle: Throttle = field(default_factory=Throttle)
    trials: Trials = field(default_factory=Trials)


def _context(request: Request) -> Context:
    context: Context = request.app.state.context
    return context


def _me(request: Request) -> Who | None:
    """Whom the gate has let in; None at addresses that ask for no sign-in."""
    who: Who | None = request.scope[WHO]
    return who


Ctx = Annotated[Context, Depends(_context)]
Me = Annotated[Who | None, Depends(_me)]


def name_of(me: Who | None) -> str:
    """Under which name a change is kept."""
    return me.name if me else "nobody"
