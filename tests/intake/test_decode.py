"""Bytes to readings, or a reason: the rules of RFC 8428, the plain object, and anything else thrown at it."""

import json
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from payloads import MAPPINGS, payload

from underlid.intake.decode import MAX_BYTES, decode, read_message
from underlid.model import Quantity

NOW_MS = 1_764_000_000_000  # 2025-11-24T16:00:00Z
NOW_S = NOW_MS // 1000


def rows(payload: object, now_ms: int = NOW_MS) -> list[tuple[str, str, int, float]]:
    found = decode(json.dumps(payload).encode(), now_ms)
    assert found.problems == ()
    return [(s.channel, s.unit, s.time_ms, s.value) for s in found.samples]


def reason(payload: bytes | object) -> str:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    found = decode(body, NOW_MS)
    assert found.samples == ()
    return found.reason


def test_base_name_unit_value_and_time_hold_for_later_records() -> None:
    # RFC 8428 section 4.1 (base fields) and 4.6 (resolved records).
    pack = [
        {
            "bn": "urn:dev:mac:0024befffe804ff1:",
            "bt": NOW_S,
            "bu": "Cel",
            "bv": 20,
            "n": "top-temp",
            "v": 1.5,
        },
        {"n": "core-temp", "v": 3, "t": -60},
        {"bn": "urn:dev:mac:0024befffe804ff2/", "n": "rh", "u": "%RH", "v": 41},
    ]
    assert rows(pack) == [
        ("top-temp", "Cel", NOW_MS, 21.5),
        ("core-temp", "Cel", NOW_MS - 60_000, 23.0),
        ("rh", "%RH", NOW_MS, 61.0),
    ]


