"""Times, pages and subjects as they are written in addresses and bodies."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Annotated, TypeVar

from fastapi import HTTPException
from pydantic import Field

from underlid.model import Subject, SubjectKind

Item = TypeVar("Item")

MOST = 2**63 - 1  # what the databases' whole numbers go up to
Id = Annotated[int, Field(ge=0, le=MOST)]


def milliseconds(moment: datetime) -> int:
    """A time of a request; without a zone it is taken as UTC. Raises a 422 outside 2000..2200."""
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    if not 2000 <= aware.year <= 2200:
        raise HTTPException(422, f"{aware.isoformat()} lies outside the years 2000 to 2200.")
    return round(aware.timestamp() * 1000)


def page_of(
    things: Sequence[Item], key: Callable[[Item], str], limit: int, after: str | None
) -> tuple[list[Item], str | None]:
    """The things after a key, at most `limit`, and the key that the next page starts after."""
    rest = [thing for thing in things if after is None or key(thing) > after]
    return rest[:limit], key(rest[limit - 1]) if len(rest) > limit else None


def subject_from(text: str) -> Subject:
    """'bin/alder' as a subject. Raises a 422."""
    kind, slash, id_ = text.partition("/")
    if not slash or kind not in set(SubjectKind) or not id_:
        raise HTTPException(422, f"'{text}' names no subject; write it as bin/alder or feed-store/north-tub.")
    return Subject(SubjectKind(kind), id_)


def mark(after: str | None) -> tuple[int, int] | None:
    """'TIME-ID', where a page of a list in time order ended. Raises a 422."""
    if after is None:
        return None
    time_ms, _, id_ = after.partition("-")
    return _whole(time_ms, after), _whole(id_, after)


def offset(after: str | None) -> int:
    """How many things the pages before held. Raises a 422."""
    return 0 if after is None else _whole(after, after)


def _whole(digits: str, after: str) -> int:
    # isdecimal alone takes other scripts' digits
    if digits.isascii() and digits.isdecimal() and len(digits) <= 19 and int(digits) <= MOST:
        return int(digits)
    raise HTTPException(422, f"'{after}' is not where a page ended; take it from 'next'.")
