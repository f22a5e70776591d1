"""What probes make of the truth: noise, resolution, faults; batteries and signal; and the pack they send."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import orjson

from underlid.demo.farm import FLAT_PROBE, LEAN_TO, NOISY_CHANNEL, ChannelPlan, DemoFarm, ProbePlan
from underlid.demo.garden import Garden
from underlid.demo.matter import Floats
from underlid.demo.weather import DAY_MS
from underlid.model import Position, Quantity, SubjectKind

FLAT_SINCE_D = 4.2  # days before now from which the flat probe is silent
_FULL_V = 4.08
_LAYER = {Position.TOP: 0, Position.CORE: 1, Position.BASE: 2, Position.POCKET: 3}
_NOISE = {
    Quantity.TEMPERATURE: (0.05, 0.0625),  # standard deviation, resolution
    Quantity.MOISTURE: (0.18, 0.1),
    Quantity.HUMIDITY: (0.5, 0.1),
    Quantity.BATTERY: (0.004, 0.01),
    Quantity.SIGNAL: (2.2, 1.0),
}


@dataclass(frozen=True, slots=True)
class Truth:
    """The farm at n times: layer temperatures and moistures (n, bins, 4), tub cores (n, tubs)."""

    time_ms: Floats
    temp_c: Floats
    moist_pct_wb: Floats
    tub_c: Floats


def snapshot(garden: Garden) -> Truth:
    """The truth at the garden's moment, n = 1."""
    temp, moist, tubs = garden.truth()
    return Truth(np.array([float(garden.time_ms)]), temp[None], moist[None], tubs[None])


def sensed(
    probe: ProbePlan, farm: DemoFarm, garden: Garden, truth: Truth, rng: np.random.Generator
) -> list[tuple[str, Floats]]:
    """What each channel of a probe would have sent at the truth's times, as (name, values)."""
    out: list[tuple[str, Floats]] = []
    for channel in probe.channels:
        true = _true(probe, channel, farm, garden, truth)
        sigma, resolution = _NOISE[channel.quantity]
        value = true + rng.normal(0.0, sigma, true.shape)
        if (probe.id, channel.name) == NOISY_CHANNEL:  # a cracked lead: jumps to a dry reading now and then
            loose = rng.random(true.shape) < 0.12
            value = value + rng.normal(0.0, 1.6, true.shape) - loose * rng.uniform(15.0, 45.0, true.shape)
        value = np.round(value / resolution) * resolution
        if channel.quantity in (Quantity.MOISTURE, Quantity.HUMIDITY):
            value = np.clip(value, 0.0, 100.0)
        out.append((channel.name, np.round(value, 4)))
    return out


def _true(probe: ProbePlan, channel: ChannelPlan, farm: DemoFarm, garden: Garden, truth: Truth) -> Floats:
    own = _fixed(probe.id)
    if channel.quantity == Quantity.BATTERY:
        return _battery_v(probe.id, own, truth.time_ms, garden.weather.now_ms)
    if channel.quantity == Quantity.SIGNAL:
        return np.full_like(truth.time_ms, -52.0 - 22.0 * own)
    subject, position = channel.subject, channel.position
    assert subject is not None
    assert position is not None
    if subject.kind == SubjectKind.PLACE:
        at = garden.weather.outdoors if subject.id == LEAN_TO else garden.weather.shed
        air = at(truth.time_ms)
        return air.temp_c if channel.quantity == Quantity.TEMPERATURE else air.rh_pct
    if subject.kind == SubjectKind.FEED_STORE:
        return truth.tub_c[:, [s.id for s in farm.feed_stores].index(subject.id)]
    bin_ = [b.id for b in farm.bins].index(subject.id)
    layers = truth.temp_c if channel.quantity == Quantity.TEMPERATURE else truth.moist_pct_wb
    return layers[:, bin_, _LAYER[position]]


def _fixed(probe_id: str) -> float:
    """A share of 0..1 that is a probe's own for good."""
    return float(np.random.default_rng(list(probe_id.encode())).random())


def _battery_v(probe_id: str, own: float, time_ms: Floats, now_ms: int) -> Floats:
    day = (time_ms - now_ms) / DAY_MS
    if probe_id == FLAT_PROBE:  # a tired cell: a slow slope, then the knee
        left = np.maximum(-FLAT_SINCE_D - day, 0.0)
        return np.asarray(3.02 + 0.55 * (1.0 - np.exp(-left / 1.5)) + 0.006 * left)
    return np.asarray(_FULL_V - 0.22 * own - 0.0016 * day)


def silent(probe_id: str, time_ms: Floats, now_ms: int) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """When a probe's battery is too flat for it to speak."""
    gone = (time_ms - now_ms) / DAY_MS > -FLAT_SINCE_D
    return gone if probe_id == FLAT_PROBE else np.zeros_like(gone)


def device_urn(probe_id: str) -> str:
    """A probe's base name: `urn:dev:mac:` and an EUI-64 (RFC 9039) made of a locally administered address."""
    mac = hashlib.sha256(probe_id.encode()).hexdigest()[:10]
    return f"urn:dev:mac:02{mac[:4]}fffe{mac[4:]}:"


def senml_pack(probe: ProbePlan, samples: Sequence[tuple[int, Sequence[tuple[str, float]]]]) -> bytes:
    """A SenML JSON pack (RFC 8428) of one probe's samples (time_ms, values by channel), with base name and
    base time.

    Times after the first are relative to the base time. The time is explicit because a demo's clock may run
    fast.
    """
    units = {c.name: c.unit for c in probe.channels}
    base_ms = samples[0][0]
    records: list[dict[str, object]] = []
    for time_ms, values in samples:
        for name, value in values:
            record: dict[str, object] = {"n": name, "u": units[name], "v": value}
            if time_ms != base_ms:
                record["t"] = (time_ms - base_ms) / 1000.0
            records.append(record)
    records[0] = {"bn": device_urn(probe.id), "bt": base_ms / 1000.0, **records[0]}
    return orjson.dumps(records)
