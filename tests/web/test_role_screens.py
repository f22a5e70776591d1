"""Nobody is offered a button that would be refused: whatever a viewer or a keeper presses, none is answered 403."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Response, expect
from tests.web.inside import NOW_MS, Inside, running
from tests.web.people import person, token

from underlid.access.roles import Role
from underlid.model import Probe, Quantity
from underlid.store import catalogue
from web.screens import DESK, PHONE, Watched, axe_findings
from web.visits import VISITS

ALDER = {"kind": "bin", "id": "alder"}
RAW = 3  # the third channel of the farm
MOST_PRESSED = 120

# Where there is something that keepers alone may do.
KEEPERS = set(VISITS) - {"bins", "reports", "users", "welcome", "not-found"}

# The next thing on the page that can be pressed and has not been, by its words and where it stands; fields are filled
# in first, so that a form is really sent. A sign-out would end the visit.
PRESS_NEXT = """
pressed => {
    for (const field of document.querySelectorAll('main input:not([type=file], [type=checkbox], [type=radio])'))
        if (field.value === '') {
            const words = {date: '2026-11-20', number: field.min || '1', password: 'grounds and trimmings'};
            field.value = words[field.type] ?? 'made of oak';
            field.dispatchEvent(new Event('input', {bubbles: true}));
        }
    for (const field of document.querySelectorAll('main select'))
        if (field.value === '' && field.options.length > 1) {
            field.selectedIndex = 1;
            field.dispatchEvent(new Event('change', {bubbles: true}));
        }
    const all = document.querySelectorAll('main :is(button, summary, input[type=checkbox]):not(:disabled)');
    for (const each of all) {
        const where = each.closest('[id]')?.id ?? '';
        const words = each.ariaLabel || (each.closest('label') ?? each).innerText.trim();
        const name = `${where}: ${words}`;
        if (!each.checkVisibility() || pressed.includes(name) || /Sign out|Print/.test(words)) continue;
        each.click();
        return name;
    }
    return null;
}
"""


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    """A farm with accounts, in which each page has something to press for a keeper."""
    with running(tmp_path, sign_in=True) as there:
        with there.ledger.writing() as connection:
            for name in ("stray-1", "old-1"):
                catalogue.save_probe(connection, Probe(name, name, NOW_MS))
                catalogue.register_channel(connection, name, "temp", "Cel", Quantity.TEMPERATURE)
        keeper = token(there, Role.KEEPER)
        place = {"subject": ALDER, "position": "core", "channels": ["raw"]}
        for path, body in (
            ("/probes/old-1/retire", None),
            ("/probes/alder-1/placement", place),
            ("/log", {"subject": ALDER, "kind": "fed", "amount_kg": 0.8, "what": "leaves"}),
            ("/log", {"subject": ALDER, "kind": "turned"}),
        ):
            answer = there.ask("POST", f"/api/v1{path}", headers=keeper, json=body)
            assert answer.is_success, answer.text
        gone = there.ask("DELETE", f"/api/v1/log/{answer.json()['id']}", headers=keeper)
        assert gone.is_success, gone.text
        yield there


class Visitor:
    """Somebody of a role at the screens, with what they were answered."""

    def __init__(self, browser: Browser, inside: Inside, role: Role, size: dict[str, int]) -> None:
        self.watched = Watched(browser, inside, size)
        self.page: Page = self.watched.page
        who = person(inside, f"A {role}", role)
        self.watched.context.add_cookies([{"name": "underlid", "value": who.cookie, "url": inside.url}])
        self.refused: list[str] = []
        self.asked: set[str] = set()
        self._open = 0
        self.page.on("request", lambda request: self._count(request.url, 1))
        self.page.on("requestfinished", lambda request: self._count(request.url, -1))
        self.page.on("requestfailed", lambda request: self._count(request.url, -1))
        self.page.on("response", self._answered)

    def _count(self, url: str, change: int) -> None:
        if not url.endswith("/live"):
            self._open += change

    def _answered(self, response: Response) -> None:
        method = response.request.method
        if method != "GET":
            self.asked.add(method)
        if response.status == 403:
            self.refused.append(f"{method} {response.url}")

    def go(self, path: str) -> None:
        self._open = 0
        self.page.goto(path)
        expect(self.page.locator("main h1")).to_be_attached()
        expect(self.page.locator(".loading")).to_have_count(0)
        self._settle()

    def _settle(self) -> None:
        self.page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done)))")
        for _ in range(200):
            if self._open <= 0:
                return
            self.page.wait_for_timeout(20)

    def press_everything(self) -> list[str]:
        """Press each button, fold and box of the page once, also those that appear; gives their words."""
        pressed: list[str] = []
        while len(pressed) < MOST_PRESSED:
            name = self.page.evaluate(PRESS_NEXT, pressed)
            if name is None:
                return pressed
            pressed.append(name)
            self._settle()
        pytest.fail(f"there is no end to what can be pressed: {pressed[-5:]}")


def press_everywhere(visitor: Visitor) -> dict[str, list[str]]:
    """What the visitor could press on each page; fails where one of it was refused."""
    pressed = {}
    for name, path in VISITS.items():
        if name == "welcome":
            continue  # is for those who have no role yet
        visitor.go(path.format(raw=RAW))
        assert axe_findings(visitor.page) == [], path
        pressed[name] = visitor.press_everything()
        assert visitor.refused == [], (name, pressed[name])
    return pressed


def test_a_viewer_reads_who_may_do_it_in_place_of_each_button(browser: Browser, inside: Inside) -> None:
    visitor = Visitor(browser, inside, Role.VIEWER, PHONE)
    pressed = press_everywhere(visitor)
    assert pressed["bin"]  # folds, and the spans of the chart
    assert visitor.asked <= {"PUT"}  # one's own password
    for name in sorted(KEEPERS):
        visitor.go(VISITS[name].format(raw=RAW))
        expect(visitor.page.locator(".only").first).to_contain_text("Only a keeper may")
    visitor.go("/users")
    expect(visitor.page.locator("main")).to_contain_text("Only an owner may")
    visitor.watched.close()


def test_a_keeper_is_refused_nothing_that_the_screens_offer(browser: Browser, inside: Inside) -> None:
    visitor = Visitor(browser, inside, Role.KEEPER, DESK)
    pressed = press_everywhere(visitor)
    assert visitor.asked >= {"POST", "PATCH", "DELETE"}
    words = " ".join(each for page in pressed.values() for each in page)
    told = {"Edit this bin", "Edit this feed store", "Add a bin", "Change: Walled garden", "Add a place"}
    for button in told | {"Acknowledge", "Wetted", "Change limits", "Retire", "Replay", "test message"}:
        assert button in words
    visitor.watched.close()


def test_an_owner_has_the_page_of_people(browser: Browser, inside: Inside) -> None:
    visitor = Visitor(browser, inside, Role.OWNER, PHONE)
    visitor.go("/users")
    expect(visitor.page.get_by_role("heading", name="Invite somebody")).to_be_visible()
    visitor.watched.close()
