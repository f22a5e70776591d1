"""The probe's one settings file, settings.json: what may stand in it, what is meant where nothing stands."""

import json

DEFAULTS = {
    "id": "",
    "wifi": "",
    "wifi_password": "",
    "country": "",  # two letters; which radio channels are allowed
    "broker": "",
    "port": 0,  # 0: 1883, or 8883 with TLS
    "user": "",
    "password": "",
    "tls": False,
    "ntp": "pool.ntp.org",  # "": never ask for the time
    "interval_s": 900,
    "send_every": 1,  # wakes to a sending
    "keep": 4096,  # readings kept while the network is away
    "sensors": ["ds18b20", "moist"],
    "names": {},  # a thermometer's serial number to its channel
    "pins": {},
    "battery_ohm": [1_000_000, 1_000_000],  # the divider's upper and lower resistor
}
PINS = {"ds18b20": 4, "moist": 34, "moist_power": 25, "sda": 21, "scl": 22, "battery": 35, "button": 0}
SENSORS = ("ds18b20", "moist", "sht3x", "battery")
_ANALOGUE = (32, 33, 34, 35, 36, 37, 38, 39)
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"


def parse(text: bytes) -> dict:
    """Settings with the defaults filled in. Raises ValueError with what is wrong and what would be right."""
    try:
        given = json.loads(text)
    except ValueError:
        raise ValueError("settings.json is not JSON; look for a missing comma or quotation mark") from None
    if not isinstance(given, dict):
        raise ValueError("settings.json must hold an object: {...}")
    return checked(given)


def checked(given: dict) -> dict:
    """See `parse`."""
    for key in given:
        if key not in DEFAULTS:
            raise ValueError(f"'{key}' is not a setting")
    settings = dict(DEFAULTS)
    settings.update(given)
    for key in DEFAULTS:
        if type(settings[key]) is not type(DEFAULTS[key]):
            raise ValueError(f"'{key}' must look like {json.dumps(DEFAULTS[key])}")
    pins = dict(PINS)
    pins.update(settings["pins"])
    settings["pins"] = pins
    for problem in _problems(settings):
        raise ValueError(problem)
    settings["port"] = settings["port"] or (8883 if settings["tls"] else 1883)
    return settings


def is_name(text: object) -> bool:
    """Whether it may stand in a topic and a SenML name."""
    if not isinstance(text, str) or not 0 < len(text) <= 64:
        return False
    return text[0] in _LETTERS and all(letter in _LETTERS + "-_." for letter in text)


def _problems(settings: dict) -> list:
    """What is wrong, one sentence each."""
    wrong = []
    if not is_name(settings["id"]):
        wrong.append("The probe's name takes 1 to 64 letters A-Z a-z, digits, - _ and . only, as in alder-1.")
    if not 1 <= len(settings["wifi"].encode()) <= 32:
        wrong.append("The Wi-Fi's name has 1 to 32 letters.")
    if settings["wifi_password"] and not 8 <= len(settings["wifi_password"].encode()) <= 63:
        wrong.append("A Wi-Fi password has 8 to 63 letters.")
    if not settings["broker"] or " " in settings["broker"] or "/" in settings["broker"]:
        wrong.append("The broker is a host name or address alone, as in 192.168.1.10.")
    if not 0 <= settings["port"] <= 65535:
        wrong.append("A port is a number up to 65535, as a rule 1883, or 8883 with TLS.")
    if settings["password"] and not settings["user"]:
        wrong.append("A broker password needs a user.")
    if not 30 <= settings["interval_s"] <= 24 * 3600:
        wrong.append("The time between readings is 30 to 86400 s.")
    if not 1 <= settings["send_every"] <= 96:
        wrong.append("Readings to a sending are 1 to 96.")
    if not 32 <= settings["keep"] <= 8192:
        wrong.append("Readings kept are 32 to 8192; more do not fit into a small flash.")
    if not settings["sensors"] or any(sensor not in SENSORS for sensor in settings["sensors"]):
        wrong.append("'sensors' lists at least one of " + ", ".join(SENSORS) + ".")
    if not all(is_name(name) and _is_temp(name) for name in settings["names"].values()):
        wrong.append("'names' gives a serial number a channel that ends in temp, as in pocket-temp.")
    pins = settings["pins"]
    if any(key not in PINS or type(pin) is not int or not 0 <= pin <= 39 for key, pin in pins.items()):
        wrong.append("'pins' takes GPIO numbers 0 to 39 for " + ", ".join(sorted(PINS)) + ".")
    elif pins["moist"] not in _ANALOGUE or pins["battery"] not in _ANALOGUE:
        wrong.append("Pins that measure a voltage are 32 to 39: the others can't while Wi-Fi runs.")
    ohm = settings["battery_ohm"]
    if len(ohm) != 2 or any(type(each) is not int or each < 1000 for each in ohm):
        wrong.append("'battery_ohm' has the upper and the lower resistor in ohm, as in [1000000, 1000000].")
    return wrong


def _is_temp(name: str) -> bool:
    return name.split("-")[-1].rstrip("0123456789") == "temp"
