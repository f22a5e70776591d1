"""Between the ledger and what is pure: notices are written with their step, and turned into messages when due."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from underlid.clock import Clock
from underlid.model import AlarmState, Transition
from underlid.notify.compose import notices as notices_of
from underlid.notify.compose import state_message
from underlid.notify.gather import Gathered, gather, message
from underlid.notify.retry import GIVE_UP_AFTER_MS
from underlid.notify.words import say
from underlid.notify.worsening import news
from underlid.store import alarms, catalogue, notices, outbox
from underlid.store.ledger import Connection, Ledger
from underlid.target import Target

# A key need only be known while its step can be told again, and a step is written once; weeks are for who looks back.
KEPT_MS = 60 * 24 * 3_600_000
GONE = "this target is no longer in the settings"


class Post:
    """Writes what is to be sent. A message and the end of its notices share a transaction, as a step and its
    notices do, so that no crash loses or doubles one."""

    def __init__(self, ledger: Ledger, targets: Sequence[Target], clock: Clock) -> None:
        self._ledger = ledger
        self._targets = targets
        self._clock = clock

    def step(self, connection: Connection, step: Transition, name: str) -> None:
        """Write what a step is to say, in the step's own transaction."""
        outbox.put(connection, [state_message(step, name)])
        notices.put(connection, notices_of(step, name, self._targets, zone(connection)))

    def gather(self) -> None:
        """Turn the notices that are due into messages of the outbox."""
        now_ms = self._clock()
        with self._ledger.reading() as connection:
            if not notices.any_due(connection, now_ms, [target.name for target in self._targets]):
                return
            done = [
                (target, found)
                for target in self._targets
                if (found := self._gather(connection, target, now_ms)) != Gathered()
            ]
        with self._ledger.writing() as connection:
            for target, gathered in done:
                for told in gathered.told:
                    title, body = say(told)
                    outbox.put(connection, [message(told, target, title, body, now_ms)])
                    notices.told(connection, told.notices, now_ms, told.key)
                for some, why in gathered.dropped:
                    notices.dropped(connection, some, why)
                for some, due_ms, held in gathered.put_off:
                    notices.put_off(connection, some, due_ms, held)

    def _gather(self, connection: Connection, target: Target, now_ms: int) -> Gathered:
        waiting = notices.pending(connection, target.name)
        if not any(notice.due_ms is not None and notice.due_ms <= now_ms for notice in waiting):
            return Gathered()
        ids = sorted({notice.alarm_id for notice in waiting})
        told = notices.latest(connection, target.name, ids, told_only=True)
        present = {alarm_id: alarms.alarm(connection, alarm_id) for alarm_id in ids}
        return gather(
            target,
            waiting,
            told,
            {alarm_id: alarm for alarm_id, alarm in present.items() if alarm is not None},
            now_ms,
            zone(connection),
            urgent_only=outbox.holds_up(connection, target.name),
        )

    def tidy(self) -> None:
        """Take out what was settled weeks ago; give up notices of targets that did not come back."""
        now_ms = self._clock()
        before_ms, given_up_ms = now_ms - KEPT_MS, now_ms - GIVE_UP_AFTER_MS
        names = [target.name for target in self._targets]
        with self._ledger.writing() as connection:
            notices.drop_others(connection, names, given_up_ms, GONE)
            outbox.prune(connection, before_ms)
            notices.prune(connection, before_ms)

    def look_for_worse(self) -> None:
        """Write a notice for each alarm that nobody acknowledged and that got worse since it was told."""
        now_ms = self._clock()
        found = []
        with self._ledger.reading() as connection:
            live = alarms.alarms(connection, live_only=True)
            standing = [alarm for alarm in live if alarm.state is AlarmState.UNACKNOWLEDGED]
            ids = [alarm.id for alarm in standing]
            for target in self._targets if standing else ():
                last = notices.latest(connection, target.name, ids, told_only=False)
                told = notices.latest(connection, target.name, ids, told_only=True)
                for alarm in standing:
                    before = last.get(alarm.id)
                    if before is not None:
                        found.append(news(target, alarm, before, told.get(alarm.id), now_ms))
        worse = [notice for notice in found if notice is not None]
        if worse:
            with self._ledger.writing() as connection:
                notices.put(connection, worse)


def zone(connection: Connection) -> ZoneInfo:
    farm = catalogue.farm(connection)
    return ZoneInfo(farm.time_zone if farm else "UTC")
