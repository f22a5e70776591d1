"""A weekly report as plain text: the body of mail for those who read no HTML, and the output of the command."""

import textwrap
from collections.abc import Iterator

from underlid.reports import say
from underlid.reports.report import (
    Food,
    Heating,
    Outlook,
    PositionReport,
    Score,
    Watched,
    Water,
    WeeklyReport,
)
from underlid.rules.words import hours

WIDTH = 100


def as_text(report: WeeklyReport) -> str:
    return "\n".join(_lines(report)).rstrip() + "\n"


def _lines(report: WeeklyReport) -> Iterator[str]:
    zone = report.time_zone
    title = f"{report.farm}: week {report.week}, {say.span(report.start, report.end, zone)}"
    yield title
    yield "=" * len(title)
    if not report.whole:
        yield f"So far: the week is not over. Up to {say.moment(report.end, zone)}."
    yield ""
    yield from totals(report)
    yield from _part(
        "What to do next week",
        [f"{names}: {words}" for names, words in say.tasks(report.tasks)] or ["Nothing asks for hands."],
    )
    yield from _part("Cautions", report.cautions)
    if report.alarms:
        yield from _part(
            "Alarms",
            [
                f"{say.moment(a.raised, zone)}  {a.priority}  {a.headline}: {say.dealt(a)}"
                for a in report.alarms
            ],
        )
    for thing in report.things:
        yield from _thing(thing, report.end, zone)
    yield from _part(
        "Forecasts that were told",
        [f"{say.moment(f.told, zone)}  {f.name}, {f.rule}: {say.came(f)}" for f in report.foretold],
    )
    left_out = [words] if (words := say.left_out(report)) else []
    yield from _part("How good the forecasts were", [*left_out, *(score(each) for each in report.scores)])
    yield from _part("Probes", list(_probes(report)))
    yield from _part("Log", [f"{say.moment(e.at, zone)}  {e.name}: {say.entry(e)}" for e in report.log])
    yield from _part(
        "Changed in the log after this report was first made",
        [f"{say.moment(e.at, zone)}  {e.name}: {say.entry(e)} ({e.later})" for e in report.log_changed_later],
    )
    yield ""
    yield from textwrap.wrap(say.RULE, WIDTH)


def _part(title: str, lines: list[str]) -> Iterator[str]:
    if not lines:
        return
    yield ""
    yield title
    yield "-" * len(title)
    for line in lines:
        yield from textwrap.wrap(line, WIDTH, initial_indent="- ", subsequent_indent="  ")


def totals(report: WeeklyReport) -> Iterator[str]:
    """The week in four lines."""
    of = report.totals
    yield (
        f"Moist enough {say.share(of.in_range_moisture_pct)} of the time "
        f"(the week before {say.share(of.in_range_moisture_before_pct)}); warm as it should be "
        f"{say.share(of.in_range_temperature_pct)} ({say.share(of.in_range_temperature_before_pct)})."
    )
    yield (
        f"Fed {say.number(of.fed_kg)} kg ({say.number(of.fed_before_kg)}); water {say.number(of.litres)} L "
        f"({say.number(of.litres_before)}); harvested {say.number(of.harvested_kg)} kg."
    )
    yield alarm_words(report)
    bins = "1 bin" if of.bins == 1 else f"{of.bins} bins"
    yield f"Known: {say.share(of.known_pct)} of the time at all positions of {bins}."


def alarm_words(report: WeeklyReport) -> str:
    """'3 alarms raised, 1 of them urgent; 2 dealt with, half of them within 3 h, all within 9 h; 1 stands.'"""
    of = report.totals.alarms
    if not report.alarms:
        return "No alarms."
    urgent = f", {of.urgent} of them urgent" if of.urgent else ""
    said = f"{of.raised} alarm{'' if of.raised == 1 else 's'} raised{urgent}"
    if of.median_dealt_h is not None and of.longest_dealt_h is not None:
        within = (
            f"after {hours(of.longest_dealt_h)}"
            if of.dealt == 1
            else f"half of them within {hours(of.median_dealt_h)}, all within {hours(of.longest_dealt_h)}"
        )
        said += f"; {of.dealt} dealt with, {within}"
    return f"{said}; {of.standing} standing at the end."


def _thing(thing: Watched, end_ms: int, zone: str) -> Iterator[str]:
    title = thing.name if thing.name == thing.place else f"{thing.name} ({thing.place})"
    yield ""
    yield title
    yield "-" * len(title)
    yield thing.words[:1].upper() + thing.words[1:] + "."
    for position in thing.positions:
        yield from _position(position, zone)
    if thing.frost is not None:
        coldest = say.number(thing.frost.lowest.value)
        yield f"  frost{say.by_air(thing.frost)}: {say.frost(thing.frost)}; coldest {coldest} °C"
        if thing.frost.days:
            yield "    " + ", ".join(
                f"{day.day:%a} {day.state}" for day in thing.frost.days if day.state != "unknown"
            )
        for spell in thing.frost.spells:
            end = say.short(spell.end, zone) if spell.end is not None else "the end"
            yield f"    {say.short(spell.start, zone)} to {end}: down to {say.number(spell.lowest_c)} °C"
    if thing.food is not None:
        yield f"  food: {food(thing.food)}"
    for heating in thing.heatings:
        yield f"    {heated(heating, zone)}"
    if thing.water is not None:
        yield f"  water: {say.number(thing.water.litres)} L ({say.number(thing.water.litres_before)} L the week before)"
        for words in wettings(thing.water, zone):
            yield f"    {words}"
    if thing.outlook is not None:
        yield f"  outlook: {outlook(thing.outlook, end_ms, zone)}"


