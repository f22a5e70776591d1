"""Passwords: what is one, its Argon2id hash, and whether one is right.

Argon2id at 64 MiB, 3 passes and 4 lanes: the second recommended option of RFC 9106, section 4, which is what pwdlib
takes. One at a time, so that many sign-ins at once take no more memory than one.
"""

import threading
import unicodedata
from functools import cache

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

# Length is what counts; no rule of signs (NIST SP 800-63B). The number itself: common practice, no source.
FEWEST_SIGNS, MOST_SIGNS = 12, 200

_hasher = PasswordHash((Argon2Hasher(),))
_one_at_a_time = threading.Lock()


def check_password(password: str, name: str) -> None:
    """Raises ValueError with what a password needs."""
    if not FEWEST_SIGNS <= len(password) <= MOST_SIGNS:
        raise ValueError(
            f"a password has {FEWEST_SIGNS} to {MOST_SIGNS} signs; several words make one that can be remembered"
        )
    if len(set(password)) < 5 or name.casefold() in password.casefold().split():
        raise ValueError(
            "this password is easily guessed; take several words that have nothing to do with you"
        )


def hash_password(password: str) -> str:
    with _one_at_a_time:
        return _hasher.hash(_normal(password))


def is_right(password: str, hashed: str | None) -> bool:
    """Whether it is the password; takes as long where there is no such account (None)."""
    with _one_at_a_time:
        return _hasher.verify(_normal(password), hashed or _nobodys()) and hashed is not None


def _normal(password: str) -> str:
    """The same signs, however a keyboard composed them."""
    return unicodedata.normalize("NFKC", password)


@cache
def _nobodys() -> str:
    return _hasher.hash("nobody has this password")
