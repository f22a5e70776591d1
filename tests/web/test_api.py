"""The API over HTTP against a running service, fed over real MQTT."""

import concurrent.futures
import json
import time

import httpx
import paho.mqtt.publish as publish
import pytest

from conftest import MakeService, Service, started, wait_for

Body = dict[str, object]


def say(service: Service, probe: str, payload: object, retain: bool = False) -> None:
    body = payload if isinstance(payload, bytes | str) else json.dumps(payload)
    publish.single(
        f"underlid/probe/{probe}",
        body,
        qos=1,
        retain=retain,
        hostname="127.0.0.1",
        port=service.mqtt_port,
    )


def drying_top(hours: int = 12, to_pct: float = 60.0) -> list[Body]:
    """A top that lost half a per cent an hour and is now below its limit of 65 %."""
    return [
        {"n": "moist", "u": "%", "v": to_pct + 0.5 * (hours - n / 2), "t": -3600 * (hours - n / 2)}
        for n in range(2 * hours + 1)
    ]


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> object:
    """One service for this file: a shed with Alder, whose top is too dry."""
    with started(Service(tmp_path_factory.mktemp("farm") / "data")) as service:
        service.api("POST", "/places", id="shed", name="Potting shed")
        service.api("POST", "/bins", id="alder", name="Alder", place_id="shed")
        say(service, "alder-1", drying_top())
        wait_for(lambda: bool(service.items("/probes")), "the probe")
        service.api(
            "POST", "/probes/alder-1/placement", subject={"kind": "bin", "id": "alder"}, position="top"
        )
        wait_for(lambda: bool(service.items("/alarms")), "the alarm")
        yield service


def status(farm: Service, method: str, path: str, **body: object) -> tuple[int, str]:
    answer = httpx.request(method, f"{farm.url}/api/v1{path}", json=body or None, timeout=20)
    if answer.is_error:
        assert answer.headers["content-type"] == "application/problem+json"  # RFC 9457
        assert answer.json()["status"] == answer.status_code
        return answer.status_code, answer.json()["detail"]
    return answer.status_code, ""


def test_a_new_probe_is_there_by_itself_with_its_latest_values(farm: Service) -> None:
    say(farm, "birch-1", [{"bn": "urn:dev:mac:0024befffe804ff1:", "n": "temp", "u": "Cel", "v": 21.5}])
    wait_for(lambda: len(farm.items("/probes")) == 2, "the second probe", 5)
    probe = farm.api("GET", "/probes/birch-1")
    [channel] = probe["channels"]  # type: ignore[misc]
    assert channel["latest"]["value"] == 21.5
    assert channel["placement"] is None


def test_a_drying_top_becomes_an_alarm_with_an_amount(farm: Service) -> None:
    [alarm] = farm.items("/alarms?subject=bin/alder")
    assert (alarm["rule"], alarm["state"], alarm["forecast"]) == ("top-drying", "unacknowledged", False)
    assert alarm["value"] == pytest.approx(60.0, abs=0.6)
    # The mass balance W = m (G - M) / (100 - G) (Cornell, Moisture content) for a layer whose dry mass is
    # 0.6 x 0.4 x 0.1 m x 120 kg/m3 = 2.88 kg: at 60 % it weighs 7.2 kg; to bring it to 75 % takes 4.32 kg.
    assert alarm["amounts"]["water_l"] == pytest.approx(4.32, rel=0.1)  # type: ignore[index]
    bin_ = farm.api("GET", "/bins/alder")
    assert "too dry" in bin_["condition"]["words"]  # type: ignore[index]


def test_an_alarm_is_acknowledged_shelved_and_brought_back_with_its_history(farm: Service) -> None:
    [alarm] = farm.items("/alarms?subject=bin/alder")
    path = f"/alarms/{alarm['id']}"
    assert farm.api("POST", f"{path}/acknowledge")["state"] == "acknowledged"
    assert status(farm, "POST", f"{path}/acknowledge")[0] == 409
    assert farm.api("POST", f"{path}/shelve", hours=2, reason="watering tonight")["state"] == "shelved"
    assert farm.api("POST", f"{path}/unshelve")["state"] == "unacknowledged"
    assert farm.api("POST", f"{path}/out-of-service", reason="probe lent")["state"] == "out-of-service"
    back = farm.api("POST", f"{path}/in-service")
    causes = [step["cause"] for step in back["history"]]  # type: ignore[attr-defined]
    assert causes == ["in-service", "out-of-service", "unshelved", "shelved", "acknowledged", "raised"]


