"""From the notices of one target to messages: one cause, one message; quiet hours; the digest. Pure.

The notices of an alarm are one story: it stands, is over (its beginning was told), or came and went before it could be
told. A story is told at once, after its gathering time; in a summary when quiet hours held it back or it is late; or in
the digest when it is below what the target is told.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from enum import Enum

from underlid.model import Alarm, AlarmState, Message, Notice, Priority
from underlid.notify.compose import NOT_TOLD, RETURNED
from underlid.notify.hours import next_daily_ms, quiet_until_ms
from underlid.notify.worsening import again_from_ms
from underlid.target import Target, outranks

LATE_MS = 30 * 60_000  # told so long after it was due, it may be news no more
_SILENT = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)


class Kind(Enum):
    STANDS = "stands"
    OVER = "over"
    PASSED = "came and went"


class Lead(Enum):
    """What a summary is."""

    QUIET = "In the quiet hours"
    LATE = "Told late"
    DIGEST = "Today's digest"


@dataclass(frozen=True, slots=True)
class Story:
    """The notices of one alarm that a target has not been told, oldest first, and what they come to."""

    kind: Kind
    notices: tuple[Notice, ...]
    priority: Priority  # of what stands; else of what was, or would have been, told
    acknowledged: bool
    alarm: Alarm

    @property
    def last(self) -> Notice:
        return self.notices[-1]

    @property
    def due_ms(self) -> int:
        return min(notice.due_ms for notice in self.notices if notice.due_ms is not None)

    @property
    def is_held(self) -> bool:
        if self.kind is Kind.PASSED:
            return any(notice.held for notice in self.notices)
        return self.last.held

    @property
    def breaks_as(self) -> Priority | None:
        """The priority by which it may break quiet hours; None: nothing that is over may."""
        return self.priority if self.kind is Kind.STANDS else None


@dataclass(frozen=True, slots=True)
class Told:
    """One message to be: stories of one rule, or a summary."""

    stories: tuple[Story, ...]
    lead: Lead | None = None

    @property
    def notices(self) -> list[Notice]:
        return sorted((notice for story in self.stories for notice in story.notices), key=lambda n: n.id)

    @property
    def key(self) -> str:
        """Stable: a notice is in one message only."""
        first, *others = self.notices
        return f"{first.key}+{len(others)}" if others else first.key

    @property
    def priority(self) -> Priority | None:
        standing = {story.breaks_as for story in self.stories}
        return next((priority for priority in Priority if priority in standing), None)


@dataclass(slots=True)
class Gathered:
    """What becomes of notices: told, dropped with the reason, or put off to a time (and held by quiet hours?)."""

    told: list[Told] = field(default_factory=list)
    dropped: list[tuple[Sequence[Notice], str]] = field(default_factory=list)
    put_off: list[tuple[Sequence[Notice], int, bool]] = field(default_factory=list)


def gather(
    target: Target,
    pending: Iterable[Notice],
    told: Mapping[int, Notice],
    alarms: Mapping[int, Alarm],
    now_ms: int,
    zone: tzinfo,
    urgent_only: bool = False,
) -> Gathered:
    """What to do now with a target's notices that are not settled, oldest first.

    `told` has the latest notice of each alarm that was told there, `alarms` the alarms as they are now. With
    `urgent_only` all else waits, as behind a message that the target did not take.
    """
    result = Gathered()
    zone = target.clocks(zone)
    quiet_ms = quiet_until_ms(target.quiet, now_ms, zone)
    at_once: list[Story] = []
    daily: list[Story] = []
    for story in _stories(pending, told, alarms, result):
        is_urgent = story.breaks_as is Priority.URGENT
        if urgent_only and not is_urgent:
            continue
        if not target.is_told(story.priority):
            if _is_for_digest(story, target, now_ms, quiet_ms, zone, result):
                daily.append(story)
            continue
        again_ms = _again_ms(story, told.get(story.alarm.id))
        is_due = story.due_ms <= now_ms
        if again_ms > now_ms:
            if is_due:
                result.put_off.append((story.notices, again_ms, False))
        elif quiet_ms is not None and not target.breaks(story.breaks_as):
            if is_due:
                result.put_off.append((story.notices, quiet_ms, True))
        elif story.kind is Kind.STANDS and story.acknowledged and not _is_summed_up(story, now_ms):
            result.dropped.append((story.notices, "acknowledged before it was told"))
        else:
            at_once.append(story)
    _tell(at_once, now_ms, result)
    if daily:
        result.told.append(Told(tuple(daily), Lead.DIGEST))
    return result


def _stories(
    pending: Iterable[Notice], told: Mapping[int, Notice], alarms: Mapping[int, Alarm], result: Gathered
) -> list[Story]:
    by_alarm: dict[int, list[Notice]] = {}
    for notice in pending:
        by_alarm.setdefault(notice.alarm_id, []).append(notice)
    stories = []
    for alarm_id, notices in by_alarm.items():
        alarm, before, last = alarms[alarm_id], told.get(alarm_id), notices[-1]
        began = before is not None and before.cause != RETURNED
        begins = [notice for notice in notices if notice.cause != RETURNED]
        acknowledged = alarm.state is AlarmState.ACKNOWLEDGED
        if last.cause != RETURNED:
            if alarm.state in _SILENT:
                result.dropped.append((notices, "shelved or out of service before it was told"))
                continue
            story = Story(Kind.STANDS, tuple(notices), last.priority, acknowledged, alarm)
        elif began and before is not None:
            story = Story(Kind.OVER, tuple(notices), before.priority, acknowledged, alarm)
        elif begins:
            priority = next(p for p in Priority if p in {notice.priority for notice in begins})
            story = Story(Kind.PASSED, tuple(notices), priority, acknowledged, alarm)
        else:
            result.dropped.append((notices, "its beginning was not told"))
            continue
        stories.append(story)
    return stories


def _is_for_digest(
    story: Story, target: Target, now_ms: int, quiet_ms: int | None, zone: tzinfo, result: Gathered
) -> bool:
    """Is it for a digest that is due now?"""
    if target.digest is None:
        result.dropped.append((story.notices, NOT_TOLD))
        return False
    due_ms = next_daily_ms(target.digest, story.notices[0].at_ms, zone)
    if due_ms <= now_ms and quiet_ms is not None:
        due_ms = quiet_ms
    if due_ms > now_ms and story.due_ms <= now_ms:
        result.put_off.append((story.notices, due_ms, False))
    return due_ms <= now_ms


def _again_ms(story: Story, before: Notice | None) -> int:
    """The earliest time at which a forecast that came true is told after the forecast was."""
    if story.kind is not Kind.STANDS or story.last.cause != "worsened" or before is None:
        return 0
    if before.cause == RETURNED or before.told_ms is None or outranks(story.priority, before.priority):
        return 0
    return again_from_ms(before.told_ms, story.priority)


def _is_summed_up(story: Story, now_ms: int) -> bool:
    return story.is_held or now_ms - story.due_ms > LATE_MS


def _tell(stories: list[Story], now_ms: int, result: Gathered) -> None:
    """Stories that are due, with those that belong to them: one message a rule, or one summary of all."""
    due = [story for story in stories if story.due_ms <= now_ms]
    summed_up = [story for story in due if story.kind is Kind.PASSED or _is_summed_up(story, now_ms)]
    if summed_up:
        only_held = all(story.is_held for story in stories)
        lead = Lead.QUIET if all(story.is_held for story in summed_up) else Lead.LATE
        if only_held and not any(_is_news(story) for story in stories):
            for story in stories:
                result.dropped.append(
                    (story.notices, "over or acknowledged before the quiet hours were over")
                )
        else:
            result.told.append(Told(tuple(stories), lead))
        return
    groups: dict[tuple[str, Kind], list[Story]] = {}
    for story in stories:
        groups.setdefault((story.last.rule, story.kind), []).append(story)
    for group in groups.values():
        if any(story.due_ms <= now_ms for story in group):
            result.told.append(Told(tuple(group)))


def _is_news(story: Story) -> bool:
    return story.kind is Kind.OVER or (story.kind is Kind.STANDS and not story.acknowledged)


def message(told: Told, target: Target, title: str, body: str, now_ms: int) -> Message:
    return Message(told.key, target.name, title, body, now_ms, priority=told.priority)
