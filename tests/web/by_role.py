"""Schemathesis as somebody of each role, and as nobody: is every answer described, and is nobody let in?"""

from collections import Counter
from typing import Any

import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import CHECKS, load_all_checks
from tests.web.inside import Inside
from tests.web.people import token

from underlid.access.roles import Role
from underlid.web.app import create_app
from underlid.web.rights import RIGHTS

load_all_checks()
CHECKED = CHECKS.get_by_names(
    [
        "not_a_server_error",
        "status_code_conformance",
        "content_type_conformance",
        "response_schema_conformance",
        "response_headers_conformance",
    ]
)


def ask_everything(inside: Inside, role: Role | None, cases: int) -> Counter[int]:
    """Ask every address, about as many cases in all; gives how often each status was answered.

    Fails on an answer that is not described, on a fault, and on one that somebody without the role should not get.
    """
    described: Any = create_app(None, None).openapi()  # type: ignore[arg-type]  # described without a farm
    del described["paths"]["/api/v1/live"]  # has no end; checked in test_api.py
    operations = [found.ok() for found in schemathesis.openapi.from_dict(described).get_all_operations()]
    asker = Asker(inside, role)
    for operation in operations:
        tried = settings(
            max_examples=max(cases // len(operations), 1),
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(HealthCheck),
        )
        tried(given(case=operation.as_strategy())(asker.ask))()
    return asker.answered


class Asker:
    """Asks as somebody of a role, with a token, or as nobody; counts what is answered."""

    def __init__(self, inside: Inside, role: Role | None) -> None:
        self.answered: Counter[int] = Counter()
        self._inside, self._role = inside, role
        self._head = token(inside, role) if role else {}

    def ask(self, case: schemathesis.Case) -> None:
        role, needed = self._role, RIGHTS[f"{case.method.upper()} {case.path}"]
        answer = case.call(base_url=self._inside.url, headers=self._head, timeout=60)
        if role and needed and answer.status_code == 401:  # an owner's request has removed the token
            self._head = token(self._inside, role, f"{role} {self.answered.total()}")
            answer = case.call(base_url=self._inside.url, headers=self._head, timeout=60)
        self.answered[answer.status_code] += 1
        if needed is not None and (role is None or not role.may(needed)):
            right = 401 if role is None else 403
            assert answer.status_code == right, (case.method, case.path, answer.status_code)
        case.validate_response(answer, checks=CHECKED)
