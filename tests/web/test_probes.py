"""Onboarding and health of probes over HTTP: suggested, retired, brought back, compared, judged."""

import math
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from tests.web.inside import NOW_MS, Inside, running

from underlid.clock import wall_clock
from underlid.model import (
    Alarm,
    AlarmState,
    Finding,
    Position,
    Probe,
    Quantity,
    Reading,
    Subject,
    SubjectKind,
    Verdict,
)
from underlid.situations import situation
from underlid.store import alarms, catalogue
from underlid.survey import take_survey
from underlid.watch import Watch

HOUR_MS = 3_600_000
TOP = {"subject": {"kind": "bin", "id": "alder"}, "position": "top"}


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    with running(tmp_path) as there:
        yield there


def judge(inside: Inside) -> None:
    """One pass of the rules over everything."""
    nothing: Any = lambda *_: None  # noqa: E731
    Watch(inside.ledger, inside.readings, wall_clock, nothing, nothing, nothing, nothing).judge(
        set(), set(), True
    )


def hear(
    inside: Inside,
    probe_id: str,
    channels: dict[str, tuple[str, Quantity, list[float]]],
    ended_ms: int = NOW_MS,
    every_ms: int = 600_000,
) -> dict[str, int]:
    """A probe has spoken: per channel its unit, quantity and values up to a time; gives the channels' ids."""
    ids = {}
    with inside.ledger.writing() as connection:
        if probe_id not in {probe.id for probe in catalogue.probes(connection)}:
            catalogue.save_probe(connection, Probe(probe_id, probe_id, ended_ms - 30 * 24 * HOUR_MS))
        for name, (unit, quantity, values) in channels.items():
            channel = catalogue.register_channel(connection, probe_id, name, unit, quantity)
            ids[name] = channel.id
            times = [ended_ms - every_ms * age for age in range(len(values))]
            inside.readings.add(
                [
                    Reading(channel.id, at, value, at)
                    for at, value in zip(times, reversed(values), strict=True)
                ]
            )
    return ids


