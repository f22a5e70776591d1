"""What is told of bins and feed stores, limits of the farm and a place; a probe placed where it sits already."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from tests.web.inside import NOW_MS, Inside, running

from underlid.store import catalogue

IN_ALDER = {"subject": {"kind": "bin", "id": "alder"}, "position": "top"}


@pytest.fixture
def inside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inside]:
    with running(tmp_path_factory.mktemp("inside")) as there:
        yield there


def limit(thing: dict[str, list[dict[str, object]]], name: str) -> tuple[object, object]:
    [row] = [row for row in thing["limits"] if row["name"] == name]
    return row["value"], row["origin"]


def test_a_places_limits_hold_for_all_in_it_and_all_in_it_is_judged_anew(inside: Inside) -> None:
    answer = inside.ask(
        "PATCH", "/api/v1/places/shed", json={"outdoors": True, "limits": {"temp_high_c": 27}}
    )
    assert answer.status_code == 200, answer.text
    assert answer.json()["limits"] == {"temp_high_c": 27}
    assert answer.json()["outdoors"] is True
    assert answer.json() == inside.ask("GET", "/api/v1/places/shed").json()
    assert inside.told == ["everything"]
    assert limit(inside.ask("GET", "/api/v1/bins/alder").json(), "temp_high_c") == (27, "place")
    inside.ask("PATCH", "/api/v1/places/shed", json={"limits": {}})
    assert limit(inside.ask("GET", "/api/v1/bins/alder").json(), "temp_high_c")[1] == "species"
    assert inside.ask("PATCH", "/api/v1/places/attic", json={"name": "Attic"}).status_code == 404


def test_limits_of_the_farm_and_a_place_are_shown_with_where_they_come_from(inside: Inside) -> None:
    inside.ask("PATCH", "/api/v1/farm", json={"limits": {"temp_high_c": 27, "temp_low_c": 6}})
    inside.ask("PATCH", "/api/v1/places/shed", json={"limits": {"temp_high_c": 26}})
    inside.ask("PATCH", "/api/v1/bins/alder", json={"limits": {"temp_high_c": 25}})
    farm = {"limits": inside.ask("GET", "/api/v1/limits").json()}
    shed = {"limits": inside.ask("GET", "/api/v1/limits?place=shed").json()}
    assert (limit(farm, "temp_high_c"), limit(shed, "temp_high_c")) == ((27, "farm"), (26, "place"))
    assert (limit(shed, "temp_low_c"), limit(shed, "freeze_c")) == ((6, "farm"), (0, "species"))
    assert inside.ask("GET", "/api/v1/limits?place=attic").status_code == 404


def test_a_feed_stores_filling_insulation_and_limits_are_set_and_shown(inside: Inside) -> None:
    inside.ask("PATCH", "/api/v1/farm", json={"limits": {"feed_room_c": 10}})
    path = "/api/v1/feed-stores/tub"
    shown = inside.ask("GET", path).json()
    assert limit(shown, "feed_room_c") == (10, "farm")
    answer = inside.ask("PATCH", path, json={"fill_depth_m": 0.2, "insulation_w_m2k": 1.5})
    assert answer.status_code == 200, answer.text
    changed = answer.json()
    assert (changed["fill_depth_m"], changed["insulation_w_m2k"], changed["diameter_m"]) == (0.2, 1.5, 0.3)
    changed = inside.ask("PATCH", path, json={"limits": {"feed_room_c": 18}}).json()
    assert (limit(changed, "feed_room_c"), changed["insulation_w_m2k"]) == ((18, "feed-store"), 1.5)
    assert inside.ask("PATCH", path, json={"insulation_w_m2k": None}).json()["insulation_w_m2k"] is None
    assert inside.told[-1] == "feed-store/tub"
    assert inside.ask("PATCH", path, json={"place_id": "attic"}).status_code == 422
    assert inside.ask("PATCH", "/api/v1/feed-stores/vat", json={"name": "Vat"}).status_code == 404


def test_a_bins_species_and_start_are_changed_and_only_to_what_can_be(inside: Inside) -> None:
    path = "/api/v1/bins/alder"
    change = {"species": "dendrobaena-veneta", "started": "2026-03-01T00:00:00+01:00"}
    changed = inside.ask("PATCH", path, json=change).json()
    assert (changed["species"], changed["started"]) == ("dendrobaena-veneta", "2026-02-28T23:00:00.000Z")
    assert limit(changed, "temp_high_c") == (28, "species")
    assert inside.told == ["bin/alder"]
    ahead = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    for wrong, why in (({"species": "lumbricus"}, "known are"), ({"started": ahead}, "lies in the future")):
        answer = inside.ask("PATCH", path, json=wrong)
        assert answer.status_code == 422
        assert why in answer.json()["detail"]
        new = {"id": "birch", "name": "Birch", "place_id": "shed", **wrong}
        assert inside.ask("POST", "/api/v1/bins", json=new).status_code == 422
    assert inside.ask("GET", path).json() == changed


@pytest.mark.parametrize(
    ("kind", "given", "rest"),
    [
        ("bins", {"length_m": 0.5, "worm_kg": 1.2}, ["width_m", "depth_m"]),
        ("feed-stores", {"fill_depth_m": 0.2}, ["diameter_m"]),
    ],
)
def test_what_nobody_gave_is_told_as_assumed_until_another_is_given(
    inside: Inside, kind: str, given: dict[str, float], rest: list[str]
) -> None:
    made = inside.ask("POST", f"/api/v1/{kind}", json={"id": "new", "name": "New", "place_id": "shed"}).json()
    assert set(made["assumed"]) == {*given, *rest}
    changed = inside.ask("PATCH", f"/api/v1/{kind}/new", json=given).json()
    assert changed["assumed"] == rest
    assert inside.ask("GET", f"/api/v1/{kind}/new").json()["assumed"] == rest


def test_the_farm_shows_the_limits_that_were_set_for_it(inside: Inside) -> None:
    assert inside.ask("GET", "/api/v1/farm").json()["limits"] == {}
    inside.ask("PATCH", "/api/v1/farm", json={"limits": {"temp_high_c": 27}})
    assert inside.ask("GET", "/api/v1/farm").json()["limits"] == {"temp_high_c": 27}


@pytest.mark.parametrize("path", ["/api/v1/farm", "/api/v1/places/shed"])
def test_limits_that_would_contradict_those_of_a_bin_are_refused_and_not_kept(
    inside: Inside, path: str
) -> None:
    assert inside.ask("PATCH", "/api/v1/bins/alder", json={"limits": {"temp_high_c": 20}}).status_code == 200
    answer = inside.ask("PATCH", path, json={"limits": {"temp_low_c": 22}})
    assert answer.status_code == 422
    assert "Alder" in answer.json()["detail"]
    assert inside.ask("GET", path).json()["limits"] == {}
    assert inside.ask("GET", "/api/v1/bins/alder").status_code == 200


def test_a_probe_placed_again_where_it_sits_goes_on_as_it_does(inside: Inside) -> None:
    # One channel sits at Alder's top since yesterday, another that fits does not sit anywhere yet.
    answer = inside.ask("POST", "/api/v1/probes/alder-1/placement", json=IN_ALDER)
    assert answer.status_code == 200, answer.text
    since = {channel["name"]: channel["placement"]["since"] for channel in answer.json()["channels"]}
    assert set(since) == {"temp", "moist", "raw"}
    yesterday = datetime.fromtimestamp(NOW_MS / 1000, UTC) - timedelta(days=1)
    assert datetime.fromisoformat(since["temp"]) == yesterday.replace(
        microsecond=yesterday.microsecond // 1000 * 1000
    )
    again = inside.ask("POST", "/api/v1/probes/alder-1/placement", json=IN_ALDER).json()["channels"]
    assert {channel["name"]: channel["placement"]["since"] for channel in again} == since
    with inside.ledger.reading() as connection:
        assert len(catalogue.placements(connection)) == 3


def test_a_probe_is_not_placed_in_the_future(inside: Inside) -> None:
    for ahead_s, code in ((300, 200), (3600, 422)):  # a clock may run ahead by ten minutes
        since = (datetime.now(UTC) + timedelta(seconds=ahead_s)).isoformat()
        body = {**IN_ALDER, "position": "core", "channels": ["moist"], "since": since}
        answer = inside.ask("POST", "/api/v1/probes/alder-1/placement", json=body)
        assert answer.status_code == code, answer.text
