"""What the probe packs, taken apart again by the service's own decoder."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from firmware.conftest import Interpreter
from underlid.intake.decode import decode

NOW_MS = 1_764_000_000_000
MAC = bytes.fromhex("0200004ff10a")
Reading = tuple[int, dict[str, float]]


def pack(micropython: Interpreter, readings: list[Reading], most: int = 4096) -> tuple[bytes, int]:
    base = micropython.call("senml.base_name", MAC)
    body, count = micropython.call("senml.pack", base, readings, most)
    return body, count


def test_a_device_is_named_by_its_address_as_rfc_9039_has_it(micropython: Interpreter) -> None:
    # RFC 9039, section 4.1: a 48-bit address becomes an EUI-64 by FFFE in its middle. The example, 'urn:dev:mac:
    # 0024befffe804ff1', is RFC 8428's (section 5.1.6, from memory).
    assert (
        micropython.call("senml.base_name", bytes.fromhex("0024be804ff1")) == "urn:dev:mac:0024befffe804ff1:"
    )


def test_a_pack_decodes_to_its_readings_at_their_times(micropython: Interpreter) -> None:
    readings: list[Reading] = [
        (-1800, {"temp": 21.0625, "moist": 1650}),
        (-900, {"temp": -0.5, "moist": 1700, "batt": 3.912, "air-rh": 81.4}),
        (0, {"rssi": -67, "lost": 3}),
    ]
    body, count = pack(micropython, readings)
    found = decode(body, NOW_MS)
    assert count == 3
    assert found.problems == ()
    assert [(s.channel, s.unit, s.value, s.time_ms - NOW_MS) for s in found.samples] == [
        ("moist", "V", 1.65, -1_800_000),
        ("temp", "Cel", 21.0625, -1_800_000),
        ("air-rh", "%RH", 81.4, -900_000),
        ("batt", "V", 3.912, -900_000),
        ("moist", "V", 1.7, -900_000),
        ("temp", "Cel", -0.5, -900_000),
        ("lost", "count", 3, 0),
        ("rssi", "dBm", -67, 0),
    ]


def test_times_since_1970_do_not_depend_on_the_arrival(micropython: Interpreter) -> None:
    body, _ = pack(micropython, [(1_763_999_100, {"temp": 4.0})])
    for late_ms in (0, 3_600_000):
        found = decode(body, NOW_MS + late_ms)
        assert [s.time_ms for s in found.samples] == [1_763_999_100_000]
        assert not found.dated_by_arrival


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.dictionaries(
            st.sampled_from(["temp", "temp2", "pocket-temp", "moist", "batt", "air-rh", "rssi", "faults"]),
            st.integers(-40, 3000).map(float),
            min_size=1,
        ),
        min_size=1,
        max_size=40,
    ),
    st.integers(200, 4096),
)
def test_packs_fit_and_hold_every_reading_once_and_in_order(
    micropython: Interpreter, values: list[dict[str, float]], most: int
) -> None:
    readings = [(-60 * (len(values) - number), each) for number, each in enumerate(values)]
    rest, found = readings, []
    while rest:
        body, count = pack(micropython, rest, most)
        assert count >= 1
        assert len(body) <= most or count == 1
        decoded = decode(body, NOW_MS)
        assert decoded.problems == ()
        found += [(s.channel, (s.time_ms - NOW_MS) // 1000) for s in decoded.samples]
        rest = rest[count:]
    assert found == [(name, time_s) for time_s, each in readings for name in sorted(each)]
