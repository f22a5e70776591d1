"""Replay, the figures of alarms and the keeper's mark over HTTP."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from underlid.model import Alarm, AlarmState, Finding, Transition, Verdict
from underlid.store import alarms

from .inside import ALDER, NOW_MS, UP, Inside, running

HOUR_MS = 3_600_000
API = "/api/v1"


def rfc3339(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).isoformat()


@pytest.fixture(scope="module")
def inside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inside]:
    """Alder at 20 C for two hours, whose alarm of heat stands; it was raised two hours ago."""
    with running(tmp_path_factory.mktemp("inside"), hosts=["127.0.0.1"]) as there:
        finding = Finding("too-warm", Verdict.HOLDS, NOW_MS, value=31.0, headline="Alder is too warm")
        up = Alarm(UP, ALDER, "too-warm", AlarmState.UNACKNOWLEDGED, finding=finding)
        with there.ledger.writing() as connection:
            at_ms = NOW_MS - 2 * HOUR_MS
            step = Transition(up, at_ms, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "raised")
            alarms.add_transition(connection, step)
        yield there


def ask(inside: Inside, **more: Any) -> Any:
    body = {"from": rfc3339(NOW_MS - 2 * HOUR_MS), "to": rfc3339(NOW_MS)} | more
    return inside.ask("POST", f"{API}/replay", json=body)


def test_a_replay_tells_what_was_beside_what_would_have_been(inside: Inside) -> None:
    subject = {"kind": "bin", "id": "alder"}
    [pair] = ask(inside, subjects=[subject]).json()["pairs"]
    assert (pair["rule"], pair["subject_name"], pair["would"]) == ("too-warm", "Alder", None)
    assert pair["was"]["headline"] == "Alder is too warm"
    colder = [{"subject": subject, "limits": {"temp_high_c": 18}}]
    said = ask(inside, subjects=[subject], limits=colder, only_changed=True, against="present-limits").json()
    assert "too-warm" in said["rules"]
    assert "too-wet" not in said["rules"]
    [pair] = [p for p in said["pairs"] if p["rule"] == "too-warm"]
    assert pair["was"] is None
    assert "too warm" in pair["would"]["headline"]


def test_what_can_not_be_replayed_is_said(inside: Inside) -> None:
    subject = {"kind": "bin", "id": "alder"}
    wrong = ask(inside, limits=[{"subject": subject, "limits": {"temp_high_c": 1800}}])
    assert (wrong.status_code, "must lie within" in wrong.json()["detail"]) == (422, True)
    nobody = ask(inside, subjects=[{"kind": "bin", "id": "oak"}])
    assert nobody.status_code == 404
    ages = ask(inside, **{"from": "2001-01-01T00:00:00Z"})
    assert (ages.status_code, "too much at once" in ages.json()["detail"]) == (422, True)
    backwards = ask(inside, to=rfc3339(NOW_MS - 3 * HOUR_MS))
    assert (backwards.status_code, "end after" in backwards.json()["detail"]) == (422, True)


def test_the_keepers_mark_counts_in_the_figures_and_can_be_taken_back(inside: Inside) -> None:
    def figures() -> Any:
        told = inside.ask("GET", f"{API}/alarm-performance").json()
        return next(rule for rule in told["rules"] if rule["rule"] == "too-warm")

    assert (figures()["alarms"], figures()["false"]) == (1, 0)
    marked = inside.ask("PUT", f"{API}/alarms/{UP}/false", json={"was_false": True}).json()
    assert marked["was_false"] is True
    assert figures()["false"] == 1
    assert inside.ask("GET", f"{API}/alarms").json()["items"][0]["was_false"] is True
    inside.ask("PUT", f"{API}/alarms/{UP}/false", json={"was_false": False})
    assert figures()["false"] == 0
    assert inside.ask("PUT", f"{API}/alarms/99/false", json={"was_false": True}).status_code == 404


def test_the_figures_stand_beside_their_benchmarks(inside: Inside) -> None:
    told = inside.ask("GET", f"{API}/alarm-performance").json()
    assert "ISA-18.2" in told["source"]
    a_day = next(each for each in told["benchmarks"] if each["name"] == "a-day")
    assert (a_day["value"], a_day["is_met"]) == (pytest.approx(1 / 30), True)
    assert inside.ask("GET", f"{API}/alarm-performance?from=2026-01-02&to=2026-01-01").status_code == 422
