"""The web application on real stores and a real HTTP server, within the test's own process."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import uvicorn
from fastapi import FastAPI

from conftest import wait_for
from underlid.clock import wall_clock
from underlid.model import (
    Alarm,
    AlarmState,
    Bin,
    Farm,
    FeedStore,
    Finding,
    Place,
    Position,
    Probe,
    Quantity,
    Reading,
    Reject,
    Subject,
    SubjectKind,
    Verdict,
)
from underlid.store import alarms, catalogue, quarantine
from underlid.store.ledger import Ledger
from underlid.store.sqlite_readings import SqliteReadings
from underlid.target import Target
from underlid.web.app import create_app
from underlid.web.context import Context
from underlid.web.live import Hub

ALDER = Subject(SubjectKind.BIN, "alder")
NOW_MS = wall_clock()
UP, SILENT = 1, 2  # the ids of an alarm that is up, and of one whose rule has said nothing yet


@dataclass
class Inside:
    """A running application, what it stands on, and whom it told of changes."""

    app: FastAPI
    ledger: Ledger
    readings: SqliteReadings
    url: str = ""
    told: list[str] = field(default_factory=list)

    def ask(self, method: str, path: str, **options: object) -> httpx.Response:
        return httpx.request(method, f"{self.url}{path}", timeout=20, **options)  # type: ignore[arg-type]


def furnish(ledger: Ledger, readings: SqliteReadings) -> None:
    """A shed with a bin and a tub; a probe of three channels, one of which sits in the bin; two alarms."""
    with ledger.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
        catalogue.save_place(connection, Place("shed", "Potting shed", outdoors=False))
        catalogue.save_bin(
            connection, Bin("alder", "Alder", "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, NOW_MS)
        )
        catalogue.save_feed_store(connection, FeedStore("tub", "North tub", "shed", 0.3, 0.35))
        catalogue.save_probe(connection, Probe("alder-1", "alder-1", NOW_MS))
        kinds = (("temp", "Cel", Quantity.TEMPERATURE), ("moist", "%", Quantity.MOISTURE))
        kinds += (("raw", "1", Quantity.MOISTURE_RAW),)
        channels = [catalogue.register_channel(connection, "alder-1", *kind) for kind in kinds]
        catalogue.place_channel(connection, channels[0].id, ALDER, Position.TOP, NOW_MS - 86_400_000)
        finding = Finding("too-warm", Verdict.HOLDS, NOW_MS, value=31.0, headline="Alder is too warm")
        up = Alarm(0, ALDER, "too-warm", AlarmState.UNACKNOWLEDGED, finding=finding, changed_ms=NOW_MS)
        assert alarms.save(connection, up).id == UP
        assert alarms.save(connection, Alarm(0, ALDER, "too-cold")).id == SILENT
        quarantine.put(connection, [Reject("underlid/probe/x", b"{", "not JSON", NOW_MS)])
    times = range(NOW_MS - 7_200_000, NOW_MS, 60_000)
    readings.add([Reading(channel.id, at, 20.0, at) for channel in channels for at in times])


@contextmanager
def running(folder: Path, hosts: list[str] | None = None, sign_in: bool = False) -> Iterator[Inside]:
    """The application on a free port, with a farm in it; nobody need sign in unless that is asked for."""
    ledger, readings = Ledger(f"sqlite:///{folder / 'catalogue.db'}"), SqliteReadings(folder / "readings.db")
    furnish(ledger, readings)
    told: list[str] = []
    context = Context(
        ledger=ledger,
        readings=readings,
        clock=wall_clock,
        speed=1.0,
        broker="127.0.0.1:1883",
        hub=Hub(),
        post=lambda *_: None,
        targets=[Target.model_validate({"name": "Keeper", "url": "json://127.0.0.1:9/"})],
        try_target=lambda _: None,
        parts=lambda: {"rules": (True, "judging")},
        subject_changed=lambda subject: told.append(str(subject)),
        everything_changed=lambda: told.append("everything"),
        posted=lambda: None,
        nudge=lambda *_: None,
        logged=lambda _: None,
        calibrated=lambda: None,
        photos=folder / "photos",
        sign_in=sign_in,
    )
    inside = Inside(create_app(context, hosts), ledger, readings, told=told)
    server = uvicorn.Server(uvicorn.Config(inside.app, port=0, log_config=None, lifespan="off", ws="none"))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        wait_for(lambda: server.started, "the web server")
        inside.url = f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
        yield inside
    finally:
        server.should_exit = True
        thread.join(20)
        readings.close()
        ledger.close()
