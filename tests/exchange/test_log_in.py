"""A log that was kept in a spreadsheet."""

from pathlib import Path

import pytest
from tests.exchange.farm import NOW_MS, ZONE, Stores, begin, opened, underlid

from underlid.exchange.log_columns import guess_log
from underlid.exchange.log_take import LogTally, take_log
from underlid.exchange.sheet import look_at
from underlid.exchange.take import Refused
from underlid.model import LogEntry
from underlid.store import log

ENGLISH = """Date,Bin,What,Amount,Note
2026-03-01,Alder,fed coffee grounds,2.5 kg,"in the left corner,
under the cover"
2026-03-01 18:30,birch,Watered,1.5,
2026-03-02,Birch by the door,fed: apple pomace,500 g,
2026-03-03,north tub,fed peelings,3 lb,
2026-03-04,Alder,turned,,
2026-03-05,Alder,harvested,4 kg,
"""
GERMAN = """Datum;Kiste;Was;Menge (kg);Notiz
01.03.2026;Alder;gefüttert Kaffeesatz;2,5;=SUMME(A1)
15.03.2026;birch;gewendet;;
"""


def take(stores: Stores, text: str, **told: str) -> tuple[LogTally, list[Refused]]:
    sheet = look_at(text)
    map_, questions = guess_log(sheet, ZONE, **told)
    assert questions == ()
    return take_log(stores.ledger, text.splitlines(keepends=True)[1:], 2, map_, NOW_MS)


def entries(stores: Stores) -> list[LogEntry]:
    with stores.ledger.reading() as connection:
        return sorted(log.entries(connection, 0, NOW_MS), key=lambda entry: entry.at_ms)


def test_a_log_says_when_where_what_and_how_much(tmp_path: Path) -> None:
    with opened(tmp_path) as stores:
        tally, refused = take(stores, ENGLISH)
        found = entries(stores)
    assert refused == []
    assert tally.new == 6
    told = [(e.subject.id, e.kind, e.what, e.amount_kg, e.amount_l) for e in found]
    assert told == [
        ("alder", "fed", "coffee grounds", 2.5, None),
        ("birch", "wetted", "", None, 1.5),
        ("birch", "fed", "apple pomace", 0.5, None),
        (
            "north-tub",
            "fed",
            "peelings",
            pytest.approx(1.36077711),
            None,
        ),  # NIST SP 811, B.8: 0.453 592 37 kg
        ("alder", "turned", "", None, None),
        ("alder", "harvest", "", 4, None),
    ]
    assert found[0].note == "in the left corner,\nunder the cover"
    assert found[0].at_ms == 1_772_362_800_000  # TZ=Europe/Vienna date -d '2026-03-01 12:00' +%s
    assert found[1].at_ms == 1_772_386_200_000


def test_a_german_log_has_its_unit_in_the_header_and_a_formula_stays_a_text(tmp_path: Path) -> None:
    with opened(tmp_path) as stores:
        tally, refused = take(stores, GERMAN)
        found = entries(stores)
    assert (tally.new, refused) == (2, [])
    assert (found[0].kind, found[0].what, found[0].amount_kg, found[0].note) == (
        "fed",
        "Kaffeesatz",
        2.5,
        "=SUMME(A1)",
    )
    assert found[1].kind == "turned"


