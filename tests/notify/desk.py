"""A target's notices without a database: steps come in, time passes, messages come out."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import SecretStr

from underlid.model import (
    Alarm,
    AlarmState,
    Finding,
    Notice,
    Priority,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.notify import compose
from underlid.notify.gather import Told, gather
from underlid.notify.words import say
from underlid.notify.worsening import news
from underlid.target import Target

VIENNA = ZoneInfo("Europe/Vienna")
HOUR_MS, MINUTE_MS = 3_600_000, 60_000


def at(text: str) -> int:
    """'25 21:30' as a time of November 2026 in Vienna."""
    moment = datetime.strptime(f"2026-11-{text}", "%Y-%m-%d %H:%M").replace(tzinfo=VIENNA)
    return round(moment.timestamp() * 1000)


def target(**fields: object) -> Target:
    return Target.model_validate({"name": "Keeper", "url": SecretStr("json://127.0.0.1:9/")} | fields)


@dataclass
class Desk:
    """One target, the alarms there are, and every message so far as (time, message)."""

    target: Target
    alarms: dict[int, Alarm] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    told: list[tuple[int, Told]] = field(default_factory=list)

    def take(
        self,
        number: int,
        cause: str,
        now_ms: int,
        priority: Priority = Priority.TODAY,
        rule: str = "too-cold",
        value: float = 4.0,
        forecast: bool = False,
    ) -> None:
        """A step of alarm `number`."""
        over = cause == "returned"
        finding = Finding(
            rule,
            Verdict.CLEAR if over else Verdict.HOLDS,
            now_ms,
            forecast,
            Priority.ROUND if over else priority,
            value=value,
            limit=5.0,
            unit="Cel",
            headline=f"Bin {number} is fine" if over else f"Bin {number} is at {value} °C",
            advice="" if over else f"Insulate bin {number}.",
            caution="" if over else "Mind the heater.",
        )
        before = self.alarms.get(number)
        up = before is not None and before.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
        after = AlarmState.UNACKNOWLEDGED
        if over:
            after = (
                AlarmState.NORMAL
                if before and before.state is AlarmState.ACKNOWLEDGED
                else AlarmState.RETURNED
            )
        alarm = Alarm(
            number,
            Subject(SubjectKind.BIN, f"bin-{number}"),
            rule,
            after,
            raised_ms=before.raised_ms if before and up else now_ms,
            finding=finding,
        )
        self.alarms[number] = alarm
        step = Transition(alarm, now_ms, AlarmState.NORMAL, after, cause)
        for notice in compose.notices(step, f"Bin {number}", [self.target], VIENNA):
            self.notices.append(replace(notice, id=len(self.notices) + 1))

    def put(self, number: int, state: AlarmState) -> None:
        self.alarms[number] = replace(self.alarms[number], state=state)

    def now_at(self, number: int, value: float, priority: Priority = Priority.TODAY) -> None:
        """What the rule says of a standing alarm changes without a step."""
        alarm = self.alarms[number]
        assert alarm.finding is not None
        headline = f"Bin {number} is at {value} °C"
        finding = replace(alarm.finding, value=value, priority=priority, headline=headline)
        self.alarms[number] = replace(alarm, finding=finding)

    def latest(self, told_only: bool) -> dict[int, Notice]:
        return {n.alarm_id: n for n in self.notices if n.told_ms is not None or not told_only}

    def gather(self, now_ms: int, urgent_only: bool = False) -> list[Told]:
        """What is told now."""
        pending = [notice for notice in self.notices if notice.due_ms is not None]
        told = self.latest(told_only=True)
        result = gather(self.target, pending, told, self.alarms, now_ms, VIENNA, urgent_only)
        for each in result.told:
            self.told.append((now_ms, each))
            for notice in each.notices:
                self._settle(replace(notice, due_ms=None, told_ms=now_ms, outcome=each.key))
        for some, why in result.dropped:
            for notice in some:
                self._settle(replace(notice, due_ms=None, outcome=why))
        for some, due_ms, held in result.put_off:
            assert due_ms > now_ms
            for notice in some:
                self._settle(replace(notice, due_ms=due_ms, held=held or notice.held))
        return result.told

    def look_for_worse(self, now_ms: int) -> list[Notice]:
        told = self.latest(told_only=True)
        found = [
            news(self.target, alarm, last, told.get(number), now_ms)
            for number, alarm in self.alarms.items()
            if (last := self.latest(told_only=False).get(number)) is not None
        ]
        new = [replace(n, id=len(self.notices) + 1 + k) for k, n in enumerate(filter(None, found))]
        self.notices += new
        return new

    def until(self, from_ms: int, to_ms: int, every_ms: int = MINUTE_MS) -> list[tuple[str, str]]:
        """Gather again and again; what was said, as titles and bodies."""
        said = []
        for now_ms in range(from_ms, to_ms + 1, every_ms):
            said += [say(each) for each in self.gather(now_ms)]
        return said

    def _settle(self, notice: Notice) -> None:
        self.notices[notice.id - 1] = notice
