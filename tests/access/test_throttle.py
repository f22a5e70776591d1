"""How often somebody may try to sign in."""

from underlid.access.throttle import IN_ALL, MOST_KEYS, PER_ADDRESS, PER_NAME, WINDOW_S, Throttle


def test_an_address_that_fails_too_often_waits_until_its_first_try_is_a_window_ago() -> None:
    throttle = Throttle()
    for second in range(PER_ADDRESS):
        assert throttle.wait_s("192.0.2.7", "anna", float(second)) == 0
        throttle.begin("192.0.2.7", "anna", float(second))
    assert throttle.wait_s("192.0.2.7", "bert", PER_ADDRESS) == WINDOW_S - PER_ADDRESS
    assert throttle.wait_s("192.0.2.8", "anna", PER_ADDRESS) == 0
    assert throttle.wait_s("192.0.2.7", "anna", WINDOW_S) == 0


def test_a_name_is_guarded_from_many_addresses_in_whatever_case_it_is_written() -> None:
    throttle = Throttle()
    for number in range(PER_NAME):
        throttle.begin(f"192.0.2.{number}", "Anna" if number % 2 else "anna", 0.0)
    assert throttle.wait_s("198.51.100.1", "ANNA", 1.0) > 0
    assert throttle.wait_s("198.51.100.1", "bert", 1.0) == 0


def test_addresses_of_one_network_of_version_6_are_one_address() -> None:
    # RFC 4291, 2.5.1: the lower 64 bits are the host's to choose.
    throttle = Throttle()
    for number in range(PER_ADDRESS):
        throttle.begin(f"2001:db8::{number:x}", f"name{number}", 0.0)
    assert throttle.wait_s("2001:db8::ffff", "anna", 1.0) > 0
    assert throttle.wait_s("2001:db8:0:1::1", "anna", 1.0) == 0


def test_a_success_forgives_its_address_and_is_no_failure_of_its_name() -> None:
    throttle = Throttle()
    for _ in range(10 * IN_ALL):
        assert throttle.wait_s("192.0.2.7", "anna", 0.0) == 0
        throttle.begin("192.0.2.7", "anna", 0.0)
        throttle.succeeded("192.0.2.7", "anna")
    throttle.begin("192.0.2.7", "anna", 0.0)
    assert len(throttle) == 2


def test_memory_is_bounded_and_so_are_tries_from_everywhere_together() -> None:
    throttle = Throttle()
    tried = 0
    for number in range(3 * MOST_KEYS):
        address = f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}"
        if throttle.wait_s(address, f"name{number}", 0.0) == 0:
            tried += 1
            throttle.begin(address, f"name{number}", 0.0)
    assert tried == IN_ALL
    for number in range(3 * MOST_KEYS):
        throttle.begin(f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}", "x", float(number))
    assert len(throttle) <= MOST_KEYS
