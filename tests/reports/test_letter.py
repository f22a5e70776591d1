"""Reports as mail, taken by a real mail server and looked at in a real browser."""

import re
import time
from collections.abc import Iterator
from email.message import EmailMessage, Message
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from playwright.sync_api import Browser, Page
from tests.notify.sinks import Sink, mail_server
from tests.reports.test_schedule import DRY, Clock, be_well, monday, outbox, person, raise_alarm
from tests.reports.weeks import HOUR_MS, Garden, dry_week
from tests.web.screens import chromium, furnish

from conftest import MakeService, wait_for
from underlid.notify.targets import senders
from underlid.reports import desk
from underlid.reports.schedule import Schedule
from underlid.target import Target


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[Garden]:
    made = dry_week(tmp_path)
    yield made
    made.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


def send_due(garden: Garden, target: Target, now_ms: int) -> None:
    """Write what is due and hand it to the target, as the courier does."""
    Schedule(garden.ledger, garden.readings, [target], Clock(now_ms)).write_due()
    send = senders([target], lambda ref: desk.letter(garden.ledger, ref))[target.name]
    for message in outbox(garden):
        send(message)


def part(mail: Message, kind: str) -> Any:
    return next(each for each in mail.walk() if each.get_content_type() == kind)


def shown(browser: Browser, mail: Message, width: int) -> Page:
    """The mail's page as a mail program shows it: its images from beside it, nothing from anywhere else."""
    images = {
        str(each["Content-ID"]).strip("<>"): each.get_payload(decode=True)
        for each in mail.walk()
        if each.get_content_type() == "image/png"
    }
    html = part(mail, "text/html").get_content()
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.route("cid.example/**", lambda route: route.abort())
    page.route(
        "https://cid.example/*",
        lambda route: route.fulfill(
            body=images[unquote(route.request.url.rsplit("/", 1)[1])], content_type="image/png"
        ),
    )
    page.set_content(html.replace('src="cid:', 'src="https://cid.example/'), wait_until="load")
    return page


@pytest.mark.parametrize("width", [390, 1024])
def test_the_weekly_letter_shows_its_images_inside(garden: Garden, browser: Browser, width: int) -> None:
    with mail_server() as (mailbox, url):
        keeper = person("Keeper", weekly="Mon 07:30").model_copy(update={"url": _secret(url)})
        send_due(garden, keeper, monday(garden, "07:30"))
        [mail] = mailbox.mails
    assert isinstance(mail, EmailMessage)
    assert mail["Subject"] == "Walled garden: week 2026-W43"
    assert mail.get_content_type() == "multipart/related"
    html = part(mail, "text/html").get_content()
    named = re.findall(r'src="cid:([^"]+)"', html)
    images = [each for each in mail.walk() if each.get_content_type() == "image/png"]
    assert len(named) == len(images) == 4  # shares, Alder's moisture and temperature, the shed's temperature
    assert {str(each["Content-ID"]) for each in images} == {f"<{name}>" for name in named}
    assert all(str(each["Content-Disposition"]).startswith("inline") for each in images)
    page = shown(browser, mail, width)
    assert page.evaluate("[...document.images].map(i => i.complete && i.naturalWidth)") == [960] * 4
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("[...document.images].every(i => i.alt.length > 20)")
    text = part(mail, "text/plain").get_content()
    assert "What to do next week" in text
    assert "{" not in text  # no style sheet in it
    page.close()


def test_the_daily_letter_has_the_lines_the_advice_and_the_chart(garden: Garden, browser: Browser) -> None:
    be_well(garden, monday(garden, "07:00"))
    raise_alarm(garden, DRY)
    with mail_server() as (mailbox, url):
        keeper = person("Keeper", daily="07:00").model_copy(update={"url": _secret(url)})
        send_due(garden, keeper, monday(garden, "07:00"))
        [mail] = mailbox.mails
    assert mail["Subject"] == "Walled garden: 1 needs hands today"
    page = shown(browser, mail, 390)
    assert "Monday 26 October" in page.inner_text("h1")
    body = page.inner_text("body").replace("\N{NO-BREAK SPACE}", " ")  # between numbers and units
    assert "Today: Alder, sprinkle 0.8 L over the top" in body
    assert "Damp it before stirring." in body
    assert page.evaluate("[...document.images].map(i => i.naturalWidth)") == [960]
    page.close()


def test_who_gets_no_mail_gets_the_lines(garden: Garden) -> None:
    phone = Sink()
    raise_alarm(garden, DRY)
    send_due(
        garden,
        Target.model_validate({"name": "Phone", "url": phone.url, "daily": "07:00"}),
        monday(garden, "07:00"),
    )
    [taken] = phone.taken
    assert taken["message"].startswith(
        "Today: Alder, sprinkle 0.8 L over the top and close the lid\nComing: nothing."
    )
    assert "<" not in taken["message"]
    phone.close()


def test_a_letter_whose_report_is_gone_is_sent_as_its_lines(garden: Garden) -> None:
    raise_alarm(garden, DRY)
    with mail_server() as (mailbox, url):
        keeper = person("Keeper", daily="07:00").model_copy(update={"url": _secret(url)})
        Schedule(garden.ledger, garden.readings, [keeper], Clock(monday(garden, "07:00"))).write_due()
        send = senders([keeper], lambda _: None)["Keeper"]
        send(outbox(garden)[0])
        [mail] = mailbox.mails
    assert "Today: Alder, sprinkle 0.8 L" in part(mail, "text/plain").get_content()


def test_the_letter_of_a_large_farm_draws_those_with_something_to_tell(garden: Garden) -> None:
    for number in range(20):
        garden.bin(f"bin-{number}", "shed")
    report = desk.keep_weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms + HOUR_MS)
    letter = desk.letter(garden.ledger, f"weekly/{garden.week.name}")
    assert letter is not None
    assert len(report.bins) == 21
    assert len(letter.images) == 3  # the shares, and Alder, which has an alarm


def _secret(url: str) -> Any:
    from pydantic import SecretStr

    return SecretStr(url)


def test_a_running_service_sends_the_days_summary_as_a_letter(make_service: MakeService) -> None:
    minute = time.gmtime(time.time() - 60)
    with mail_server() as (mailbox, url):
        service = make_service()
        settings = service.data_dir.with_suffix(".toml")
        table = f'[[notify]]\nname = "Keeper"\nurl = "{url}"\ntime_zone = "Etc/UTC"\n'
        settings.write_text(f'{table}daily = "{minute.tm_hour:02}:{minute.tm_min:02}"\n')
        service.options += ["--settings", str(settings)]
        service.start()
        furnish(service, alder=0)
        wait_for(lambda: bool(mailbox.mails), "the day's summary", 60)
        [mail] = mailbox.mails
    assert "Fine:" in part(mail, "text/html").get_content()
