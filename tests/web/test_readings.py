"""Readings as the charts ask for them."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.web.inside import NOW_MS, Inside, running

from underlid.web.shapes import rfc3339


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    with running(tmp_path) as there:
        yield there


def test_a_trimmed_range_spends_its_points_where_there_are_readings(inside: Inside) -> None:
    # The channel has spoken each minute for the last two hours.
    query = f"channel=1&from=2020-01-01T00:00:00Z&to={rfc3339(NOW_MS)}&points=120"
    whole = inside.ask("GET", f"/api/v1/readings?{query}").json()
    assert len(whole["time"]) <= 2
    trimmed = inside.ask("GET", f"/api/v1/readings?{query}&trim=true").json()
    assert len(trimmed["time"]) >= 119
    assert trimmed["time"][0] == rfc3339(NOW_MS - 7_200_000)
    assert sum(trimmed["count"]) == sum(whole["count"])


def test_a_range_before_the_first_reading_stays_empty_when_trimmed(inside: Inside) -> None:
    query = "channel=1&from=2020-01-01T00:00:00Z&to=2020-02-01T00:00:00Z&trim=true"
    answer = inside.ask("GET", f"/api/v1/readings?{query}")
    assert answer.status_code == 200
    assert answer.json()["time"] == []