def test_a_second_import_changes_nothing_and_neither_does_an_entry_made_on_the_screen(tmp_path: Path) -> None:
    with opened(tmp_path) as stores:
        first, _ = take(stores, ENGLISH)
        before = entries(stores)
        again, _ = take(stores, ENGLISH)
        assert entries(stores) == before
        late = "date,bin,what,amount\n2026-04-01,alder,fed husks,1\n"
        take(stores, late)
        made = entries(stores)[-1]
        by_hand = LogEntry(0, made.at_ms + 3_600_000, made.subject, "fed", 1.0, what="husks")
        with stores.ledger.writing() as connection:
            log.add(connection, by_hand)
        same, _ = take(stores, late.replace("2026-04-01", "2026-04-01 13:00"))
    assert (first.new, again.new, again.known) == (6, 0, 6)
    assert (same.new, same.known) == (0, 1)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("2026-03-01,Rowan,fed,2", "no bin or tub 'Rowan'"),
        ("2026-03-01,Alder,sang,2", "does not say what was done"),
        ("2026-03-01,Alder,fed,", "needs an amount in kg"),
        ("2026-03-01,Alder,watered,2 kg", "needs an amount in l"),
        ("2026-03-01,Alder,fed,2 stone", "no unit of an amount"),
        ("2026-03-01,Alder,fed,-2 kg", "outside 0 to"),
        ("2036-03-01,Alder,fed,2 kg", "future"),
        ("2026-03-01,Alder,fed", "3 cells"),
    ],
)
def test_what_can_not_be_used_is_refused_with_the_reason(tmp_path: Path, row: str, reason: str) -> None:
    with opened(tmp_path) as stores:
        tally, refused = take(stores, f"date,bin,what,amount\n{row}\n2026-03-02,Alder,fed,2\n")
    assert tally.new == 1
    assert [each.line for each in refused] == [2]
    assert reason in refused[0].reason


def test_an_unclosed_quote_costs_its_own_row_alone(tmp_path: Path) -> None:
    with opened(tmp_path) as stores:
        rows = '2026-03-01,Alder,fed,2,"so\n2026-03-02,Alder,fed,3,\n2026-03-03,Alder,fed,4,\n'
        tally, _ = take(stores, f"date,bin,what,amount,note\n{rows}")
        assert [entry.amount_kg for entry in entries(stores)] == [2, 3, 4]
    assert tally.rows == 3


def test_a_dry_run_says_how_each_column_is_taken_and_why_rows_are_refused(tmp_path: Path) -> None:
    data = begin(tmp_path / "data")
    file = tmp_path / "log.csv"

    def dry_run(header: str, *rows: str) -> tuple[int, str]:
        file.write_text("\n".join([header, *rows, ""]))
        done = underlid("import", str(file), "--data-dir", str(data), "--dry-run")
        return done.returncode, done.stderr

    status, said = dry_run(
        "when;what;bin;kg", "2026-11-01 10:00;fed;alder;2", "2026-11-02 10:00;watered 2 l;Alder;"
    )
    assert (status, "1 entries would go in" in said) == (
        3,
        True,
    )  # headed by its unit alone, and not needing it
    assert "  line 3: 'wetted' needs an amount in l, more than 0\n" in said
    status, said = dry_run(
        "when;done;bin;weight", "2026-11-01 10:00;fed;Oak;2", *["2026-11-01 10:00;dug;Alder;2"] * 14
    )
    assert status == 3
    assert "log.csv: a table of log by its header; --what readings if it is not" in said
    assert "Not known, so left out: weight. Headers that are known: date," in said
    assert "  line 2: there is no bin or tub 'Oak'" in said
    assert said.count("  line ") == 10
    assert f"  and 5 more: each is in {tmp_path / 'log.refused.csv'} with its reason" in said
    status, said = dry_run("when;bin;kg", "2026-11-01 10:00;Alder;2")
    assert status == 1
    assert "a table of readings by its header; --what log if it is not" in said


def test_the_command_takes_a_log(tmp_path: Path) -> None:
    with opened(tmp_path / "data"):
        pass
    file = tmp_path / "log.csv"
    file.write_text(ENGLISH)
    done = underlid("import", str(file), "--data-dir", str(tmp_path / "data"), "--yes")
    assert done.returncode == 0, done.stderr
    assert "a table of log" in done.stderr
    assert "6 entries went in" in done.stderr
    assert "coffee grounds" in underlid("export", "log", "--data-dir", str(tmp_path / "data")).stdout
