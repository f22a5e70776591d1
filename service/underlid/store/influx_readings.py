"""Readings in InfluxDB: line protocol in, InfluxQL out, over HTTP.

Written through `/write` of 1.x, or, where the address names an organisation, `/api/v2/write` with a token; read
through `/query`, which 1.x, 2.x and 3.x all answer. A batch is acknowledged once the server has said yes to all of it.
InfluxDB lets a later value of the same moment take the place of the first, so what may be there already is looked up
before it is written. How long readings stay is the server's own setting.
"""

import threading
from collections.abc import Iterable, Sequence
from urllib.parse import parse_qs, unquote, urlencode, urlsplit

import numpy as np
import orjson
import urllib3

from underlid.model import Buckets, Reading, Series
from underlid.store.blocks import bucket_ms
from underlid.store.readings import StoreError, refuse_unless_finite
from underlid.store.url import first_line, shown

LINES = 5000  # in one request
CHANNELS = 500  # in one query
TIMEOUT = urllib3.Timeout(connect=5, read=60)

Rows = list[list[float]]


def ping(url: str) -> str:
    """The server at an address, in words. Raises StoreError."""
    base = _base(url)
    try:
        answer = urllib3.request("GET", f"{base}/ping", timeout=5, retries=False)
    except urllib3.exceptions.HTTPError as error:
        raise StoreError(f"{shown(url)}: no answer from the server ({first_line(error)})") from error
    if answer.status >= 300:
        raise StoreError(f"{shown(url)}: the server answered {answer.status}")
    return f"{shown(url)}, InfluxDB {answer.headers.get('X-Influxdb-Version', '')}".rstrip()


