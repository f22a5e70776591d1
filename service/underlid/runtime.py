"""The composition root: opens the stores, puts the parts together and runs them until told to stop.

Every loop and the web server are tasks of one group: when one of them dies, the process ends with it, rather
than going on half alive.
"""

import asyncio
import contextlib
import os
import signal
import socket
from collections.abc import Callable, Coroutine, Iterator
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from typing import Any, Literal, ParamSpec, Protocol
from uuid import uuid4

import structlog
import uvicorn
from fastapi import FastAPI

from underlid import systemd
from underlid.access import accounts
from underlid.access.roles import Role
from underlid.address import BrokerAddress, is_loopback
from underlid.calibrate import Calibrations
from underlid.clock import Clock, wall_clock
from underlid.clockwatch import ClockWatch
from underlid.ground import StartError, broker, check_certificate, data_dir, listen, stores
from underlid.intake.connection import Connection
from underlid.intake.intake import TOPICS, Intake, Outcome
from underlid.intake.session import Session, Sessions
from underlid.mending import look_after
from underlid.model import Farm, LogEntry, Message
from underlid.news import News
from underlid.notify.compose import MQTT
from underlid.notify.courier import Courier
from underlid.notify.mqtt import Publisher
from underlid.notify.post import Post
from underlid.notify.targets import Send, check_urls, senders
from underlid.notify.trial import Trials
from underlid.reports.desk import letter
from underlid.reports.schedule import Schedule
from underlid.safekeeping import rotation
from underlid.settings import Settings, split_address
from underlid.store import catalogue, outbox
from underlid.store.leases import Leases, Shards
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings, StoreError
from underlid.store.upkeep import keep_in_order
from underlid.watch import Watch
from underlid.web.app import create_app
from underlid.web.context import Context
from underlid.web.live import Hub

log = structlog.get_logger("underlid")
P = ParamSpec("P")

CLIENT_ID = "underlid-intake"
PUBLISHER_ID = "underlid-states"
DRAIN_WITHIN_S = 2


class Company(Protocol):
    """What may run beside the service: the demonstration does."""

    def prepare(self, ledger: Ledger, readings: Readings) -> None:
        """Called once the stores are open."""

    async def run(self, broker: BrokerAddress) -> None:
        """Runs as a task of its own once the broker is there; ends when cancelled."""

    def logged(self, entry: LogEntry) -> None:
        """The keeper has entered something."""


@dataclass(frozen=True, slots=True)
class Running:
    """What is told once the service is up; `http` is None where this process has no screens.

    `owners_link` makes the first owner's account, while there is none.
    """

    http: str | None
    broker: str
    owners_link: str | None = None


async def serve(
    settings: Settings,
    clock: Clock = wall_clock,
    speed: float = 1.0,
    company: Company | None = None,
    up: Callable[[Running], None] = lambda _: None,
) -> None:
    """Run the parts that the settings name until SIGTERM or SIGINT. Raises StartError if that can't be."""
    os.umask(0o077)  # what it keeps is its owner's alone: passwords' hashes are among it
    try:
        with data_dir(settings.data_dir, is_shared=settings.is_on_servers):
            damage = look_after(settings, wall_clock())
            with stores(settings) as (ledger, readings):
                if company is not None:
                    company.prepare(ledger, readings)
                _make_farm(ledger, settings)
                await _run_parts(settings, ledger, readings, clock, speed, company, up, damage)
    except StoreError as error:
        raise StartError(str(error)) from error


