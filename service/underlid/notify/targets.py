"""The targets: anything Apprise knows, and retained MQTT. Each send raises SendError with the reason."""

import logging
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any
from urllib.parse import unquote

from underlid.model import Letter, Message, Priority
from underlid.target import Target


class SendError(Exception):
    """A target did not take a message."""


Send = Callable[[Message], None]
Letters = Callable[[str], Letter | None]  # the letter of a kept report, by what its message names
MAIL = ("mailto://", "mailtos://")
LEAST_SECRET = 4  # letters; a shorter part of a URL would take words apart


def senders(targets: Iterable[Target], letters: Letters = lambda _: None) -> dict[str, Send]:
    """How each target is sent to, by its name. Mail gets a message that tells of a report as its letter."""
    return {target.name: apprise_sender(target.url.get_secret_value(), letters) for target in targets}


def check_urls(urls: Sequence[str]) -> str | None:
    """The first mistake in a list of Apprise URLs, in words, without the URL's secrets."""
    if not urls:
        return None
    import apprise

    for number, url in enumerate(urls, start=1):
        if apprise.Apprise.instantiate(url) is None:
            scheme = url.split("://", 1)[0][:20]
            return f"notify: target {number} ({scheme}://...) is not a URL that Apprise understands"
    return None


# How loud a target may be about it, in Apprise's words.
_TYPE: dict[Priority | None, str] = {Priority.URGENT: "failure", Priority.TODAY: "warning"}


def apprise_sender(url: str, letters: Letters = lambda _: None) -> Send:
    """A sender to an Apprise URL."""

    def send(message: Message) -> None:
        import apprise  # costs a second and memory that a farm without targets need not spend

        target = apprise.Apprise()
        target.add(url)
        letter = letters(message.report) if message.report and url.lower().startswith(MAIL) else None
        capture = apprise.LogCapture(level=logging.WARNING, fmt="%(message)s")  # type: ignore[no-untyped-call]
        with capture as captured:
            taken = target.notify(
                message.body if letter is None else letter.html,
                message.title,
                notify_type=_TYPE.get(message.priority, "info"),
                body_format=apprise.NotifyFormat.TEXT if letter is None else apprise.NotifyFormat.HTML,
                attach=None if letter is None else _inside(target, letter),
            )
            reason = captured.getvalue().strip()
        if not taken:
            # What the library says may hold the address with its password.
            last_line = reason.splitlines()[-1] if reason else "the target did not take it"
            raise SendError(without_secrets(last_line, url))

    return send


def _inside(target: Any, letter: Letter) -> Any:
    """A letter's images, to be shown where its page names them rather than below it."""
    from apprise import AppriseAttachment
    from apprise.attachment.memory import AttachMemory

    for server in target:
        server.inline = True
    images = AppriseAttachment()
    for name, png in letter.images.items():
        images.add(AttachMemory(content=png, name=name, mimetype="image/png"))  # type: ignore[no-untyped-call]
    return images


def without_secrets(text: str, url: str) -> str:
    """What a library says of a target, without addresses and without the parts of its URL but for the host."""
    text = re.sub(r"\S+://\S+", "(address)", text)
    rest = url.partition("://")[2]
    host = re.split(r"[/?:]", re.sub(r"^[^/?]*@", "", rest))[0]
    parts = {unquote(part) for part in re.split(r"[/:@?&=,]", rest)}
    secrets = {part for part in parts if len(part) >= LEAST_SECRET and part not in host}
    for part in sorted(secrets, key=len, reverse=True):
        text = text.replace(part, "***")
    return text
