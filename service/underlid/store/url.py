"""Addresses of stores as they may be shown: without a password."""

from urllib.parse import urlsplit


def first_line(error: BaseException) -> str:
    """What an error says, without the lines that explain it."""
    return str(error).strip().split("\n")[0] or type(error).__name__


def shown(url: str) -> str:
    """The address without user, password and options."""
    parts = urlsplit(url)
    host = parts.netloc.rpartition("@")[2]
    return f"{parts.scheme}://{host}{parts.path}"
