"""The simulated bins feel what the keeper logs."""

from copy import deepcopy

import pytest

from demo.pasts import SUMMER, past
from underlid.demo.bed import BASE, CORE, POCKET, TOP
from underlid.demo.farm import DRY_BIN, FREEZING_TUB, HEATING_BIN
from underlid.demo.garden import Garden
from underlid.demo.weather import HOUR_MS
from underlid.model import LogEntry, LogKind, Subject, SubjectKind


def now() -> Garden:
    """The farm at the end of one past, to do things on."""
    return deepcopy(past(SUMMER).garden)


@pytest.fixture
def pair() -> tuple[Garden, Garden]:
    """Two farms of one past: things are done on the first only."""
    return now(), now()


def entry(garden: Garden, bin_id: str, kind: LogKind, **rest: float | str) -> LogEntry:
    subject = Subject(SubjectKind.BIN, bin_id)
    return LogEntry(0, garden.time_ms, subject, kind, **rest)  # type: ignore[arg-type]


def row(garden: Garden, bin_id: str) -> int:
    return [b.id for b in garden.farm.bins].index(bin_id)


def test_everything_done_shows_in_the_hours_after_and_only_where_it_was_done(
    pair: tuple[Garden, Garden],
) -> None:
    done, left = pair
    dry, hot = row(done, DRY_BIN), row(done, HEATING_BIN)
    alder, birch, medlar, mulberry = (row(done, name) for name in ("alder", "birch", "medlar", "mulberry"))
    assert done.act(entry(done, DRY_BIN, "wetted", amount_l=3.0))
    assert done.act(entry(done, DRY_BIN, "lid", what="closed"))
    assert done.act(entry(done, HEATING_BIN, "turned"))
    assert done.act(entry(done, "alder", "fed", amount_kg=3.0, what="frozen pomace"))
    assert done.act(entry(done, "birch", "fed", amount_kg=4.0, what="coffee grounds"))
    assert done.act(entry(done, "medlar", "harvest", amount_kg=6.0))
    assert done.act(entry(done, "mulberry", "bedding", amount_kg=2.0, what="card"))
    pocket_at_once = done.beds.temp_c[alder, POCKET]
    for garden in pair:
        garden.advance(garden.time_ms + 20 * HOUR_MS)
    moist, moist_left = done.beds.moist_pct_wb, left.beds.moist_pct_wb
    temp, temp_left = done.beds.temp_c, left.beds.temp_c
    assert moist[dry, TOP] > moist_left[dry, TOP] + 8.0
    assert temp[hot, POCKET] < temp_left[hot, POCKET] - 5.0
    assert pocket_at_once < 2.0
    assert temp[birch, POCKET] > temp_left[birch, POCKET] + 5.0
    mass, mass_left = (g.beds.dry_kg + g.beds.water_kg for g in pair)
    assert mass[medlar].sum() < mass_left[medlar].sum() - 5.0
    assert mass[medlar, BASE] < mass_left[medlar, BASE]
    assert moist[mulberry, TOP] < moist_left[mulberry, TOP]
    for untouched in (row(done, "cherry"), row(done, "elder"), row(done, "rowan")):
        assert temp[untouched] == pytest.approx(temp_left[untouched])
        assert moist[untouched] == pytest.approx(moist_left[untouched])
    assert moist[dry, CORE] > moist_left[dry, CORE]


def test_litres_that_are_asked_for_bring_the_top_there() -> None:
    garden = now()
    litres = garden.litres_to(DRY_BIN, 75.0)
    assert garden.act(entry(garden, DRY_BIN, "wetted", amount_l=litres))
    assert garden.beds.moist_pct_wb[row(garden, DRY_BIN), TOP] == pytest.approx(75.0)
    assert garden.litres_to(DRY_BIN, 70.0) == 0.0


@pytest.mark.parametrize("words", ["propped open", "left ajar", "Lid off, airing", "opened"])
def test_a_lid_is_opened_in_the_keepers_words(words: str) -> None:
    garden = now()
    assert garden.act(entry(garden, "alder", "lid", what=words))
    assert garden.beds.lid[row(garden, "alder")] == 1.0


@pytest.mark.parametrize("words", ["closed", "shut again", "back on"])
def test_a_lid_is_shut_in_the_keepers_words(words: str) -> None:
    garden = now()
    assert garden.act(entry(garden, DRY_BIN, "lid", what=words))
    assert garden.beds.lid[row(garden, DRY_BIN)] == 0.0


def test_what_is_none_of_this_farms_or_only_seen_moves_nothing() -> None:
    garden = now()
    before = garden.beds.heat_j.copy()
    assert not garden.act(entry(garden, "oak", "wetted", amount_l=3.0))
    assert not garden.act(entry(garden, "alder", "seen", what="all well"))
    assert not garden.act(entry(garden, "alder", "wetted"))
    assert not garden.act(entry(garden, "alder", "lid", what="cleaned"))
    place = LogEntry(0, garden.time_ms, Subject(SubjectKind.PLACE, "alder"), "wetted", amount_l=3.0)
    assert not garden.act(place)
    assert (garden.beds.heat_j == before).all()


def test_a_tub_filled_anew_starts_unfrozen() -> None:
    garden = now()
    tub = Subject(SubjectKind.FEED_STORE, FREEZING_TUB)
    assert garden.act(LogEntry(0, garden.time_ms, tub, "seen", what="filled with trimmings"))
    assert garden.tubs[FREEZING_TUB].ice_share == 0.0
    assert not garden.act(LogEntry(0, garden.time_ms, tub, "seen", what="looked in"))


def test_moving_on_in_many_small_steps_comes_to_the_same_as_in_one() -> None:
    at_once, bit_by_bit = now(), now()
    until = at_once.time_ms + 6 * HOUR_MS
    at_once.advance(until)
    while bit_by_bit.time_ms < until:
        bit_by_bit.advance(min(bit_by_bit.time_ms + 37_000, until))
    assert bit_by_bit.beds.temp_c == pytest.approx(at_once.beds.temp_c, abs=0.1)
    assert bit_by_bit.beds.moist_pct_wb == pytest.approx(at_once.beds.moist_pct_wb, abs=0.02)
    at_once.advance(until - HOUR_MS)
    assert at_once.time_ms == until