def _position(of: PositionReport, zone: str) -> Iterator[str]:
    week, before = of.this_week, of.week_before
    if week is None:
        yield f"  {say.where(of)}: nothing is known"
        return
    unit = say.unit(of)
    in_range = ""
    if week.in_range_pct is not None:
        in_range = f" in range {say.share(week.in_range_pct)}"
        in_range += f" (before {say.share(before.in_range_pct if before else None)});"
    yield (
        f"  {say.where(of)}:{in_range} lowest {say.number(week.lowest.value)} {unit} "
        f"({say.short(week.lowest.at, zone)}), median {say.number(week.median)}, highest "
        f"{say.number(week.highest.value)} {unit} ({say.short(week.highest.at, zone)}); {say.trend(week, of)}; "
        f"known {say.share(week.known_pct)}"
    )


def food(of: Food) -> str:
    unweighed = f", {of.unweighed} more not weighed" if of.unweighed else ""
    return (
        f"{say.number(of.fed_kg)} kg ({say.number(of.fed_before_kg)} kg the week before){unweighed}; about "
        f"{say.number(of.left_kg)} kg left ({say.number(of.left_low_kg)} to {say.number(of.left_high_kg)})"
    )


def heated(of: Heating, zone: str) -> str:
    """'Tue 06:20, 0.6 kg trimmings: 17.1 to 17.7 °C at Wed 00:03; 6 h after it 18 °C (17 to 19) was foreseen'."""
    mass = f"{of.kg:g} kg " if of.kg is not None else ""
    hot = ", TOO HOT" if of.too_hot else ""
    open_ = "" if of.over else " so far"
    said = (
        f"{say.short(of.fed_at, zone)}, {mass}{of.what or 'feed'}: {say.number(of.before_c)} to "
        f"{say.number(of.peak.value)} °C{open_} ({say.short(of.peak.at, zone)}){hot}"
    )
    if of.forecast is None:
        return f"{said}; its forecast was not worked out" if of.forecast_left_out else said
    f = of.forecast
    return f"{said}; foreseen after 6 h: {say.number(f.peak_c)} °C ({say.number(f.low_c)} to {say.number(f.high_c)})"


def wettings(of: Water, zone: str) -> Iterator[str]:
    for each in of.wettings:
        litres = f"{each.litres:g} L" if each.litres is not None else "not measured"
        said = f"{say.short(each.at, zone)}, {litres}"
        if each.gained_pct is not None and each.position is not None:
            said += f": {each.position} {say.number(each.before_pct)} to {say.number(each.after_pct)} %"
        if each.expected_pct is not None:
            said += f" ({say.number(each.expected_pct)} points were to be expected)"
        yield said


def outlook(of: Outlook, end_ms: int, zone: str) -> str:
    parts = [f"{say.number(of.worm_kg, 2)} kg of worms"]
    if of.worm_told_kg is not None and of.worm_told is not None:
        parts[0] += f" ({say.number(of.worm_told_kg, 2)} on {say.day(say.day_at(of.worm_told, zone))})"
    if of.worm_in_4_weeks_kg is not None:
        parts[0] += (
            f", in 4 weeks about {say.number(of.worm_in_4_weeks_kg, 2)} "
            f"({say.number(of.worm_low_kg, 2)} to {say.number(of.worm_high_kg, 2)})"
        )
    if of.ration_kg_per_week is not None:
        parts.append(f"eat about {say.number(of.ration_kg_per_week)} kg a week")
    if of.harvest_on is not None:
        low = say.day(of.harvest_low) if of.harvest_low else say.DASH
        high = say.day(of.harvest_high) if of.harvest_high else "later"
        ready = "ready since about" if of.harvest_on < say.day_at(end_ms, zone) else "ready about"
        parts.append(f"castings {ready} {say.day(of.harvest_on)} ({low} to {high})")
    if of.split_due:
        parts.append("split it now")
    elif of.split_on is not None:
        parts.append(f"to be split about {of.split_on:%b %Y}")
    return "; ".join(parts)


def score(of: Score) -> str:
    plain = of.mean_error_if_nothing_changed
    beside = f" (that nothing changes: {say.number(plain)} {of.unit})" if plain is not None else ""
    return (
        (
            f"{of.of}: {of.count}; off by {say.number(of.mean_error)} {of.unit} on average{beside}; "
            f"{say.share(of.coverage_pct)} within their interval, {of.confidence:.0%} were promised; "
            f"intervals {say.number(of.width)} {of.unit} wide"
        )
        .replace("%", " %")
        .replace("  %", " %")
    )


def _probes(report: WeeklyReport) -> Iterator[str]:
    for each in report.probes:
        parts = [f"known {say.share(each.known_pct)}", f"{each.readings} readings"]
        if each.faulty:
            parts.append(f"{each.faulty} that can't be")
        if each.longest_silence_h is not None:
            parts.append(f"longest silence {hours(each.longest_silence_h)}")
        if each.battery is not None:
            left = (
                f", about {each.battery_left_days:.0f} days left"
                if each.battery_left_days is not None
                else ""
            )
            parts.append(
                f"battery {say.number(each.battery, 2)} {each.battery_unit}{left}".replace("%EL", "%")
            )
        if each.signal_dbm is not None:
            parts.append(f"signal {say.number(each.signal_dbm, 0)} dBm")
        if each.silent_at_end:
            parts.append("silent at the end")
        yield f"{each.name}: {', '.join(parts)}"
