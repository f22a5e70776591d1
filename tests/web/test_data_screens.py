"""Tables taken in and out on the screen, by touch and by keyboard."""

import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Route, expect

from conftest import Service, started
from web.screens import DESK, PHONE, Watched, axe_findings, furnish, too_wide

TABLE = "Datum;Temperatur oben (°C);Feuchte;Ort\r\n" + "".join(
    f"0{day}.02.2026 {hour:02}:00;{18 + hour // 10},{hour % 10};{70 - hour},5;Schuppen\r\n"
    for day in range(1, 9)
    for hour in range(24)
)


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    vienna = {"UNDERLID_TIME_ZONE": "Europe/Vienna"}
    with started(Service(tmp_path_factory.mktemp("garden") / "data", environment=vienna)) as service:
        furnish(service, alder=2)
        yield service


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (DESK, "dark")], ids=["phone", "desk"])
def test_a_table_is_tried_mended_and_taken_in_and_comes_out_again(
    browser: Browser, garden: Service, tmp_path: Path, size: dict[str, int], scheme: str
) -> None:
    probe = "shed-7" if size == PHONE else "shed-8"
    file = tmp_path / "shed.csv"
    file.write_text(TABLE + "30.02.2026 10:00;18,0;70;Schuppen\r\n", encoding="cp1252")
    watched = Watched(browser, garden, size, scheme)
    page = watched.page
    page.goto("/settings")
    page.get_by_role("link", name="Data in and out").click()
    page.get_by_label("File (CSV)").set_input_files(file)
    expect(page.get_by_text("Still to be told: which probe.")).to_be_visible()
    expect(page.get_by_role("button", name="Try it")).to_be_disabled()
    page.get_by_label("Probe", exact=True).last.fill(probe)
    assert axe_findings(page) == []
    assert too_wide(page) == []
    page.get_by_role("button", name="Try it").click()
    expect(page.locator(".import-outcome .lead")).to_have_text(
        "193 rows: 384 would go in, 0 there already, 1 row refused."
    )
    expect(page.locator(".import-refused")).to_contain_text(
        "Line 194: '30.02.2026 10:00' is no time that there is"
    )
    assert axe_findings(page) == []
    assert too_wide(page) == []
    assert not [each for each in garden.items("/probes") if each["id"] == probe]
    page.get_by_role("button", name="Take it in").click()
    expect(page.locator(".import-outcome .lead")).to_contain_text("384 went in, 0 there already")
    with page.expect_download() as kept:
        page.get_by_role("link", name="Keep the refused rows").click()
    text = Path(kept.value.path()).read_text("utf-8")
    assert list(csv.reader(io.StringIO(text), delimiter=";"))[1][:3] == ["30.02.2026 10:00", "18,0", "70"]
    page.get_by_role("button", name="Try it").click()
    expect(page.locator(".import-outcome .lead")).to_contain_text("0 would go in, 384 there already")
    page.get_by_label("What?").select_option("wide")
    page.get_by_role("combobox", name="Probe").first.select_option(probe)
    with page.expect_download() as out:
        page.get_by_role("link", name="Download").click()
    rows = list(csv.DictReader(io.StringIO(Path(out.value.path()).read_text("utf-8"))))
    assert len(rows) == 192
    assert rows[0]["time (UTC)"] == "2026-01-31T23:00:00.000Z"
    assert rows[0][f"{probe}/temp-oben (Cel)"] == "18.0"
    assert watched.complaints == []
    watched.close()


def test_a_log_without_bins_asks_for_one_and_a_file_that_is_no_table_is_told(
    browser: Browser, garden: Service, tmp_path: Path
) -> None:
    file, none = tmp_path / "log.csv", tmp_path / "none.csv"
    file.write_text("date,what,amount\n2026-02-01,fed peelings,2 kg\n2026-02-02,sang,\n")
    none.write_text("nothing to see here\n")
    watched = Watched(browser, garden, PHONE, locale="de-DE")
    page = watched.page
    page.goto("/data")
    page.get_by_label("Datei (CSV)").set_input_files(file)
    expect(page.get_by_label("Es ist")).to_have_value("log")
    page.get_by_label("Kiste").select_option("bin/alder")
    page.get_by_role("button", name="Probieren").tap()
    expect(page.locator(".import-refused")).to_contain_text("does not say what was done")
    assert axe_findings(page) == []
    page.get_by_role("button", name="Übernehmen").tap()
    expect(page.locator(".import-outcome .lead")).to_contain_text("1 kamen herein")
    assert garden.items("/log?subject=bin/alder")[0]["what"] == "peelings"
    page.get_by_label("Datei (CSV)").set_input_files(none)
    expect(page.locator(".note-failure")).to_contain_text("can't be read as a table")
    assert all("422" in complaint for complaint in watched.complaints)  # of the file that is no table
    watched.close()


def test_days_to_take_out_are_those_of_the_farm_and_a_year_of_five_digits_is_told(
    browser: Browser, garden: Service
) -> None:
    watched = Watched(browser, garden, PHONE, "dark")
    page = watched.page
    held: list[Route] = []
    page.route("**/api/v1/farm", lambda route: held.append(route))
    page.goto("/data")
    first, last = page.get_by_label("From"), page.get_by_label("To", exact=True)
    link = page.get_by_role("link", name="Download")
    first.fill("2026-07-01")
    last.fill("2026-11-28")
    # Whatever its zone is: the farm is heard only now.
    for route in held:
        route.continue_()
    page.unroute("**/api/v1/farm")
    # Midnight in Vienna, in summer and in winter (UTC+2 and UTC+1).
    expect(link).to_have_attribute(
        "href", re.compile(r"from=2026-06-30T22%3A00%3A00\.000Z&to=2026-11-28T22%3A59%3A59\.999Z$")
    )
    last.fill("20265-11-28")
    expect(page.get_by_role("alert").filter(has_text="A year has four digits")).to_be_visible()
    expect(link).to_have_count(0)
    assert axe_findings(page) + too_wide(page) == []
    last.fill("")
    expect(link).to_have_attribute("href", re.compile(r"from=2026-06-30T22%3A00%3A00\.000Z$"))
    # By the keyboard no more than four digits go in.
    last.focus()
    last.press_sequentially("1111")
    last.press_sequentially("20265")
    expect(last).to_have_value(re.compile(r"^\d{4}-11-11$"))
    assert watched.complaints == []
    watched.close()


def test_a_table_whose_lines_end_as_on_old_computers_is_taken_in(
    browser: Browser, garden: Service, tmp_path: Path
) -> None:
    file = tmp_path / "old.csv"
    file.write_bytes(TABLE.replace("\r\n", "\r").encode("cp1252"))
    watched = Watched(browser, garden, PHONE)
    page = watched.page
    page.goto("/data")
    page.get_by_label("File (CSV)").set_input_files(file)
    page.get_by_label("Probe", exact=True).last.fill("shed-9")
    page.get_by_role("button", name="Try it").tap()
    expect(page.locator(".import-outcome .lead")).to_have_text(
        "192 rows: 384 would go in, 0 there already, 0 rows refused."
    )
    assert watched.complaints == []
    watched.close()
