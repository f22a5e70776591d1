"""Commands work on a farm that is there: on none they change nothing, and say which it was."""

import os
import re
from pathlib import Path

import pytest
from tests.exchange.farm import begin
from typer.testing import CliRunner

from conftest import MakeService, free_port, wait_for
from underlid.cli import app

NEED_A_FARM = [
    "user invite", "user reset Anna", "user role Anna owner", "user sign-out Anna", "user remove Anna", "user list",
    "token add display", "token remove display", "token list",
    "probe add alder-1", "probe remove alder-1", "probe list",
    "import table.csv --yes", "import table.csv --dry-run", "export readings", "export all --to all.zip",
    "backup", "backup --every 24h", "replay --from 1d", "report", "report today",
]  # fmt: skip


@pytest.fixture(autouse=True)
def _clean(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [n for n in os.environ if n.startswith("UNDERLID_")]:
        monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)


def run(words: str, *more: str, folder: str = "farm") -> tuple[int, str, str]:
    done = CliRunner().invoke(app, [*words.split(), "--data-dir", folder, *more])
    return done.exit_code, done.stdout, done.stderr


def test_every_command_but_those_that_need_none_is_among_them() -> None:
    need_none = {"serve", "demo", "check", "probe-sim", "notify-test", "restore", "version", "probe certify"}
    there = {
        command.name or command.callback.__name__ for command in app.registered_commands if command.callback
    }
    for group in app.registered_groups:
        assert group.typer_instance is not None
        there |= {f"{group.name} {command.name}" for command in group.typer_instance.registered_commands}
    groups = {group.name for group in app.registered_groups}
    tried = {" ".join(words.split()[: 2 if words.split()[0] in groups else 1]) for words in NEED_A_FARM}
    assert tried == there - need_none


@pytest.mark.parametrize("words", NEED_A_FARM)
def test_where_there_is_no_farm_a_command_is_refused_in_a_line_and_makes_nothing(
    words: str, tmp_path: Path
) -> None:
    table = tmp_path / "table.csv"
    table.write_text("time,probe,channel,unit,value\n2026-11-01 10:00,alder-1,temp,Cel,20\n")
    status, _, said = run(words)
    assert status == 1
    [line] = said.splitlines()
    assert line.startswith(f"underlid: there is no farm here yet ({tmp_path / 'farm'}); ")
    assert "--data-dir" in line
    assert list(tmp_path.iterdir()) == [table]


def test_a_change_says_which_farm_it_was(tmp_path: Path) -> None:
    begin(tmp_path / "farm")
    for words in (
        "user invite",
        "token add display",
        "probe add alder-1 --host 192.0.2.10",
        "probe remove alder-1",
    ):
        status, _, said = run(words)
        assert (status, said) == (0, f"The farm is that in {tmp_path / 'farm'}.\n"), words


@pytest.mark.parametrize(
    ("environment", "says"),
    [
        (
            {},
            "works on this computer alone. For phones and others, start the service with tls_cert, tls_key and http",
        ),
        (
            {"UNDERLID_HTTP": "0.0.0.0:8480", "UNDERLID_TLS_CERT": "a.crt", "UNDERLID_TLS_KEY": "a.key"},
            "From elsewhere, put this computer's name or address in the network",
        ),
        ({"UNDERLID_BEHIND_PROXY": "true"}, "From elsewhere, put the address by which the proxy is reached"),
        ({"UNDERLID_HTTP": "192.0.2.10:8480", "UNDERLID_TLS_CERT": "a.crt", "UNDERLID_TLS_KEY": "a.key"}, ""),
    ],
)
def test_an_invitation_says_from_where_its_link_works(
    environment: dict[str, str], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin(Path("farm"))
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    lines = run("user invite")[1].splitlines()
    assert "/welcome#" in lines[1]
    assert says in " ".join(lines[2:])
    assert bool(lines[2:]) == bool(says)


def test_the_list_of_people_tells_of_the_owners_link_that_waits(make_service: MakeService) -> None:
    service = make_service()
    begin(service.data_dir)
    before = run("user list", folder=str(service.data_dir))[1]
    assert "prints the owner's link when it starts" in before
    service.access = "accounts"
    service.start(wait=False)
    wait_for(
        lambda: "The link works on this computer alone" in service.log,
        "the owner's link and what it is for",
        60,
    )
    lines = run("user list", folder=str(service.data_dir))[1].splitlines()
    assert lines[0] == "Nobody has an account yet. The service printed the owner's link when it started."
    assert re.fullmatch(
        r"A link that makes an account, as owner, waits to be used until 20[-\d]+ \d+:\d+ UTC\.", lines[1]
    )


def test_a_demonstration_on_a_taken_port_names_the_option_that_it_has(make_service: MakeService) -> None:
    service = make_service()
    service.start()
    status, _, said = run(f"demo --no-open --port {service.http_port}")
    assert status == 1
    assert said.endswith("Address already in use; free the port or give another with --port\n")
    status, _, said = run(f"serve --http 127.0.0.1:{free_port()} --broker 1883")
    assert said == "underlid: option --broker: '1883' is not HOST:PORT, for example 127.0.0.1:1883\n"
