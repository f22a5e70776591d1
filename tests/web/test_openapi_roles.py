"""The API as its document says, to a viewer, a keeper, an owner and nobody.

`tests/bench/api_by_role.py` asks 10,000 cases as each.
"""

from pathlib import Path

import pytest
from tests.web.by_role import ask_everything
from tests.web.inside import running

from underlid.access.roles import Role


@pytest.mark.slow
@pytest.mark.parametrize("role", [None, *Role])
def test_every_answer_is_described_and_nobody_gets_what_is_not_theirs(
    tmp_path: Path, role: Role | None
) -> None:
    with running(tmp_path, sign_in=True) as inside:
        answered = ask_everything(inside, role, 200)
    assert sum(answered.values()) >= 100
    assert not [status for status in answered if status >= 500 and status != 503]
