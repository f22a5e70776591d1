"""The page on which a new probe is told its Wi-Fi and broker: HTML out, form fields in. Knows no sockets."""

from settings import DEFAULTS

MOST_BYTES = 4096
FIELDS = (
    ("id", "This probe's name", "text"),
    ("wifi", "Wi-Fi", "text"),
    ("wifi_password", "Wi-Fi password", "password"),
    ("broker", "Address of the computer that runs Underlid or its broker", "text"),
    ("port", "Port (empty: 1883, with TLS 8883)", "text"),
    ("user", "Broker user, if it asks for one", "text"),
    ("password", "Broker password", "password"),
    ("interval_s", "Seconds between readings", "text"),
)
TICKS = (
    ("tls", "TLS (put the authority's certificate into ca.der first)"),
    ("sht3x", "An air sensor is connected"),
    ("battery", "A battery divider is connected"),
)
_START = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
)
_STYLE = (
    "body{font:17px/1.4 sans-serif;max-width:26em;margin:1em auto;padding:0 1em}"
    "label{display:block;margin:.8em 0}input{font:inherit;width:100%;box-sizing:border-box;padding:.4em}"
    "input[type=checkbox]{width:auto}button{font:inherit;padding:.5em 1.5em}"
    "p[role=alert]{border-left:4px solid;padding-left:.6em;font-weight:bold}"
)


def form(values: dict, problem: str = "") -> str:
    """The form with what is known; passwords are never shown, and an empty one leaves the old."""
    parts = [_head("Set up this probe")]
    if problem:
        parts.append(f'<p role="alert">{escape(problem)}</p>')
    parts.append('<form method="post" action="/">')
    for key, label, kind in FIELDS:
        value = "" if kind == "password" or not values.get(key) else escape(str(values[key]))
        parts.append(f'<label>{label}<input name="{key}" type="{kind}" value="{value}"></label>')
    for key, label in TICKS:
        on = values.get("tls") if key == "tls" else key in values.get("sensors", ())
        ticked = " checked" if on else ""
        parts.append(f'<label><input name="{key}" type="checkbox"{ticked}> {label}</label>')
    parts.append("<button>Save and start</button></form>")
    return "".join(parts)


def saved(name: str) -> str:
    return _head("Saved") + f"<p>{escape(name)} starts now and shows up in Underlid under Probes.</p>"


def response(body: str, status: str = "200 OK") -> bytes:
    data = body.encode()
    head = (
        f"HTTP/1.0 {status}",
        "Content-Type: text/html; charset=utf-8",
        f"Content-Length: {len(data)}",
        "Cache-Control: no-store",
    )
    return "\r\n".join(head).encode() + b"\r\n\r\n" + data


def is_whole(request: bytes) -> bool:
    """Whether all of a request has come, its body included."""
    head, blank, body = _split(request)
    return blank and len(body) >= _length(head)


def posted(request: bytes) -> dict | None:
    """The fields of a form that was sent, or None where the request only asks for the page."""
    head, _, body = _split(request)
    if not head.startswith(b"POST "):
        return None
    fields = {}
    for pair in body[: _length(head)].decode().split("&"):
        key, _, value = pair.partition("=")
        fields[_plain(key)] = _plain(value).strip()
    return fields


def merged(old: dict, fields: dict) -> dict:
    """Settings from the form laid over the old ones. Raises ValueError for a number that is none."""
    new = dict(old)
    for key, label, kind in FIELDS:
        value = fields.get(key, "")
        if isinstance(DEFAULTS[key], int):
            if value and not value.isdigit():
                raise ValueError(f"{label}: '{value}' is no whole number.")
            new[key] = int(value) if value else DEFAULTS[key]
        elif value or kind != "password":
            new[key] = value
    new["tls"] = "tls" in fields
    others = [each for each in new.get("sensors", DEFAULTS["sensors"]) if each not in ("sht3x", "battery")]
    new["sensors"] = others + [each for each in ("sht3x", "battery") if each in fields]
    return new


def escape(text: str) -> str:
    for sign, entity in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;")):
        text = text.replace(sign, entity)
    return text


def _head(title: str) -> str:
    return _START + f"<title>{title}</title><style>{_STYLE}</style><h1>{title}</h1>"


def _split(request: bytes) -> tuple:
    head, blank, body = request.partition(b"\r\n\r\n")
    return head, bool(blank), body


def _length(head: bytes) -> int:
    for line in head.split(b"\r\n")[1:]:
        name, _, value = line.partition(b":")
        if name.lower() == b"content-length" and value.strip().isdigit():
            return int(value)
    return 0


def _plain(text: str) -> str:
    """A form field's own letters (application/x-www-form-urlencoded)."""
    data = b""
    rest = text.replace("+", " ").encode()
    while rest:
        before, percent, rest = rest.partition(b"%")
        data += before
        if percent:
            try:
                data += bytes((int(rest[:2].decode(), 16),))
                rest = rest[2:]
            except ValueError:
                data += b"%"
    try:
        return data.decode()
    except UnicodeError:
        raise ValueError("A field is not UTF-8 text.") from None
