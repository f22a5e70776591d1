"""The intake: gather, decode, store, commit, then acknowledge."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import structlog
from prometheus_client import Counter

from underlid.calibrate import Calibrations
from underlid.clock import Clock
from underlid.intake.connection import Connection, Delivery
from underlid.intake.dating import Dating
from underlid.intake.decode import Message, read_message
from underlid.intake.lag import Lag, follow
from underlid.intake.sample import Sample
from underlid.mapping import PROBE_TOPICS, TopicMapping
from underlid.model import Channel, Probe, Quantity, Reading, Reject
from underlid.store import arrivals, catalogue, quarantine
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings, StoreError
from underlid.threads import to_the_end

log = structlog.get_logger("underlid.intake")

# One filter: a broker may send a message once for each that it matches. Mapped topics come apart from it.
TOPICS = (PROBE_TOPICS,)
BATCH_MESSAGES = 2000
GATHER_S = 0.02

MESSAGES = Counter("underlid_messages", "MQTT messages taken from the broker")
READINGS = Counter("underlid_readings", "Readings stored for the first time")
REPEATS = Counter("underlid_repeated_readings", "Readings that were stored already")
REJECTS = Counter("underlid_quarantined_messages", "Messages kept in the quarantine")


@dataclass(slots=True)
class Outcome:
    """What a batch changed."""

    channels: set[int] = field(default_factory=set)
    probes: set[str] = field(default_factory=set)
    rejects: int = 0


class Intake:
    """Takes messages from a connection into the stores. `arrived` is told of every committed batch."""

    def __init__(
        self,
        ledger: Ledger,
        readings: Readings,
        clock: Clock,
        arrived: Callable[[Outcome], None],
        mappings: Sequence[TopicMapping] = (),
        calibrations: Calibrations | None = None,
        is_alone: bool = True,
    ) -> None:
        self._ledger = ledger
        self._readings = readings
        self._clock = clock
        self._arrived = arrived
        self._mappings = mappings
        self._is_alone = is_alone  # else another intake may have heard more of a probe than this one
        self._calibrations = calibrations or Calibrations(ledger, readings)
        self._channels: dict[tuple[str, str, str], Channel] = {}
        self._first_units: dict[tuple[str, str], str] = {}
        self._online: dict[str, bool] = {}
        self._dating = Dating(ledger, self._newest_ms)
        self._lags: dict[str, Lag] = {}
        with ledger.reading() as connection:
            self._learn(catalogue.channels(connection))
        self.state = "waiting for the first message"
        self.busy = False

    async def run(self, connection: Connection) -> None:
        """Take batches until the connection receives no more and all it had is stored."""
        while not connection.is_drained:
            await self.take_batch(connection)

    async def take_batch(self, connection: Connection) -> None:
        """Take one batch. Where the store fails, the connection is given up: the broker will send again."""
        batch = await connection.batch(BATCH_MESSAGES, GATHER_S)
        if not batch:
            return
        self.busy = True
        try:
            outcome = await to_the_end(self._commit_surely, batch)
        except StoreError as error:
            self.state = f"cannot store: {error}"
            log.error(
                "batch not stored, the broker will send it again", messages=len(batch), error=str(error)
            )
            self._channels.clear()
            connection.drop()
            return
        finally:
            self.busy = False
        connection.acknowledge(batch)
        self.state = "storing"
        self._arrived(outcome)

    def _commit_surely(self, batch: Sequence[Delivery]) -> Outcome:
        """Commit a batch; a message that trips us up is quarantined, so that it can't come again for ever."""
        try:
            return self.commit(batch)
        except StoreError:
            raise
        except Exception:
            log.exception("a message of this batch can't be taken; trying one by one")
        whole = Outcome()
        for message in batch:
            try:
                outcome = self.commit([message])
            except StoreError:
                raise
            except Exception as error:
                reason = f"a fault of the service, {type(error).__name__}, kept it from being read"
                reject = Reject(message.topic, message.payload, reason, message.received_ms)
                outcome = Outcome()
                self._write_ledger({}, [reject], [], outcome)
            whole.channels |= outcome.channels
            whole.probes |= outcome.probes
            whole.rejects += outcome.rejects
        return whole

    def commit(self, batch: Sequence[Delivery]) -> Outcome:
        """Store everything a batch holds, durably. Raises StoreError; then nothing may be acknowledged."""
        MESSAGES.inc(len(batch))
        outcome = Outcome()
        samples: list[tuple[str, Sample, int]] = []
        rejects: list[Reject] = []
        statuses: dict[str, bool] = {}
        by_arrival: list[arrivals.Arrival] = []
        for message in batch:
            said = self._read(message, by_arrival)
            reason = said.reason or self._lag(message, said)
            if reason:
                rejects.append(Reject(message.topic, message.payload, reason, message.received_ms))
            if said.status is not None:
                probe_id, online = said.status
                statuses[probe_id] = online
            samples += [(probe_id, sample, message.received_ms) for probe_id, sample in said.readings]
        self._write_ledger(statuses, rejects, by_arrival, outcome)
        self._write_readings(samples, outcome)
        return outcome

    def _read(self, message: Delivery, by_arrival: list[arrivals.Arrival]) -> Message:
        topic, payload = message.topic, message.payload
        said = read_message(topic, payload, message.received_ms, self._mappings, self._unit_before)
        if not said.dated_by_arrival:
            return said
        if message.retained:
            return Message()  # what a probe said some time ago: taken when it was said, or never dated
        probes = {probe_id for probe_id, _ in said.readings}
        moment_ms = self._dating.moment_ms(message, probes, by_arrival)
        if moment_ms == message.received_ms:
            return said
        return read_message(topic, payload, moment_ms, self._mappings, self._unit_before)

    def _unit_before(self, probe_id: str, name: str) -> str | None:
        return self._first_units.get((probe_id, name))

    def _lag(self, message: Delivery, said: Message) -> str | None:
        """What is to be told of a probe that is always late."""
        if not said.readings or message.repeated or said.dated_by_arrival:
            return None
        probe_id = said.readings[0][0]  # one probe: mapped messages are dated by arrival
        newest_ms = max([sample.time_ms for _, sample in said.readings])
        lag, words = follow(self._lags.get(probe_id), message.received_ms, newest_ms)
        if lag is not None:
            self._lags[probe_id] = lag
        elif self._lags:
            self._lags.pop(probe_id, None)
        return words

    def _newest_ms(self, probe_id: str) -> int:
        own = [channel.id for key, channel in self._channels.items() if key[0] == probe_id]
        return max((reading.time_ms for reading in self._readings.latest(own).values()), default=0)

    def _write_ledger(
        self,
        statuses: dict[str, bool],
        rejects: Sequence[Reject],
        by_arrival: Sequence[arrivals.Arrival],
        outcome: Outcome,
    ) -> None:
        known_online = self._online if self._is_alone else {}
        changed = {probe: online for probe, online in statuses.items() if known_online.get(probe) != online}
        if not (changed or rejects or by_arrival):
            return
        with self._ledger.writing() as connection:
            if changed:
                known = {probe.id for probe in catalogue.probes(connection)}
                for probe_id, online in changed.items():
                    if probe_id not in known:
                        catalogue.save_probe(connection, Probe(probe_id, probe_id, self._clock()))
                    catalogue.set_online(connection, probe_id, online)
            if rejects:
                quarantine.put(connection, rejects)
            arrivals.put(connection, by_arrival)
        self._online |= changed
        outcome.probes |= set(changed)
        outcome.rejects = len(rejects)
        REJECTS.inc(len(rejects))

    def _write_readings(self, samples: Sequence[tuple[str, Sample, int]], outcome: Outcome) -> None:
        if not samples:
            return
        keys = {(probe, s.channel, s.unit): s.quantity for probe, s, _ in samples}
        unknown = {key: quantity for key, quantity in keys.items() if key not in self._channels}
        if unknown:
            self._register(unknown)
        ids = {key: self._channels[key].id for key in keys}
        readings = [
            Reading(ids[probe, s.channel, s.unit], s.time_ms, s.value, received_ms)
            for probe, s, received_ms in samples
        ]
        added = self._readings.add(readings)
        READINGS.inc(added)
        REPEATS.inc(len(readings) - added)
        # After the raw ones, whose temperature they need; a crash in between brings the message again.
        derived = self._calibrations.derived(readings)
        if derived:
            self._readings.add(derived)
        outcome.channels |= {*ids.values(), *(reading.channel_id for reading in derived)}
        outcome.probes |= {probe for probe, _, _ in keys}

    def _learn(self, channels: Iterable[Channel]) -> None:
        for channel in channels:
            self._channels[channel.probe_id, channel.name, channel.unit] = channel
            # One that a calibration made came after the raw one.
            self._first_units.setdefault((channel.probe_id, channel.name), channel.unit)

    def _register(self, unknown: dict[tuple[str, str, str], Quantity]) -> None:
        """Learn channels from the catalogue, and add those that are new to it."""
        with self._ledger.reading() as connection:
            self._learn(catalogue.channels(connection))
        new = {key: quantity for key, quantity in unknown.items() if key not in self._channels}
        if not new:
            return
        with self._ledger.writing() as connection:
            probes = {probe.id for probe in catalogue.probes(connection)}
            for probe_id in {key[0] for key in new} - probes:
                catalogue.save_probe(connection, Probe(probe_id, probe_id, self._clock()))
                log.info("new probe", probe=probe_id)
            made = {
                key: catalogue.register_channel(connection, *key, quantity) for key, quantity in new.items()
            }
        self._learn(made.values())
