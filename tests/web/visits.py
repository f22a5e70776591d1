"""Every page of the screens, and its address on a farm with the bin Alder, a tub and a probe of raw moisture."""

import re
from pathlib import Path

ROUTES = Path(__file__).parents[2] / "dashboards" / "src" / "routes.ts"

VISITS = {
    "bins": "/",
    "bin": "/bins/alder",
    "feed-store": "/feed-stores/tub",
    "round": "/round",
    "alarms": "/alarms",
    "probes": "/probes",
    "twins": "/probes/alder-1/twins",
    "calibration": "/channels/{raw}/calibration",
    "reports": "/reports",
    "settings": "/settings",
    "replay": "/replay",
    "data": "/data",
    "users": "/users",
    "welcome": "/welcome",
    "not-found": "/nowhere",
}


def pages() -> set[str]:
    """The pages that routes.ts names."""
    told = ROUTES.read_text()
    plain = re.search(r"const PLAIN = \[(.*?)\]", told, re.DOTALL)
    others = re.search(r"export type Route =(.*?);\n\n", told, re.DOTALL)
    assert plain is not None
    assert others is not None
    return set(re.findall(r'"([a-z-]+)"', plain[1] + others[1]))
