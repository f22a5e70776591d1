"""Log entries corrected, deleted and taken back, and their photos, on real stores and a real server."""

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from tests.web.inside import ALDER, NOW_MS, Inside, running

from underlid.model import Alarm, AlarmState, Finding, Transition, Verdict
from underlid.store import alarms
from underlid.web.pictures import picture
from underlid.web.shapes import rfc3339

HOUR_MS = 3_600_000
GPS, ORIENTATION = 0x8825, 0x0112


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    with running(tmp_path) as there:
        yield there


def wetted(inside: Inside, **other: object) -> dict[str, Any]:
    body = {"subject": {"kind": "bin", "id": "alder"}, "kind": "wetted", "amount_l": 2.0, **other}
    answer = inside.ask("POST", "/api/v1/log", json=body)
    assert answer.status_code == 201, answer.text
    entry: dict[str, Any] = answer.json()
    return entry


def ask(inside: Inside, method: str, path: str, status: int = 200, **options: object) -> Any:
    answer = inside.ask(method, f"/api/v1{path}", **options)
    assert answer.status_code == status, answer.text
    return answer.json() if answer.content else None


def jpeg(width: int = 3000, height: int = 2000, **options: Any) -> bytes:
    out = io.BytesIO()
    image = Image.new("RGB", (width, height), (90, 60, 30))
    image.paste((230, 40, 20), (0, 0, width // 4, height // 4))  # marks the upper left
    image.save(out, "JPEG", **options)
    return out.getvalue()


def test_an_entry_is_corrected_and_how_it_read_before_is_kept(inside: Inside) -> None:
    entry = wetted(inside, note="by the can")
    change = {"amount_l": 1.5, "note": "half the can"}
    corrected = ask(inside, "PATCH", f"/log/{entry['id']}", json=change)
    assert (corrected["amount_l"], corrected["note"], corrected["kind"]) == (1.5, "half the can", "wetted")
    assert corrected["corrected"] is not None
    detail = ask(inside, "GET", f"/log/{entry['id']}")
    assert [(e["amount_l"], e["note"]) for e in detail["earlier"]] == [(2.0, "by the can")]
    assert inside.told.count("bin/alder") == 3, "written, and judged anew where it was and where it is"


def test_a_correction_that_changes_nothing_leaves_no_trace(inside: Inside) -> None:
    entry = wetted(inside)
    assert ask(inside, "PATCH", f"/log/{entry['id']}", json={"amount_l": 2.0})["corrected"] is None
    assert ask(inside, "GET", f"/log/{entry['id']}")["earlier"] == []


def test_a_correction_must_make_an_entry_that_could_have_been_written(inside: Inside) -> None:
    entry = wetted(inside)
    path = f"/log/{entry['id']}"
    assert "needs amount_kg" in ask(inside, "PATCH", path, 422, json={"kind": "fed"})["detail"]
    assert "future" in ask(inside, "PATCH", path, 422, json={"at": "2090-01-01T00:00:00Z"})["detail"]
    elsewhere = {"subject": {"kind": "bin", "id": "birch"}}
    assert "no bin 'birch'" in ask(inside, "PATCH", path, 404, json=elsewhere)["detail"]
    assert ask(inside, "GET", path)["amount_l"] == 2.0


def test_a_deleted_entry_counts_no_more_and_can_be_taken_back(inside: Inside) -> None:
    entry = wetted(inside, key="once")
    path = f"/log/{entry['id']}"
    assert ask(inside, "DELETE", path)["deleted"] is not None
    assert ask(inside, "GET", "/log")["items"] == []
    assert [e["id"] for e in ask(inside, "GET", "/log?deleted=true")["items"]] == [entry["id"]]
    assert "restore it first" in ask(inside, "PATCH", path, 409, json={"note": "x"})["detail"]
    # The same entry sent late again does not bring it back.
    assert wetted(inside, key="once")["deleted"] is not None
    assert ask(inside, "POST", f"{path}/restore")["deleted"] is None
    assert [e["id"] for e in ask(inside, "GET", "/log")["items"]] == [entry["id"]]


def test_what_the_rules_make_of_an_entry_is_told(inside: Inside) -> None:
    at_ms = NOW_MS - HOUR_MS
    entry = wetted(inside, at=rfc3339(at_ms))
    detail = ask(inside, "GET", f"/log/{entry['id']}")
    # settle_h is an hour by the species' profile: so long the probe settles, and drying counts from then.
    settled = rfc3339(at_ms + HOUR_MS)
    assert detail["effects"] == [
        {"effect": "settles", "at": settled},
        {"effect": "dries-anew", "at": settled},
    ]
    ask(inside, "DELETE", f"/log/{entry['id']}")
    assert ask(inside, "GET", f"/log/{entry['id']}")["effects"] == []


def test_the_alarm_that_an_entry_answered_is_told_with_when_it_was_over(inside: Inside) -> None:
    raised_ms, deed_ms, over_ms = NOW_MS - 5 * HOUR_MS, NOW_MS - 4 * HOUR_MS, NOW_MS - HOUR_MS
    finding = Finding("top-drying", Verdict.HOLDS, raised_ms, headline="Alder: top is too dry")
    up = Alarm(0, ALDER, "top-drying", AlarmState.UNACKNOWLEDGED, raised_ms=raised_ms, finding=finding)
    with inside.ledger.writing() as connection:
        alarm = alarms.save(connection, up)
        step = Transition(alarm, raised_ms, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "raised")
        alarms.add_transition(connection, step)
        back = replace(step, at_ms=over_ms, before=step.after, after=AlarmState.RETURNED, cause="returned")
        alarms.add_transition(connection, back)
    entry = wetted(inside, at=rfc3339(deed_ms))
    told = {
        "alarm": alarm.id,
        "rule": "top-drying",
        "headline": "Alder: top is too dry",
        "raised": rfc3339(raised_ms),
        "returned": rfc3339(over_ms),
    }
    assert ask(inside, "GET", f"/log/{entry['id']}")["answers"] == [told]
    late = wetted(inside, at=rfc3339(NOW_MS))
    assert ask(inside, "GET", f"/log/{late['id']}")["answers"] == [], "it was over by then"


def test_a_photo_is_made_anew_small_upright_and_without_where_it_was_taken(inside: Inside) -> None:
    exif = Image.Exif()
    exif[ORIENTATION] = 6  # EXIF 2.3, table of orientations: turned by 90 degrees clockwise to be upright
    exif[GPS] = {1: "N", 2: (48.0, 12.0, 0.0)}
    entry = wetted(inside)
    photo = ask(inside, "POST", f"/log/{entry['id']}/photos", 201, content=jpeg(exif=exif))
    assert (photo["width"], photo["height"]) == (1067, 1600)
    assert [p["id"] for p in ask(inside, "GET", "/log")["items"][0]["photos"]] == [photo["id"]]
    for url, across in ((photo["url"], 1600), (photo["small_url"], 320)):
        answer = inside.ask("GET", url)
        assert answer.headers["Content-Type"] == "image/jpeg"
        with Image.open(io.BytesIO(answer.content)) as kept:
            assert max(kept.size) == across
            assert not dict(kept.getexif())
            red, green, _ = kept.getpixel((kept.width - 10, 10))  # type: ignore[misc]
            assert red > 180 > green, "what was the upper left is the upper right now"


def test_the_same_photo_sent_twice_is_kept_once(inside: Inside) -> None:
    path = f"/log/{wetted(inside)['id']}/photos"
    data = jpeg(400, 300)
    assert ask(inside, "POST", path, 201, content=data) == ask(inside, "POST", path, 201, content=data)
    assert len(ask(inside, "GET", "/log")["items"][0]["photos"]) == 1


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "no picture was sent"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "no picture that can be read"),
        (b"GIF89a\x01\x00\x01\x00\x00\x00\x00;", "no picture that can be read"),
        (jpeg(400, 300)[:900], "no picture that can be read"),
        (jpeg(9000, 8000), "at most 60 million"),
    ],
    ids=["nothing", "a drawing with scripts", "another format", "cut off", "too many pixels"],
)
def test_anything_but_a_photo_is_refused_in_words(data: bytes, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        picture(data)


def test_a_photo_too_large_to_be_taken_is_refused(inside: Inside) -> None:
    path = f"/log/{wetted(inside)['id']}/photos"
    too_much = ask(inside, "POST", path, 413, content=b"\xff" * 12_500_000)
    assert "at most 12000000 are taken" in too_much["detail"]
    assert "no picture" in ask(inside, "POST", path, 422, content=b"x")["detail"]


def test_photos_go_with_their_entry_and_come_back_with_it(inside: Inside, tmp_path: Path) -> None:
    entry = wetted(inside)
    photo = ask(inside, "POST", f"/log/{entry['id']}/photos", 201, content=jpeg(400, 300))
    files = tmp_path / "photos"
    ask(inside, "DELETE", f"/log/{entry['id']}")
    assert inside.ask("GET", photo["url"]).status_code == 404
    ask(inside, "POST", f"/log/{entry['id']}/restore")
    assert inside.ask("GET", photo["url"]).status_code == 200

    # Past the time in which it can come back, the files are gone for good.
    ask(inside, "DELETE", f"/log/{entry['id']}")
    month = NOW_MS + 31 * 24 * HOUR_MS
    inside.app.state.context = replace(inside.app.state.context, clock=lambda: month)
    ask(inside, "DELETE", f"/log/{wetted(inside)['id']}")
    assert list(files.iterdir()) == []


def test_one_photo_of_an_entry_can_be_deleted(inside: Inside, tmp_path: Path) -> None:
    path = f"/log/{wetted(inside)['id']}/photos"
    first, second = (ask(inside, "POST", path, 201, content=jpeg(400, h)) for h in (300, 310))
    ask(inside, "DELETE", f"/photos/{first['id']}", 204)
    assert [p["id"] for p in ask(inside, "GET", "/log")["items"][0]["photos"]] == [second["id"]]
    assert len(list((tmp_path / "photos").iterdir())) == 2
