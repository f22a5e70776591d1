"""Any farm that can come about is judged and shown: few readings or none, late, mad, moved, compared, retired.

For more than the suite's few farms: FARMS=300 pytest tests/web/test_any_farm.py
"""

import itertools
import os
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.web.inside import NOW_MS, Inside, running

from underlid.model import Bin, FeedStore, LogEntry, Place, Position, Probe, Quantity, Reading, Subject, Twin
from underlid.model import SubjectKind as Kind
from underlid.rules.limits import SPECIES
from underlid.store import catalogue
from underlid.store import log as keepers_log
from underlid.watch import Watch
from underlid.web.probes import FITS

FARMS = int(os.environ.get("FARMS", "6"))
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

# What a channel may say: in ordinary times, at its limits, and when a wire is loose.
SAID = {
    ("temp", "Cel", Quantity.TEMPERATURE): (-127.0, -18.5, -2.0, 0.0, 4.0, 21.5, 31.0, 45.0, 85.0, 1e6),
    ("moist", "%", Quantity.MOISTURE): (0.0, 30.0, 54.0, 62.0, 74.0, 86.0, 100.0),
    ("raw", "count", Quantity.MOISTURE_RAW): (0.0, 1800.0, 2300.0, 2900.0, 65_535.0),
    ("rh", "%RH", Quantity.HUMIDITY): (0.0, 60.0, 100.0),
    ("batt", "V", Quantity.BATTERY): (0.0, 2.9, 3.4, 3.7, 4.2),
    ("rssi", "dBm", Quantity.SIGNAL): (-130.0, -66.0, 0.0),
    ("co2", "ppm", Quantity.OTHER): (0.0, 400.0),
}
AGO_MS = st.one_of(
    st.sampled_from([0, 1, 60_000, 300_000, HOUR_MS, 2 * HOUR_MS, DAY_MS, 8 * DAY_MS, 40 * DAY_MS]),
    st.integers(0, 100 * DAY_MS),
)
EVERY_MS = st.sampled_from([1, 1000, 60_000, 300_000, 600_000, HOUR_MS, 13 * HOUR_MS])
AMOUNT = st.sampled_from([0.001, 0.3, 1.0, 40.0, 9000.0])
KINDS = ("fed", "wetted", "turned", "bedding", "harvest", "split", "worms", "seen", "lid")
SEEN = ("", "cocoons", "babies", "mites", "sour", "open", "closed", "coffee grounds", "frozen", "compost")


@st.composite
def courses(draw: st.DrawFn) -> list[tuple[str, str, Quantity, list[float], int, int]]:
    """A probe's channels: name, unit, quantity, values, how long ago the last was said, and the time between."""
    found = []
    for kind in draw(st.lists(st.sampled_from(sorted(SAID)), min_size=1, max_size=4, unique=True)):
        low, high = draw(st.sampled_from(SAID[kind])), draw(st.sampled_from(SAID[kind]))
        count = draw(st.sampled_from([0, 1, 2, 3, 12, 200, 1000]))
        shape = draw(st.sampled_from(["steady", "rising", "jumping"]))
        share = [
            {"steady": 0.0, "rising": i / count, "jumping": float(i % 7 == 3)}[shape] for i in range(count)
        ]
        found.append((*kind, [low + (high - low) * s for s in share], draw(AGO_MS), draw(EVERY_MS)))
    return found


@st.composite
def farms(draw: st.DrawFn) -> dict[str, Any]:
    names = st.sampled_from(["one", "two", "three"])
    return {
        "outdoors": draw(st.booleans()),
        "bins": draw(
            st.lists(
                st.tuples(
                    names, st.sampled_from(SPECIES), AGO_MS, st.sampled_from([0.0, 0.4, 50.0]), st.booleans()
                ),
                max_size=3,
                unique_by=lambda b: b[0],
            )
        ),
        "stores": draw(
            st.lists(
                st.tuples(names, st.sampled_from([0.05, 0.3, 2.0]), st.booleans()),
                max_size=2,
                unique_by=lambda s: s[0],
            )
        ),
        "probes": draw(st.lists(courses(), max_size=4)),
        "placings": draw(
            st.lists(
                st.tuples(st.integers(0, 30), st.integers(0, 30), st.integers(0, 3), AGO_MS), max_size=12
            )
        ),
        "twins": draw(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30), AGO_MS), max_size=4)),
        "log": draw(
            st.lists(
                st.tuples(st.integers(0, 30), st.sampled_from(KINDS), AGO_MS, AMOUNT, st.sampled_from(SEEN)),
                max_size=25,
            )
        ),
        "retired": draw(st.lists(st.integers(0, 3), max_size=1)),
    }