async def _run_parts(
    settings: Settings,
    ledger: Ledger,
    readings: Readings,
    clock: Clock,
    speed: float,
    company: Company | None,
    up: Callable[[Running], None],
    damage: list[str],
) -> None:
    stop = asyncio.Event()
    hub = Hub()
    news = News(hub)
    shards = Shards(ledger) if ledger.is_shared else None
    if wrong := check_urls([target.url.get_secret_value() for target in settings.notify]):
        raise StartError(wrong)
    check_certificate(settings)
    async with AsyncExitStack() as stack:
        listening = stack.enter_context(listen(settings.http)) if "web" in settings.parts else None
        station = await stack.enter_async_context(broker(settings, ledger))
        address = station.address
        # One connection for each name: workers would throw each other out.
        publisher = Publisher(
            address,
            f"{PUBLISHER_ID}-{uuid4().hex}" if ledger.is_shared else PUBLISHER_ID,
            lambda: _said_before(ledger),
        )
        people: dict[str, Send] = senders(settings.notify, lambda ref: letter(ledger, ref))
        courier = Courier(ledger, {**people, MQTT: publisher.send}, clock, settings.notify)
        post = Post(ledger, settings.notify, clock)
        watch = Watch(
            ledger,
            readings,
            clock,
            post.step,
            publisher.publish_state,
            news.nudge,
            courier.posted,
            shards,
        )
        calibrations = Calibrations(ledger, readings)
        news.watch, news.forget_calibrations = watch, calibrations.forget

        def session(number: int | None = None) -> Session:
            """The one session at the broker, or one of those that workers share."""
            topics = (*TOPICS, *settings.mapped_topics)
            intake = Intake(
                ledger,
                readings,
                clock,
                lambda outcome: _arrived(outcome, news),
                settings.mappings,
                calibrations,
                is_alone=number is None,
            )
            if number is None:
                line = Connection(address, CLIENT_ID, topics, clock, mqtt5=settings.mqtt is not None)
            else:
                name = (
                    f"{CLIENT_ID}-{number}" if number else CLIENT_ID
                )  # the first takes on what a single one left
                shared = [f"$share/underlid/{topic}" for topic in topics]
                line = Connection(address, name, shared, clock, former_topics=topics)
            return Session(line, intake)

        sessions: Session | Sessions = (
            Sessions(Leases(ledger, "intake", settings.intake_sessions), session)
            if ledger.is_shared and settings.mqtt is not None
            else session()
        )
        parts: dict[str, Callable[[], tuple[bool, str]]] = {}
        clockwatch = ClockWatch(ledger, readings, clock, _on_loop(watch.everything_changed), speed=speed)
        parts["clock"] = lambda: clockwatch.state
        if damage:
            parts["stores"] = lambda: (False, "; ".join(damage))
        if "intake" in settings.parts:
            parts["broker"] = lambda: sessions.broker
            parts["intake"] = lambda: sessions.intake
        if "rules" in settings.parts:
            parts["rules"] = lambda: (
                watch.state in ("starting", "judging"),
                f"{watch.state}, {shards.state}" if shards else watch.state,
            )
        if "notify" in settings.parts:
            parts["notify"] = lambda: (courier.is_well, courier.state)
        schedule = Schedule(
            ledger,
            readings,
            settings.notify,
            clock,
            courier.posted,
            _on_loop(lambda week: news.nudge("report", week)),
        )
        if "reports" in settings.parts:
            parts["reports"] = lambda: (not schedule.state.startswith("cannot"), schedule.state)

        backups = None
        if settings.backup_every_h is not None and "intake" in settings.parts:
            backups = rotation(settings, wall_clock, settings.backup_every_h, settings.backup_keep)
            kept = backups
            parts["backups"] = lambda: (not kept.failing, kept.state)

        async with asyncio.TaskGroup() as group:
            loops: list[asyncio.Task[None]] = []
            web: _Server | None = None
            loops.append(group.create_task(clockwatch.run(), name="clock"))
            if {"rules", "notify"} & set(settings.parts):
                publisher.start()
                stack.callback(publisher.stop)
            if ledger.is_shared:
                from underlid.store.bus import Bus

                bus = news.bus = Bus(settings.catalogue_url, news.heard, news.missed)
                loops.append(group.create_task(bus.run(), name="bus"))
            if "rules" in settings.parts:
                loops.append(group.create_task(watch.run(), name="rules"))
                if shards is not None:
                    loops.append(
                        group.create_task(shards.run(watch.everything_changed), name="share of the rules")
                    )
            if "reports" in settings.parts:
                loops.append(group.create_task(_by_one(settings, "reports", schedule.run), name="reports"))
            if "notify" in settings.parts:
                loops.append(group.create_task(_by_one(settings, "notify", courier.run), name="notify"))
            if "intake" in settings.parts:
                upkeep = keep_in_order(readings, clock, clockwatch.last_stored_ms, speed)
                loops.append(group.create_task(upkeep, name="upkeep of readings"))
                if isinstance(sessions, Sessions):
                    loops.append(group.create_task(sessions.run(group), name="share of the sessions"))
                else:
                    sessions.start(group)
            if listening is not None:
                context = Context(
                    ledger=ledger,
                    readings=readings,
                    clock=clock,
                    speed=speed,
                    broker=f"{address.host}:{address.port}",
                    hub=hub,
                    post=post.step,
                    targets=settings.notify,
                    try_target=Trials(people, clock).send,
                    parts=lambda: {name: state() for name, state in parts.items()},
                    subject_changed=_on_loop(news.subject_changed),
                    everything_changed=_on_loop(news.everything_changed),
                    posted=_on_loop(courier.posted),
                    nudge=_on_loop(news.nudge),
                    logged=_on_loop(company.logged) if company else lambda _: None,
                    calibrated=_on_loop(news.calibrated),
                    photos=settings.data_dir / "photos",
                    sign_in=settings.access == "accounts",
                )
                web = _web_server(create_app(context, _hosts(settings)), settings)
                group.create_task(web.serve([listening]), name="web")
            if backups is not None:
                loops.append(group.create_task(backups.run(), name="backups"))
            if company is not None:
                loops.append(group.create_task(company.run(_for_probes(settings, address)), name="company"))
            with _signals(stop):
                http = None
                if web is not None and listening is not None:
                    await web.listens.wait()
                    http = _url(settings, listening)
                up(Running(http, str(address), http and _owners_link(settings, ledger, clock, http)))
                systemd.tell("READY=1")
                loops.append(group.create_task(systemd.keep_alive(), name="watchdog"))
                await stop.wait()
                systemd.tell("STOPPING=1")
                log.info("stopping")
                hub.close()
                if web is not None:
                    web.should_exit = True
                for loop in loops:
                    loop.cancel()
                if "intake" in settings.parts:
                    await station.drain(DRAIN_WITHIN_S)
                    await sessions.stop()
    log.info("stopped")


