"""The watch: judges what has changed, and keeps alarms, messages and conditions in one transaction."""

import asyncio
import contextlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import islice
from typing import Any, Protocol

import orjson
import structlog
from prometheus_client import Counter, Histogram

from underlid.clock import Clock
from underlid.model import Alarm, Finding, Subject, SubjectKind, Transition
from underlid.rules.catalogue import rules_for
from underlid.rules.condition import as_json, condition
from underlid.rules.life import advance, next_due_ms, withdraw
from underlid.rules.probe_health import as_json as health_as_json
from underlid.rules.probe_health import probe_health
from underlid.rules.situation import Situation
from underlid.situations import Airs, situation
from underlid.store import alarms as alarm_store
from underlid.store.ledger import Connection, Ledger, UnkeepableError
from underlid.store.readings import Readings, StoreError
from underlid.survey import Survey, take_survey
from underlid.threads import to_the_end

log = structlog.get_logger("underlid.watch")

STORE_AWAY_S = 5.0  # until the next try when the stores fail
PAUSE_S = 0.2  # at least, between passes, so that a burst of readings is one pass
REST = 3.0  # times as long as a pass took, so that the rules leave the computer to others
REST_AT_MOST_S = 3.0  # a pass held up by a slow disk is no reason to look away for long
POLL_S = 0.5  # how soon the end of a delay is noticed
ROUND_S = 60.0  # everything is judged again this often, for what time alone changes
SHARE = 500  # subjects of such a round in one pass, so that what changed does not wait for a large farm

PASSES = Histogram("underlid_pass_seconds", "How long a pass of the rules took")
TRANSITIONS = Counter("underlid_alarm_transitions", "Steps in the lives of alarms", ["cause"])

Nudge = Callable[[str, str], None]
Post = Callable[[Connection, Transition, str], None]
Publish = Callable[[str, bytes], None]


class Share(Protocol):
    """Which subjects are this process's to judge, where several share them."""

    def is_mine(self, subject: Subject) -> bool: ...

    def still_mine(self, connection: Connection) -> Callable[[Subject], bool]:
        """Of which subjects this process may write in the transaction of a connection."""