def test_readings_come_thinned_and_a_gap_stays_a_gap(farm: Service) -> None:
    [channel] = farm.api("GET", "/probes/alder-1")["channels"]  # type: ignore[misc]
    now = str(farm.api("GET", "/farm")["now"])
    found = farm.api(
        "GET", f"/readings?channel={channel['id']}&from=2020-01-01T00:00:00Z&to={now}&points=100000"[:-3]
    )
    assert sum(found["count"]) == 25  # type: ignore[arg-type]
    assert status(farm, "GET", "/readings?channel=999&from=2020-01-01T00:00:00Z")[0] == 404
    assert (
        "before 'from'"
        in status(
            farm,
            "GET",
            f"/readings?channel={channel['id']}&from=2020-01-02T00:00:00Z&to=2020-01-01T00:00:00Z",
        )[1]
    )


def test_the_log_takes_what_was_done_and_the_rules_know_of_it(farm: Service) -> None:
    subject = {"kind": "bin", "id": "alder"}
    entry = farm.api("POST", "/log", subject=subject, kind="wetted", amount_l=1.5, note="soft rain water")
    assert farm.items("/log?subject=bin/alder")[0]["id"] == entry["id"]
    assert "amount_kg" in status(farm, "POST", "/log", subject=subject, kind="fed")[1]
    assert (
        "future" in status(farm, "POST", "/log", subject=subject, kind="turned", at="2100-01-01T00:00:00Z")[1]
    )
    assert status(farm, "POST", "/log", subject={"kind": "bin", "id": "oak"}, kind="turned")[0] == 404


def test_an_entry_sent_twice_under_its_key_is_kept_once(farm: Service) -> None:
    body: Body = {"subject": {"kind": "bin", "id": "alder"}, "kind": "turned", "key": "5f1c-0a"}
    first = farm.api("POST", "/log", **body)
    again = httpx.post(f"{farm.url}/api/v1/log", json=body, timeout=20)
    assert (again.status_code, again.json()) == (201, first)
    assert [e["id"] for e in farm.items("/log") if e["key"] == "5f1c-0a"] == [first["id"]]
    with concurrent.futures.ThreadPoolExecutor() as pool:
        sent = [pool.submit(farm.api, "POST", "/log", **{**body, "key": "5f1c-0b"}) for _ in range(8)]
        assert len({entry.result()["id"] for entry in sent}) == 1
    assert "key" in status(farm, "POST", "/log", **{**body, "key": "no spaces"})[1]


def test_limits_are_shown_with_where_they_come_from_and_can_be_set(farm: Service) -> None:
    farm.api("POST", "/bins", id="cherry", name="Cherry", place_id="shed")
    changed = farm.api("PATCH", "/bins/cherry", limits={"temp_high_c": 28})
    [limit] = [each for each in changed["limits"] if each["name"] == "temp_high_c"]  # type: ignore[attr-defined]
    assert (limit["value"], limit["origin"]) == (28, "bin")
    code, words = status(farm, "PATCH", "/bins/cherry", limits={"temp_hihg_c": 28})
    assert (code, "temp_hihg_c" in words) == (422, True)
    code, words = status(farm, "PATCH", "/bins/cherry", limits={"temp_high_c": 280})
    assert (code, "temp_high_c" in words) == (422, True)


