"""The figures behind a weekly report as CSV (RFC 4180): one figure a row, each with its unit."""

import csv
import io
from collections.abc import Iterator

from underlid.exchange.cells import defused
from underlid.reports.report import Figures, PositionReport, ProbeLine, Watched, WeeklyReport, rfc3339

HEADER = ("week", "kind", "id", "name", "section", "what", "figure", "value", "unit", "at")
Row = tuple[str, str, object, str, str]  # what, figure, value, unit, at


def as_csv(report: WeeklyReport) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(HEADER)
    for row in _rows(report):
        cells = ("" if cell is None else cell for cell in (report.week, *row))
        # what people called a bin or its food is no formula; numbers stay numbers
        writer.writerow([defused(cell) if isinstance(cell, str) else cell for cell in cells])
    return out.getvalue()


def _rows(report: WeeklyReport) -> Iterator[tuple[object, ...]]:
    for thing in report.things:
        for section, rows in _sections(thing):
            for row in rows:
                yield thing.kind.value, thing.id, thing.name, section, *row
    for probe in report.probes:
        for figure, value, unit in _probe(probe):
            yield "probe", probe.id, probe.name, "probe", "", figure, value, unit, ""
    for section, what, figure, value, unit in _farm(report):
        yield "farm", "", report.farm, section, what, figure, value, unit, ""


def _probe(probe: ProbeLine) -> Iterator[tuple[str, object, str]]:
    yield "known", probe.known_pct, "%"
    yield "readings", probe.readings, ""
    yield "faulty", probe.faulty, ""
    yield "spacing", probe.spacing_min, "min"
    yield "longest_silence", probe.longest_silence_h, "h"
    yield "battery", probe.battery, probe.battery_unit
    yield "battery_left", probe.battery_left_days, "d"
    yield "signal", probe.signal_dbm, "dBm"


def _farm(report: WeeklyReport) -> Iterator[tuple[str, str, str, object, str]]:
    if report.about is not None:
        return
    of = report.totals
    yield "totals", "moisture", "in_range", of.in_range_moisture_pct, "%"
    yield "totals", "moisture", "in_range_week_before", of.in_range_moisture_before_pct, "%"
    yield "totals", "temperature", "in_range", of.in_range_temperature_pct, "%"
    yield "totals", "temperature", "in_range_week_before", of.in_range_temperature_before_pct, "%"
    yield "totals", "all", "known", of.known_pct, "%"
    yield "totals", "all", "fed", of.fed_kg, "kg"
    yield "totals", "all", "fed_week_before", of.fed_before_kg, "kg"
    yield "totals", "all", "water", of.litres, "L"
    yield "totals", "all", "water_week_before", of.litres_before, "L"
    yield "totals", "all", "harvested", of.harvested_kg, "kg"
    yield "alarms", "all", "raised", of.alarms.raised, ""
    yield "alarms", "all", "urgent", of.alarms.urgent, ""
    yield "alarms", "all", "dealt", of.alarms.dealt, ""
    yield "alarms", "all", "standing", of.alarms.standing, ""
    yield "alarms", "all", "median_dealt", of.alarms.median_dealt_h, "h"
    yield "alarms", "all", "longest_dealt", of.alarms.longest_dealt_h, "h"
    for score in report.scores:
        yield "forecasts", score.of, "count", score.count, ""
        yield "forecasts", score.of, "coverage", score.coverage_pct, "%"
        yield "forecasts", score.of, "mean_error", score.mean_error, score.unit
        yield "forecasts", score.of, "bias", score.bias, score.unit
        yield "forecasts", score.of, "width", score.width, score.unit
        nothing = score.mean_error_if_nothing_changed
        yield "forecasts", score.of, "mean_error_if_nothing_changed", nothing, score.unit


def _sections(thing: Watched) -> Iterator[tuple[str, Iterator[Row]]]:
    yield "position", _positions(thing)
    yield "food", _food(thing)
    yield "water", _water(thing)
    yield "frost", _frost(thing)
    yield "outlook", _outlook(thing)


def _positions(thing: Watched) -> Iterator[Row]:
    for position in thing.positions:
        what = f"{position.position} {position.quantity}"
        if position.this_week is not None:
            yield from _figures(what, position, position.this_week, "")
        if position.week_before is not None:
            yield from _figures(what, position, position.week_before, "_week_before")