class _Server(uvicorn.Server):
    """The web server without its own hold on signals: stopping is the composition root's."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.listens = asyncio.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.listens.set()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def _web_server(app: FastAPI, settings: Settings) -> _Server:
    return _Server(
        uvicorn.Config(
            app,
            http=_line(settings),
            limit_concurrency=500,  # what clients that are gone have asked for must not keep others waiting
            log_config=None,
            access_log=False,
            timeout_graceful_shutdown=3,
            server_header=False,
            ws="none",
            lifespan="off",
            # Else any program on this computer could pass for anybody.
            proxy_headers=bool(settings.trusted_proxies),
            forwarded_allow_ips=list(settings.trusted_proxies),
            ssl_certfile=settings.tls_cert,
            ssl_keyfile=settings.tls_key,
        )
    )


def _line(settings: Settings) -> type[asyncio.Protocol] | Literal["auto"]:
    """What speaks HTTP; on Windows, where there is no httptools, the server's own choice."""
    try:
        from underlid.web.line import Line
    except ImportError:
        return "auto"
    return type("Line", (Line,), {"behind_proxy": settings.behind_proxy})


def _on_loop(function: Callable[P, None]) -> Callable[P, None]:
    """A function of the event loop's thread as one that any thread may call."""
    loop = asyncio.get_running_loop()

    def call(*args: P.args, **kwargs: P.kwargs) -> None:
        loop.call_soon_threadsafe(lambda: function(*args, **kwargs))

    return call


async def _by_one(settings: Settings, part: str, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run what one process does for all: where there are several, the elected one."""
    if settings.catalogue_url.startswith("sqlite:"):
        await work()
        return
    from underlid.store.election import Election

    await Election(settings.catalogue_url, part).run(work)


def _arrived(outcome: Outcome, news: News) -> None:
    if outcome.channels:
        news.readings_arrived(outcome.channels)
    for probe_id in outcome.probes:
        news.nudge("probe", probe_id)
    if outcome.rejects:
        news.nudge("quarantine", "")


@contextlib.contextmanager
def _signals(stop: asyncio.Event) -> Iterator[None]:
    loop = asyncio.get_running_loop()
    try:
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop.set)
    except NotImplementedError:  # no such handlers on Windows: Ctrl-C raises KeyboardInterrupt there
        pass
    try:
        yield
    finally:
        with contextlib.suppress(NotImplementedError):
            for number in (signal.SIGTERM, signal.SIGINT):
                loop.remove_signal_handler(number)


def _said_before(ledger: Ledger) -> list[Message]:
    """The alarms' states as they were last told on MQTT."""
    with ledger.reading() as connection:
        return outbox.last_said(connection, MQTT)


def _make_farm(ledger: Ledger, settings: Settings) -> None:
    with ledger.writing() as connection:
        if catalogue.farm(connection) is None:
            catalogue.save_farm(connection, Farm(settings.farm_name, settings.time_zone))


def _for_probes(settings: Settings, address: BrokerAddress) -> BrokerAddress:
    """Where simulated probes publish: as anybody where the embedded broker takes anybody, else as the service."""
    has_users = settings.mqtt is not None or settings.broker_users
    return address if has_users else replace(address, user=None, password=None)


def _hosts(settings: Settings) -> list[str] | None:
    """The names it answers to; any where it is reached over the network, whose names it can't know."""
    own = split_address(settings.http)[0].lower()
    if settings.behind_proxy or not is_loopback(own):
        return None
    return ["localhost", "127.0.0.1", "::1", own]


def _url(settings: Settings, listening: socket.socket) -> str:
    """Where the screens are; a port 0 was any that is free."""
    scheme = "https" if settings.tls_cert else "http"
    return f"{scheme}://{settings.http.rpartition(':')[0]}:{listening.getsockname()[1]}"


def _owners_link(settings: Settings, ledger: Ledger, clock: Clock, http: str) -> str | None:
    if settings.access == "open":
        return None
    with ledger.writing() as connection:
        if accounts.has_owner(connection):
            return None
        return f"{http}/welcome#{accounts.invite(connection, Role.OWNER, clock())}"