@pytest.mark.parametrize(
    ("method", "path", "body", "code", "words"),
    [
        ("GET", "/bins/oak", {}, 404, "no bin 'oak'"),
        ("GET", "/alarms/99999", {}, 404, "no alarm"),
        ("GET", "/nothing", {}, 404, "nothing at"),
        ("POST", "/bins", {"id": "Not A Slug", "name": "x", "place_id": "shed"}, 422, "body.id"),
        ("POST", "/bins", {"id": "oak", "name": "x", "place_id": "attic"}, 422, "no place 'attic'"),
        ("POST", "/bins", {"id": "alder", "name": "x", "place_id": "shed"}, 409, "already"),
        ("POST", "/bins", {"id": "oak", "name": "x", "place_id": "shed", "species": "cat"}, 422, "known are"),
        ("POST", "/places", {"id": "shed", "name": "x"}, 409, "already"),
        ("PATCH", "/farm", {"time_zone": "Moon/Tycho"}, 422, "IANA"),
        (
            "POST",
            "/probes/alder-1/placement",
            {"subject": {"kind": "bin", "id": "alder"}, "position": "air"},
            422,
            "does not fit",
        ),
        ("GET", "/log?subject=alder", {}, 422, "names no subject"),
        ("GET", "/log?after=x", {}, 422, "where a page ended"),
    ],
)
def test_a_request_that_makes_no_sense_gets_one_clear_sentence(
    farm: Service, method: str, path: str, body: Body, code: int, words: str
) -> None:
    found, detail = status(farm, method, path, **body)
    assert (found, words in detail) == (code, True), detail


def test_what_can_not_be_used_is_in_the_quarantine_with_the_reason(farm: Service) -> None:
    before = httpx.get(f"{farm.url}/metrics").text
    bad = {
        b"\xff\xfe": "not UTF-8",
        b"{": "not JSON",
        b'{"temp": NaN}': "not JSON",
        b'[{"n":"temp","u":"psi","v":1}]': "unit 'psi'",
        b'[{"n":"temp","u":"Cel","v":1,"t":4102444800}]': "in the future",
        b'[{"n":"temp","u":"Cel","v":1,"t":900000000}]': "before the year 2000",
        b" " * 300_000: "at most 262144",
    }
    for payload in bad:
        say(farm, "odd-1", payload)
    wait_for(lambda: len(farm.items("/quarantine")) >= len(bad), "the quarantine", 10)
    reasons = [str(row["reason"]) for row in farm.items("/quarantine")]
    for words in bad.values():
        assert any(words in reason for reason in reasons), (words, reasons)
    assert httpx.get(f"{farm.url}/healthz").json()["quarantined"] >= len(bad)
    counter = "underlid_quarantined_messages_total"
    after = httpx.get(f"{farm.url}/metrics").text

    def count(text: str) -> float:
        return float(next(line.split()[1] for line in text.splitlines() if line.startswith(counter)))

    assert count(after) - count(before) >= len(bad)


def test_the_live_stream_says_what_changed(farm: Service) -> None:
    with httpx.stream("GET", f"{farm.url}/api/v1/live", timeout=20) as stream:
        lines = stream.iter_lines()
        assert next(line for line in lines if line.startswith("event:")) == "event: resync"
        say(farm, "alder-1", [{"n": "moist", "u": "%", "v": 59.5}])
        seen = []
        for line in lines:
            if line.startswith("data: {") and len(line) > len("data: {}"):
                seen.append(tuple(json.loads(line.removeprefix("data: ")).values()))
            if ("bin", "alder") in seen:
                break
        assert ("probe", "alder-1") in seen


def test_another_sites_page_can_change_nothing_and_other_names_get_no_answer(farm: Service) -> None:
    [alarm] = farm.items("/alarms?subject=bin/alder")
    url = f"{farm.url}/api/v1/alarms/{alarm['id']}/acknowledge"
    assert httpx.post(url, headers={"Origin": "https://example.org"}).status_code == 403
    assert httpx.get(f"{farm.url}/api/v1/farm", headers={"Host": "example.org"}).status_code == 400


def test_pages_carry_a_strict_policy_and_ask_nobody_else(farm: Service) -> None:
    page = httpx.get(farm.url)
    assert "script-src 'self'" in page.headers["content-security-policy"]
    assert "unsafe" not in page.headers["content-security-policy"]
    docs = httpx.get(f"{farm.url}/api/docs")
    assert "/api/v1/bins/{bin_id}" in docs.text
    assert "<script" not in docs.text


def test_alarms_and_states_are_retained_on_mqtt(farm: Service) -> None:
    import paho.mqtt.subscribe as subscribe

    messages = subscribe.simple(
        ["underlid/bin/alder/#"], qos=1, msg_count=2, hostname="127.0.0.1", port=farm.mqtt_port
    )
    bodies = {message.topic: json.loads(message.payload) for message in messages}
    assert bodies["underlid/bin/alder/state"]["words"].startswith("top is")
    assert "headline" in bodies["underlid/bin/alder/alarm/top-drying"]


