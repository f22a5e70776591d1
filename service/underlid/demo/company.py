"""The demonstration beside the service: enters the farm, loads its past, and lets its probes speak."""

from collections.abc import Callable

import structlog

from underlid.address import BrokerAddress
from underlid.demo.history import History
from underlid.demo.player import Player
from underlid.model import LogEntry, Probe, Reading
from underlid.quantities import in_stored_unit
from underlid.store import catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings, StoreError

log = structlog.get_logger("underlid.demo")

BATCH = 50_000


class Demonstration:
    """Enters what a keeper would have entered, and loads what the probes would have sent."""

    def __init__(self, history: History, clock: Callable[[], int], speed: float, seed: int = 1) -> None:
        self._history = history
        self._clock = clock
        self._speed = speed
        self._seed = seed
        self._player: Player | None = None

    def prepare(self, ledger: Ledger, readings: Readings) -> None:
        """Fill empty stores. Raises StoreError where there is a farm already."""
        history = self._history
        farm = history.farm
        first_ms = min(int(series.time_ms[0]) for series in history.readings.values() if len(series))
        channel_ids: dict[tuple[str, str], int] = {}
        with ledger.writing() as connection:
            if catalogue.farm(connection) is not None:
                raise StoreError("the data directory holds a farm already; give an empty one with --data-dir")
            catalogue.save_farm(connection, farm.farm)
            for place in farm.places:
                catalogue.save_place(connection, place)
            for bin_ in farm.bins:
                catalogue.save_bin(connection, bin_)
            for store in farm.feed_stores:
                catalogue.save_feed_store(connection, store)
            for probe in farm.probes:
                catalogue.save_probe(connection, Probe(probe.id, probe.name, first_ms))
                for plan in probe.channels:
                    _, unit, _ = in_stored_unit(plan.name, plan.unit, 0.0)
                    channel = catalogue.register_channel(connection, probe.id, plan.name, unit, plan.quantity)
                    channel_ids[probe.id, plan.name] = channel.id
                    if plan.subject is not None and plan.position is not None:
                        catalogue.place_channel(connection, channel.id, plan.subject, plan.position, first_ms)
            for entry in history.log:
                keepers_log.add(connection, entry)
        rows: list[Reading] = []
        for key, series in history.readings.items():
            channel_id = channel_ids[key]
            rows += [
                Reading(channel_id, at_ms, value, at_ms)
                for at_ms, value in zip(series.time_ms.tolist(), series.value.tolist(), strict=True)
            ]
        for start in range(0, len(rows), BATCH):
            readings.add(rows[start : start + BATCH])

    async def run(self, broker: BrokerAddress) -> None:
        self._player = Player(self._history.garden, broker, self._clock, self._speed, self._seed)
        await self._player.run()

    def logged(self, entry: LogEntry) -> None:
        if self._player is not None and self._player.act(entry.subject.id, entry):
            log.info("the simulated bin feels it", subject=str(entry.subject), kind=entry.kind)
