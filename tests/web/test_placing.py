"""Where a probe's names say that it sits."""

import pytest

from underlid.model import Channel, Position, Quantity, Subject, SubjectKind
from underlid.web.placing import suggest

THINGS = {
    Subject(SubjectKind.BIN, "alder"): "Alder",
    Subject(SubjectKind.BIN, "alder-2"): "Alder the second",
    Subject(SubjectKind.BIN, "birch"): "Old birch",
    Subject(SubjectKind.BIN, "bin-1"): "Bin 1",
    Subject(SubjectKind.BIN, "bin-2"): "Bin 2",
    Subject(SubjectKind.BIN, "top-shelf"): "Top shelf",
    Subject(SubjectKind.BIN, "shed-bin"): "Shed bin",
    Subject(SubjectKind.FEED_STORE, "north-tub"): "North tub",
    Subject(SubjectKind.FEED_STORE, "grounds"): "Café grounds",
    Subject(SubjectKind.PLACE, "potting-shed"): "Potting shed",
    Subject(SubjectKind.PLACE, "lean-to"): "Lean-to",
}
QUANTITIES = {
    "temp": Quantity.TEMPERATURE,
    "moist": Quantity.MOISTURE,
    "rh": Quantity.HUMIDITY,
    "batt": Quantity.BATTERY,
}


def channels(*names: str) -> list[Channel]:
    found = []
    for number, name in enumerate(names, 1):
        quantity = next(q for word, q in QUANTITIES.items() if word in name)
        found.append(Channel(number, "p", name, "", quantity))
    return found


def where(probe_id: str, *names: str, called: str = "") -> tuple[str, str, str] | None:
    found = suggest(probe_id, called or probe_id, channels(*names), THINGS)
    return None if found is None else (str(found.subject), found.position.value, " ".join(found.channels))


@pytest.mark.parametrize(
    ("probe_id", "names", "expected"),
    [
        ("alder-1", "temp moist batt", ("bin/alder", "top", "temp moist")),
        ("alder1", "temp", ("bin/alder", "top", "temp")),
        ("alder-2-probe", "temp", ("bin/alder-2", "top", "temp")),
        ("alder-core", "temp moist", ("bin/alder", "core", "temp moist")),
        ("alder-bottom", "temp", ("bin/alder", "base", "temp")),
        ("alder-1", "top-temp top-moist core-temp batt", ("bin/alder", "top", "top-temp top-moist")),
        ("alder-1", "core-temp base-temp", ("bin/alder", "core", "core-temp")),
        ("alder-1", "temp air-temp", ("bin/alder", "top", "temp")),
        ("birch-3", "temp", ("bin/birch", "top", "temp")),
        ("bin-2", "temp", ("bin/bin-2", "top", "temp")),
        ("top-shelf-core", "temp", ("bin/top-shelf", "core", "temp")),
        ("north-tub", "temp batt", ("feed-store/north-tub", "feed", "temp")),
        ("north-1", "feed-temp", ("feed-store/north-tub", "feed", "feed-temp")),
        ("cafe-probe", "temp", ("feed-store/grounds", "feed", "temp")),
        ("shed-air", "temp rh", ("place/potting-shed", "air", "temp rh")),
        ("lean-to", "temp rh batt", ("place/lean-to", "air", "temp rh")),
        ("node-7", "alder-top-temp birch-core-temp alder-top-moist",
         ("bin/alder", "top", "alder-top-temp alder-top-moist")),
    ],
)  # fmt: skip
def test_names_tell_bin_store_or_place_and_the_position(
    probe_id: str, names: str, expected: tuple[str, str, str]
) -> None:
    assert where(probe_id, *names.split()) == expected


@pytest.mark.parametrize(
    ("probe_id", "names"),
    [
        ("probe-1", "temp moist"),  # nothing is called so
        ("bin-3", "temp"),  # of two bins that are called bin, neither
        ("alder-air", "temp rh"),  # a bin has no air
        ("alder-1", "batt"),  # a battery sits nowhere
        ("north-tub", "moist"),  # a feed store is measured by its temperature
        ("9f3a07", "temp"),
        ("", ""),
    ],
)
def test_names_that_do_not_tell_give_no_suggestion(probe_id: str, names: str) -> None:
    assert where(probe_id, *names.split()) is None


def test_what_the_keeper_calls_it_goes_before_its_id() -> None:
    assert where("alder-1", "temp", called="Birch core") == ("bin/birch", "core", "temp")


def test_a_suggestion_says_which_names_it_rests_on() -> None:
    found = suggest("alder-1", "alder-1", channels("top-temp", "top-moist", "batt"), THINGS)
    assert found is not None
    assert found.because == ("alder-1", "top-temp", "top-moist")
    assert found.position is Position.TOP
