"""SenML against the RFCs' own examples: RFC 8428 (JSON and CBOR), RFC 8798 (units), RFC 9100 (version).

The examples of RFC 8428 sections 5.1.1 to 5.1.7 and the CBOR octets of section 6 were compared with the
working group's source of the document and with the vectors of public implementations.
"""

import struct

import cbor2
import pytest

from underlid.intake.decode import decode
from underlid.intake.senml import read_cbor
from underlid.model import Quantity
from underlid.quantities import SECONDARY_UNITS, kept_as
from underlid.senml import CBOR_LABELS, Record, SenmlError, resolve

NOW_MS = 1_764_000_000_000  # 2025-11-24T16:00:00Z
NOW_S = NOW_MS // 1000
OW = "urn:dev:ow:10e2073a01080063"


def resolved(pack: list[object]) -> list[Record]:
    problems: list[str] = []
    records = [record for _, record in resolve(pack, problems)]
    assert problems == []
    return records


def as_cbor(pack: list[dict[str, object]]) -> bytes:
    labels = {name: label for label, name in CBOR_LABELS.items()}
    return cbor2.dumps([{labels[key]: value for key, value in record.items()} for record in pack])


CURRENTS = [
    {
        "bn": "urn:dev:ow:10e2073a0108006:",
        "bt": 1.276020076001e09,
        "bu": "A",
        "bver": 5,
        "n": "voltage",
        "u": "V",
        "v": 120.1,
    },
    {"n": "current", "t": -5, "v": 1.2},
    {"n": "current", "t": -4, "v": 1.3},
    {"n": "current", "t": -3, "v": 1.4},
    {"n": "current", "t": -2, "v": 1.5},
    {"n": "current", "t": -1, "v": 1.6},
    {"n": "current", "v": 1.7},
]
RESOLVED_CURRENTS = [
    ("urn:dev:ow:10e2073a0108006:voltage", "V", 120.1, 1276020076.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.2, 1276020071.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.3, 1276020072.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.4, 1276020073.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.5, 1276020074.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.6, 1276020075.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.7, 1276020076.001),
]
# RFC 8428 section 6: the same in CBOR, 195 octets.
CURRENTS_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a31306532303733613031303830303"
    "63a22fb41d303a15b00106223614120050067766f6c7461676501615602fb"
    "405e066666666666a3006763757272656e74062402fb3ff3333333333333a"
    "3006763757272656e74062302fb3ff4cccccccccccda30067637572"
    "72656e74062202fb3ff6666666666666a3006763757272656e74062102f93"
    "e00a3006763757272656e74062002fb3ff999999999999aa3006763757272"
    "656e74060002fb3ffb333333333333"
)
WALK = [
    {"bn": OW, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
    {"u": "lon", "v": 24.30621},
    {"u": "lat", "v": 60.07965},
    {"t": 60, "v": 20.3},
    {"u": "lon", "t": 60, "v": 24.30622},
    {"u": "lat", "t": 60, "v": 60.07965},
    {"t": 120, "v": 20.7},
    {"u": "lon", "t": 120, "v": 24.30623},
    {"u": "lat", "t": 120, "v": 60.07966},
    {"u": "%EL", "t": 150, "v": 98},
    {"t": 180, "v": 21.2},
    {"u": "lon", "t": 180, "v": 24.30628},
    {"u": "lat", "t": 180, "v": 60.07967},
]
RESOLVED_WALK = [  # RFC 8428 section 5.1.4
    (OW, "%RH", 20, 1.320067464e09),
    (OW, "lon", 24.30621, 1.320067464e09),
    (OW, "lat", 60.07965, 1.320067464e09),
    (OW, "%RH", 20.3, 1.320067524e09),
    (OW, "lon", 24.30622, 1.320067524e09),
    (OW, "lat", 60.07965, 1.320067524e09),
    (OW, "%RH", 20.7, 1.320067584e09),
    (OW, "lon", 24.30623, 1.320067584e09),
    (OW, "lat", 60.07966, 1.320067584e09),
    (OW, "%EL", 98, 1.320067614e09),
    (OW, "%RH", 21.2, 1.320067644e09),
    (OW, "lon", 24.30628, 1.320067644e09),
    (OW, "lat", 60.07967, 1.320067644e09),
]
HUMIDITIES = [21.2, 21.3, 21.4, 21.4, 21.5, 21.5, 21.5, 21.6, 21.7, 21.5, 21.5, 21.5]
HUMIDITY_TIMES = [0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 91, 92]

EXAMPLES = {
    "5.1.1": ([{"n": OW, "u": "Cel", "v": 23.1}], [(OW, "Cel", 23.1, 0)]),
    "5.1.2 first": (
        [{"bn": f"{OW}:", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}],
        [(f"{OW}:voltage", "V", 120.1, 0), (f"{OW}:current", "A", 1.2, 0)],
    ),
    "5.1.2 second": (CURRENTS, RESOLVED_CURRENTS),
    "5.1.3 first": (
        [{"bn": OW, "bt": 1.320067464e09, "bu": "%RH", "v": 21.2}]
        + [{"t": t, "v": v} for t, v in zip(HUMIDITY_TIMES[1:], HUMIDITIES[1:], strict=True)],
        [(OW, "%RH", v, 1320067464 + t) for t, v in zip(HUMIDITY_TIMES, HUMIDITIES, strict=True)],
    ),
    "5.1.3 second": (WALK, RESOLVED_WALK),
    "5.1.4": (
        [dict(zip(("n", "u", "v", "t"), record, strict=True)) for record in RESOLVED_WALK],
        RESOLVED_WALK,
    ),
    "5.1.5": (
        [
            {"bn": f"{OW}:", "n": "temp", "u": "Cel", "v": 23.1},
            {"n": "label", "vs": "Machine Room"},
            {"n": "open", "vb": False},
            {"n": "nfc-reader", "vd": "aGkgCg"},
        ],
        [
            (f"{OW}:temp", "Cel", 23.1, 0),
            (f"{OW}:label", "", "Machine Room", 0),
            (f"{OW}:open", "", False, 0),
            (f"{OW}:nfc-reader", "", "aGkgCg", 0),
        ],
    ),
    "5.1.6": (
        [
            {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
            {"n": "humidity", "u": "%RH", "v": 30},
            {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
            {"n": "humidity", "u": "%RH", "v": 67},
        ],
        [
            ("2001:db8::2/temperature", "Cel", 25.2, 1320078429),
            ("2001:db8::2/humidity", "%RH", 30, 1320078429),
            ("2001:db8::1/temperature", "Cel", 12.3, 1320078429),
            ("2001:db8::1/humidity", "%RH", 67, 1320078429),
        ],
    ),
    "5.1.7 thermostat": (
        [
            {"bn": f"{OW}:"},
            {"n": "temp", "u": "Cel", "v": 23.1},
            {"n": "heat", "u": "/", "v": 1},
            {"n": "fan", "u": "/", "v": 0},
        ],
        [(f"{OW}:temp", "Cel", 23.1, 0), (f"{OW}:heat", "/", 1, 0), (f"{OW}:fan", "/", 0, 0)],
    ),
    "5.1.7 two lights on": (
        [{"bt": 1.320078429e09, "bu": "/", "n": "2001:db8::3", "v": 1}, {"n": "2001:db8::4", "v": 1}],
        [("2001:db8::3", "/", 1, 1320078429), ("2001:db8::4", "/", 1, 1320078429)],
    ),
    "5.1.7 two lights dimmed, then off": (
        [
            {"bt": 1.320078429e09, "bu": "/", "n": "2001:db8::3", "v": 0.5},
            {"n": "2001:db8::4", "v": 0.5},
            {"n": "2001:db8::3", "t": 0.1, "v": 0},
            {"n": "2001:db8::4", "t": 0.1, "v": 0},
        ],
        [
            ("2001:db8::3", "/", 0.5, 1320078429),
            ("2001:db8::4", "/", 0.5, 1320078429),
            ("2001:db8::3", "/", 0, 1320078429.1),
            ("2001:db8::4", "/", 0, 1320078429.1),
        ],
    ),
}


@pytest.mark.parametrize("section", EXAMPLES)
def test_an_example_of_the_rfc_resolves_as_it_says(section: str) -> None:
    pack, expected = EXAMPLES[section]
    found = resolved(pack)
    assert [(r.name, r.unit, r.value) for r in found] == [record[:3] for record in expected]
    assert [r.time_s for r in found] == [record[3] for record in expected]


@pytest.mark.parametrize("section", EXAMPLES)
def test_an_example_of_the_rfc_means_the_same_in_cbor(section: str) -> None:
    pack, _ = EXAMPLES[section]
    assert resolved(read_cbor(as_cbor(pack))) == resolved(pack)


def test_the_octets_of_the_rfcs_cbor_example() -> None:
    assert len(CURRENTS_CBOR) == 195
    assert resolved(read_cbor(CURRENTS_CBOR)) == resolved(CURRENTS)
    assert as_cbor(CURRENTS)[:4] == CURRENTS_CBOR[:4]


def pack_of(value: str, label: str = "02") -> bytes:
    """[{"n": "temp", "u": "Cel", label: value}], the value given as its CBOR octets in hexadecimal."""
    return bytes.fromhex("81a30064" + b"temp".hex() + "0163" + b"Cel".hex() + label + value)


@pytest.mark.parametrize(
    ("octets", "value"),
    [
        # RFC 8949 appendix A has the halves, floats and integers; RFC 7049 section 2.4.3 the fraction 273.15.
        ("f93e00", 1.5),
        ("f9c400", -4.0),
        ("f90001", 5.960464477539063e-8),
        ("fa47c35000", 100_000.0),
        ("fb3ff199999999999a", 1.1),
        ("1903e8", 1000.0),
        ("3903e7", -1000.0),
        ("c48221196ab3", 273.15),
        ("c4822119083e", 21.1),
    ],
)
def test_every_kind_of_number_that_the_rfc_allows_in_cbor(octets: str, value: float) -> None:
    found = decode(pack_of(octets), NOW_MS)
    assert [(s.channel, s.value) for s in found.samples] == [("temp", value)]
    assert found.problems == ()


def test_streams_of_indefinite_length_are_read() -> None:
    # RFC 8428 section 6: an array of indefinite length is what a stream has.
    stream = bytes.fromhex("9fbf0064") + b"temp" + bytes.fromhex("0163") + b"Cel" + bytes.fromhex("0215ffff")
    assert [s.value for s in decode(stream, NOW_MS).samples] == [21.0]


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (pack_of("f97e00"), "'v' is no finite number"),  # NaN
        (pack_of("f97c00"), "'v' is no finite number"),  # infinity
        (pack_of("f97c00", "06"), "'t' is no finite number"),
        (pack_of("f97e00", "22"), "'bt' is no finite number"),
        (pack_of("c48219ffff01"), "'v' is no finite number"),  # 1e65535
        (pack_of("c482016161"), "a decimal fraction is a list of two whole numbers"),
        (pack_of("c249010000000000000000"), "tag 2 has no place"),
        (pack_of("c1181e"), "tag 1 has no place"),
        (pack_of("d8236128"), "tag 35 has no place"),
        (pack_of("d81c80"), "tag 28"),
        (pack_of("d81d00"), "tag 29"),
        (pack_of("d90100") + pack_of("01"), "tag 256"),
        (pack_of("f5"), "'v' is no finite number"),
        (pack_of("f6"), "'v' is no finite number"),
        (pack_of("01") + b"\0", "more bytes follow"),
        (pack_of("01")[:-1], "not CBOR"),
        (pack_of("01", "01"), "Duplicate map key"),
        (pack_of("01", "6175"), "the field 'u' twice"),
        (bytes.fromhex("9b00000fffffffffff"), "not CBOR"),
        (bytes.fromhex("817b00000fffffffffff61"), "not CBOR"),
        (bytes.fromhex("81ba0fffffff"), "not CBOR"),
        (b"\x81" * 200_000, "nesting"),
        (b"\x9f" * 200_000, "nesting"),
        (bytes.fromhex("81a10001"), "'n' is no text"),
        (bytes.fromhex("81a1f501"), "the pack holds no value"),  # true is no label, though it equals 1
        (bytes.fromhex("81a162fffff4"), "not CBOR"),
        (cbor2.dumps({"temp": 21}), "neither a SenML pack"),
        (cbor2.dumps([21]), "neither a SenML pack"),
    ],
)
def test_cbor_that_can_not_be_used_has_a_reason(payload: bytes, words: str) -> None:
    found = decode(payload, NOW_MS)
    assert found.samples == ()
    assert words in found.reason


@pytest.mark.parametrize(
    "payload",
    [
        pack_of("c25a0003d090") + b"\xff" * 250_000,  # a number of two million bits
        b"\x81\x81\xba" + struct.pack(">I", 25_000) + b"\xd8\x1d\x00\x01" * 25_000,  # shared values as keys
        b"\x9a" + struct.pack(">I", 80_000) + b"\xd8\x1d\x00" * 80_000,
        b"\x9a" + struct.pack(">I", 80_000) + b"\xc4" * 80_000,
    ],
)
def test_cbor_that_is_made_to_cost_much_is_refused(payload: bytes) -> None:
    found = decode(payload, NOW_MS)
    assert found.samples == ()
    assert found.reason.startswith("not CBOR")


def test_one_version_for_a_pack_and_those_that_are_understood() -> None:
    # RFC 8428 section 4.4 (all records have one version), RFC 9100 section 2 (26 = 10 + 2^4: secondary units).
    record = {"n": "batt", "u": "mV", "v": 3700}
    for version in (5, 10, 26):
        assert [r.value for r in resolved([{"bver": version, **record}, {**record, "bver": version}])] == [
            3700
        ] * 2
    for pack in (
        [{"bver": 11}],
        [{"bver": 42}],
        [{"bver": 10}, {"bver": 26}],
        [{"bver": "10"}],
        [{"bver": None}],
    ):
        with pytest.raises(SenmlError, match="SenML version"):
            list(resolve(pack, []))


def test_base_fields_that_can_not_be_read_refuse_the_pack_and_own_fields_only_their_record() -> None:
    good = {"n": "temp", "u": "Cel", "v": 20}
    for base in ({"bn": 5}, {"bt": "now"}, {"bu": None}, {"bv": True}):
        with pytest.raises(SenmlError):
            list(resolve([good, base], []))
    for own in ({"n": 5}, {"u": 1}, {"t": "now"}, {"v": True}, {"v": 1, "vs": "1"}):
        problems: list[str] = []
        assert [number for number, _ in resolve([good, {**good, **own}, good], problems)] == [1, 3]
        assert len(problems) == 1
        assert problems[0].startswith("record 2: ")


def test_sums_and_update_times_are_read_over() -> None:
    # RFC 8428 section 4.5.4 lets a record have a sum and no value.
    pack = [{"bn": OW, "bs": 10, "s": 5}, {"n": ":temp", "u": "Cel", "v": 20, "s": 1, "ut": 60, "bs": 1}]
    assert resolved(pack) == [(f"{OW}:temp", "Cel", 20, 0)]


def test_the_conversions_of_rfc_8798() -> None:
    # RFC 8798 section 3: 100 ms are 0.1 s; 10 dBm are -20 dBW.
    def primary(unit: str, value: float) -> tuple[str, float]:
        name, scale, offset = SECONDARY_UNITS[unit]
        return name, float(value * scale + offset)

    assert primary("ms", 100) == ("s", 0.1)
    assert primary("dBm", 10) == ("dBW", -20)
    assert primary("km/h", 36) == ("m/s", 10)
    assert primary("Wh/km", 1) == ("J/m", 3.6)
    assert primary("ppm", 1) == ("/", 1e-6)
    assert primary("mm/h", 3_600_000) == ("m/s", 1)
    assert len(SECONDARY_UNITS) == 33  # the rows of table 2


@pytest.mark.parametrize(
    ("name", "unit", "value", "expected"),
    [
        ("batt", "mV", 3300, (Quantity.BATTERY, "V", 3.3)),
        ("moist", "/100", 71.3, (Quantity.MOISTURE, "%", 71.3)),
        ("moist", "/1000", 713, (Quantity.MOISTURE, "%", 71.3)),
        ("moist", "ppm", 713_000, (Quantity.MOISTURE, "%", 71.3)),
        ("moist", "/", 0.5, (Quantity.MOISTURE, "%", 50.0)),
        ("rssi", "dBm", -71, (Quantity.SIGNAL, "dBm", -71.0)),
        ("rssi", "dBW", -101, (Quantity.SIGNAL, "dBm", -71.0)),
        ("temp", "K", 273.15, (Quantity.TEMPERATURE, "Cel", 0.0)),
    ],
)
def test_units_that_are_kept_are_converted_to_the_last_bit(
    name: str, unit: str, value: float, expected: tuple[Quantity, str, float]
) -> None:
    kept = kept_as(name, unit)
    assert (kept.quantity, kept.unit, kept.value(value)) == expected


def test_a_unit_of_another_kind_is_a_reason() -> None:
    assert "unit 'ms' is not known" in decode(b'[{"n":"temp","u":"ms","v":5}]', NOW_MS).reason
    assert "unit 'Lx' is not known" in decode(b'[{"n":"temp","u":"Lx","v":5}]', NOW_MS).reason


def test_a_backlog_in_cbor_lands_at_its_own_times() -> None:
    pack = [{"bn": "urn:dev:mac:0024befffe804ff1:", "bu": "Cel", "n": "temp", "v": 20.5, "t": -7200}]
    pack += [{"n": "temp", "v": 21, "t": -3600}, {"n": "temp", "v": 21.5}]
    found = decode(as_cbor(pack), NOW_MS)
    assert [(s.time_ms, s.value) for s in found.samples] == [
        (NOW_MS - 7_200_000, 20.5),
        (NOW_MS - 3_600_000, 21.0),
        (NOW_MS, 21.5),
    ]
    assert all(s.by_arrival for s in found.samples)


@pytest.mark.parametrize(
    ("time_s", "words"),
    [
        (300, "a time below 2^28 is relative to now"),  # seconds since the probe started
        (86_400 * 30, "a time below 2^28 is relative to now"),
        (946_684_800 + 300, "never set"),  # a clock that began at 2000-01-01
        (946_684_800 + 86_400 * 20, "never set"),
        (NOW_S + 3600, "looks like local time"),
        (NOW_S + 5 * 3600 + 1800 + 20, "looks like local time"),
        (NOW_S + 4000, "check the probe's clock"),
        (NOW_S + 86_400 * 30, "check the probe's clock"),
        (NOW_MS, "seems to be in milliseconds"),
    ],
)
def test_a_wrong_clock_is_noticed_and_the_reason_says_what_to_do(time_s: float, words: str) -> None:
    found = decode(f'{{"temp": 20, "t": {time_s}}}'.encode(), NOW_MS)
    assert found.samples == ()
    assert words in found.reason
