"""Signing in and out, cookies, other sites' pages, tokens, links and the log of changes."""

import asyncio
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from tests.web.inside import UP, Inside, running
from tests.web.people import PASSWORD, person, token

from underlid.access import accounts
from underlid.access.roles import Role
from underlid.access.throttle import PER_ADDRESS
from underlid.web import live


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    with running(tmp_path, sign_in=True) as there:
        yield there


def sign_in(inside: Inside, name: str, password: str = PASSWORD, **headers: str) -> httpx.Response:
    body = {"name": name, "password": password}
    return inside.ask("POST", "/api/v1/session", json=body, headers=headers)


def test_a_link_makes_the_owner_who_is_signed_in_by_a_cookie_that_no_script_reads(inside: Inside) -> None:
    assert inside.ask("GET", "/api/v1/session").json()["set_up"] is False
    with inside.ledger.writing() as connection:
        secret = accounts.invite(connection, Role.OWNER, inside.app.state.context.clock())
    look = inside.ask("POST", "/api/v1/invitations/look", json={"secret": secret})
    assert look.json() == {"role": "owner", "name": None}
    body = {"secret": secret, "name": "  Anna ", "password": PASSWORD}
    made = inside.ask("POST", "/api/v1/invitations/redeem", json=body)
    assert made.status_code == 201, made.text
    assert (made.json()["name"], made.json()["role"]) == ("Anna", "owner")
    cookie = made.headers["set-cookie"]
    assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(cookie.split("; "))
    assert PASSWORD not in made.text
    again = inside.ask("POST", "/api/v1/invitations/redeem", json=body)
    assert again.status_code == 404
    signed_in = {"Cookie": cookie.split(";")[0]}
    assert inside.ask("GET", "/api/v1/farm", headers=signed_in).status_code == 200
    assert inside.ask("GET", "/api/v1/session", headers=signed_in).json()["name"] == "Anna"
    assert inside.ask("GET", "/api/v1/session").json() == {
        "access": "accounts",
        "name": None,
        "role": None,
        "has_password": False,
        "set_up": True,
    }


def test_name_and_password_open_a_session_and_signing_out_ends_it(inside: Inside) -> None:
    person(inside, "Anna", Role.KEEPER, accounts.new_hash)
    unknown, wrong = sign_in(inside, "Bert"), sign_in(inside, "Anna", "grounds and trimmin")
    assert (unknown.status_code, unknown.json()["detail"]) == (401, wrong.json()["detail"])
    answer = sign_in(inside, "anna")
    assert answer.status_code == 201
    cookie = {"Cookie": answer.headers["set-cookie"].split(";")[0], "Origin": inside.url}
    assert inside.ask("GET", "/api/v1/farm", headers=cookie).status_code == 200
    assert inside.ask("DELETE", "/api/v1/session", headers=cookie).status_code == 204
    assert inside.ask("GET", "/api/v1/farm", headers=cookie).status_code == 401


def test_over_https_the_cookie_goes_over_https_alone(inside: Inside) -> None:
    # RFC 6265bis, 4.1.3.2: __Host- needs Secure, Path=/ and no Domain.
    person(inside, "Anna", Role.KEEPER, accounts.new_hash)

    def ask(method: str, path: str, **options: object) -> httpx.Response:
        async def there() -> httpx.Response:
            transport = httpx.ASGITransport(inside.app)
            async with httpx.AsyncClient(transport=transport, base_url="https://garden.example") as client:
                return await client.request(method, path, **options)  # type: ignore[arg-type]

        return asyncio.run(there())

    answer = ask("POST", "/api/v1/session", json={"name": "Anna", "password": PASSWORD})
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-underlid=")
    assert "Secure" in cookie.split("; ")
    assert "Domain" not in cookie
    assert answer.headers["strict-transport-security"] == "max-age=31536000"
    value = cookie.split(";")[0]
    assert ask("GET", "/api/v1/farm", headers={"Cookie": value}).status_code == 200
    planted = {
        "Cookie": value.replace("__Host-", "")
    }  # as a page of another name below the same domain could
    assert ask("GET", "/api/v1/farm", headers=planted).status_code == 401