class Watch:
    """Judges subjects when their readings, log or limits change, and all of them now and then.

    `post` writes what is to be sent for a transition into its transaction, `publish` puts a state on MQTT,
    `nudge` tells the live stream what changed, `posted` the courier that there is something to send.
    """

    def __init__(
        self,
        ledger: Ledger,
        readings: Readings,
        clock: Clock,
        post: Post,
        publish: Publish,
        nudge: Nudge,
        posted: Callable[[], None],
        share: Share | None = None,
    ) -> None:
        self._ledger = ledger
        self._readings = readings
        self._clock = clock
        self._post = post
        self._publish = publish
        self._nudge = nudge
        self._posted = posted
        self._share = share
        self._channels: set[int] = set()
        self._subjects: set[Subject] = set()
        self._everything = True
        self._survey: Survey | None = None
        self._waiting: dict[Subject, None] = {}  # for the rest of a round, in order
        self._due_ms: dict[Subject, int] = {}
        self._failing: set[Subject] = set()
        self._published: dict[Subject, dict[str, Any]] = {}
        self._wake = asyncio.Event()
        self.state = "starting"

    def readings_arrived(self, channel_ids: Iterable[int]) -> None:
        self._channels |= set(channel_ids)
        self._wake.set()

    def subject_changed(self, subject: Subject) -> None:
        self._subjects.add(subject)
        self._wake.set()

    def everything_changed(self) -> None:
        self._everything = True
        self._wake.set()

    async def run(self) -> None:
        """Judge until cancelled."""
        loop = asyncio.get_running_loop()
        round_due = loop.time()
        while True:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), POLL_S)
            self._wake.clear()
            if loop.time() >= round_due:
                self._everything = True
                round_due = loop.time() + ROUND_S
            now_ms = self._clock()
            ripe = {subject for subject, due_ms in self._due_ms.items() if due_ms <= now_ms}
            if self._everything or self._waiting or self._channels or self._subjects or ripe:
                started = loop.time()
                try:
                    await self._pass(ripe)
                except (StoreError, UnkeepableError) as error:
                    log.error("nothing judged", error=str(error))
                    self.state = f"cannot judge: {error}"
                    self._everything = True
                    await asyncio.sleep(STORE_AWAY_S)
                rest_s = min(REST * (loop.time() - started), REST_AT_MOST_S)
                await asyncio.sleep(max(PAUSE_S, rest_s))

    async def _pass(self, ripe: set[Subject]) -> None:
        channels, self._channels = self._channels, set()
        subjects, self._subjects = self._subjects | ripe, set()
        everything, self._everything = self._everything, False
        for subject in ripe:
            del self._due_ms[subject]  # noted anew where it is judged
        with PASSES.time():
            judged, stepped, posted = await to_the_end(self.judge, channels, subjects, everything)
        for subject in judged:
            self._nudge(subject.kind.value, subject.id)
        for alarm_id in stepped:
            self._nudge("alarm", str(alarm_id))
        if posted:
            self._posted()

    def judge(
        self, channels: set[int], subjects: set[Subject], everything: bool
    ) -> tuple[list[Subject], set[int], bool]:
        """One pass: gives the subjects judged, the alarms that took a step, and whether messages were written.

        The catalogue and the log are read again when something in them was changed, and once a round.
        """
        now_ms = self._clock()
        with self._ledger.reading() as connection:
            survey = self._survey
            if survey is None or everything or subjects:
                survey = self._survey = take_survey(connection, now_ms)
            if everything:
                self._waiting = dict.fromkeys(filter(self._is_mine, sorted(survey.things)))
            chosen = survey.touched_by(channels) | subjects | set(islice(self._waiting, SHARE))
            for subject in chosen:
                self._waiting.pop(subject, None)
            up = alarm_store.up(connection)
        results = []
        airs: Airs = {}
        for subject in filter(self._is_mine, sorted(chosen & survey.things.keys())):
            rules = rules_for(subject.kind)
            active = {rule.id: (subject, rule.id) in up for rule in rules}
            try:
                seen = situation(survey, self._readings, subject, now_ms, active, airs)
                findings = [(rule, rule.judge(seen)) for rule in rules]
                body = _condition(seen, [finding for _, finding in findings])
            except Exception:
                # A fault in the judgement of one bin must not keep the others unwatched.
                log.exception("could not judge", subject=str(subject))
                self._failing.add(subject)
                self._due_ms.pop(subject, None)  # the next round tries again
                continue
            self._failing.discard(subject)
            results.append((subject, seen.name, seen.limits, findings, body))
        taken: list[Transition] = []
        with self._ledger.writing() as connection:
            # Who was slow may have lost some to another process, which has judged them since.
            is_mine = self._share.still_mine(connection) if self._share else self._is_mine
            results = [result for result in results if is_mine(result[0])]
            for subject, name, limits, findings, body in results:
                if body:
                    alarm_store.save_condition(connection, subject, now_ms, body)
                stored = {alarm.rule: alarm for alarm in alarm_store.alarms(connection, subject)}
                due = []
                for rule, finding in findings:
                    alarm = stored.get(rule.id, Alarm(0, subject, rule.id))
                    delays = rule.on_delay_ms(limits), rule.off_delay_ms(limits)
                    after, steps = advance(alarm, finding, now_ms, *delays)
                    due.append(next_due_ms(after, now_ms, *delays))
                    if after != alarm:
                        taken += self._keep(connection, after, steps, name)
                self._note_due(subject, due)
            for alarm in alarm_store.alarms(connection, live_only=True) if everything or subjects else ():
                # A probe that sits nowhere any longer is not judged, so nothing else would end its alarms.
                is_probe = alarm.subject.kind is SubjectKind.PROBE
                if is_probe and alarm.subject not in survey.things and is_mine(alarm.subject):
                    after, steps = withdraw(alarm, now_ms)
                    name = survey.probe_names.get(alarm.subject.id, alarm.subject.id)
                    taken += self._keep(connection, after, steps, name)
                    self._due_ms.pop(alarm.subject, None)
        for subject, name, _, _, body in results:
            self._publish_if_new(subject, {"name": name, **body})
        failing = self._failing & survey.things.keys()
        self.state = f"could not judge {', '.join(map(str, sorted(failing)))}" if failing else "judging"
        return [subject for subject, *_ in results], {step.alarm.id for step in taken}, bool(taken)

    def _is_mine(self, subject: Subject) -> bool:
        return self._share is None or self._share.is_mine(subject)

    def _keep(
        self, connection: Connection, alarm: Alarm, steps: Sequence[Transition], name: str
    ) -> list[Transition]:
        """Keep an alarm with the steps it took and what is to be sent for them; gives the steps."""
        alarm = alarm_store.save(connection, alarm)
        steps = [replace(step, alarm=replace(step.alarm, id=alarm.id)) for step in steps]
        for step in steps:
            alarm_store.add_transition(connection, step)
            self._post(connection, step, name)
            TRANSITIONS.labels(step.cause).inc()
            log.info("alarm", subject=str(alarm.subject), rule=alarm.rule, cause=step.cause)
        return list(steps)

    def _publish_if_new(self, subject: Subject, body: dict[str, Any]) -> None:
        """Put a state on MQTT when more of it than its time has changed."""
        content = {key: value for key, value in body.items() if key != "at_ms"}
        if "words" in content and self._published.get(subject) != content:
            self._published[subject] = content
            self._publish(f"underlid/{subject}/state", orjson.dumps(body))

    def _note_due(self, subject: Subject, due: Iterable[int | None]) -> None:
        times = [time_ms for time_ms in due if time_ms is not None]
        if times:
            self._due_ms[subject] = min(times)
        else:
            self._due_ms.pop(subject, None)


def _condition(seen: Situation, findings: Sequence[Finding]) -> dict[str, Any]:
    """The condition to be kept; of a probe, its health. The farm has none."""
    if seen.subject.kind is SubjectKind.FARM:
        return {}
    if seen.subject.kind is SubjectKind.PROBE:
        return health_as_json(probe_health(seen))
    return as_json(condition(seen, findings))