def settle(inside: Inside, farm: dict[str, Any]) -> None:
    """Everything of a farm, in the stores."""
    bins = {f"bin-{name}": rest for name, *rest in farm["bins"]}
    stores = {f"tub-{name}": rest for name, *rest in farm["stores"]}
    subjects = [Subject(Kind.BIN, "alder"), Subject(Kind.FEED_STORE, "tub"), Subject(Kind.PLACE, "lean-to")]
    subjects += [Subject(Kind.BIN, each) for each in bins]
    subjects += [Subject(Kind.FEED_STORE, each) for each in stores]
    with inside.ledger.writing() as connection:
        catalogue.save_place(connection, Place("lean-to", "Lean-to", farm["outdoors"]))
        for id_, (species, ago_ms, worm_kg, is_out) in bins.items():
            place = "lean-to" if is_out else "shed"
            catalogue.save_bin(
                connection, Bin(id_, id_, place, species, 0.6, 0.4, 0.3, worm_kg, NOW_MS - ago_ms)
            )
        for id_, (depth_m, is_out) in stores.items():
            place = "lean-to" if is_out else "shed"
            catalogue.save_feed_store(connection, FeedStore(id_, id_, place, 0.3, depth_m))
        channels = []
        for n, course in enumerate(farm["probes"]):
            catalogue.save_probe(connection, Probe(f"probe-{n}", f"probe-{n}", NOW_MS - 30 * DAY_MS))
            for name, unit, quantity, values, ago_ms, every_ms in course:
                channel = catalogue.register_channel(connection, f"probe-{n}", name, unit, quantity)
                channels.append(channel)
                times = [NOW_MS - ago_ms - every_ms * i for i in range(len(values))]
                inside.readings.add(
                    [Reading(channel.id, at, v, at) for at, v in zip(times, reversed(values), strict=True)]
                )
        for which, where, which_position, ago_ms in farm["placings"] if channels else ():
            subject = subjects[where % len(subjects)]
            positions: tuple[Position, ...] = FITS[subject.kind]
            position = positions[which_position % len(positions)]
            channel = channels[which % len(channels)]
            catalogue.place_channel(connection, channel.id, subject, position, NOW_MS - ago_ms)
        by_quantity = sorted(channels, key=lambda channel: channel.quantity)
        for quantity, group in itertools.groupby(by_quantity, key=lambda channel: channel.quantity):
            same = list(group)
            for one, two, ago_ms in farm["twins"]:
                a, b = same[one % len(same)], same[two % len(same)]
                if a.id != b.id and quantity is not Quantity.OTHER:
                    catalogue.save_twin(connection, Twin(a.id, b.id, NOW_MS - ago_ms))
        for where, kind, ago_ms, amount, what in farm["log"]:
            subject = subjects[where % len(subjects)]
            litres = amount if kind == "wetted" else None
            kilograms = None if kind in ("wetted", "turned", "seen", "lid") else amount
            keepers_log.add(connection, LogEntry(0, NOW_MS - ago_ms, subject, kind, kilograms, litres, what))
    for n in farm["retired"]:
        if n < len(farm["probes"]):
            inside.ask("POST", f"/api/v1/probes/probe-{n}/retire")


def judge(inside: Inside, now_ms: int) -> str:
    """One pass of the rules over everything; gives how the watch stands after it."""
    nothing: Any = lambda *_: None  # noqa: E731
    watch = Watch(inside.ledger, inside.readings, lambda: now_ms, nothing, nothing, nothing, nothing)
    watch.judge(set(), set(), True)
    return watch.state


def addresses(inside: Inside) -> list[str]:
    """All that can be asked for of this farm."""
    ids = {
        kind: [item["id"] for item in inside.ask("GET", f"/api/v1/{kind}").json()["items"]]
        for kind in ("bins", "feed-stores", "places", "log", "alarms?show=all")
    }
    probes = inside.ask("GET", "/api/v1/probes").json()["items"]
    probes += inside.ask("GET", "/api/v1/probes?retired=true").json()["items"]
    found = [
        "farm",
        "alarm-performance",
        "reports/daily",
        "reports/daily/page",
        "reports/weekly",
        "quarantine",
    ]
    found += ["export/readings", "export/readings?wide=true", "export/log", "export/alarms"]
    week = (datetime.fromtimestamp(NOW_MS / 1000, UTC) - timedelta(days=7)).strftime("%G-W%V")
    found += [f"reports/weekly/{week}?anew=true", f"reports/weekly/{week}/page", f"reports/weekly/{week}/csv"]
    for each in ids["bins"]:
        found += [f"bins/{each}", f"bins/{each}/facts", f"alarms?subject=bin/{each}"]
    found += [f"feed-stores/{each}" for each in ids["feed-stores"]]
    found += [f"places/{each}" for each in ids["places"]]
    found += [f"log/{each}" for each in ids["log"]]
    found += [f"alarms/{each}" for each in ids["alarms?show=all"]]
    for probe in probes:
        found.append(f"probes/{probe['id']}")
        for channel in probe["channels"]:
            start = "2026-01-01T00:00:00Z"
            found.append(f"channels/{channel['id']}/twin")
            if channel["quantity"] == "moisture-raw":
                found += [f"channels/{channel['id']}/{what}" for what in ("steadiness", "calibrations")]
            found += [f"readings?channel={channel['id']}&from={start}&trim=true"]
    return found


@pytest.mark.timeout(300 + 10 * FARMS)
@given(farm=farms())
@settings(max_examples=FARMS, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_farm_is_judged_and_shown(farm: dict[str, Any]) -> None:
    with tempfile.TemporaryDirectory() as folder, running(Path(folder)) as inside:
        settle(inside, farm)
        assert judge(inside, NOW_MS) == "judging"
        assert judge(inside, NOW_MS + 9 * HOUR_MS) == "judging"
        for address in addresses(inside):
            answer = inside.ask("GET", f"/api/v1/{address}")
            assert answer.is_success, (address, answer.text)
