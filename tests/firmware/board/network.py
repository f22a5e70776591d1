"""A board's `network`: Wi-Fi that is there or not."""

import bridge

STA_IF, AP_IF = 0, 1


class WLAN:
    def __init__(self, kind):
        self._kind = kind

    def active(self, on):
        bridge.radio(self._kind, on)

    def config(self, **settings):
        assert settings["security"] == 3  # WPA2
        bridge.access_point(settings["ssid"], settings["key"])

    def connect(self, name, password):
        pass

    def isconnected(self):
        return bridge.has_wifi()

    def status(self, what):
        assert what == "rssi"
        return -67


def country(code):
    assert len(code) == 2
