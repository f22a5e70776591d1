"""A board's `time`: its clock counts from 2000 since power came, and stands still while nobody waits."""

import bridge


def time():
    return bridge.board_s()


def ticks_ms():
    return bridge.ticks_ms()


def ticks_diff(end, start):
    return end - start


def sleep_ms(ms):
    bridge.pass_ms(ms)


def gmtime(seconds):
    return tuple(int(part) for part in bridge.calendar(seconds).split(" "))