def test_a_restart_repeats_no_notification_and_forgets_no_alarm(make_service: MakeService) -> None:
    service = make_service(UNDERLID_NOTIFY="json://127.0.0.1:9/")
    service.start()
    service.api("POST", "/places", id="shed", name="Potting shed")
    service.api("POST", "/bins", id="alder", name="Alder", place_id="shed")
    say(service, "alder-1", drying_top())
    wait_for(lambda: bool(service.items("/probes")), "the probe")
    service.api("POST", "/probes/alder-1/placement", subject={"kind": "bin", "id": "alder"}, position="top")
    wait_for(lambda: bool(service.items("/alarms")), "the alarm")
    [alarm] = service.items("/alarms")
    messages = count_outbox(service)
    assert messages == 2  # one for the target, one for MQTT
    service.kill()
    service.start()
    say(service, "alder-1", [{"n": "moist", "u": "%", "v": 59.9}])
    wait_for(lambda: "59.9" in str(service.api("GET", "/bins/alder")), "the new reading")
    time.sleep(1)
    [after] = service.items("/alarms")
    assert (after["id"], after["raised"], after["state"]) == (alarm["id"], alarm["raised"], alarm["state"])
    assert count_outbox(service) == messages


def count_outbox(service: Service) -> int:
    import sqlite3

    with sqlite3.connect(service.data_dir / "catalogue.db") as connection:
        notices = "SELECT count(*) FROM notice"
        to_mqtt = "SELECT count(*) FROM outbox WHERE target = 'mqtt'"
        return sum(int(connection.execute(query).fetchone()[0]) for query in (notices, to_mqtt))


def test_a_raw_probe_is_calibrated_from_now_on_and_in_the_past(farm: Service) -> None:
    for raw, ago in ((3000, 600), (2250, 300), (1500, 0)):
        say(farm, "raw-1", {"moist": raw, "t": time.time() - ago})
    wait_for(lambda: any(p["id"] == "raw-1" for p in farm.items("/probes")), "the raw probe")
    [raw_channel] = farm.api("GET", "/probes/raw-1")["channels"]  # type: ignore[misc]
    assert (raw_channel["quantity"], raw_channel["calibrated"]) == ("moisture-raw", False)
    path = f"/channels/{raw_channel['id']}"
    assert farm.api("GET", f"{path}/steadiness")["steady"] is False
    # 10 g wet and 2.3 g dry in a dish of 4 g are 77 % (Cornell, Moisture content, worked example).
    points = [
        {"raw": 3000, "pct_wb": 40},
        {"raw": 1500, "oven": {"before_g": 14.0, "after_g": 6.3, "tare_g": 4.0}},
    ]
    curve = farm.api("POST", f"{path}/calibrations/preview", points=points)
    assert curve["version"] == 0
    assert farm.items(f"{path}/calibrations") == []
    made = farm.api("POST", f"{path}/calibrations", points=points, apply_to_past=True)
    assert [round(p["pct_wb"], 1) for p in made["points"]] == [40.0, 77.0]  # type: ignore[attr-defined]
    [channel] = [c for c in farm.api("GET", "/probes/raw-1")["channels"] if c["calibrated"]]  # type: ignore[attr-defined]
    assert channel["id"] == raw_channel["id"]
    say(farm, "raw-1", {"moist": 1500})
    moist = str(made["moisture_channel"])

    def values() -> list[float]:
        found = farm.api("GET", f"/readings?channel={moist}&from=2020-01-01T00:00:00Z&points=5000")
        return [round(found[edge][0], 1) for edge in ("low", "high")] + found["count"]  # type: ignore[index]

    wait_for(lambda: values() == [40.0, 77.0, 4], "calibrated moisture, of the past and of now")
    falling = [{"raw": 1, "pct_wb": 40}, {"raw": 2, "pct_wb": 50}, {"raw": 3, "pct_wb": 45}]
    code, words = status(farm, "POST", f"{path}/calibrations", points=falling)
    assert (code, "take one of these points again" in words) == (422, True)
    assert status(farm, "POST", f"{path}/calibrations", points=points[:1])[0] == 422
    temperature = farm.api("GET", "/probes/birch-1")["channels"][0]["id"]  # type: ignore[index]
    assert "only raw moisture" in status(farm, "GET", f"/channels/{temperature}/steadiness")[1]