def test_signing_out_everywhere_and_a_new_password_end_the_other_sessions(inside: Inside) -> None:
    anna = person(inside, "Anna", Role.KEEPER, accounts.new_hash)
    other = sign_in(inside, "Anna").headers["set-cookie"].split(";")[0]
    change = {"old": PASSWORD, "new": "another few words"}
    assert anna.ask("PUT", "/api/v1/session/password", json={**change, "old": "x"}).status_code == 403
    assert anna.ask("PUT", "/api/v1/session/password", json={**change, "new": "x"}).status_code == 422
    assert anna.ask("PUT", "/api/v1/session/password", json=change).status_code == 204
    assert inside.ask("GET", "/api/v1/farm", headers={"Cookie": other}).status_code == 401
    assert anna.ask("GET", "/api/v1/farm").status_code == 200
    assert sign_in(inside, "Anna").status_code == 401
    third = sign_in(inside, "Anna", "another few words").headers["set-cookie"].split(";")[0]
    assert anna.ask("DELETE", "/api/v1/sessions").status_code == 204
    for cookie in (third, f"underlid={anna.cookie}"):
        assert inside.ask("GET", "/api/v1/farm", headers={"Cookie": cookie}).status_code == 401


def test_many_wrong_passwords_are_slowed_down_and_told_when_to_come_again(inside: Inside) -> None:
    person(inside, "Anna", Role.KEEPER, accounts.new_hash)
    assert [sign_in(inside, "Anna", "wrong").status_code for _ in range(PER_ADDRESS)] == [401] * PER_ADDRESS
    answer = sign_in(inside, "Anna")
    assert answer.status_code == 429
    assert 0 < int(answer.headers["retry-after"]) <= 900
    assert inside.ask("POST", "/api/v1/invitations/look", json={"secret": "x"}).status_code == 429


