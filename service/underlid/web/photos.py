"""Photos of log entries. They lie as files in the data directory and go with their entry."""

import hashlib
from pathlib import Path
from typing import Any, Literal

import structlog
from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse

from underlid.store import log as keepers_log
from underlid.store import photos as store
from underlid.store.photos import Photo
from underlid.web.context import Context, Ctx
from underlid.web.edge import Id
from underlid.web.pictures import picture
from underlid.web.problems import not_found
from underlid.web.shapes import PhotoShape

log = structlog.get_logger("underlid.web")

router = APIRouter(tags=["log"])

MOST_PHOTOS = 12
RECOVERABLE_MS = 30 * 86_400_000  # so long the photos of a deleted entry can come back with it
_IS_PICTURE: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}


@router.post("/log/{entry_id}/photos", status_code=201, openapi_extra=_IS_PICTURE)
async def add_photo(ctx: Ctx, entry_id: Id, request: Request) -> PhotoShape:
    """Add a photo (JPEG, PNG or WebP as the body); the same one sent again is kept once."""
    data = await request.body()  # the gate bounds it
    return await run_in_threadpool(_add, ctx, entry_id, data)


def _add(ctx: Context, entry_id: int, data: bytes) -> PhotoShape:
    digest = hashlib.sha256(data).hexdigest()
    with ctx.ledger.reading() as connection:
        entry = keepers_log.by_id(connection, entry_id)
        known = store.of_entries(connection, [entry_id]).get(entry_id, [])
    if entry is None or entry.deleted_ms is not None:
        raise not_found("log entry", entry_id)
    if same := next((photo for photo in known if photo.digest == digest), None):
        return photo_shape(same)
    if len(known) >= MOST_PHOTOS:
        raise HTTPException(409, f"The entry has {MOST_PHOTOS} photos already, as many as it can have.")
    try:
        made = picture(data)
    except ValueError as error:
        raise HTTPException(422, f"{str(error)[0].upper()}{str(error)[1:]}.") from error
    with ctx.ledger.writing() as connection:
        known = store.of_entries(connection, [entry_id]).get(entry_id, [])
        if same := next((photo for photo in known if photo.digest == digest), None):
            return photo_shape(same)
        photo = store.add(connection, Photo(0, entry_id, digest, ctx.clock(), made.width, made.height))
        # Before the commit, so that no row is without its file.
        ctx.photos.mkdir(parents=True, exist_ok=True)
        _file(ctx, photo.id, "large").write_bytes(made.large)
        _file(ctx, photo.id, "small").write_bytes(made.small)
    ctx.nudge("log", str(entry_id))
    return photo_shape(photo)


@router.get(
    "/photos/{photo_id}/{size}",
    response_class=FileResponse,
    responses={200: {"content": {"image/jpeg": {"schema": {"type": "string", "format": "binary"}}}}},
)
def get_photo(ctx: Ctx, photo_id: Id, size: Literal["large", "small"]) -> FileResponse:
    """The picture, as JPEG."""
    with ctx.ledger.reading() as connection:
        photo = store.by_id(connection, photo_id)
    file = _file(ctx, photo_id, size)
    if photo is None or not file.is_file():
        raise not_found("photo", photo_id)
    return FileResponse(file, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=86400"})


@router.delete("/photos/{photo_id}", status_code=204)
def delete_photo(ctx: Ctx, photo_id: Id) -> None:
    """Delete a photo for good."""
    with ctx.ledger.writing() as connection:
        photo = store.by_id(connection, photo_id)
        if photo is None:
            raise not_found("photo", photo_id)
        store.remove(connection, photo_id)
    _unlink(ctx, photo)
    ctx.nudge("log", str(photo.entry_id))


def sweep(ctx: Context) -> None:
    """Delete the photos of entries that were deleted too long ago to be taken back."""
    with ctx.ledger.writing() as connection:
        gone = store.take_forsaken(connection, ctx.clock() - RECOVERABLE_MS)
    for photo in gone:
        _unlink(ctx, photo)


def photo_shape(photo: Photo) -> PhotoShape:
    path, version = f"/api/v1/photos/{photo.id}", photo.digest[:12]  # a number may come to be another photo's
    return PhotoShape(
        id=photo.id,
        width=photo.width,
        height=photo.height,
        url=f"{path}/large?v={version}",
        small_url=f"{path}/small?v={version}",
    )


def _file(ctx: Context, photo_id: int, size: Literal["large", "small"]) -> Path:
    return ctx.photos / f"{photo_id}-{size}.jpg"


def _unlink(ctx: Context, photo: Photo) -> None:
    for file in (_file(ctx, photo.id, "large"), _file(ctx, photo.id, "small")):
        try:
            file.unlink(missing_ok=True)
        except OSError as error:
            log.warning("a photo's file could not be deleted", file=str(file), reason=str(error))
