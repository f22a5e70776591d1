"""What there is on the invented farm, as data in the words of the model.

A walled kitchen garden that composts a café's coffee grounds, vegetable trimmings and apple pomace: eight
bins named for trees in a potting shed, two larger ones under an open lean-to, and two tubs of scraps outside
beside it.
"""

from dataclasses import dataclass

from underlid.demo.weather import DAY_MS
from underlid.model import Bin, Farm, FeedStore, Place, Position, Quantity, Subject, SubjectKind

SHED = "potting-shed"
LEAN_TO = "lean-to"
FLAT_PROBE = "elder-1"
NOISY_CHANNEL = ("medlar-1", "base-moist")
DROPOUT_PROBE = "birch-1"

FROZEN_TUB = "pomace-tub"
FREEZING_TUB = "trimmings-tub"
DRY_BIN = "hazel"
DRYING_BIN = "cherry"
HEATING_BIN = "quince"


@dataclass(frozen=True, slots=True)
class ChannelPlan:
    """A channel of a probe, at a position of a subject; both None for what the probe tells of itself."""

    name: str
    unit: str  # SenML, as sent; % is per cent water by mass, wet basis
    quantity: Quantity
    subject: Subject | None = None
    position: Position | None = None


@dataclass(frozen=True, slots=True)
class ProbePlan:
    id: str
    name: str
    channels: tuple[ChannelPlan, ...]


@dataclass(frozen=True, slots=True)
class DemoFarm:
    """All that a keeper would have entered, and the probes that were hung in."""

    farm: Farm
    places: tuple[Place, ...]
    bins: tuple[Bin, ...]
    feed_stores: tuple[FeedStore, ...]
    probes: tuple[ProbePlan, ...]


def the_farm(start_ms: int, time_zone: str = "Etc/UTC") -> DemoFarm:
    """The farm as it stands at `start_ms`. It has no time zone of its own: pass the viewer's."""
    small = (0.60, 0.40, 0.30)
    bins = (
        _bin("alder", SHED, small, 0.38, start_ms - 210 * DAY_MS),
        _bin("birch", SHED, small, 0.35, start_ms - 150 * DAY_MS),
        _bin("cherry", SHED, small, 0.40, start_ms - 330 * DAY_MS),
        _bin("elder", SHED, small, 0.30, start_ms - 95 * DAY_MS),
        _bin("hazel", SHED, small, 0.36, start_ms - 280 * DAY_MS),
        _bin("medlar", SHED, (0.80, 0.50, 0.30), 0.62, start_ms - 400 * DAY_MS),
        _bin("mulberry", SHED, (0.80, 0.50, 0.30), 0.66, start_ms - 365 * DAY_MS),
        _bin("quince", SHED, small, 0.42, start_ms - 120 * DAY_MS),
        _bin("rowan", LEAN_TO, (1.20, 0.80, 0.50), 1.60, start_ms - 500 * DAY_MS),
        _bin("walnut", LEAN_TO, (1.20, 0.80, 0.50), 1.50, start_ms - 430 * DAY_MS),
    )
    stores = (
        FeedStore(FROZEN_TUB, "Pomace tub", LEAN_TO, diameter_m=0.26, fill_depth_m=0.26),
        FeedStore(FREEZING_TUB, "Trimmings tub", LEAN_TO, diameter_m=0.44, fill_depth_m=0.42),
    )
    return DemoFarm(
        farm=Farm("Brickwall kitchen garden (invented)", time_zone),
        places=(Place(SHED, "Potting shed", outdoors=False), Place(LEAN_TO, "Lean-to", outdoors=True)),
        bins=bins,
        feed_stores=stores,
        probes=(
            *(_bin_probe(b) for b in bins),
            *(_tub_probe(s) for s in stores),
            _air_probe("shed-air", "Potting shed air", SHED),
            _air_probe("lean-to-air", "Lean-to air", LEAN_TO),
        ),
    )


def _bin(
    bin_id: str, place_id: str, size_m: tuple[float, float, float], worm_kg: float, started_ms: int
) -> Bin:
    length, width, depth = size_m
    return Bin(
        bin_id, bin_id.capitalize(), place_id, "eisenia-fetida", length, width, depth, worm_kg, started_ms
    )


_OWN = (
    ChannelPlan("batt", "V", Quantity.BATTERY),
    ChannelPlan("rssi", "dBm", Quantity.SIGNAL),
)


def _bin_probe(bin_: Bin) -> ProbePlan:
    subject = Subject(SubjectKind.BIN, bin_.id)
    channels = [
        channel
        for position in (Position.TOP, Position.CORE, Position.BASE)
        for channel in (
            ChannelPlan(f"{position}-temp", "Cel", Quantity.TEMPERATURE, subject, position),
            ChannelPlan(f"{position}-moist", "%", Quantity.MOISTURE, subject, position),
        )
    ]
    channels.append(ChannelPlan("pocket-temp", "Cel", Quantity.TEMPERATURE, subject, Position.POCKET))
    return ProbePlan(f"{bin_.id}-1", f"{bin_.name} stake", (*channels, *_OWN))


def _tub_probe(store: FeedStore) -> ProbePlan:
    subject = Subject(SubjectKind.FEED_STORE, store.id)
    core = ChannelPlan("feed-temp", "Cel", Quantity.TEMPERATURE, subject, Position.FEED)
    return ProbePlan(f"{store.id}-1", f"{store.name} lance", (core, *_OWN))


def _air_probe(probe_id: str, name: str, place_id: str) -> ProbePlan:
    subject = Subject(SubjectKind.PLACE, place_id)
    air = (
        ChannelPlan("temp", "Cel", Quantity.TEMPERATURE, subject, Position.AIR),
        ChannelPlan("rh", "%RH", Quantity.HUMIDITY, subject, Position.AIR),
    )
    return ProbePlan(probe_id, name, (*air, *_OWN))
