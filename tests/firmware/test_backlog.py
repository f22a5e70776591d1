"""The backlog in flash: what it holds, lets go, and survives."""

from collections.abc import Iterator

import pytest

from firmware.conftest import Interpreter


@pytest.fixture
def flash(micropython: Interpreter) -> Iterator[Interpreter]:
    """An interpreter with an empty backlog `b` of at least 64 readings in files of 8."""
    micropython.run("import os\nfrom backlog import Backlog\nb = Backlog('/kept', 64, 8)")
    yield micropython
    micropython.run("for name in os.listdir('/kept'): os.remove('/kept/' + name)\nos.rmdir('/kept')")


def append(flash: Interpreter, first: int, last: int) -> None:
    flash.run(f"for n in range({first}, {last}): b.append([1, n, {{'temp': n}}])")


def numbers(flash: Interpreter, count: int = 1000) -> list[int]:
    found: list[int] = flash.run(f"_ = [each[1] for each in b.oldest({count})]")
    return found


def test_readings_come_out_in_order_and_stay_until_they_are_trimmed(flash: Interpreter) -> None:
    append(flash, 0, 20)
    assert numbers(flash, 5) == [0, 1, 2, 3, 4]
    assert numbers(flash, 5) == [0, 1, 2, 3, 4]
    flash.run("b.trim(11)")
    assert numbers(flash) == list(range(11, 20))
    append(flash, 20, 22)
    assert flash.run("_ = (len(b), b.newest(), b.dropped())") == (11, [1, 21, {"temp": 21}], 0)
    flash.run("b.trim(11)")
    assert flash.run("_ = (len(b), b.newest(), os.listdir('/kept'))") == (0, [], [])


def test_what_is_kept_is_there_after_the_power_was_away(flash: Interpreter) -> None:
    append(flash, 0, 20)
    flash.run("b.trim(3)\nb = Backlog('/kept', 64, 8)")
    assert numbers(flash) == list(range(3, 20))


def test_a_full_backlog_lets_the_oldest_go_and_counts_them(flash: Interpreter) -> None:
    append(flash, 0, 500)
    kept = numbers(flash)
    assert 64 <= len(kept) <= 64 + 3 * 8
    assert kept == list(range(500 - len(kept), 500))
    assert flash.run("_ = b.dropped()") == 500 - len(kept)
    flash.run("b.forget_dropped()")
    assert flash.run("_ = Backlog('/kept', 64, 8).dropped()") == 0


@pytest.mark.parametrize("left", [1, 7, 15])
def test_a_line_that_the_power_cut_off_takes_no_other_with_it(flash: Interpreter, left: int) -> None:
    append(flash, 0, 3)
    flash.run(
        "name = '/kept/' + os.listdir('/kept')[0]\n"
        "lines = open(name, 'rb').read().split(b'\\n')\n"
        f"file = open(name, 'wb')\nfile.write(b'\\n'.join(lines[:2] + [lines[2][:{left}]]))\nfile.close()"
    )
    append(flash, 3, 5)
    assert numbers(flash) == [0, 1, 3, 4]
    flash.run("b.trim(4)")
    assert flash.run("_ = (len(b), b.dropped())") == (0, 1)


def test_rubbish_in_a_file_is_read_over_and_counted(flash: Interpreter) -> None:
    append(flash, 0, 8)
    flash.run("file = open('/kept/00000000.jsonl', 'ab')\nfile.write(b'\\xff\\xfe{]\\n7\\n')\nfile.close()")
    append(flash, 8, 12)
    assert numbers(flash) == list(range(12))
    flash.run("b.trim(12)")
    assert flash.run("_ = (len(b), b.dropped())") == (0, 2)


def test_with_no_room_left_the_oldest_go(flash: Interpreter) -> None:
    append(flash, 0, 24)
    flash.run(
        "import backlog\n"
        "plain = open\n"
        "tries = [2]\n"
        "def full(name, mode='r'):\n"
        "    if mode == 'ab' and tries[0]:\n"
        "        tries[0] -= 1\n"
        "        raise OSError(28)\n"  # ENOSPC
        "    return plain(name, mode)\n"
        "backlog.open = full\n"
        "b.append([1, 24, {}])\n"
        "del backlog.open"
    )
    assert numbers(flash) == list(range(16, 25))
    assert flash.run("_ = b.dropped()") == 16
