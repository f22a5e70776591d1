"""Mapped topics: JSON Pointers (RFC 6901), topic filters (MQTT 5.0 section 4.7), and what messages become."""

import itertools
import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from underlid.intake.decode import Message, read_message
from underlid.mapping import PROBE_TOPICS, TopicMapping, overlap, point, subscriptions
from underlid.model import Quantity
from underlid.settings import BadSettingsError, load_settings

NOW_MS = 1_764_000_000_000

# RFC 6901 section 5.
DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_rfc_6901(pointer: str, value: object) -> None:
    assert point(DOCUMENT, pointer) == value


@pytest.mark.parametrize(
    "pointer", ["/bar", "/foo/2", "/foo/-", "/foo/01", "/foo/-1", "/foo/0/0", "/foo/bar", "/foo/9" * 9]
)
def test_a_pointer_to_nothing(pointer: str) -> None:
    # RFC 6901 section 4: no leading zeros, no sign; "-" is the element after the last, which is not there.
    with pytest.raises(LookupError):
        point(DOCUMENT, pointer)


def test_tilde_one_is_not_made_a_slash_by_way_of_tilde_zero() -> None:
    assert point({"~1": 5}, "/~01") == 5  # RFC 6901 section 4


def mapping(**fields: object) -> TopicMapping:
    plain = {"topic": "shed/+/sensors", "pointer": "/temp", "probe": "{1}", "channel": "temp", "unit": "Cel"}
    return TopicMapping.model_validate(plain | fields)


def said(topic: str, payload: object, *mappings: TopicMapping) -> Message:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return read_message(topic, body, NOW_MS, mappings)


def values(message: Message) -> list[tuple[str, str, str, float]]:
    assert message.problems == ()
    return [(probe, s.channel, s.unit, s.value) for probe, s in message.readings]


def test_several_mappings_take_their_parts_of_one_message() -> None:
    mappings = (
        mapping(pointer="/bed/warmth"),
        mapping(pointer="/adc/0", channel="moist", unit="count"),
        mapping(topic="shed/alder/#", pointer="/adc/1", probe="alder", channel="batt", unit="mV", scale=2),
        mapping(topic="state/#", pointer=""),
    )
    body = {
        "at": "2025-11-24T17:00:00",
        "bed": {"warmth": 21.4},
        "adc": {"0": 2310, "1": 1850},
    }
    message = said("shed/alder/sensors", body, *mappings)
    assert values(message) == [
        ("alder", "temp", "Cel", 21.4),
        ("alder", "moist", "count", 2310.0),
        ("alder", "batt", "V", 3.7),
    ]
    assert [s.quantity for _, s in message.readings] == [
        Quantity.TEMPERATURE,
        Quantity.MOISTURE_RAW,
        Quantity.BATTERY,
    ]
    assert message.dated_by_arrival
    assert {s.time_ms for _, s in message.readings} == {NOW_MS}


def test_a_whole_payload_is_a_number_or_its_text() -> None:
    whole = mapping(topic="home/+/+", pointer="", probe="shelf-{1}", channel="{2}", unit="Cel")
    for payload in (b"21.5", b' "21.5"\n', b"2.15e1"):
        assert values(said("home/3/top-temp", payload, whole)) == [("shelf-3", "top-temp", "Cel", 21.5)]


def test_scale_and_offset_come_before_the_unit() -> None:
    # NIST SP 811 appendix B.8: t/C = (t/F - 32)/1.8; 212 F and 32 F are 100 C and 0 C by definition.
    fahrenheit = mapping(scale="5/9", offset="-160/9")
    for raw, celsius in ((212, 100), (32, 0), (-40, -40)):
        [(_, sample)] = said("shed/alder/sensors", {"temp": raw}, fahrenheit).readings
        assert sample.value == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize(
    ("topic", "payload", "words"),
    [
        ("shed/alder/sensors", b"{}", "nothing is at /temp"),
        ("shed/alder/sensors", b"[]", "nothing is at /temp"),
        ("shed/alder/sensors", b"21", "nothing is at /temp"),
        ("shed/alder/sensors", b'{"temp":"warm"}', "what is at /temp is no finite number"),
        ("shed/alder/sensors", b'{"temp":"nan"}', "what is at /temp is no finite number"),
        ("shed/alder/sensors", b'{"temp":null}', "what is at /temp is no finite number"),
        ("shed/alder/sensors", b'{"temp":true}', "what is at /temp is no finite number"),
        ("shed/alder/sensors", b'{"temp":1e300}', "is not finite"),
        ("shed/alder/sensors", b"ON", "not JSON"),
        ("shed/alder/sensors", b"\x81\xa0", "not UTF-8"),
        ("shed/a b/sensors", b'{"temp":21}', "can't be a probe's id"),
        ("shed//sensors", b'{"temp":21}', "can't be a probe's id"),
        ("underlid/bin/alder/state", b'{"temp":21}', "a probe publishes to"),
    ],
)
def test_what_can_not_be_mapped_has_a_reason(topic: str, payload: bytes, words: str) -> None:
    message = said(topic, payload, mapping(scale=1e10))
    assert message.readings == ()
    assert words in message.reason


def test_a_topic_that_no_mapping_takes_says_nothing_and_is_no_fault() -> None:
    assert said("shed/alder/state", b"up for 3 days", mapping()) == Message()
    assert said("shed/alder/sensors/more", b"{}", mapping()) == Message()


