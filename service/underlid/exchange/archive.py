"""Everything in one ZIP: tables as CSV, the farm as JSON, and a description of both."""

import io
import json
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Any

import underlid
from underlid.exchange import csv_out
from underlid.exchange.stream import Span, channels_of
from underlid.store import calibrations, catalogue
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings

README = """{farm}, everything as of {at} (Underlid {version})

readings.csv      every reading: probe, channel, unit, time in UTC, value. Calibrated moisture is a channel in %.
log.csv           what was fed, wetted, turned, seen: kilograms and litres. Newest first.
alarms.csv        every step in the lives of alarms, with what was measured, forecast and advised.
farm.json         the farm, its places, bins, feed stores, probes, channels, placements, calibrations and twins;
                  times in milliseconds since 1970-01-01T00:00Z, lengths in m, masses in kg.
datapackage.json  the same tables described for programs, by the Data Package standard (https://datapackage.org)

The tables are CSV (RFC 4180) in UTF-8, numbers with a decimal point. A text that a spreadsheet would take for a
formula has an apostrophe in front. 'underlid import' takes readings.csv and log.csv, or this file as a whole.
"""
_UNITS = {"amount (kg)": "kg", "amount (l)": "l", "forecast (h)": "h"}
TABLES = {
    "readings.csv": ("Readings of the probes, in the unit of their row", csv_out.LONG),
    "log.csv": ("The keeper's log", csv_out.LOG),
    "alarms.csv": ("Steps in the lives of alarms (ISA-18.2 / IEC 62682)", csv_out.ALARMS),
}


class _Outlet(io.RawIOBase):
    """A file that only takes what is written, to be fetched piece by piece."""

    def __init__(self) -> None:
        self.written = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.written += data
        return len(data)

    def fetch(self) -> bytes:
        data = bytes(self.written)
        self.written.clear()
        return data


def archive(ledger: Ledger, readings: Readings, span: Span, now_ms: int) -> Iterator[bytes]:
    """The ZIP, piece by piece."""
    outlet = _Outlet()
    at = csv_out.moment(now_ms)
    with ledger.reading() as connection:
        farm = catalogue.farm(connection)
    words = README.format(farm=farm.name if farm else "A farm", at=at, version=underlid.__version__)
    tables: dict[str, Iterable[str]] = {
        "README.txt": [words],
        "datapackage.json": [json.dumps(description(farm.name if farm else "", at), indent=1)],
        "farm.json": [json.dumps(farm_json(ledger), indent=1)],
        "log.csv": csv_out.log(ledger, span),
        "alarms.csv": csv_out.alarms(ledger, span),
        "readings.csv": csv_out.readings_long(readings, channels_of(ledger), span),
    }
    date = tuple(int(part) for part in at[:10].split("-"))
    with zipfile.ZipFile(outlet, "w", zipfile.ZIP_DEFLATED) as whole:
        for name, pieces in tables.items():
            info = zipfile.ZipInfo(f"underlid-export/{name}", (date[0], date[1], date[2], 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            with whole.open(info, "w", force_zip64=True) as file:
                for text in pieces:
                    file.write(text.encode())
                    if len(outlet.written) > 65_536:
                        yield outlet.fetch()
    yield outlet.fetch()


def farm_json(ledger: Ledger) -> dict[str, Any]:
    """All that is set up, without secrets: passwords of probes stay where they are."""
    with ledger.reading() as connection:
        farm = catalogue.farm(connection)
        return {
            "farm": asdict(farm) if farm else None,
            "places": [asdict(each) for each in catalogue.places(connection)],
            "bins": [asdict(each) for each in catalogue.bins(connection)],
            "feed_stores": [asdict(each) for each in catalogue.feed_stores(connection)],
            "probes": [asdict(each) for each in catalogue.probes(connection)],
            "channels": [asdict(each) for each in catalogue.channels(connection)],
            "placements": [asdict(each) for each in catalogue.placements(connection)],
            "calibrations": [asdict(each) for each in calibrations.records(connection)],
            "twins": [asdict(each) for each in catalogue.twins(connection).values()],
        }


def description(farm: str, at: str) -> dict[str, Any]:
    """A Data Package descriptor; `unit` is our addition, which the standard allows."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "underlid-export",
        "title": farm,
        "created": at,
        "resources": [
            {
                "name": path.removesuffix(".csv"),
                "path": path,
                "description": words,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": {"fields": [_field(name) for name in columns]},
            }
            for path, (words, columns) in TABLES.items()
        ],
    }


def _field(name: str) -> dict[str, str]:
    kind = "datetime" if name == csv_out.TIME else "number" if name in csv_out.NUMBERS else "string"
    return {"name": name, "type": kind} | ({"unit": _UNITS[name]} if name in _UNITS else {})
