"""The plugin that CI loads so that no test can quietly leave itself out."""

import pytest

pytest_plugins = ["pytester"]

SKIPPING = """
import pytest

def test_leaves_itself_out():
    pytest.skip("no broker here")

@pytest.mark.skip(reason="left out by a mark")
def test_left_out_by_a_mark():
    raise AssertionError

def test_runs():
    assert sum([1, 2]) == 3
"""

EXPECTED_FAILURE = """
import pytest

@pytest.mark.xfail(strict=True)
def test_fails_as_expected():
    assert sum([1, 2]) == 4
"""


def test_a_skipped_test_has_failed_and_the_reason_is_shown(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(SKIPPING)

    result = pytester.runpytest("-p", "no_skips")

    # Skipped by a mark, a test is refused at its set-up, which pytest counts as an error.
    result.assert_outcomes(passed=1, failed=1, errors=1)
    result.stdout.fnmatch_lines(["*nothing may be skipped here*left out by a mark*"])
    result.stdout.fnmatch_lines(["*nothing may be skipped here*no broker here*"])


def test_a_module_that_skips_itself_has_failed(pytester: pytest.Pytester) -> None:
    pytester.makepyfile("import pytest\npytest.importorskip('a_module_nobody_has')\n")

    result = pytester.runpytest("-p", "no_skips")

    result.assert_outcomes(errors=1)
    assert result.ret != pytest.ExitCode.OK


def test_an_expected_failure_is_no_skip(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(EXPECTED_FAILURE)

    result = pytester.runpytest("-p", "no_skips")

    result.assert_outcomes(xfailed=1)
