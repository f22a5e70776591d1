"""A wake of the probe: read, keep, send what is kept when it is due, sleep."""

import time

import flash
import link
import machine
import mqtt
import schedule
import senml
import sensors
import settings as settings_file
import setup
from backlog import Backlog
from clock import Clock
from state import State

SETTINGS = "settings.json"
BACKLOG = "readings"  # a folder named like a module would be imported in its place
CLOCK = "clock.json"
AUTHORITY = "ca.der"
LAST_ERROR = "error.txt"
WATCHDOG_MS = 120_000
BUTTON_MS = 3000
READINGS_AT_ONCE = 32
CONNECTIONS = 2  # a wake tries once more when a connection breaks


class Probe:
    """What one wake works with."""

    def __init__(self, settings: dict, state: State | None, feed: object) -> None:
        self.settings = settings
        self.feed = feed
        self.topic = "underlid/probe/" + settings["id"]
        self.backlog = Backlog(BACKLOG, settings["keep"])
        self.clock = Clock.from_text(flash.read(CLOCK))
        self.guessed = 0
        if state is None:
            self._power_came()
        self.state = state or State(int(time.time()))

    def _power_came(self) -> None:
        newest = self.backlog.newest()
        if newest and not self.clock.is_set(newest[0]):
            self.guessed = len(self.backlog)
        self.clock.power_came(newest)
        self._keep_clock()

    def _keep_clock(self) -> None:
        flash.write(CLOCK, self.clock.to_text().encode())

    def now_s(self) -> int:
        """Seconds since power came."""
        return int(time.time()) - self.state.shift_s

    def read(self) -> None:
        at_s = self.now_s()
        values, faults = sensors.read(self.settings)
        if faults:
            values["faults"] = len(faults)
            print("\n".join(faults))
        if self.guessed:
            values["guessed"] = self.guessed
        self.backlog.append([self.clock.era, at_s, values])

    def send_when_due(self) -> None:
        self.state.waited += 1
        if not schedule.is_due(self.state.waited, self.state.failures, self.settings["send_every"]):
            return
        self.state.waited = 0
        try:
            self._send()
            self.state.failures = 0
        except (OSError, ValueError) as error:  # a certificate that can't be read is a ValueError
            self.state.failures += 1
            print(f"Not sent; {len(self.backlog)} readings are kept: {error}")
        finally:
            link.leave()

    def _send(self) -> None:
        station = link.join(self.settings)
        self.feed()
        self._ask_for_time()
        news = {"rssi": station.status("rssi")}
        if self.backlog.dropped():
            news["lost"] = self.backlog.dropped()
        self.backlog.append([self.clock.era, self.now_s(), news])
        self.backlog.forget_dropped()
        for left in reversed(range(CONNECTIONS)):
            try:
                self._send_backlog()
                return
            except OSError as error:
                if not left:
                    raise
                print("Trying once more:", error)

    def _ask_for_time(self) -> None:
        if not self.settings["ntp"] or not schedule.wants_time(self.state.asked_s, self.now_s()):
            return
        self.state.asked_s = self.now_s()
        try:
            unix_s = link.unix_s(self.settings["ntp"])
        except OSError as error:
            print("No time server answers:", error)
            return
        self.feed()
        board_s = self.now_s()
        if not self.clock.sync(board_s, unix_s):
            print("The time server is wrong:", unix_s)
            return
        self._keep_clock()
        # TLS checks certificates against the board's clock; the readings' own scale stays as it is.
        machine.RTC().datetime(_calendar(unix_s))
        self.state.shift_s = int(time.time()) - board_s
        self._keep_state()

    def _send_backlog(self) -> None:
        stream = link.open_stream(self.settings, flash.read(AUTHORITY))
        try:
            publisher = mqtt.Publisher(stream)
            status = self.topic + "/status"
            client = "underlid-probe-" + self.settings["id"]
            publisher.connect(client, status, "offline", self.settings["user"], self.settings["password"])
            publisher.publish(status, b"online", retain=True)
            while True:
                kept = self.backlog.oldest(READINGS_AT_ONCE)
                if not kept:
                    break
                now_s = self.now_s()
                dated = [(self.clock.when(era, at_s, now_s), values) for era, at_s, values in kept]
                body, count = senml.pack(senml.base_name(machine.unique_id()), dated)
                publisher.publish(self.topic, body)
                self.backlog.trim(count)
                self.feed()
            publisher.disconnect()
        finally:
            stream.close()

    def _keep_state(self) -> None:
        self.state.at_s = self.now_s()
        machine.RTC().memory(self.state.to_memory())

    def sleep(self, started_s: int) -> None:
        self._keep_state()
        nap_s = schedule.sleep_s(self.settings["interval_s"], self.now_s() - started_s)
        machine.deepsleep(nap_s * 1000)


def _calendar(unix_s: int) -> tuple:
    """As RTC.datetime takes it; the board's epoch may be 1970 or 2000."""
    epoch = link.UNIX_AT_2000_S if time.gmtime(0)[0] == 2000 else 0
    year, month, day, hour, minute, second, weekday, _ = time.gmtime(unix_s - epoch)[:8]
    return year, month, day, weekday, hour, minute, second, 0


def _remember(error: Exception) -> None:
    """Leave the error where it can be read over USB."""
    text = repr(error).encode()
    print(text)
    if flash.read(LAST_ERROR) != text:
        flash.write(LAST_ERROR, text)


def is_asked_for_setup() -> bool:
    """Whether the button is pressed just after power came (held down as it comes, the board starts its loader)."""
    button = machine.Pin(settings_file.PINS["button"], machine.Pin.IN, machine.Pin.PULL_UP)
    print("Press BOOT now for the page that sets up this probe.")
    for _ in range(BUTTON_MS // 50):
        if not button.value():
            return True
        time.sleep_ms(50)
    return False


def start() -> None:
    interval_s = settings_file.DEFAULTS["interval_s"]
    try:
        state = State.from_memory(machine.RTC().memory(), int(time.time()))
        wants_page = not flash.read(SETTINGS) or (state is None and is_asked_for_setup())
        if wants_page and setup.run(SETTINGS, machine.unique_id()):
            machine.reset()
        # Nothing but a sleep ends it, so it starts after the page.
        watchdog = machine.WDT(timeout=WATCHDOG_MS)
        settings = settings_file.parse(flash.read(SETTINGS) or b"{}")
        interval_s = settings["interval_s"]
        probe = Probe(settings, state, watchdog.feed)
        started_s = probe.now_s()
        probe.read()
        probe.send_when_due()
        probe.sleep(started_s)
    except Exception as error:  # a probe in a bin has nobody to tell: note it, and try again after a sleep
        _remember(error)
        machine.deepsleep(interval_s * 1000)


if __name__ == "__main__":
    start()
