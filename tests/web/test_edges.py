"""What a client may send by mistake or in malice: each gets a problem (RFC 9457) with its own status."""

import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from tests.web.inside import SILENT, UP, Inside, running

from underlid.web import app as web_app

HUGE = "9" * 20  # more than 64 bits hold


@pytest.fixture(scope="module")
def inside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inside]:
    with running(tmp_path_factory.mktemp("inside"), hosts=["127.0.0.1"]) as there:
        yield there


def problem(answer: httpx.Response) -> tuple[int, str]:
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.json()["status"] == answer.status_code
    return answer.status_code, answer.json()["detail"]


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", f"/alarms/{HUGE}"),
        ("POST", f"/alarms/{HUGE}/acknowledge"),
        ("GET", "/alarms/-1"),
        ("GET", f"/alarms?after={HUGE}"),
        ("GET", "/alarms?after=%C2%B2"),
        ("GET", f"/alarms?show=all&after={HUGE}-1"),
        ("GET", "/alarms?show=all&after=%C2%B2-1"),
        ("GET", f"/quarantine?after={HUGE}"),
        ("GET", f"/log?after={HUGE}-1"),
        ("GET", f"/log?after=1-{HUGE}"),
        ("GET", f"/readings?channel={HUGE}&from=2026-01-01T00:00:00Z"),
        ("GET", f"/channels/{HUGE}/calibrations"),
        ("GET", f"/channels/{HUGE}/steadiness"),
    ],
)
def test_a_number_that_no_id_can_be_is_not_valid(inside: Inside, method: str, path: str) -> None:
    assert problem(inside.ask(method, f"/api/v1{path}"))[0] == 422


@pytest.mark.parametrize("path", ["/%00", "/assets/%00", "/" + "a" * 300, "/assets/" + "a" * 300])
def test_a_name_that_no_file_can_have_is_not_found(inside: Inside, path: str) -> None:
    assert problem(inside.ask("GET", path))[0] == 404


@pytest.mark.parametrize("origin", ["http://[", "null", "http://example.org", "http://127.0.0.1:1"])
def test_a_change_from_an_origin_that_is_not_this_one_is_refused(inside: Inside, origin: str) -> None:
    answer = inside.ask("POST", f"/api/v1/alarms/{UP}/acknowledge", headers={"Origin": origin})
    assert problem(answer)[0] == 403


@pytest.mark.parametrize("host", ["example.org", "[", "127.0.0.1.example.org:80"])
def test_another_name_is_refused_with_a_problem(inside: Inside, host: str) -> None:
    code, words = problem(inside.ask("GET", "/api/v1/farm", headers={"Host": host}))
    assert (code, host in words) == (400, True)


def test_a_body_that_is_not_json_in_utf_8_or_nested_too_deep_is_a_bad_request(inside: Inside) -> None:
    as_json = {"Content-Type": "application/json"}
    for body in (b'{"id": "\xff"}', b"[" * 100_000):
        assert problem(inside.ask("POST", "/api/v1/places", content=body, headers=as_json))[0] == 400


def test_a_method_that_is_not_there_is_answered_with_those_that_are(inside: Inside) -> None:
    # RFC 9110, 15.5.6: a 405 must tell in Allow what the resource supports.
    for method, path, allow in (
        ("DELETE", "/api/v1/bins", "GET, HEAD, POST"),
        ("POST", "/api/v1/bins/alder", "GET, HEAD, PATCH"),
        ("GET", f"/api/v1/alarms/{UP}/acknowledge", "POST"),
        ("POST", "/", "GET, HEAD"),
    ):
        answer = inside.ask(method, path)
        assert problem(answer)[0] == 405
        assert answer.headers["allow"] == allow


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "HEAD"])
def test_below_api_nothing_is_nothing_whatever_the_method(inside: Inside, method: str) -> None:
    for path in ("/api/v1/nope", "/api/nope", "/api/v1/bins/"):
        assert inside.ask(method, path).status_code == 404


@pytest.mark.usefixtures("dashboards")
@pytest.mark.parametrize("path", ["/healthz", "/metrics", "/api/v1/farm", "/api/docs", "/"])
def test_head_is_answered_as_get_without_the_body(inside: Inside, path: str) -> None:
    # RFC 9110, 9.1: every server must support GET and HEAD.
    get, head = inside.ask("GET", path), inside.ask("HEAD", path)
    assert (head.status_code, head.content) == (get.status_code, b"")
    assert head.headers["content-type"] == get.headers["content-type"]


def test_an_unexpected_fault_is_a_problem_and_its_traceback_is_in_the_log_once(tmp_path: Path) -> None:
    program = (
        "import sys, httpx, pathlib\n"
        "from underlid.commands.logs import set_up_log\n"
        "from underlid.store import catalogue\n"
        "from tests.web.inside import running\n"
        "set_up_log('info')\n"
        "with running(pathlib.Path(sys.argv[1])) as inside:\n"
        "    catalogue.places = None\n"
        "    answer = inside.ask('GET', '/api/v1/places')\n"
        "    print(answer.status_code, answer.headers['content-type'], answer.text)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        env={"PYTHONPATH": f".:tests:{':'.join(sys.path)}"},
    )
    assert done.stdout.startswith("500 application/problem+json {")
    assert "NoneType" not in done.stdout
    assert done.stderr.count("Traceback") == 1
    assert done.stderr.count("'NoneType' object is not callable") == 1


@pytest.fixture
def dashboards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of built files in place of the package's own, which need not be built."""
    folder = (tmp_path / "static").resolve()
    (folder / "assets").mkdir(parents=True)
    (folder / "index.html").write_text("<title>Underlid</title>")
    (folder / "assets" / "index-1.js").write_text("let bins = 1;")
    monkeypatch.setattr(web_app, "STATIC", folder)
    return folder


def test_the_dashboards_are_there_when_the_package_is_reached_by_a_symbolic_link(tmp_path: Path) -> None:
    package = Path(web_app.__file__).parents[1]
    real = tmp_path / "real" / "underlid"
    shutil.copytree(package, real, ignore=shutil.ignore_patterns("static", "__pycache__"))
    (real / "web" / "static" / "assets").mkdir(parents=True)
    (real / "web" / "static" / "index.html").write_text("<title>Underlid</title>")
    (real / "web" / "static" / "assets" / "index-1.js").write_text("let bins = 1;")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    program = (
        "import sys, pathlib, underlid\n"
        "from tests.web.inside import running\n"
        "with running(pathlib.Path(sys.argv[1])) as inside:\n"
        "    print(underlid.__file__, inside.ask('GET', '/assets/index-1.js').text)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        env={"PYTHONPATH": f"{tmp_path / 'link'}:.:tests:{':'.join(sys.path)}"},
    )
    assert done.stdout.strip() == f"{tmp_path / 'link' / 'underlid' / '__init__.py'} let bins = 1;"


def test_what_is_done_to_an_alarm_that_has_said_nothing_is_not_kept(inside: Inside) -> None:
    from underlid.store import alarms

    answer = inside.ask("POST", f"/api/v1/alarms/{SILENT}/shelve", json={"hours": 2})
    assert problem(answer)[0] == 404
    with inside.ledger.reading() as connection:
        kept = alarms.alarm(connection, SILENT)
        assert kept is not None
        assert kept.state == "normal"
