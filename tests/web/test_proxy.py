"""HTTPS by certificate files, and a reverse proxy in front."""

import re
import ssl
import subprocess
from pathlib import Path

import httpx
import pytest

from conftest import MakeService, Service, wait_for
from underlid.access.roles import Role
from underlid.clock import wall_clock
from underlid.commands import people
from underlid.commands.check import Found, check_all
from underlid.settings import load_settings


def owners_token(service: Service) -> dict[str, str]:
    """A token made in the terminal, which the running service takes at once."""
    lines = people.make_token(load_settings(data_dir=service.data_dir), "owner", Role.OWNER, 1, wall_clock())
    return {"Authorization": lines[-1].removeprefix("Authorization: ")}


def started(make_service: MakeService, **environment: str) -> Service:
    service = make_service(**environment)
    service.access = "accounts"
    service.start(wait=False)
    wait_for(lambda: "Underlid is up" in service.log, "the service", 60)
    return service


@pytest.mark.parametrize("trusted", [False, True])
def test_only_a_trusted_proxy_says_whose_request_it_is(make_service: MakeService, trusted: bool) -> None:
    given = {"UNDERLID_TRUSTED_PROXIES": "127.0.0.1"} if trusted else {}
    service = started(make_service, **given)
    token = owners_token(service)
    forwarded = {"X-Forwarded-For": "198.51.100.7", "X-Forwarded-Proto": "https"}
    answer = httpx.post(
        f"{service.url}/api/v1/places",
        json={"id": "shed", "name": "Shed"},
        headers={**token, **forwarded},
        timeout=20,
    )
    assert answer.status_code == 201
    assert ("strict-transport-security" in answer.headers) is trusted
    log = httpx.get(f"{service.url}/api/v1/audit", headers=token, timeout=20).json()["items"]
    assert log[0]["address"] == ("198.51.100.7" if trusted else "127.0.0.1")


def test_with_certificate_files_it_speaks_https_beyond_loopback(
    make_service: MakeService, tmp_path: Path
) -> None:
    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    made = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:P-256",
        "-nodes",
        "-days",
        "2",
    ]
    made += [
        "-subj",
        "/CN=localhost",
        "-addext",
        "subjectAltName=IP:127.0.0.1",
        "-keyout",
        str(key),
        "-out",
        str(cert),
    ]
    subprocess.run(made, check=True, capture_output=True)
    service = make_service(UNDERLID_TLS_CERT=str(cert), UNDERLID_TLS_KEY=str(key))
    service.access = "accounts"
    service.start(wait=False)
    wait_for(lambda: "This link makes" in service.log, "the owner's link", 60)
    [link] = re.findall(r"(https://127.0.0.1:\d+)/welcome#(\S+)", service.log)
    trust = ssl.create_default_context(cafile=str(cert))
    with httpx.Client(base_url=link[0], verify=trust, headers={"Origin": link[0]}, timeout=20) as owner:
        body = {"secret": link[1], "name": "Anna", "password": "grounds and trimmings"}
        made_account = owner.post("/api/v1/invitations/redeem", json=body)
        assert made_account.headers["set-cookie"].startswith("__Host-underlid=")
        assert owner.get("/api/v1/farm").status_code == 200
    ports = {"http": f"127.0.0.1:{service.http_port}", "broker": f"127.0.0.1:{service.mqtt_port}"}
    chosen = load_settings(data_dir=service.data_dir, tls_cert=cert, tls_key=key, **ports)
    [screens] = [found for found in check_all(chosen, wall_clock) if found.part == "screens"]
    assert screens == Found("screens", True, f"https://127.0.0.1:{service.http_port} answers and is well")
    with pytest.raises(httpx.TransportError):
        httpx.get(f"http://127.0.0.1:{service.http_port}/healthz", timeout=5)


def test_a_certificate_that_is_not_there_is_named_in_one_line(
    make_service: MakeService, tmp_path: Path
) -> None:
    service = make_service(
        UNDERLID_TLS_CERT=str(tmp_path / "no.pem"), UNDERLID_TLS_KEY=str(tmp_path / "no.key")
    )
    service.start(wait=False)
    assert service.process is not None
    assert service.process.wait(60) == 1
    service.process = None
    [line] = [line for line in service.log.splitlines() if line.startswith("underlid: ")]
    assert "tls_cert" in line
    assert "no.pem" in line
    assert "Traceback" not in service.log