def probe(inside: Inside, probe_id: str) -> dict[str, Any]:
    answer = inside.ask("GET", f"/api/v1/probes/{probe_id}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def listed(inside: Inside, query: str = "") -> list[str]:
    return [p["id"] for p in inside.ask("GET", f"/api/v1/probes{query}").json()["items"]]


def at_ms(moment: str) -> int:
    return round(datetime.fromisoformat(moment).timestamp() * 1000)


def swing(mean: float, count: int = 1008, drift_per_day: float = 0.0) -> list[float]:
    """A week of a daily swing every ten minutes, with a scatter of 0.05."""
    return [
        mean + math.sin(n / 144 * 2 * math.pi) + 0.05 * (n * 7 % 11 - 5) / 5 + drift_per_day * n / 144
        for n in range(count)
    ]


def test_an_unplaced_probe_is_suggested_where_its_name_says_and_a_placed_one_is_not(inside: Inside) -> None:
    hear(
        inside,
        "north-tub-1",
        {"temp": ("Cel", Quantity.TEMPERATURE, [2.0]), "batt": ("V", Quantity.BATTERY, [3.9])},
    )
    suggestion = probe(inside, "north-tub-1")["suggestion"]
    assert suggestion == {
        "subject": {"kind": "feed-store", "id": "tub"},
        "position": "feed",
        "channels": ["temp"],
        "because": ["north-tub-1"],
    }
    placing = {key: suggestion[key] for key in ("subject", "position", "channels")}
    assert inside.ask("POST", "/api/v1/probes/north-tub-1/placement", json=placing).status_code == 200
    assert probe(inside, "north-tub-1")["suggestion"] is None
    hear(inside, "b7", {"temp": ("Cel", Quantity.TEMPERATURE, [20.0])})
    assert probe(inside, "b7")["suggestion"] is None


def test_a_stake_through_all_layers_is_suggested_one_layer_after_the_other(inside: Inside) -> None:
    hear(
        inside,
        "alder-9",
        {f"{layer}-temp": ("Cel", Quantity.TEMPERATURE, [20.0]) for layer in ("top", "core", "base")},
    )
    seen = []
    while suggestion := probe(inside, "alder-9")["suggestion"]:
        seen.append((suggestion["position"], suggestion["channels"]))
        body = {key: suggestion[key] for key in ("subject", "position", "channels")}
        inside.ask("POST", "/api/v1/probes/alder-9/placement", json=body)
    assert seen == [("top", ["top-temp"]), ("core", ["core-temp"]), ("base", ["base-temp"])]


def test_a_retired_probe_sits_nowhere_is_not_judged_and_its_history_stays(inside: Inside) -> None:
    whose = Subject(SubjectKind.PROBE, "alder-1")
    with inside.ledger.writing() as connection:
        finding = Finding("probe-battery", Verdict.HOLDS, NOW_MS, headline="battery is low")
        alarms.save(
            connection,
            Alarm(0, whose, "probe-battery", AlarmState.UNACKNOWLEDGED, raised_ms=NOW_MS, finding=finding),
        )
    answer = inside.ask("POST", "/api/v1/probes/alder-1/retire")
    assert answer.status_code == 200, answer.text
    retired = answer.json()
    assert retired["retired"] is not None
    assert [c["placement"] for c in retired["channels"]] == [None] * 3
    assert (retired["suggestion"], retired["speaks_retired"]) == (None, False)
    assert "everything" in inside.told
    assert (listed(inside), listed(inside, "?retired=true")) == ([], ["alder-1"])

    judge(inside)
    [alarm] = [a for a in alarms_of(inside, whose) if a.rule == "probe-battery"]
    assert alarm.state is AlarmState.NORMAL
    with inside.ledger.reading() as connection:
        assert [step.cause for step in alarms.history(connection, alarm)] == ["withdrawn"]
        [placement] = catalogue.placements(connection)
    assert placement.to_ms == at_ms(retired["retired"])
    assert len(inside.readings.window(placement.channel_id, 0, NOW_MS)) == 120

    for path, words in (("retire", "retired already"), ("placement", "bring it back")):
        refused = inside.ask("POST", f"/api/v1/probes/alder-1/{path}", json=TOP)
        assert (refused.status_code, words in refused.json()["detail"]) == (409, True)


def alarms_of(inside: Inside, subject: Subject) -> list[Alarm]:
    with inside.ledger.reading() as connection:
        return alarms.alarms(connection, subject)


def test_a_retired_probe_that_speaks_is_said_to(inside: Inside) -> None:
    inside.ask("POST", "/api/v1/probes/alder-1/retire")
    later = wall_clock() + 1000
    hear(inside, "alder-1", {"temp": ("Cel", Quantity.TEMPERATURE, [21.0])}, ended_ms=later)
    [shown] = inside.ask("GET", "/api/v1/probes?retired=true").json()["items"]
    assert (shown["id"], shown["speaks_retired"]) == ("alder-1", True)
    judge(inside)
    assert {a.state for a in alarms_of(inside, Subject(SubjectKind.PROBE, "alder-1"))} <= {AlarmState.NORMAL}


def test_undoing_a_retirement_leaves_no_trace_and_bringing_back_places_nothing(inside: Inside) -> None:
    before = probe(inside, "alder-1")
    inside.ask("POST", "/api/v1/probes/alder-1/retire")
    undone = inside.ask("POST", "/api/v1/probes/alder-1/unretire", json={"put_back": True})
    assert undone.json() == before
    with inside.ledger.reading() as connection:
        assert [p.to_ms for p in catalogue.placements(connection)] == [None]

    inside.ask("POST", "/api/v1/probes/alder-1/retire")
    back = inside.ask("POST", "/api/v1/probes/alder-1/unretire").json()
    assert (back["retired"], [c["placement"] for c in back["channels"]]) == (None, [None] * 3)
    assert inside.ask("POST", "/api/v1/probes/alder-1/unretire").status_code == 409
    assert inside.ask("POST", "/api/v1/probes/oak/retire").status_code == 404


def test_a_probe_taken_out_while_silent_leaves_no_alarm_behind(inside: Inside) -> None:
    hear(inside, "birch-1", {"temp": ("Cel", Quantity.TEMPERATURE, swing(20.0))}, NOW_MS - 9 * HOUR_MS)
    inside.ask("POST", "/api/v1/probes/birch-1/placement", json=TOP)
    judge(inside)
    whose = Subject(SubjectKind.PROBE, "birch-1")
    assert [a.rule for a in alarms_of(inside, whose) if a.state is not AlarmState.NORMAL] == ["probe-silent"]
    inside.ask("DELETE", "/api/v1/probes/birch-1/placement")
    judge(inside)
    assert [a.rule for a in alarms_of(inside, whose) if a.state is not AlarmState.NORMAL] == []


@pytest.mark.parametrize(
    "heard", [[], [12.6]], ids=["before any reading", "between a reading and its backlog"]
)
def test_all_that_a_probe_has_said_belongs_where_it_is_put_first(inside: Inside, heard: list[float]) -> None:
    """A probe is known a moment before its first readings, which may be hours old, are in the store."""
    with inside.ledger.writing() as connection:
        catalogue.save_probe(connection, Probe("tub-1", "tub-1", NOW_MS))
        catalogue.register_channel(connection, "tub-1", "temp", "Cel", Quantity.TEMPERATURE)
    hear(inside, "tub-1", {"temp": ("Cel", Quantity.TEMPERATURE, heard)})
    in_the_tub = {"subject": {"kind": "feed-store", "id": "tub"}, "position": "feed"}
    assert inside.ask("POST", "/api/v1/probes/tub-1/placement", json=in_the_tub).status_code == 200
    [placed] = probe(inside, "tub-1")["channels"]
    assert placed["placement"]["since"] is None
    hear(inside, "tub-1", {"temp": ("Cel", Quantity.TEMPERATURE, [12.5] * 6)}, NOW_MS - HOUR_MS)
    judge(inside)
    tub = inside.ask("GET", "/api/v1/feed-stores/tub").json()["condition"]
    assert tub["positions"][0]["value"] == (heard or [12.5])[-1]
    with inside.ledger.reading() as connection:
        survey = take_survey(connection, NOW_MS)
    [sensor] = situation(survey, inside.readings, Subject(SubjectKind.FEED_STORE, "tub"), NOW_MS, {}).sensors
    assert len(sensor.series) == 6 + len(heard)


def test_a_probe_placed_by_a_clock_that_was_set_back_since_can_be_placed_again(inside: Inside) -> None:
    hear(inside, "tub-1", {"temp": ("Cel", Quantity.TEMPERATURE, [12.5] * 6)})
    tub = {"subject": {"kind": "feed-store", "id": "tub"}, "position": "feed"}
    with inside.ledger.writing() as connection:
        [own] = [c for c in catalogue.channels(connection) if c.probe_id == "tub-1"]
        ahead_ms = wall_clock() + 30 * 24 * HOUR_MS
        catalogue.place_channel(
            connection, own.id, Subject(SubjectKind.FEED_STORE, "tub"), Position.FEED, ahead_ms
        )
    answer = inside.ask("POST", "/api/v1/probes/tub-1/placement", json=tub)
    assert at_ms(answer.json()["channels"][0]["placement"]["since"]) <= wall_clock()


def test_health_comes_with_a_placed_probe(inside: Inside) -> None:
    # 0.01 V a day from 3.98 V: 3.70 V after 28 days, and the 0.40 V down to 3.30 V last another 40.
    falling = [3.98 - 0.01 * n / 24 for n in range(28 * 24 + 1)]
    hear(inside, "birch-1", {"batt": ("V", Quantity.BATTERY, falling)}, every_ms=HOUR_MS)
    hear(
        inside,
        "birch-1",
        {"temp": ("Cel", Quantity.TEMPERATURE, swing(20.0)), "rssi": ("dBm", Quantity.SIGNAL, [-66.0] * 20)},
    )
    assert probe(inside, "birch-1")["health"] is None
    inside.ask("POST", "/api/v1/probes/birch-1/placement", json=TOP)
    judge(inside)
    health = probe(inside, "birch-1")["health"]
    assert health["rhythm"]["state"] == "on-time"
    assert health["rhythm"]["interval_min"] == 10
    assert at_ms(health["rhythm"]["due"]) == NOW_MS + 600_000
    assert health["signal"] == {"state": "good", "dbm": -66.0}
    assert health["battery"]["state"] == "fine"
    assert health["battery"]["left_h"] == pytest.approx(40 * 24, rel=0.02)
    assert (health["doubts"], health["gaps"]) == ([], [])


def test_a_twin_is_compared_since_both_sit_side_by_side(inside: Inside) -> None:
    one = hear(inside, "birch-1", {"temp": ("Cel", Quantity.TEMPERATURE, swing(20.0, drift_per_day=0.4))})
    two = hear(inside, "birch-2", {"temp": ("Cel", Quantity.TEMPERATURE, swing(20.0))})
    for probe_id in ("birch-1", "birch-2"):
        inside.ask("POST", f"/api/v1/probes/{probe_id}/placement", json=TOP)
    path = f"/api/v1/channels/{one['temp']}/twin"
    assert (inside.ask("GET", path).status_code, inside.ask("GET", path).json()) == (200, None)
    answer = inside.ask("PUT", path, json={"channel": two["temp"]})
    assert answer.status_code == 200, answer.text
    assert at_ms(answer.json()["since"]) == NOW_MS - 1007 * 600_000
    assert probe(inside, "birch-1")["channels"][0]["twin"] == answer.json()

    seen = inside.ask("GET", path).json()
    assert (seen["twin_name"], seen["drifting"]) == ("birch-2 temp", True)
    assert seen["drift_per_day"] == pytest.approx(0.4, rel=0.05)
    assert len(seen["time"]) == len(seen["own"]) == len(seen["other"]) == len(seen["difference"]) > 100
    for own, other, apart in zip(seen["own"], seen["other"], seen["difference"], strict=True):
        assert apart is None or apart == pytest.approx(own - other)

    judge(inside)
    [doubt] = probe(inside, "birch-1")["health"]["doubts"]
    assert "drifts up from its twin birch-2 temp by 0.4 °C/day" in doubt["words"]
    assert "side by side" in doubt["advice"]

    assert inside.ask("DELETE", path).status_code == 204
    judge(inside)
    assert probe(inside, "birch-1")["health"]["doubts"] == []
    assert probe(inside, "birch-1")["channels"][0]["twin"] is None


def test_two_that_sit_apart_are_compared_from_now_on(inside: Inside) -> None:
    one = hear(inside, "birch-1", {"temp": ("Cel", Quantity.TEMPERATURE, swing(20.0, drift_per_day=0.4))})
    two = hear(inside, "birch-2", {"temp": ("Cel", Quantity.TEMPERATURE, swing(20.0))})
    since = inside.ask("PUT", f"/api/v1/channels/{one['temp']}/twin", json={"channel": two["temp"]}).json()
    assert at_ms(since["since"]) >= NOW_MS
    seen = inside.ask("GET", f"/api/v1/channels/{one['temp']}/twin").json()
    assert (seen["drift_per_day"], seen["drifting"]) == (None, False)


def test_one_that_says_nothing_since_it_is_compared_has_nothing_to_be_compared(inside: Inside) -> None:
    readings = {"temp": ("Cel", Quantity.TEMPERATURE, [20.0, 20.1])}
    ids = [hear(inside, name, readings, NOW_MS - HOUR_MS)["temp"] for name in ("birch-1", "birch-2")]
    for one, two in (ids, ids[::-1]):
        inside.ask("PUT", f"/api/v1/channels/{one}/twin", json={"channel": two})
    hear(inside, "birch-2", readings, wall_clock() + 60_000)
    for one in ids:
        answer = inside.ask("GET", f"/api/v1/channels/{one}/twin")
        assert answer.status_code == 200, answer.text
        seen = answer.json()
        assert (seen["difference"], seen["apart"], seen["drifting"]) == (
            [None] * len(seen["own"]),
            None,
            False,
        )
    judge(inside)


def test_a_twin_is_another_channel_of_the_same_quantity_and_unit(inside: Inside) -> None:
    ids = {c["name"]: c["id"] for c in probe(inside, "alder-1")["channels"]}
    other = hear(
        inside,
        "p",
        {"temp": ("Cel", Quantity.TEMPERATURE, [20.0]), "raw": ("1", Quantity.MOISTURE_RAW, [1.0])},
    )
    for channel, twin, code, words in (
        (ids["temp"], ids["temp"], 422, "its own twin"),
        (ids["temp"], ids["moist"], 422, "a twin gives the same"),
        (ids["raw"], other["raw"], 422, "compared are temperature, moisture, humidity"),
        (ids["temp"], 999, 404, "999"),
        (999, ids["temp"], 404, "999"),
    ):
        answer = inside.ask("PUT", f"/api/v1/channels/{channel}/twin", json={"channel": twin})
        assert (answer.status_code, words in answer.json()["detail"]) == (code, True), answer.text