class InfluxReadings:
    def __init__(self, url: str) -> None:
        """Reach the server, and make the database where it is 1.x. Raises StoreError with one line."""
        parts = urlsplit(url)
        self._shown = shown(url)
        self._base = _base(url)
        self._database = unquote(parts.path.strip("/"))
        org = parse_qs(parts.query).get("org")
        user, password = unquote(parts.username or ""), unquote(parts.password or "")
        self._pool = urllib3.PoolManager(maxsize=8, timeout=TIMEOUT, retries=False)
        self._lock = threading.Lock()
        self._newest_ms: dict[int, int | None] = {}
        self._is_v2 = org is not None
        if org is not None:
            self._headers = {"Authorization": f"Token {password or user}"}
            self._write_path = "/api/v2/write"
            self._target = {"org": org[0], "bucket": self._database, "precision": "ms"}
            self._ask("GET", "/ping", {})
        else:
            self._headers = urllib3.make_headers(basic_auth=f"{user}:{password}") if user else {}
            self._write_path = "/write"
            self._target = {"db": self._database, "precision": "ms"}
            self._query(f"CREATE DATABASE {_quoted(self._database)}")

    def add(self, readings: Sequence[Reading]) -> int:
        refuse_unless_finite(readings)
        with self._lock:
            new = self._not_there(readings)
            try:
                dropped = self._write(new)
            except StoreError:
                for reading in new:  # some of them may be there
                    self._newest_ms.pop(reading.channel_id, None)
                raise
            for reading in new:
                newest_ms = self._newest_ms.get(reading.channel_id)
                if newest_ms is None or reading.time_ms > newest_ms:
                    self._newest_ms[reading.channel_id] = reading.time_ms
            return len(new) - dropped

    def rewrite(self, channel_id: int, from_ms: int, to_ms: int, readings: Sequence[Reading]) -> None:
        refuse_unless_finite(readings)
        with self._lock:
            self._newest_ms.pop(channel_id, None)
            self._delete(channel_id, from_ms, to_ms)
            self._write(readings)

    def window(self, channel_id: int, from_ms: int, to_ms: int) -> Series:
        [series] = self._query(f"SELECT value FROM reading WHERE {_span(channel_id, from_ms, to_ms)}")
        rows = series[0][1] if series else []
        return Series(
            np.array([row[0] for row in rows], np.int64), np.array([row[1] for row in rows], np.float64)
        )

    def latest(self, channel_ids: Sequence[int]) -> dict[int, Reading]:
        found = {}
        for start in range(0, len(channel_ids), CHANNELS):
            some = _any_of(channel_ids[start : start + CHANNELS])
            query = f"SELECT last(value), received_ms FROM reading WHERE {some} GROUP BY channel"
            for channel, [(time_ms, value, received_ms)] in self._query(query)[0]:
                found[channel] = Reading(channel, int(time_ms), float(value), int(received_ms))
        return found

    def first_ms(self, channel_ids: Sequence[int]) -> int | None:
        times = []
        for start in range(0, len(channel_ids), CHANNELS):
            some = _any_of(channel_ids[start : start + CHANNELS])
            [series] = self._query(f"SELECT first(value) FROM reading WHERE {some} GROUP BY channel")
            times += [int(rows[0][0]) for _, rows in series]
        return min(times, default=None)

    def buckets(self, channel_id: int, from_ms: int, to_ms: int, points: int) -> Buckets:
        width_ms = bucket_ms(from_ms, to_ms, points)
        [series] = self._query(
            "SELECT min(value), mean(value), max(value), count(value) FROM reading"
            f" WHERE {_span(channel_id, from_ms, to_ms)}"
            f" GROUP BY time({width_ms}ms, {from_ms % width_ms}ms) fill(none)"
        )
        table = np.array(series[0][1] if series else [], np.float64).reshape(-1, 5)
        low, high = table[:, 1], table[:, 3]
        return Buckets(
            time_ms=table[:, 0].astype(np.int64),
            low=low,
            mean=np.clip(table[:, 2], low, high),
            high=high,
            count=table[:, 4].astype(np.int64),
        )

    def upkeep(self, now_ms: int) -> bool:
        del now_ms  # the server keeps itself in order
        return False

    def close(self) -> None:
        self._pool.clear()

    def _not_there(self, readings: Sequence[Reading]) -> list[Reading]:
        """The first of each moment, where the server has none."""
        first: dict[tuple[int, int], Reading] = {}
        for reading in readings:
            first.setdefault(reading[:2], reading)
        unknown = sorted({channel for channel, _ in first} - self._newest_ms.keys())
        if unknown:
            newest = self.latest(unknown)
            self._newest_ms |= {c: newest[c].time_ms if c in newest else None for c in unknown}
        new: list[Reading] = []
        late: dict[int, list[Reading]] = {}
        for reading in first.values():
            newest_ms = self._newest_ms[reading.channel_id]
            if newest_ms is None or reading.time_ms > newest_ms:
                new.append(reading)
            else:
                late.setdefault(reading.channel_id, []).append(reading)
        groups = list(late.items())
        for start in range(0, len(groups), CHANNELS):
            some = groups[start : start + CHANNELS]
            queries = [
                f"SELECT value FROM reading WHERE {_span(c, min(r.time_ms for r in rs), max(r.time_ms for r in rs))}"
                for c, rs in some
            ]
            for (_, group), series in zip(some, self._query(";".join(queries)), strict=True):
                there = {int(row[0]) for row in series[0][1]} if series else set()
                new += [reading for reading in group if reading.time_ms not in there]
        return new

    def _write(self, readings: Sequence[Reading]) -> int:
        """Write readings in requests of a bounded size; gives how many the server keeps no longer."""
        dropped = 0
        for start in range(0, len(readings), LINES):
            some = readings[start : start + LINES]
            lines = "\n".join(f"reading,channel={c} value={v!r},received_ms={r}i {t}" for c, t, v, r in some)
            dropped += self._ask("POST", self._write_path, self._target, lines.encode())[0]
        return dropped

    def _delete(self, channel_id: int, from_ms: int, to_ms: int) -> None:
        if not self._is_v2:
            self._query(f"DELETE FROM reading WHERE {_span(channel_id, from_ms, to_ms)}")
            return
        body = {
            "start": _rfc3339(from_ms),
            "stop": _rfc3339(to_ms + 1),
            "predicate": f'_measurement="reading" AND channel="{channel_id}"',
        }
        target = {"org": self._target["org"], "bucket": self._database}
        self._ask("POST", "/api/v2/delete", target, orjson.dumps(body))

    def _query(self, query: str) -> list[list[tuple[int, Rows]]]:
        """What each statement of an InfluxQL query says: series by channel (0 where it was not grouped)."""
        asked = {"db": self._database, "epoch": "ms", "q": query}
        _, body = self._ask("POST", "/query", {}, fields=asked)
        results = orjson.loads(body).get("results", [])
        for result in results:
            if "error" in result:
                raise StoreError(f"readings {self._shown}: {result['error']}")
        return [
            [
                (int(series.get("tags", {}).get("channel") or 0), series["values"])
                for series in result.get("series", [])
            ]
            for result in results
        ]

    def _ask(
        self,
        method: str,
        path: str,
        target: dict[str, str],
        body: bytes | None = None,
        fields: dict[str, str] | None = None,
    ) -> tuple[int, bytes]:
        """A request that succeeded: how many points were past what the server keeps, and its body."""
        url = self._base + path + (f"?{urlencode(target)}" if target else "")
        try:
            if fields is not None:
                answer = self._pool.request(
                    method, url, fields=fields, encode_multipart=False, headers=self._headers
                )
            else:
                answer = self._pool.request(method, url, body=body, headers=self._headers)
        except urllib3.exceptions.HTTPError as error:
            reason = f"no answer from the server ({first_line(error)})"
            raise StoreError(f"readings {self._shown}: {reason}") from error
        if answer.status < 300:
            return 0, answer.data
        said = answer.data[:300].decode("utf-8", "replace").strip()
        if answer.status == 400 and "points beyond retention policy" in said:
            count = said.rpartition("dropped=")[2].strip('"} ')
            return int(count) if count.isdecimal() else 0, b""
        raise StoreError(f"readings {self._shown}: the server answered {answer.status}: {said}")


def _base(url: str) -> str:
    parts = urlsplit(url)
    return f"http{'s' if parts.scheme == 'influxs' else ''}://{parts.netloc.rpartition('@')[2]}"


def _span(channel_id: int, from_ms: int, to_ms: int) -> str:
    return f"channel = '{channel_id}' AND time >= {from_ms}ms AND time <= {to_ms}ms"


def _any_of(channel_ids: Iterable[int]) -> str:
    return f"channel =~ /^(?:{'|'.join(map(str, channel_ids))})$/"


def _quoted(name: str) -> str:
    return '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _rfc3339(time_ms: int) -> str:
    return str(np.datetime64(time_ms, "ms")) + "Z"
