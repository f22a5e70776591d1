"""The command `underlid replay`: what is asked, read, and told in lines."""

import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from underlid.clock import wall_clock
from underlid.ground import farm_stores
from underlid.model import Bin, Farm, FeedStore, Place, Subject, SubjectKind
from underlid.replay import Past, replay, take_past
from underlid.rules.catalogue import RULES
from underlid.rules.limits import LIMIT_NAMES
from underlid.rules.spells import Pair, Spell, side_by_side
from underlid.settings import Settings
from underlid.store import catalogue
from underlid.survey import FARM, HOUR_MS, Survey

_AGO = re.compile(r"(\d+(?:\.\d+)?)\s*(d|h)")
_KINDS = (SubjectKind.PLACE, SubjectKind.BIN, SubjectKind.FEED_STORE)
_OF = {rule.id: rule for rule in RULES}


@dataclass(frozen=True, slots=True)
class Changes:
    """Other limits, by whom they are set for; and the rules that were named with one (none: all)."""

    limits: dict[Subject, dict[str, float]] = field(default_factory=dict)
    rules: set[str] = field(default_factory=set)


def replay_lines(
    settings: Settings, from_: str, to: str, bins: Sequence[str], sets: Sequence[str], file: Path | None
) -> list[str]:
    """Run a replay and give what to tell. Raises ValueError, OSError and StoreError with one line."""
    now_ms = wall_clock()
    with farm_stores(settings) as (farm, ledger, readings), ledger.reading() as connection:
        zone = ZoneInfo(farm.time_zone)
        from_ms, to_ms = moment_ms(from_, now_ms, zone), moment_ms(to, now_ms, zone)
        first_ms = readings.first_ms([channel.id for channel in catalogue.channels(connection)])
        if first_ms is not None and from_ms < first_ms < to_ms:
            from_ms = first_ms  # before it there is nothing to be judged
        past = take_past(connection, readings, from_ms, to_ms)
        names = catalogue.names(connection) | {FARM: farm.name}
    survey = past.surveys[-1][1]
    chosen = [_bin(survey, word) for word in bins] or past.subjects
    changes = read_changes(survey, chosen if bins else [FARM], sets, file)
    would = replay(past, changes.limits, changes.rules or None, chosen)
    were = [s for s in past.were if s.subject in chosen and (not changes.rules or s.rule in changes.rules)]
    return list(told(past, side_by_side(were, would), names, zone))


def moment_ms(text: str, now_ms: int, zone: ZoneInfo) -> int:
    """'now', '14d' or '36h' ago, '2026-11-03' or '2026-11-03T06:30' by the farm's clocks. Raises ValueError."""
    if text == "now":
        return now_ms
    if ago := _AGO.fullmatch(text.strip()):
        return now_ms - round(float(ago[1]) * (24 if ago[2] == "d" else 1) * HOUR_MS)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"'{text}' is no time; write 14d, 36h, 2026-11-03 or 2026-11-03T06:30") from None
    return round((moment if moment.tzinfo else moment.replace(tzinfo=zone)).timestamp() * 1000)


def read_changes(survey: Survey, whose: Iterable[Subject], sets: Iterable[str], file: Path | None) -> Changes:
    """Limits from `--set` and a file, laid over what subjects have of their own. Raises ValueError, OSError."""
    found = Changes()

    def change(subject: Subject, name: str, value: object) -> None:
        if name not in LIMIT_NAMES:
            raise ValueError(f"there is no limit {name}; known are {', '.join(LIMIT_NAMES)}")
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"{name} must be a number, not {value!r}")
        thing = survey.things.get(subject)
        if not isinstance(thing, Bin | FeedStore | Place | Farm):
            raise ValueError(f"there is no {subject.kind.value} {subject.id}")
        found.limits.setdefault(subject, dict(thing.limits))[name] = float(value)

    for name, value in _table(file).items() if file else ():
        if not isinstance(value, Mapping):
            change(FARM, name, value)
            continue
        if name not in _KINDS:
            raise ValueError(
                f"{file}: [{name}] is none of {', '.join(f'[{kind.value}.ID]' for kind in _KINDS)}"
            )
        for id_, own in value.items():
            if not isinstance(own, Mapping):
                raise ValueError(f"{file}: write [{name}.{id_}] and its limits below it")
            for each, figure in own.items():
                change(Subject(SubjectKind(name), id_), each, figure)
    for text in sets:
        where, equals, figure = text.partition("=")
        rule, _, name = where.strip().rpartition(".")
        try:
            value = float(figure)
        except ValueError:
            equals = ""
        if not equals:
            raise ValueError(
                f"'{text}' is not [rule.]limit=value, for example top-drying.moist_low_pct_wb=60"
            )
        if rule:
            if rule not in _OF:
                raise ValueError(f"there is no rule {rule}; there are {', '.join(_OF)}")
            if name not in _OF[rule].reads:
                raise ValueError(
                    f"{rule} does not look at {name}, but at {', '.join(sorted(_OF[rule].reads))}"
                )
            found.rules.add(rule)
        for subject in whose:
            change(subject, name, value)
    return found


def _table(file: Path) -> Mapping[str, object]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{file}: not valid TOML: {error}") from error


def _bin(survey: Survey, word: str) -> Subject:
    for subject, thing in survey.things.items():
        if subject.kind is SubjectKind.BIN and word.lower() in (subject.id, thing.name.lower()):
            return subject
    known = ", ".join(s.id for s in survey.things if s.kind is SubjectKind.BIN) or "none yet"
    raise ValueError(f"there is no bin {word}; known: {known}")


def told(past: Past, pairs: Sequence[Pair], names: Mapping[Subject, str], zone: ZoneInfo) -> Iterable[str]:
    """One line an alarm, and how many there are of each kind."""

    def clock(time_ms: int) -> str:
        return f"{datetime.fromtimestamp(time_ms / 1000, zone):%Y-%m-%d %H:%M}"

    def span(spell: Spell | None) -> str:
        if spell is None:
            return "-"
        start = "before" if spell.from_ms <= past.from_ms else clock(spell.from_ms)
        return f"{start} to {clock(spell.to_ms) if spell.to_ms is not None else 'the end'}"

    yield f"{clock(past.from_ms)} to {clock(past.to_ms)} ({zone.key})"
    width = max([len(names.get(pair.first.subject, pair.first.subject.id)) for pair in pairs], default=0)
    for pair in pairs:
        mark = "same" if pair.was and pair.would else "new " if pair.would else "gone"
        name = names.get(pair.first.subject, pair.first.subject.id)
        forecast = " (forecast)" if pair.first.forecast else ""
        was, would = span(pair.was), span(pair.would)
        yield f"{mark}  {name:<{width}}  {pair.first.rule:<16}  was {was:<36}  would be {would}{forecast}"
    kinds = Counter("same" if p.was and p.would else "new" if p.would else "gone" for p in pairs)
    yield f"{kinds['same']} as they were, {kinds['new']} that were not, {kinds['gone']} that would not have been"