def test_a_part_that_is_missing_is_no_fault_while_another_is_there() -> None:
    both = (mapping(pointer="/temp"), mapping(pointer="/hum", channel="rh", unit="%RH"))
    assert values(said("shed/alder/sensors", {"hum": 61}, *both)) == [("alder", "rh", "%RH", 61.0)]
    assert said("shed/alder/sensors", {"other": 61}, *both).reason == (
        "nothing is at /temp in the payload (and 1 more)"
    )


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ('topic = "shed/#/x"', "# is the last"),
        ('topic = "shed/a+"', "+ fills a level"),
        ('topic = ""', "1 to 65535 bytes"),
        ('topic = "#"', "begin it with a name"),
        ('topic = "underlid/probe/+"', "needs no mapping"),
        ('pointer = "temp"', "begins with /"),
        ('pointer = "/a~2"', "~ is written ~0"),
        ('probe = "{2}"', "asks for more than the 1 wildcards"),
        ('probe = "{0}"', "asks for more than the 1 wildcards"),
        ('probe = "a b"', "holds more than"),
        ('channel = "top/temp"', "holds more than"),
        ('unit = "degF"', "unit 'degF' is not known"),
        ('scale = "5/0"', "not a number or a fraction"),
        ("scale = 0", "every value the same"),
        ("offset = nan", "finite number"),
        ('colour = "red"', "mappings.0.colour"),
    ],
)
def test_a_mapping_that_makes_no_sense_is_one_clear_line(tmp_path: Path, fields: str, words: str) -> None:
    plain = {
        "topic": '"shed/+/sensors"',
        "pointer": '"/temp"',
        "probe": '"{1}"',
        "channel": '"temp"',
        "unit": '"Cel"',
    }
    name, value = fields.split(" = ")
    lines = [f"{key} = {text}" for key, text in (plain | {name: value}).items()]
    file = tmp_path / "underlid.toml"
    file.write_text("[[mappings]]\n" + "\n".join(lines))
    with pytest.raises(BadSettingsError, match=re.escape(words)) as raised:
        load_settings(file)
    assert "\n" not in str(raised.value)
    assert str(raised.value).startswith(f"settings file {file}: mappings.0")


def test_mappings_come_from_the_file_or_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "underlid.toml"
    file.write_text(
        '[[mappings]]\ntopic = "shed/+/sensors"\npointer = "/temp"\nprobe = "{1}"\nchannel = "temp"\nunit = "Cel"\n'
    )
    assert load_settings(file).mappings == (mapping(),)
    assert load_settings(file).mapped_topics == ("shed/+/sensors",)
    monkeypatch.setenv("UNDERLID_MAPPINGS", json.dumps([mapping(topic="a/+").model_dump()]))
    assert load_settings(file).mappings == (mapping(topic="a/+"),)


@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        (["shed/+/sensors", "shed/+/sensors"], ["shed/+/sensors"]),
        (["shed/+/sensors", "shed/alder/sensors"], ["shed/+/sensors"]),
        (["shed/+/sensors", "shed/alder/+"], ["shed/+/+"]),
        (["a/b/c", "a/#", "d/+"], ["a/#", "d/+"]),
        (["a", "a/#"], ["a/#"]),
        (["a/+/c", "a/b/+", "a/x/y", "b/#"], ["a/+/+", "b/#"]),
        (["$SYS/load", "+/load"], ["$SYS/load", "+/load"]),
        (["a/+", "a/b/c"], ["a/+", "a/b/c"]),
    ],
)
def test_subscriptions_do_not_overlap(filters: list[str], expected: list[str]) -> None:
    for order in itertools.permutations(filters):
        assert sorted(subscriptions(order)) == sorted(expected)


def test_filters_that_only_the_whole_tree_takes_in_are_refused() -> None:
    with pytest.raises(ValueError, match="begin them with names"):
        subscriptions(["home/#", "+/status"])


levels = st.sampled_from(["a", "b", "", "$x"])
topics = st.lists(levels, min_size=1, max_size=4).map("/".join).filter(bool)
filters = st.tuples(st.lists(levels | st.just("+"), max_size=3), st.sampled_from(["#", "+", "a"])).map(
    lambda parts: "/".join([*parts[0], parts[1]])
)


@given(st.lists(filters, max_size=5), topics)
def test_a_topic_matches_one_subscription_just_where_it_matches_a_mapping(
    wanted: list[str], topic: str
) -> None:
    # What a filter matches is told by the MQTT library.
    try:
        apart = subscriptions(wanted)
    except ValueError:
        return
    taken = sum(topic_matches_sub(one, topic) for one in apart)
    assert taken <= 1
    if any(topic_matches_sub(one, topic) for one in wanted):
        assert taken == 1


@given(filters, topics)
def test_a_mapping_takes_the_topics_that_its_filter_matches(topic_filter: str, topic: str) -> None:
    if overlap(topic_filter, PROBE_TOPICS):
        return
    taken = mapping(topic=topic_filter, probe="p").takes(topic)
    assert taken == topic_matches_sub(topic_filter, topic)


def test_the_mapping_in_the_readme_takes_the_message_beside_it(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    [table] = [
        block for block in re.findall(r"```toml\n(.*?)```", readme, re.DOTALL) if "[[mappings]]" in block
    ]
    topic, payload = re.findall(r"underlid check --topic (\S+) --payload '(.*)'", readme)[0]
    file = tmp_path / "underlid.toml"
    file.write_text(table, "utf-8")
    message = said(topic, payload.encode(), *load_settings(file).mappings)
    assert values(message) == [("alder", "top-temp", "Cel", pytest.approx(25, abs=1e-9))]  # 77 F are 25 C
