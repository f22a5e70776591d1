"""What there is on the invented farm, as data."""

from itertools import chain

from demo.pasts import SUMMER, start_ms
from underlid.demo.farm import FLAT_PROBE, LEAN_TO, NOISY_CHANNEL, SHED, the_farm
from underlid.model import Position, Quantity, Subject, SubjectKind

FARM = the_farm(start_ms(SUMMER), "Pacific/Auckland")


def test_eight_bins_stand_in_the_shed_two_under_the_lean_to_and_two_tubs_outside() -> None:
    assert [b.place_id for b in FARM.bins].count(SHED) == 8
    assert [b.place_id for b in FARM.bins].count(LEAN_TO) == 2
    assert [(s.place_id) for s in FARM.feed_stores] == [LEAN_TO, LEAN_TO]
    assert {p.id: p.outdoors for p in FARM.places} == {SHED: False, LEAN_TO: True}
    assert FARM.farm.time_zone == "Pacific/Auckland"


def test_ids_are_unique() -> None:
    for things in (FARM.bins, FARM.feed_stores, FARM.places, FARM.probes):
        ids = [thing.id for thing in things]
        assert len(set(ids)) == len(ids)
    for probe in FARM.probes:
        names = [c.name for c in probe.channels]
        assert len(set(names)) == len(names)


def test_every_channel_sits_somewhere_that_exists_or_tells_of_the_probe() -> None:
    there = {
        *(Subject(SubjectKind.BIN, b.id) for b in FARM.bins),
        *(Subject(SubjectKind.FEED_STORE, s.id) for s in FARM.feed_stores),
        *(Subject(SubjectKind.PLACE, p.id) for p in FARM.places),
    }
    watched = set()
    for channel in chain.from_iterable(p.channels for p in FARM.probes):
        if channel.quantity in (Quantity.BATTERY, Quantity.SIGNAL):
            assert (channel.subject, channel.position) == (None, None)
        else:
            assert channel.subject in there
            assert channel.position is not None
            watched.add((channel.subject, channel.position, channel.quantity))
    for bin_ in FARM.bins:
        subject = Subject(SubjectKind.BIN, bin_.id)
        for position in (Position.TOP, Position.CORE, Position.BASE):
            assert (subject, position, Quantity.TEMPERATURE) in watched
            assert (subject, position, Quantity.MOISTURE) in watched
        assert (subject, Position.POCKET, Quantity.TEMPERATURE) in watched
    assert {subject for subject, _, _ in watched} == there


def test_channels_speak_in_senml_units() -> None:
    units = {c.quantity: c.unit for p in FARM.probes for c in p.channels}
    assert units == {
        Quantity.TEMPERATURE: "Cel",
        Quantity.MOISTURE: "%",
        Quantity.HUMIDITY: "%RH",
        Quantity.BATTERY: "V",
        Quantity.SIGNAL: "dBm",
    }


def test_the_probes_with_faults_are_among_them() -> None:
    channels = {(p.id, c.name) for p in FARM.probes for c in p.channels}
    assert NOISY_CHANNEL in channels
    assert FLAT_PROBE in {p.id for p in FARM.probes}


def test_bins_were_started_before_now_and_hold_worms_for_their_size() -> None:
    # Ndegwa, Thompson & Das 2000: 1.60 kg of worms per m2 is best. The width of the band is ours.
    for bin_ in FARM.bins:
        assert bin_.started_ms < start_ms(SUMMER) - 60 * 86_400_000
        assert 1.0 < bin_.worm_kg / (bin_.length_m * bin_.width_m) < 2.5