def test_another_sites_page_changes_nothing_by_a_session(inside: Inside) -> None:
    # Without Origin and Sec-Fetch-Site (W3C Fetch Metadata) nobody knows whose page asks.
    anna = person(inside, "Anna", Role.KEEPER)
    path, cookie = f"/api/v1/alarms/{UP}/acknowledge", {"Cookie": f"underlid={anna.cookie}"}
    for headers in (
        {},
        {"Origin": "http://example.org"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ):
        assert inside.ask("POST", path, headers={**cookie, **headers}).status_code == 403, headers
    same = {**cookie, "Sec-Fetch-Site": "same-origin"}
    assert inside.ask("POST", path, headers=same).status_code == 200
    assert sign_in(inside, "Anna", Origin="http://example.org").status_code == 403


def test_what_somebody_changed_is_kept_under_their_name(inside: Inside) -> None:
    anna = person(inside, "Anna", Role.KEEPER, accounts.new_hash)
    owner = token(inside, Role.OWNER, "owner's script")
    assert anna.ask("POST", f"/api/v1/alarms/{UP}/acknowledge").json()["history"][-1]["by"] == "Anna"
    inside.ask("PATCH", "/api/v1/bins/alder", json={"name": "Old alder"}, headers=owner)
    inside.ask("PATCH", "/api/v1/bins/nowhere", json={"name": "x"}, headers=owner)
    sign_in(inside, "Anna", "a wrong password")
    anna.ask("PUT", "/api/v1/session/password", json={"old": PASSWORD, "new": "another few words"})
    log = inside.ask("GET", "/api/v1/audit", headers=owner)
    told = [(each["who"], each["what"], each["detail"]) for each in reversed(log.json()["items"])]
    assert told == [
        ("Anna", f"POST /api/v1/alarms/{UP}/acknowledge", ""),
        ("token owner's script", "PATCH /api/v1/bins/alder", '{"name":"Old alder"}'),
        ("Anna", "sign-in refused", ""),
        ("Anna", "PUT /api/v1/session/password", ""),
    ]
    assert "few words" not in log.text
    assert "wrong password" not in log.text
    page = inside.ask("GET", "/api/v1/audit?limit=3", headers=owner).json()
    rest = inside.ask("GET", f"/api/v1/audit?limit=3&after={page['next']}", headers=owner).json()
    assert (len(page["items"]), len(rest["items"]), rest["next"]) == (3, 1, None)


def test_a_token_is_shown_once_and_ends_when_it_is_removed(inside: Inside) -> None:
    anna = person(inside, "Anna", Role.OWNER)
    made = anna.ask("POST", "/api/v1/tokens", json={"name": "shed display", "role": "viewer"})
    assert made.status_code == 201
    display = {"Authorization": f"Bearer {made.json()['secret']}"}
    assert inside.ask("GET", "/api/v1/farm", headers=display).status_code == 200
    listed = anna.ask("GET", "/api/v1/tokens")
    assert "secret" not in listed.text
    assert made.json()["secret"] not in listed.text
    [shown] = listed.json()["items"]
    assert anna.ask("DELETE", f"/api/v1/tokens/{shown['id']}").status_code == 204
    assert inside.ask("GET", "/api/v1/farm", headers=display).status_code == 401


def test_the_owner_invites_resets_changes_and_removes(inside: Inside) -> None:
    anna = person(inside, "Anna", Role.OWNER)
    link = anna.ask("POST", "/api/v1/invitations", json={"role": "keeper"}).json()["path"]
    body = {"secret": link.removeprefix("/welcome#"), "name": "Bert", "password": PASSWORD}
    bert = inside.ask("POST", "/api/v1/invitations/redeem", json=body)
    cookie = {"Cookie": bert.headers["set-cookie"].split(";")[0]}
    assert inside.ask("GET", "/api/v1/users", headers=cookie).status_code == 403
    users = {each["name"]: each for each in anna.ask("GET", "/api/v1/users").json()["items"]}
    number = users["Bert"]["id"]
    assert anna.ask("PATCH", f"/api/v1/users/{number}", json={"role": "owner"}).json()["role"] == "owner"
    assert inside.ask("GET", "/api/v1/users", headers=cookie).status_code == 200
    assert anna.ask("DELETE", f"/api/v1/users/{number}/sessions").status_code == 204
    assert inside.ask("GET", "/api/v1/farm", headers=cookie).status_code == 401
    reset = anna.ask("POST", "/api/v1/invitations", json={"user": number}).json()["path"]
    look = {"secret": reset.removeprefix("/welcome#")}
    assert inside.ask("POST", "/api/v1/invitations/look", json=look).json() == {
        "role": "owner",
        "name": "Bert",
    }
    assert anna.ask("DELETE", f"/api/v1/users/{number}").status_code == 204
    assert inside.ask("POST", "/api/v1/invitations/look", json=look).status_code == 404
    assert sign_in(inside, "Bert").status_code == 401
    assert anna.ask("DELETE", f"/api/v1/users/{anna.id}").status_code == 409
    assert anna.ask("PATCH", f"/api/v1/users/{anna.id}", json={"role": "viewer"}).status_code == 409


def test_the_live_stream_ends_when_whoever_listens_is_signed_out(
    inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "HEARTBEAT_S", 0.1)
    anna = person(inside, "Anna", Role.VIEWER)
    headers = {"Cookie": f"underlid={anna.cookie}"}
    with httpx.stream("GET", f"{inside.url}/api/v1/live", headers=headers, timeout=20) as stream:
        parts = stream.iter_raw()
        assert b"resync" in next(parts)
        assert b"beat" in next(parts)
        anna.ask("DELETE", "/api/v1/sessions")
        assert set(parts) <= {b": beat\n\n"}  # and then its end


def test_a_body_that_is_too_large_is_not_read(inside: Inside) -> None:
    keeper = token(inside, Role.KEEPER)
    as_json = {"Content-Type": "application/json"}
    large = b'"' + b"x" * (1 << 20) + b'"'
    told = inside.ask("POST", "/api/v1/places", content=large, headers={**keeper, **as_json})
    assert told.status_code == 413
    untold = inside.ask("POST", "/api/v1/places", content=iter([large, large]), headers={**keeper, **as_json})
    assert untold.status_code == 413
    nobody = inside.ask("POST", "/api/v1/session", content=large[: 1 << 15] + b'"', headers=as_json)
    assert nobody.status_code == 413


def test_answers_are_kept_nowhere_and_say_what_a_browser_may_not_do(inside: Inside) -> None:
    anna = person(inside, "Anna", Role.VIEWER)
    headers = anna.ask("GET", "/api/v1/farm").headers
    assert headers["cache-control"] == "no-store"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert "http" not in headers["content-security-policy"]


def test_nobody_is_told_more_than_whether_the_service_is_well(inside: Inside) -> None:
    nobody = inside.ask("GET", "/healthz")
    assert (nobody.status_code, nobody.json()["parts"]) == (200, {"rules": "well"})
    assert nobody.json()["last_reading"] is None
    viewer = inside.ask("GET", "/healthz", headers=token(inside, Role.VIEWER)).json()
    assert viewer["parts"] == {"rules": "judging"}
    assert viewer["last_reading"] is not None
    assert inside.ask("GET", "/healthz/live").status_code == 204