def _figures(what: str, position: PositionReport, of: Figures, suffix: str) -> Iterator[Row]:
    unit = position.unit
    yield what, f"known{suffix}", of.known_pct, "%", ""
    yield what, f"in_range{suffix}", of.in_range_pct, "%", ""
    yield what, f"below{suffix}", of.below_pct, "%", ""
    yield what, f"above{suffix}", of.above_pct, "%", ""
    yield what, f"lowest{suffix}", of.lowest.value, unit, rfc3339(of.lowest.at)
    yield what, f"median{suffix}", of.median, unit, ""
    yield what, f"highest{suffix}", of.highest.value, unit, rfc3339(of.highest.at)
    yield what, f"trend{suffix}", of.trend_per_day, f"{unit}/d", ""


def _food(thing: Watched) -> Iterator[Row]:
    if thing.food is not None:
        yield "all", "fed", thing.food.fed_kg, "kg", ""
        yield "all", "fed_week_before", thing.food.fed_before_kg, "kg", ""
        yield "all", "left", thing.food.left_kg, "kg", ""
        yield "all", "left_low", thing.food.left_low_kg, "kg", ""
        yield "all", "left_high", thing.food.left_high_kg, "kg", ""
        yield "all", "goes_next_week", thing.food.goes_kg, "kg", ""
        for feeding in thing.food.feedings:
            yield feeding.what, "left", feeding.left_kg, "kg", rfc3339(feeding.at)
    for heating in thing.heatings:
        at = rfc3339(heating.fed_at)
        yield heating.what, "fed", heating.kg, "kg", at
        yield heating.what, "before", heating.before_c, "Cel", at
        yield heating.what, "peak", heating.peak.value, "Cel", rfc3339(heating.peak.at)
        if heating.forecast is not None:
            made = rfc3339(heating.forecast.made_at)
            yield heating.what, "peak_forecast", heating.forecast.peak_c, "Cel", made
            yield heating.what, "peak_forecast_low", heating.forecast.low_c, "Cel", made
            yield heating.what, "peak_forecast_high", heating.forecast.high_c, "Cel", made


def _water(thing: Watched) -> Iterator[Row]:
    if thing.water is None:
        return
    yield "all", "water", thing.water.litres, "L", ""
    yield "all", "water_week_before", thing.water.litres_before, "L", ""
    for wetting in thing.water.wettings:
        at, where = rfc3339(wetting.at), wetting.position or ""
        yield where, "water", wetting.litres, "L", at
        yield where, "gained", wetting.gained_pct, "%", at
        yield where, "gain_expected", wetting.expected_pct, "%", at


def _frost(thing: Watched) -> Iterator[Row]:
    if thing.frost is None:
        return
    yield "all", "below_limit", thing.frost.below_h, "h", ""
    yield "all", "hard_frozen", thing.frost.hard_frozen_h, "h", ""
    yield "all", "lowest", thing.frost.lowest.value, "Cel", rfc3339(thing.frost.lowest.at)
    for day in thing.frost.days:
        yield day.state, "day_lowest", day.lowest_c, "Cel", day.day.isoformat()
    for spell in thing.frost.spells:
        yield "spell", "hours", spell.hours, "h", rfc3339(spell.start)
        yield "spell", "lowest", spell.lowest_c, "Cel", rfc3339(spell.start)


def _outlook(thing: Watched) -> Iterator[Row]:
    of = thing.outlook
    if of is None:
        return
    yield "worms", "mass", of.worm_kg, "kg", ""
    yield "worms", "mass_told", of.worm_told_kg, "kg", "" if of.worm_told is None else rfc3339(of.worm_told)
    yield "worms", "mass_in_4_weeks", of.worm_in_4_weeks_kg, "kg", ""
    yield "worms", "mass_in_4_weeks_low", of.worm_low_kg, "kg", ""
    yield "worms", "mass_in_4_weeks_high", of.worm_high_kg, "kg", ""
    yield "worms", "density", of.density_kg_m2, "kg/m2", ""
    yield "worms", "ration", of.ration_kg_per_week, "kg/week", ""
    yield "worms", "split_on", of.split_on, "date", ""
    yield "castings", "ready_share", of.harvest_share_pct, "%", ""
    yield "castings", "ready_on", of.harvest_on, "date", ""
    yield "castings", "ready_on_low", of.harvest_low, "date", ""
    yield "castings", "ready_on_high", of.harvest_high, "date", ""
