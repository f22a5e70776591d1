"""Secrets that are made by chance: 256 bits, shown once, kept as a digest.

A plain SHA-256 will do for these: unlike a password they can't be guessed, so nothing is won by a slow hash.
"""

import hashlib
import secrets

TOKEN = "underlid_"  # begins a token, so that one that leaked is recognised


def make_secret(prefix: str = "") -> str:
    return prefix + secrets.token_urlsafe(32)


def digest(secret: str) -> bytes:
    return hashlib.sha256(secret.encode()).digest()
