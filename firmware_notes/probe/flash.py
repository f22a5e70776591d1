"""Small files in the board's flash that are either old or new after a power cut, never half written."""

import os


def read(path: str) -> bytes:
    """What a file holds, or b"" where there is none."""
    try:
        with open(path, "rb") as file:
            return file.read()
    except OSError:
        return b""


def write(path: str, data: bytes) -> None:
    with open(path + ".new", "wb") as file:
        file.write(data)
    os.rename(path + ".new", path)  # replaces the old one in one step
