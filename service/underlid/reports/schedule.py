"""The loop that writes reports when they are due: kept, and into the outbox for whoever wants them.

It asks again and again what is due (`due.py`, pure), rather than having an alarm clock set: what was missed while the
service was down is so made up for without a word of its own. That a summary was written is marked by its kept report in
the transaction of its message, so that no restart writes a second one.
"""

import asyncio
from collections.abc import Callable, Sequence
from datetime import date
from zoneinfo import ZoneInfo

import structlog

from underlid.clock import Clock
from underlid.model import Message
from underlid.reports import desk
from underlid.reports.desk import WEEKLY
from underlid.reports.due import due_day, due_week
from underlid.reports.morning import summary_of
from underlid.reports.report import WeeklyReport
from underlid.reports.say import tasks
from underlid.reports.text import totals
from underlid.reports.week import Week, week_of
from underlid.store import catalogue, outbox, reports
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings, StoreError
from underlid.target import Target
from underlid.threads import to_the_end

log = structlog.get_logger("underlid.reports")

DAILY = "daily"
POLL_S = 10.0
AFTER_FAULT_S = 600.0
LATE_MS = 3_600_000  # backlogs of probes come in before the week's report is kept
MOST_TASKS = 12  # in a message; the letter and the page have all


class Schedule:
    """Writes what is due. `posted` is told of new messages, `kept` of a kept report."""

    def __init__(
        self,
        ledger: Ledger,
        readings: Readings,
        targets: Sequence[Target],
        clock: Clock,
        posted: Callable[[], None] = lambda: None,
        kept: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._ledger = ledger
        self._readings = readings
        self._targets = targets
        self._clock = clock
        self._posted = posted
        self._kept = kept
        self.state = "waiting for what is due"

    async def run(self) -> None:
        """Look for what is due until cancelled. A store that fails is tried again at the next look; so is, after a
        while, what a fault kept from being written."""
        while True:
            try:
                wrote = await to_the_end(self.write_due)
                self.state = "waiting for what is due"
            except StoreError as error:
                self.state = f"cannot: {error}"
                log.error("reports have to wait", reason=str(error))
                wrote = 0
            except Exception as error:  # a report that can't be made must not take alarms down with it
                self.state = f"cannot: a fault of the service, {type(error).__name__}: {error}"
                log.exception("a report can't be made")
                await asyncio.sleep(AFTER_FAULT_S)
                continue
            if wrote:
                self._posted()
            await asyncio.sleep(POLL_S)

    def write_due(self) -> int:
        """Write what is due now; gives how many messages that were."""
        now_ms = self._clock()
        with self._ledger.reading() as connection:
            farm = catalogue.farm(connection)
        assert farm is not None, "the farm is made when the service starts"
        zone = ZoneInfo(farm.time_zone)
        wrote = 0
        for target in self._targets:
            if target.daily is not None:
                day = due_day(target.daily, now_ms, target.clocks(zone))
                wrote += day is not None and self._daily(target, day, now_ms)
        last = week_of(now_ms, farm.time_zone).before
        for target in self._targets:
            if target.weekly is not None:
                week = due_week(target.weekly, now_ms, target.clocks(zone), farm.time_zone)
                wrote += week is not None and self._weekly(target, week, now_ms)
        if now_ms >= last.to_ms + LATE_MS:
            self._report(last, now_ms)
        return wrote

    def _daily(self, target: Target, day: date, now_ms: int) -> bool:
        """Write a person's summary of a day unless it was written; one with nothing to say may stay unsent."""
        name = f"{target.name}/{day}"
        with self._ledger.reading() as connection:
            if reports.kept(connection, DAILY, name) is not None or not catalogue.bins(connection):
                return False
            found = summary_of(connection, self._readings, day, now_ms, target.time_zone)
        is_silent = found.is_fine and not target.daily_if_fine
        key = f"{DAILY}/{name}"
        with self._ledger.writing() as connection:
            body = found.model_dump(mode="json")
            reports.keep(connection, reports.Kept(DAILY, name, now_ms, {}, body))
            if not is_silent:
                text = "\n".join([*found.lines, "", f"[{key}]"])
                outbox.put(
                    connection, [Message(key, target.name, found.title[:300], text, now_ms, report=key)]
                )
        log.info("daily summary", to=target.name, day=str(day), sent=not is_silent)
        return not is_silent

    def _weekly(self, target: Target, week: Week, now_ms: int) -> bool:
        """Write a person's report on a week unless it was written, or nothing was read in that week."""
        key = f"{WEEKLY}/{week.name}"
        with self._ledger.reading() as connection:
            if outbox.has(connection, key, target.name):
                return False
        report = self._report(week, now_ms)
        if report is None:
            return False
        with self._ledger.writing() as connection:
            title = f"{report.farm}: week {report.week}"
            text = "\n".join([*brief(report), "", f"[{key}]"])
            outbox.put(connection, [Message(key, target.name, title[:300], text, now_ms, report=key)])
        log.info("weekly report", to=target.name, week=week.name)
        return True

    def _report(self, week: Week, now_ms: int) -> WeeklyReport | None:
        """The kept report on a week, kept now if it is not yet; None for one without readings."""
        if desk.made_ms(self._ledger, week.name) is not None:
            return desk.weekly(self._ledger, self._readings, week.name, now_ms)
        if not desk.has_readings(self._ledger, self._readings, week):
            return None
        report = desk.keep_weekly(self._ledger, self._readings, week.name, now_ms)
        self._kept(week.name)
        log.info("weekly report kept", week=week.name)
        return report


def brief(report: WeeklyReport) -> list[str]:
    """A weekly report for those who get no letter: its totals and what to do."""
    todo = [f"- {names}: {words}" for names, words in tasks(report.tasks)]
    more = [f"- and {len(todo) - MOST_TASKS} more"] if len(todo) > MOST_TASKS else []
    return [
        *totals(report),
        *(["", "Next week:", *todo[:MOST_TASKS], *more] if todo else []),
        *report.cautions,
    ]
