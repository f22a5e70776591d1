"""The browser that the tests of the screens share."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from web.screens import chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started
