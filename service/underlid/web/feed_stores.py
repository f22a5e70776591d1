"""Feed stores: tubs of scraps kept for later."""

from collections.abc import Mapping
from dataclasses import replace

from fastapi import APIRouter, HTTPException

from underlid.model import FeedStore, Subject, SubjectKind
from underlid.store import alarms as alarm_store
from underlid.store import catalogue
from underlid.survey import Survey, take_survey
from underlid.web.context import Ctx
from underlid.web.edge import page_of
from underlid.web.farm import (
    Limit,
    as_assumed,
    check_limits,
    check_place,
    condition_shape,
    limit_shapes,
    live_alarms,
    tell,
)
from underlid.web.problems import not_found
from underlid.web.shapes import AlarmSummary, FeedStoreChange, FeedStoreNew, FeedStoreShape, Page

router = APIRouter(prefix="/feed-stores", tags=["feed-stores"])


@router.get("")
def list_feed_stores(ctx: Ctx, limit: Limit = 500, after: str | None = None) -> Page[FeedStoreShape]:
    with ctx.ledger.reading() as connection:
        survey = take_survey(connection, ctx.clock())
        conditions = alarm_store.conditions(connection, SubjectKind.FEED_STORE)
        live = live_alarms(alarm_store.alarms(connection, live_only=True))
        stores = catalogue.feed_stores(connection)
    chosen, following = page_of(stores, lambda store: store.id, limit, after)
    return Page(
        items=[_shape(survey, each, conditions, live, ctx.clock()) for each in chosen], next=following
    )


@router.post("", status_code=201)
def add_feed_store(ctx: Ctx, new: FeedStoreNew) -> FeedStoreShape:
    with ctx.ledger.writing() as connection:
        if any(store.id == new.id for store in catalogue.feed_stores(connection)):
            raise HTTPException(409, f"There is a feed store '{new.id}' already.")
        check_place(catalogue.places(connection), new.place_id)
        catalogue.save_feed_store(connection, FeedStore(**new.model_dump()))
        check_limits(connection)
    tell(ctx, Subject(SubjectKind.FEED_STORE, new.id))
    return get_feed_store(ctx, new.id)


@router.get("/{store_id}")
def get_feed_store(ctx: Ctx, store_id: str) -> FeedStoreShape:
    subject = Subject(SubjectKind.FEED_STORE, store_id)
    with ctx.ledger.reading() as connection:
        survey = take_survey(connection, ctx.clock())
        conditions = alarm_store.conditions(connection, SubjectKind.FEED_STORE)
        live = live_alarms(alarm_store.alarms(connection, subject, live_only=True))
    store = survey.things.get(subject)
    if not isinstance(store, FeedStore):
        raise not_found("feed store", store_id)
    return _shape(survey, store, conditions, live, ctx.clock())


@router.patch("/{store_id}")
def change_feed_store(ctx: Ctx, store_id: str, change: FeedStoreChange) -> FeedStoreShape:
    with ctx.ledger.writing() as connection:
        stores = {store.id: store for store in catalogue.feed_stores(connection)}
        if store_id not in stores:
            raise not_found("feed store", store_id)
        values = change.model_dump(exclude_none=True)
        if "insulation_w_m2k" in change.model_fields_set:
            values["insulation_w_m2k"] = change.insulation_w_m2k  # null says something: a bare tub
        store = replace(stores[store_id], **values)
        check_place(catalogue.places(connection), store.place_id)
        catalogue.save_feed_store(connection, store)
        check_limits(connection)
    tell(ctx, Subject(SubjectKind.FEED_STORE, store_id))
    return get_feed_store(ctx, store_id)


def _shape(
    survey: Survey,
    store: FeedStore,
    conditions: Mapping[str, dict[str, object]],
    live: Mapping[Subject, list[AlarmSummary]],
    now_ms: int,
) -> FeedStoreShape:
    return FeedStoreShape(
        id=store.id,
        name=store.name,
        place_id=store.place_id,
        diameter_m=store.diameter_m,
        fill_depth_m=store.fill_depth_m,
        assumed=as_assumed(store, FeedStoreNew),
        insulation_w_m2k=store.insulation_w_m2k,
        condition=condition_shape(conditions.get(store.id)),
        alarms=live.get(Subject(SubjectKind.FEED_STORE, store.id), []),
        limits=limit_shapes(survey.limits(store, now_ms)),
    )
