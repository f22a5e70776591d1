"""From the outbox to real servers: mail, HTTP and MQTT; targets that hang, fail, or sleep."""

import asyncio
import contextlib
import datetime
import sqlite3
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from unittest.mock import Mock
from zoneinfo import ZoneInfo

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.notify.sinks import Sink, mail_server

from conftest import Mosquitto, wait_for
from underlid.address import BrokerAddress
from underlid.model import (
    Alarm,
    AlarmState,
    Farm,
    Finding,
    Message,
    Priority,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.notify import courier as courier_module
from underlid.notify.compose import MQTT
from underlid.notify.courier import Courier
from underlid.notify.hours import moment_ms
from underlid.notify.mqtt import Publisher
from underlid.notify.post import GONE, Post
from underlid.notify.retry import FIRST_MS, GIVE_UP_AFTER_MS
from underlid.notify.targets import apprise_sender, senders
from underlid.store import alarms, catalogue, notices, outbox
from underlid.store.ledger import Ledger
from underlid.target import Target

START_MS = 1_795_600_000_000  # 09:46:40 UTC on 25 November 2026
ZONE = "Europe/Vienna"


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    opened = Ledger(f"sqlite:///{tmp_path / 'catalogue.db'}")
    with opened.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", ZONE))
    yield opened
    opened.close()


def target(name: str, url: str, **fields: object) -> Target:
    return Target.model_validate({"name": name, "url": url} | fields)


def take(ledger: Ledger, post: Post, number: int, cause: str, now_ms: int, urgent: bool = False) -> None:
    """A step of an alarm, with what it says, in one transaction."""
    finding = Finding(
        "too-cold",
        Verdict.CLEAR if cause == "returned" else Verdict.HOLDS,
        now_ms,
        priority=Priority.URGENT if urgent else Priority.TODAY,
        headline=f"Bin {number} is at 4.0 °C — too cold",
        advice=f"Insulate bin {number} & feed less.",
    )
    subject = Subject(SubjectKind.BIN, f"bin-{number}")
    with ledger.writing() as connection:
        before = alarms.alarms(connection, subject)
        state = AlarmState.RETURNED if cause == "returned" else AlarmState.UNACKNOWLEDGED
        alarm = replace(
            before[0] if before else Alarm(0, subject, "too-cold"),
            state=state,
            finding=finding,
            raised_ms=now_ms,
        )
        step = Transition(alarms.save(connection, alarm), now_ms, AlarmState.NORMAL, state, cause)
        alarms.add_transition(connection, step)
        post.step(connection, step, f"Bin {number}")


def run_until(
    courier: Courier, is_so: Callable[[], bool], meanwhile: Callable[[], None] = lambda: None
) -> None:
    async def work() -> None:
        task = asyncio.create_task(courier.run())
        for _ in range(600):
            if is_so() or task.done():
                break
            meanwhile()
            courier.posted()
            await asyncio.sleep(0.05)
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        assert is_so()

    asyncio.run(work())


def test_a_message_taken_while_another_program_holds_the_catalogue_is_noted_after_it_and_sent_once(
    ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(courier_module, "STORE_AWAY_S", 0.1)
    holder = sqlite3.connect(tmp_path / "catalogue.db", isolation_level=None, check_same_thread=False)
    taken: list[str] = []
    said: set[str] = set()

    def take_and_hold(message: Message) -> None:
        taken.append(message.key)
        holder.execute("BEGIN IMMEDIATE")
        threading.Timer(11.0, holder.execute, ["ROLLBACK"]).start()  # a try waits for 10 s

    people = [target("Keeper", "json://127.0.0.1:9/")]
    take(ledger, Post(ledger, people, lambda: START_MS), 1, "raised", START_MS)
    sends = {"Keeper": take_and_hold, MQTT: lambda _: None}
    courier = Courier(ledger, sends, lambda: START_MS + 120_000, people)

    def is_noted() -> bool:
        with ledger.reading() as connection:
            return bool(taken) and not outbox.due(connection, START_MS + 3_600_000)

    run_until(courier, lambda: is_noted() and courier.is_well, lambda: said.add(courier.state))
    assert len(taken) == 1
    assert any("cannot send" in words and "locked" in words for words in said)
    holder.close()


def test_mail_is_plain_text_and_ends_with_its_key(ledger: Ledger) -> None:
    with mail_server() as (mailbox, url):
        people = [target("Keeper", url)]
        post = Post(ledger, people, lambda: START_MS)
        take(ledger, post, 1, "raised", START_MS)
        take(ledger, post, 2, "raised", START_MS + 1)
        now = START_MS + 120_000
        courier = Courier(ledger, senders(people) | {MQTT: lambda _: None}, lambda: now, people)
        run_until(courier, lambda: bool(mailbox.mails))
    [mail] = mailbox.mails
    assert mailbox.to == [["keeper@example.org"]]
    assert mail["Subject"] == "Bins too cold: Bin 1 and Bin 2"
    assert mail.get_content_type() == "text/plain"
    text = mail.get_content()  # type: ignore[attr-defined]
    assert text.splitlines()[:2] == ["Bin 1 is at 4.0 °C — too cold", "Insulate bin 1 & feed less."]
    assert text.strip().splitlines()[-1] == f"[bin/bin-1/too-cold/raised/{START_MS}+1]"


def test_a_mail_server_that_refuses_is_tried_again_and_named_without_the_address(ledger: Ledger) -> None:
    with mail_server() as (mailbox, url):
        people = [target("Keeper", url)]
        now = [START_MS]
        take(ledger, Post(ledger, people, lambda: START_MS), 1, "raised", START_MS)
        now[0] += 120_000
        mailbox.reply = "452 mailbox full"
        courier = Courier(ledger, senders(people) | {MQTT: lambda _: None}, lambda: now[0], people)
        run_until(courier, lambda: "Keeper" in courier.failing)
        with ledger.reading() as connection:
            failing = outbox.failing(connection)["Keeper"]
        assert failing.since_ms == now[0]
        assert failing.waiting == 1
        assert "://" not in failing.error
        mailbox.reply = "250 OK"
        now[0] += FIRST_MS
        # A courier that starts later knows of the failure before its first try.
        later = Courier(ledger, senders(people) | {MQTT: lambda _: None}, lambda: now[0], people)
        run_until(later, lambda: len(mailbox.mails) == 1 and not later.failing)
        with ledger.reading() as connection:
            assert outbox.failing(connection) == {}


def test_a_target_that_hangs_has_one_thread_and_holds_up_no_other(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(courier_module, "SLOW_S", 0.2)
    good, release = Sink(), threading.Event()
    with ledger.writing() as connection:
        for number in range(20):
            for name in ("Hangs", "Good"):
                message = Message(f"k{number}", name, "t", "b", START_MS, priority=Priority.URGENT)
                outbox.put(connection, [message])
    hanging: list[str] = []

    def hangs(message: Message) -> None:
        hanging.append(message.key)
        release.wait(60)

    courier = Courier(ledger, {"Hangs": hangs, "Good": apprise_sender(good.url)}, lambda: START_MS)

    def seen() -> bool:
        return len(good.taken) == 20 and "Hangs" in courier.failing

    async def work() -> None:
        task = asyncio.create_task(courier.run())
        for _ in range(600):
            if seen():
                break
            await asyncio.sleep(0.05)
        assert courier.failing == {"Hangs": "has not answered for 0 s"}
        assert hanging == ["k0"]
        assert sum(thread.name == "send" for thread in threading.enumerate()) == 1
        release.set()  # it answers after all: that is no failure, and nothing is sent twice
        while len(hanging) < 20 or courier.failing:
            await asyncio.sleep(0.05)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(asyncio.wait_for(work(), 60))
    assert hanging == [f"k{number}" for number in range(20)]
    good.close()


def test_a_stop_does_not_wait_for_a_target_that_hangs(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(courier_module, "STOP_WITHIN_S", 0.1)
    release, began = threading.Event(), threading.Event()
    with ledger.writing() as connection:
        outbox.put(connection, [Message("k", "Hangs", "t", "b", START_MS)])

    def hangs(_: Message) -> None:
        began.set()
        release.wait(60)

    run_until(Courier(ledger, {"Hangs": hangs}, lambda: START_MS), began.is_set)
    release.set()
    with ledger.reading() as connection:
        assert list(outbox.due(connection, START_MS)) == ["Hangs"]  # sent again at the next start


def test_a_message_that_failed_into_the_night_waits_for_the_morning(ledger: Ledger) -> None:
    sink = Sink()
    sink.status = 503
    people = [target("Keeper", sink.url, quiet="22:00-06:30")]
    zone = ZoneInfo(ZONE)
    evening, morning = (moment_ms(day, minute, zone) for day, minute in ((_day(25), 1319), (_day(26), 390)))
    now = [evening - 120_000]  # it is due at 21:59
    take(ledger, Post(ledger, people, lambda: now[0]), 1, "raised", now[0])
    now[0] = evening

    def started() -> Courier:
        return Courier(ledger, senders(people) | {MQTT: lambda _: None}, lambda: now[0], people)

    courier = started()
    run_until(courier, lambda: sink.tries == 1 and bool(courier.failing))
    sink.status = None
    now[0] = evening + 3_600_000

    def put_off() -> bool:
        with ledger.reading() as connection:
            return list(outbox.due(connection, morning - 1)) == []

    run_until(started(), put_off)
    assert sink.taken == []
    now[0] = morning
    run_until(started(), lambda: len(sink.taken) == 1)
    sink.close()


def test_what_waits_for_a_target_that_left_the_settings_waits_for_it_a_week_and_is_no_fault(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = Mock()
    monkeypatch.setattr(courier_module, "log", log)
    people = [target("Keeper", "json://127.0.0.1:9/"), target("Gone", "json://127.0.0.1:9/")]
    now = [START_MS]
    take(ledger, Post(ledger, people, lambda: now[0]), 1, "raised", now[0])  # a notice to each
    with ledger.writing() as connection:
        outbox.put(connection, [Message("k", "Gone", "waits", "b", START_MS)])
        [tried] = outbox.due(connection, START_MS)["Gone"]
        outbox.failed(connection, tried.id, "no route", START_MS, START_MS)
    told: list[tuple[str, str]] = []

    def run(names: list[str], is_so: Callable[[Courier], bool]) -> Courier:
        known = [each for each in people if each.name in names]
        senders = {name: lambda message: told.append((message.target, message.title)) for name in names}
        courier = Courier(ledger, senders | {MQTT: lambda _: None}, lambda: now[0], known)
        run_until(courier, lambda: is_so(courier))
        return courier

    now[0] += 120_000
    courier = run(["Keeper"], lambda courier: bool(told and courier.gone))
    assert [to for to, _ in told] == ["Keeper"]
    assert courier.is_well
    assert courier.state.endswith("targets that are no longer in the settings: 1 for Gone")
    log.warning.assert_called_once_with("messages wait", target="Gone", messages=1, reason=GONE)

    told.clear()
    now[0] += 86_400_000  # and it is there again: what waited goes out
    run(["Keeper", "Gone"], lambda _: len(told) == 2)
    assert ("Gone", "waits") in told
    assert {to for to, _ in told} == {"Gone"}

    take(ledger, Post(ledger, people, lambda: now[0]), 2, "raised", now[0])
    with ledger.writing() as connection:
        outbox.put(connection, [Message("k2", "Gone", "waits again", "b", now[0])])
    told.clear()
    now[0] += GIVE_UP_AFTER_MS + 1
    courier = run(["Keeper"], lambda _: len(told) == 1)
    assert courier.is_well
    assert courier.gone == {}
    log.warning.assert_called_with("messages given up", target="Gone", messages=1, reason=GONE)
    with ledger.reading() as connection:
        assert notices.pending(connection, "Gone") == []
        assert outbox.oldest_unsent_ms(connection) is None


def test_an_alarm_is_retained_on_mosquitto_with_its_key(ledger: Ledger, mosquitto: Mosquitto) -> None:
    publisher = Publisher(BrokerAddress("127.0.0.1", mosquitto.port), "alarms")
    publisher.start()
    take(ledger, Post(ledger, [], lambda: START_MS), 1, "raised", START_MS)
    take(ledger, Post(ledger, [], lambda: START_MS), 1, "returned", START_MS + 1)
    got: list[bytes] = []
    reader = mqtt.Client(CallbackAPIVersion.VERSION2)
    reader.on_message = lambda _c, _d, message: got.append(bytes(message.payload))
    reader.on_connect = lambda client, *_: client.subscribe("underlid/bin/+/alarm/+", 1)
    reader.connect("127.0.0.1", mosquitto.port)
    reader.loop_start()
    wait_for(publisher._client.is_connected, "a connection")
    run_until(Courier(ledger, {MQTT: publisher.send}, lambda: START_MS + 1), lambda: len(got) == 2)
    for cause, said in zip(("raised", "returned"), got, strict=True):
        assert f'"key":"bin/bin-1/too-cold/{cause}' in said.decode()
    reader.disconnect()
    reader.loop_stop()
    publisher.stop()


def _day(number: int) -> datetime.date:
    return datetime.date(2026, 11, number)