def test_the_resolved_times_of_the_rfc_example_of_several_records() -> None:
    # RFC 8428 section 5.1.2, second example: bt 1.276020076001e+09 and t -5..0 give 071.001..076.001.
    # Its unit A is not one a probe here sends, so the same times are given with Cel.
    pack = [{"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e09, "bu": "Cel"}]
    pack += [{"n": "temp", "t": t, "v": 1.2 + (t + 5) / 10} for t in range(-5, 1)]
    found = rows(pack, now_ms=1_276_020_080_000)
    assert [time_ms for _, _, time_ms, _ in found] == [1_276_020_071_001 + 1000 * n for n in range(6)]
    assert [round(value, 6) for *_, value in found] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


def test_times_below_2_to_28_are_relative_to_the_arrival() -> None:
    # RFC 8428 section 4.5.3; 2**28 itself is a date in 1978, which no backlog goes back to.
    assert rows([{"n": "temp", "u": "Cel", "v": 1, "t": -3600}]) == [("temp", "Cel", NOW_MS - 3_600_000, 1.0)]
    assert "never set" in reason([{"n": "temp", "u": "Cel", "v": 1, "t": 2**28}])
    assert decode(b'[{"n":"temp","u":"Cel","v":1}]', NOW_MS).dated_by_arrival
    assert not decode(b'[{"n":"temp","u":"Cel","v":1,"bt":1764000000}]', NOW_MS).dated_by_arrival


def test_a_field_that_must_be_understood_refuses_the_pack_and_others_are_read_over() -> None:
    # RFC 8428 section 4.4: a label that ends in '_' must be understood.
    assert "'x_'" in reason([{"n": "temp", "u": "Cel", "v": 1}, {"n": "temp", "u": "Cel", "v": 2, "x_": 1}])
    assert rows([{"n": "temp", "u": "Cel", "v": 1, "extra": 1, "s": 5, "ut": 60}]) == [
        ("temp", "Cel", NOW_MS, 1.0)
    ]
    assert "version" in reason([{"bver": 11, "n": "temp", "u": "Cel", "v": 1}])


@pytest.mark.parametrize(
    ("name", "unit", "value", "quantity", "stored_unit", "stored"),
    [
        ("temp", "K", 294.65, Quantity.TEMPERATURE, "Cel", 21.5),  # SI Brochure: t/C = T/K - 273.15
        ("moist", "/", 0.71, Quantity.MOISTURE, "%", 71.0),
        ("moist", "%", 71, Quantity.MOISTURE, "%", 71.0),
        ("moist", "count", 2310, Quantity.MOISTURE_RAW, "count", 2310.0),
        ("moist", "mV", 1850, Quantity.MOISTURE_RAW, "V", 1.85),
        ("rh", "%RH", 61, Quantity.HUMIDITY, "%RH", 61.0),
        ("batt", "mV", 3700, Quantity.BATTERY, "V", 3.7),
        ("batt", "%EL", 80, Quantity.BATTERY, "%EL", 80.0),
        ("rssi", "dBm", -71, Quantity.SIGNAL, "dBm", -71.0),
    ],
)
def test_units_become_the_stored_unit(
    name: str, unit: str, value: float, quantity: Quantity, stored_unit: str, stored: float
) -> None:
    [sample] = decode(json.dumps([{"n": name, "u": unit, "v": value}]).encode(), NOW_MS).samples
    assert (sample.quantity, sample.unit) == (quantity, stored_unit)
    assert sample.value == pytest.approx(stored, abs=1e-9)


def test_the_plain_object_tells_units_by_names() -> None:
    assert rows({"temp": 21.4, "moist": 2310, "batt": 3.9, "rssi": -70, "t": NOW_S - 60}) == [
        ("temp", "Cel", NOW_MS - 60_000, 21.4),
        ("moist", "count", NOW_MS - 60_000, 2310.0),
        ("batt", "V", NOW_MS - 60_000, 3.9),
        ("rssi", "dBm", NOW_MS - 60_000, -70.0),
    ]
    assert rows({"top_moist": 71}) == [("top_moist", "%", NOW_MS, 71.0)]


@pytest.mark.parametrize(
    ("before", "said", "unit"),
    [
        (None, {"moist": 12}, "%"),
        ("count", {"moist": 12}, "count"),  # the few counts of a loose wire
        ("count", {"moist": 2310}, "count"),
        ("%", {"moist": 12}, "%"),
        (None, {"batt": 4}, "%EL"),
        ("V", {"batt": 4}, "V"),  # written without its decimals
        ("V", {"batt": 64}, "%EL"),
        ("%EL", {"batt": 4}, "%EL"),
    ],
)
def test_a_bare_number_has_the_unit_in_which_its_channel_was_first_heard(
    before: str | None, said: dict[str, int], unit: str
) -> None:
    [(name, value)] = said.items()
    asked: list[tuple[str, str]] = []

    def unit_before(probe: str, channel: str) -> str | None:
        asked.append((probe, channel))
        return before

    message = read_message("underlid/probe/p1", json.dumps(said).encode(), NOW_MS, (), unit_before)
    [(_, kept)] = message.readings
    assert (kept.unit, kept.value) == (unit, value)
    assert asked == [("p1", name)]


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"\xff\xfe", "not UTF-8"),
        (b"hello", "not JSON"),
        (b"", "not JSON"),
        (b'{"temp": NaN}', "not JSON"),
        (b'{"temp": 1e999}', "not JSON"),
        (b'{"temp": "warm"}', "no finite number"),
        (b'{"temp": true}', "no finite number"),
        (b'{"temp": 1.5e308}', "more than anything a probe measures"),
        (b'{"glow": 3}', "does not say what it measures"),
        (b'{"temp": 20, "t": "noon"}', "'t' is no number"),
        (b"[]", "neither a SenML pack"),
        (b"[1, 2]", "neither a SenML pack"),
        (b"17", "neither a SenML pack"),
        (b'[{"n":"light","u":"lx","v":5}]', "unit 'lx' is not known"),
        (b'[{"n":"temp","v":5}]', "has no unit"),
        (b'[{"n":"temp","u":"Cel","v":"5"}]', "'v' is no finite number"),
        (b'[{"n":"fw","vs":"1.2"}]', "only numbers are kept"),
        (b'[{"n":"a temp","u":"Cel","v":5}]', "not a SenML name"),
        (b'[{"bn":"urn:dev:x:","u":"Cel","v":5}]', "ends before the channel"),
        (b'[{"n":"temp","u":"Cel","v":5,"t":1893456000}]', "in the future"),
        (b'[{"n":"temp","u":"Cel","v":5,"t":915148800}]', "9825 days ago"),
        (b'[{"bn":"x:","bt":1.7e308},{"n":"temp","u":"Cel","v":1,"t":1.7e308}]', "in the future"),
        (b" " * (MAX_BYTES + 1), f"at most {MAX_BYTES}"),
    ],
)
def test_what_can_not_be_used_has_a_reason(payload: bytes, words: str) -> None:
    assert words in reason(payload)


def test_one_bad_record_does_not_cost_the_good_ones() -> None:
    found = decode(b'[{"n":"temp","u":"Cel","v":20},{"n":"light","u":"lx","v":5}]', NOW_MS)
    assert [s.channel for s in found.samples] == ["temp"]
    assert found.reason.startswith("record 2: unit 'lx'")


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                ["bn", "bt", "bu", "bv", "bver", "n", "u", "v", "vs", "t", "s", "temp", "moist", "x_"]
            ),
            inner,
            max_size=6,
        )
    ),
    max_leaves=20,
)


@given(st.binary(max_size=200) | json_values.map(lambda v: json.dumps(v).encode()))
def test_any_bytes_give_readings_or_a_reason(payload: bytes) -> None:
    found = decode(payload, NOW_MS)
    assert found.samples or found.problems
    for sample in found.samples:
        assert math.isfinite(sample.value)
        assert 946_684_800_000 <= sample.time_ms <= NOW_MS + 600_000


def test_three_thousand_bent_and_broken_payloads_give_readings_or_a_reason() -> None:
    # tests/bench/fuzz_payloads.py does the same to a million.
    chance = random.Random(3)
    with_readings = with_problems = 0
    for _ in range(3000):
        topic, body = payload(chance)
        said = read_message(topic, body, NOW_MS, MAPPINGS)
        with_readings += bool(said.readings)
        with_problems += bool(said.problems)
        assert said.readings or said.problems or topic != "underlid/probe/alder-1"
        assert all(math.isfinite(sample.value) for _, sample in said.readings)
    assert with_readings > 300
    assert with_problems > 500
