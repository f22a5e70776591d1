"""Does the service do what its OpenAPI document says? Asked by Schemathesis, which reads the document.

For more than the suite's few requests: OPENAPI_EXAMPLES=300 pytest tests/web/test_openapi.py
"""

import os
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import CHECKS, load_all_checks
from tests.web.inside import Inside, running

from underlid.web.app import create_app

load_all_checks()
EXAMPLES = int(os.environ.get("OPENAPI_EXAMPLES", "5"))
CHECKED = CHECKS.get_by_names(
    [
        "not_a_server_error",
        "status_code_conformance",
        "content_type_conformance",
        "response_schema_conformance",
        "response_headers_conformance",
        "unsupported_method",
    ]
)
described: Any = create_app(None, None).openapi()  # type: ignore[arg-type]  # described without a farm
del described["paths"]["/api/v1/live"]  # has no end; checked in test_api.py
openapi = schemathesis.openapi.from_dict(described)


@pytest.fixture(scope="module")
def inside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inside]:
    with running(tmp_path_factory.mktemp("inside"), hosts=["127.0.0.1"]) as there:
        yield there


@openapi.parametrize()
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)
def test_every_answer_is_one_that_is_described(case: schemathesis.Case, inside: Inside) -> None:
    case.call_and_validate(base_url=inside.url, checks=CHECKED)
