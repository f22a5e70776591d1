"""What probes send: packs by RFC 8428, and the faults they were given."""

import re

import numpy as np

from demo.pasts import SUMMER, past
from demo.senml import resolve
from underlid.demo.farm import the_farm
from underlid.demo.probes import device_urn, senml_pack, sensed, snapshot
from underlid.intake.decode import decode

HISTORY = past(SUMMER)


def test_a_pack_resolves_to_names_units_times_and_values() -> None:
    probe = next(p for p in HISTORY.farm.probes if p.id == "shed-air")
    samples = [
        (1_900_000_000_123, [("temp", 12.5), ("rh", 61.2), ("batt", 3.98), ("rssi", -61.0)]),
        (1_900_000_060_000, [("temp", 12.0), ("rh", 61.4), ("batt", 3.98), ("rssi", -60.0)]),
    ]
    records = resolve(senml_pack(probe, samples))
    base = device_urn("shed-air")
    assert [r.name for r in records] == [base + name for name in ("temp", "rh", "batt", "rssi")] * 2
    assert [r.unit for r in records] == ["Cel", "%RH", "V", "dBm"] * 2
    assert [r.value for r in records] == [12.5, 61.2, 3.98, -61.0, 12.0, 61.4, 3.98, -60.0]
    assert {round(r.time_s * 1000) for r in records[:4]} == {1_900_000_000_123}
    assert {round(r.time_s * 1000) for r in records[4:]} == {1_900_000_060_000}


def test_the_intake_takes_every_probes_pack_whole_and_dated_by_the_farms_clock() -> None:
    garden = HISTORY.garden
    for probe in HISTORY.farm.probes:
        values = sensed(probe, HISTORY.farm, garden, snapshot(garden), np.random.default_rng(5))
        one = [(name, float(v[0])) for name, v in values]
        taken = decode(senml_pack(probe, [(garden.time_ms, one)]), received_ms=garden.time_ms + 900)
        assert taken.problems == ()
        assert [(s.channel, s.time_ms) for s in taken.samples] == [(n, garden.time_ms) for n, _ in one]
        assert not taken.dated_by_arrival
        assert {s.channel: s.quantity for s in taken.samples} == {c.name: c.quantity for c in probe.channels}


def test_base_names_are_device_urns_of_different_devices() -> None:
    # RFC 9039 (section 4.1, from memory): urn:dev:mac: and an EUI-64 in lower-case hexadecimal. The second
    # bit of the first byte says that the address is locally administered (IEEE 802).
    names = [device_urn(p.id) for p in the_farm(0).probes]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"urn:dev:mac:02[0-9a-f]{4}fffe[0-9a-f]{6}:", name) for name in names)


def test_probes_read_what_is_there_within_their_noise() -> None:
    garden = HISTORY.garden
    row = [b.id for b in HISTORY.farm.bins].index("alder")
    probe = next(p for p in HISTORY.farm.probes if p.id == "alder-1")
    draws = [
        dict(sensed(probe, HISTORY.farm, garden, snapshot(garden), np.random.default_rng(k)))
        for k in range(200)
    ]
    for layer, position in enumerate(("top", "core", "base")):
        moist = np.array([d[f"{position}-moist"][0] for d in draws])
        temp = np.array([d[f"{position}-temp"][0] for d in draws])
        assert abs(moist.mean() - garden.beds.moist_pct_wb[row, layer]) < 0.1
        assert abs(temp.mean() - garden.beds.temp_c[row, layer]) < 0.03
        assert 0.05 < moist.std() < 0.5
        assert 0.01 < temp.std() < 0.2
