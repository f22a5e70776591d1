"""Who is told of what changed: the parts of this process, and by the bus the other processes of the service."""

from collections.abc import Callable, Iterable
from typing import Protocol

from underlid.model import Subject, SubjectKind
from underlid.watch import Watch
from underlid.web.live import Hub


class Bus(Protocol):
    def say(self, kind: str, *ids: str) -> None:
        """Tell the other processes."""


class News:
    """On the event loop's thread. `bus` is None where this is the only process."""

    def __init__(self, hub: Hub) -> None:
        self.bus: Bus | None = None
        self.watch: Watch | None = None
        self.forget_calibrations: Callable[[], None] = lambda: None
        self._hub = hub

    def readings_arrived(self, channel_ids: Iterable[int]) -> None:
        self._tell("readings", *map(str, channel_ids))

    def subject_changed(self, subject: Subject) -> None:
        self._tell("subject", str(subject))

    def everything_changed(self) -> None:
        self._tell("everything")

    def calibrated(self) -> None:
        self._tell("calibrated")

    def nudge(self, kind: str, id_: str) -> None:
        self._tell("nudge", f"{kind}/{id_}")

    def heard(self, kind: str, ids: list[str]) -> None:
        """Pass on what was said here or by another process; what a later program says is left alone."""
        if kind == "readings" and self.watch is not None:
            self.watch.readings_arrived(map(int, ids))
        elif kind == "subject" and self.watch is not None:
            for each in ids:
                name, _, id_ = each.partition("/")
                self.watch.subject_changed(Subject(SubjectKind(name), id_))
        elif kind == "everything" and self.watch is not None:
            self.watch.everything_changed()
        elif kind == "calibrated":
            self.forget_calibrations()
        elif kind == "nudge":
            for each in ids:
                name, _, id_ = each.partition("/")
                self._hub.nudge(name, id_)

    def missed(self) -> None:
        """Something may have been said that was not heard."""
        self.heard("calibrated", [])
        self.heard("everything", [])

    def _tell(self, kind: str, *ids: str) -> None:
        self.heard(kind, list(ids))
        if self.bus is not None:
            self.bus.say(kind, *ids)
