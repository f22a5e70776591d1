"""Which role each address asks for: the one place. What is not named here is the owner's alone."""

from dataclasses import dataclass
from re import Pattern

from starlette.routing import compile_path

from underlid.access.roles import Role

API = "/api/v1"
PUBLIC = None  # without a sign-in

_VIEWER = """
GET /alarms
GET /alarms/{alarm_id}
GET /alarm-performance
GET /bins
GET /bins/{bin_id}
GET /bins/{bin_id}/facts
GET /channels/{channel_id}/calibrations
GET /channels/{channel_id}/steadiness
GET /channels/{channel_id}/twin
GET /export/alarms
GET /export/all
GET /export/log
GET /export/readings
GET /farm
GET /feed-stores
GET /feed-stores/{store_id}
GET /limits
GET /live
GET /log
GET /log/{entry_id}
GET /notify/targets
GET /places
GET /places/{place_id}
GET /probes
GET /probes/{probe_id}
GET /quarantine
GET /readings
GET /reports/daily
GET /reports/daily/page
GET /reports/weekly
GET /reports/weekly/{week}
GET /reports/weekly/{week}/{form}
GET /photos/{photo_id}/{size}
PUT /session/password
DELETE /sessions
"""
_KEEPER = """
PATCH /farm
POST /places
PATCH /places/{place_id}
POST /bins
PATCH /bins/{bin_id}
POST /feed-stores
PATCH /feed-stores/{store_id}
PATCH /probes/{probe_id}
POST /probes/{probe_id}/placement
DELETE /probes/{probe_id}/placement
POST /probes/{probe_id}/retire
POST /probes/{probe_id}/unretire
PUT /channels/{channel_id}/twin
DELETE /channels/{channel_id}/twin
POST /channels/{channel_id}/calibrations
POST /channels/{channel_id}/calibrations/preview
POST /log
PATCH /log/{entry_id}
DELETE /log/{entry_id}
POST /log/{entry_id}/restore
POST /log/{entry_id}/photos
DELETE /photos/{photo_id}
POST /alarms/{alarm_id}/acknowledge
POST /alarms/{alarm_id}/shelve
POST /alarms/{alarm_id}/unshelve
POST /alarms/{alarm_id}/out-of-service
POST /alarms/{alarm_id}/in-service
PUT /alarms/{alarm_id}/false
POST /imports/look
POST /imports/log
POST /imports/readings
POST /replay
POST /notify/targets/{name}/test
PUT /reports/weekly/{week}
"""
_OWNER = """
GET /users
PATCH /users/{user_id}
DELETE /users/{user_id}
DELETE /users/{user_id}/sessions
POST /invitations
GET /tokens
POST /tokens
DELETE /tokens/{token_id}
GET /audit
"""
_PUBLIC = """
GET /session
POST /session
DELETE /session
POST /invitations/look
POST /invitations/redeem
"""


def _table() -> dict[str, Role | None]:
    found: dict[str, Role | None] = {
        "GET /healthz": PUBLIC,  # which tells nobody more than whether it is well
        "GET /healthz/live": PUBLIC,
        "GET /healthz/ready": PUBLIC,
        "GET /metrics": Role.VIEWER,
        "GET /api/docs": Role.VIEWER,
        "GET /api/openapi.json": Role.VIEWER,
    }
    for role, lines in (
        (Role.VIEWER, _VIEWER),
        (Role.KEEPER, _KEEPER),
        (Role.OWNER, _OWNER),
        (PUBLIC, _PUBLIC),
    ):
        for method, path in (line.split() for line in lines.split("\n") if line):
            found[f"{method} {API}{path}"] = role
    return found


RIGHTS = _table()

# What a request's body may hold. Uploads have more room than the JSON of a form.
MOST_BYTES, MOST_BYTES_OF_NOBODY = 1 << 20, 1 << 14
UPLOADS: dict[str, int] = {
    f"POST {API}/log/{{entry_id}}/photos": 12_000_000,
    f"POST {API}/imports/log": 20_000_000,
}

# Their bodies hold secrets, and are kept in no log.
SECRET = frozenset(
    f"{each[0]} {API}{each[1]}"
    for each in (
        ("POST", "/session"),
        ("PUT", "/session/password"),
        ("POST", "/invitations/look"),
        ("POST", "/invitations/redeem"),
    )
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What an address asks for: the role (None: nobody need sign in) and how much a body may hold."""

    role: Role | None
    most_bytes: int
    secret: bool = False


_COMPILED: list[tuple[str, str, Pattern[str]]] = [
    (method, key, compile_path(path)[0]) for key in RIGHTS for method, path in (tuple(key.split(" ", 1)),)
]


def asked(method: str, path: str) -> Asked:
    """What a request asks for. Where more than one entry fits, the strictest holds."""
    method = "GET" if method == "HEAD" else method
    fitting = [(of, key) for of, key, pattern in _COMPILED if pattern.match(path)]
    keys = [key for of, key in fitting if of == method]
    if not keys:
        if fitting:  # the method is not possible there, which anybody who looks may know
            return Asked(Role.VIEWER, MOST_BYTES)
        is_screen = not path.startswith("/api")  # the built dashboards hold no data
        return Asked(PUBLIC if is_screen else Role.OWNER, MOST_BYTES_OF_NOBODY)
    roles = [role for role in (RIGHTS[key] for key in keys) if role is not None]
    role = max(roles, key=lambda each: list(Role).index(each)) if roles else PUBLIC
    usual = MOST_BYTES if role is not None else MOST_BYTES_OF_NOBODY
    return Asked(role, max(UPLOADS.get(key, usual) for key in keys), any(key in SECRET for key in keys))
