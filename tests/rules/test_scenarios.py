"""Every scenario in `scenarios/*.yaml`."""

from collections.abc import Mapping
from typing import Any

import pytest

from .scenario import complaints, scenarios

SCENARIOS = scenarios()


@pytest.mark.parametrize("spec", [spec for _, spec in SCENARIOS], ids=[name for name, _ in SCENARIOS])
def test_it_goes_as_the_scenario_says(spec: Mapping[str, Any]) -> None:
    assert complaints(spec) == []
