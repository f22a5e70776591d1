"""Shared subscriptions at a real Mosquitto: every message to one session, and what a single session had before."""

import asyncio
from collections import Counter

import paho.mqtt.publish as publish

from conftest import Mosquitto
from underlid.address import BrokerAddress
from underlid.clock import wall_clock
from underlid.intake.connection import Connection

TOPIC = "underlid/probe/#"
SHARED = f"$share/underlid/{TOPIC}"
MESSAGES = 40


async def connected(connection: Connection) -> asyncio.Task[None]:
    task = asyncio.create_task(connection.run())
    while not connection.state.startswith("connected"):
        await asyncio.sleep(0.01)
    await asyncio.sleep(0.3)  # for what it subscribes to, which is not told
    return task


async def leave(connection: Connection, task: asyncio.Task[None]) -> None:
    await connection.close()
    await asyncio.wait([task], timeout=5)


def send(broker: Mosquitto, first: int) -> None:
    messages = [
        (f"underlid/probe/p{n}", f'{{"temp": {n}}}', 1, False) for n in range(first, first + MESSAGES)
    ]
    publish.multiple(messages, hostname="127.0.0.1", port=broker.port)


async def take(connection: Connection, most: int) -> list[str]:
    """What comes until nothing has for a while; acknowledged."""
    topics: list[str] = []
    try:
        while len(topics) < most:
            batch = await asyncio.wait_for(connection.batch(most, 0.05), 2)
            connection.acknowledge(batch)
            topics += [message.topic for message in batch]
    except TimeoutError:
        pass
    return topics


def test_a_session_that_becomes_one_of_several_keeps_what_waited_and_gets_no_message_twice(
    mosquitto: Mosquitto,
) -> None:
    address = BrokerAddress.from_url(mosquitto.url, None)

    async def run() -> None:
        alone = Connection(address, "underlid-intake", [TOPIC], wall_clock)
        await leave(alone, await connected(alone))
        send(mosquitto, 0)  # they wait in the session of the single one
        first = Connection(address, "underlid-intake", [SHARED], wall_clock, former_topics=[TOPIC])
        second = Connection(address, "underlid-intake-1", [SHARED], wall_clock, former_topics=[TOPIC])
        tasks = [await connected(first), await connected(second)]
        assert sorted(await take(first, MESSAGES)) == sorted(f"underlid/probe/p{n}" for n in range(MESSAGES))
        send(mosquitto, MESSAGES)
        got = [await take(first, MESSAGES), await take(second, MESSAGES)]
        assert Counter(got[0] + got[1]) == Counter(
            f"underlid/probe/p{n}" for n in range(MESSAGES, 2 * MESSAGES)
        )
        assert all(got), "each has a share"
        for connection, task in zip((first, second), tasks, strict=True):
            await leave(connection, task)

    asyncio.run(run())


def test_what_a_dead_worker_did_not_acknowledge_comes_to_whoever_takes_its_name(mosquitto: Mosquitto) -> None:
    address = BrokerAddress.from_url(mosquitto.url, None)

    async def run() -> None:
        dead = Connection(address, "underlid-intake-1", [SHARED], wall_clock)
        task = await connected(dead)
        send(mosquitto, 0)
        assert len(await dead.batch(MESSAGES, 1.0)) == MESSAGES  # and not acknowledged
        heir = Connection(address, "underlid-intake-1", [SHARED], wall_clock)
        again = await connected(heir)
        assert Counter(await take(heir, MESSAGES)) == Counter(f"underlid/probe/p{n}" for n in range(MESSAGES))
        await leave(heir, again)
        await leave(dead, task)

    asyncio.run(run())
