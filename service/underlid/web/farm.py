"""The farm, its places and bins, and what feed stores share with them."""

from dataclasses import replace
from datetime import datetime
from typing import Annotated
from zoneinfo import available_timezones

from fastapi import APIRouter, HTTPException, Query

import underlid
from underlid.model import Alarm, Bin, Farm, FeedStore, Place, Subject, SubjectKind
from underlid.rules.limits import SPECIES, Limits, effective_limits
from underlid.store import alarms as alarm_store
from underlid.store import catalogue
from underlid.store.ledger import Connection
from underlid.survey import CLOCK_AHEAD_MS, take_survey
from underlid.web.context import Context, Ctx
from underlid.web.edge import milliseconds, page_of
from underlid.web.problems import not_found
from underlid.web.shapes import (
    AlarmSummary,
    BinChange,
    BinNew,
    BinShape,
    BinSummary,
    ConditionShape,
    FarmChange,
    FarmShape,
    FeedStoreNew,
    LimitShape,
    Page,
    PlaceChange,
    PlaceNew,
    PlaceShape,
)

router = APIRouter()

Limit = Annotated[int, Query(ge=1, le=1000)]


@router.get("/farm", tags=["farm"])
def get_farm(ctx: Ctx) -> FarmShape:
    with ctx.ledger.reading() as connection:
        return _farm_shape(ctx, _farm(catalogue.farm(connection)))


@router.patch("/farm", tags=["farm"])
def change_farm(ctx: Ctx, change: FarmChange) -> FarmShape:
    if change.time_zone is not None and change.time_zone not in available_timezones():
        raise HTTPException(422, f"'{change.time_zone}' is not an IANA time zone, for example Europe/Vienna.")
    with ctx.ledger.writing() as connection:
        farm = _farm(catalogue.farm(connection))
        farm = replace(farm, **change.model_dump(exclude_none=True))
        catalogue.save_farm(connection, farm)
        check_limits(connection)
    ctx.everything_changed()
    ctx.nudge("farm", "")
    return _farm_shape(ctx, farm)


@router.get("/limits", tags=["farm"])
def get_limits(ctx: Ctx, place: str | None = None) -> list[LimitShape]:
    """What a bin of the usual species that has no limits of its own is judged by, in the farm or in one place."""
    with ctx.ledger.reading() as connection:
        where = _place(catalogue.places(connection), place) if place is not None else None
        return limit_shapes(take_survey(connection, ctx.clock()).usual_limits(where, ctx.clock()))


@router.get("/places", tags=["places"])
def list_places(ctx: Ctx, limit: Limit = 500, after: str | None = None) -> Page[PlaceShape]:
    with ctx.ledger.reading() as connection:
        places = catalogue.places(connection)
        conditions = alarm_store.conditions(connection, SubjectKind.PLACE)
    chosen, following = page_of(places, lambda place: place.id, limit, after)
    return Page(items=[_place_shape(place, conditions.get(place.id)) for place in chosen], next=following)


@router.post("/places", status_code=201, tags=["places"])
def add_place(ctx: Ctx, new: PlaceNew) -> PlaceShape:
    with ctx.ledger.writing() as connection:
        if any(place.id == new.id for place in catalogue.places(connection)):
            raise HTTPException(409, f"There is a place '{new.id}' already.")
        place = Place(new.id, new.name, new.outdoors)
        catalogue.save_place(connection, place)
    tell(ctx, Subject(SubjectKind.PLACE, place.id))
    return _place_shape(place, None)


@router.get("/places/{place_id}", tags=["places"])
def get_place(ctx: Ctx, place_id: str) -> PlaceShape:
    with ctx.ledger.reading() as connection:
        place = _place(catalogue.places(connection), place_id)
        conditions = alarm_store.conditions(connection, SubjectKind.PLACE)
    return _place_shape(place, conditions.get(place_id))


@router.patch("/places/{place_id}", tags=["places"])
def change_place(ctx: Ctx, place_id: str, change: PlaceChange) -> PlaceShape:
    with ctx.ledger.writing() as connection:
        place = _place(catalogue.places(connection), place_id)
        catalogue.save_place(connection, replace(place, **change.model_dump(exclude_none=True)))
        check_limits(connection)
    ctx.everything_changed()  # all that is in it
    ctx.nudge("place", place_id)
    return get_place(ctx, place_id)


@router.get("/bins", tags=["bins"])
def list_bins(ctx: Ctx, limit: Limit = 500, after: str | None = None) -> Page[BinSummary]:
    with ctx.ledger.reading() as connection:
        bins = catalogue.bins(connection)
        conditions = alarm_store.conditions(connection, SubjectKind.BIN)
        live = live_alarms(alarm_store.alarms(connection, live_only=True))
    chosen, following = page_of(bins, lambda bin_: bin_.id, limit, after)
    items = [
        BinSummary(
            id=bin_.id,
            name=bin_.name,
            place_id=bin_.place_id,
            species=bin_.species,
            condition=condition_shape(conditions.get(bin_.id)),
            alarms=live.get(Subject(SubjectKind.BIN, bin_.id), []),
        )
        for bin_ in chosen
    ]
    return Page(items=items, next=following)


@router.post("/bins", status_code=201, tags=["bins"])
def add_bin(ctx: Ctx, new: BinNew) -> BinShape:
    _check_species(new.species)
    with ctx.ledger.writing() as connection:
        if any(bin_.id == new.id for bin_ in catalogue.bins(connection)):
            raise HTTPException(409, f"There is a bin '{new.id}' already.")
        check_place(catalogue.places(connection), new.place_id)
        values = new.model_dump(exclude={"started"})
        started_ms = _begun_ms(ctx, new.started) if new.started else ctx.clock()
        catalogue.save_bin(connection, Bin(**values, started_ms=started_ms))
        check_limits(connection)
    tell(ctx, Subject(SubjectKind.BIN, new.id))
    return get_bin(ctx, new.id)


@router.get("/bins/{bin_id}", tags=["bins"])
def get_bin(ctx: Ctx, bin_id: str) -> BinShape:
    subject = Subject(SubjectKind.BIN, bin_id)
    with ctx.ledger.reading() as connection:
        survey = take_survey(connection, ctx.clock())
        bin_ = _bin(connection, bin_id)
        conditions = alarm_store.conditions(connection, SubjectKind.BIN)
        live = live_alarms(alarm_store.alarms(connection, subject, live_only=True))
    return BinShape(
        id=bin_.id,
        name=bin_.name,
        place_id=bin_.place_id,
        species=bin_.species,
        condition=condition_shape(conditions.get(bin_id)),
        alarms=live.get(subject, []),
        length_m=bin_.length_m,
        width_m=bin_.width_m,
        depth_m=bin_.depth_m,
        worm_kg=bin_.worm_kg,
        assumed=as_assumed(bin_, BinNew),
        started=bin_.started_ms,
        limits=limit_shapes(survey.limits(bin_, ctx.clock())),
        own_limits=dict(bin_.limits),
    )


@router.patch("/bins/{bin_id}", tags=["bins"])
def change_bin(ctx: Ctx, bin_id: str, change: BinChange) -> BinShape:
    subject = Subject(SubjectKind.BIN, bin_id)
    values = change.model_dump(exclude_none=True, exclude={"started"})
    if change.species is not None:
        _check_species(change.species)
    if change.started is not None:
        values["started_ms"] = _begun_ms(ctx, change.started)
    with ctx.ledger.writing() as connection:
        bin_ = replace(_bin(connection, bin_id), **values)
        check_place(catalogue.places(connection), bin_.place_id)
        catalogue.save_bin(connection, bin_)
        check_limits(connection)
    tell(ctx, subject)
    return get_bin(ctx, bin_id)


def _farm(farm: Farm | None) -> Farm:
    assert farm is not None, "the farm is made when the service starts"
    return farm


def _farm_shape(ctx: Context, farm: Farm) -> FarmShape:
    return FarmShape(
        name=farm.name,
        time_zone=farm.time_zone,
        now=ctx.clock(),
        speed=ctx.speed,
        broker=ctx.broker,
        version=underlid.__version__,
        limits=dict(farm.limits),
    )


def _place_shape(place: Place, body: dict[str, object] | None) -> PlaceShape:
    return PlaceShape(
        id=place.id,
        name=place.name,
        outdoors=place.outdoors,
        limits=dict(place.limits),
        condition=condition_shape(body),
    )


def condition_shape(body: dict[str, object] | None) -> ConditionShape | None:
    return ConditionShape.model_validate(body) if body else None


def live_alarms(alarms: list[Alarm]) -> dict[Subject, list[AlarmSummary]]:
    by_subject: dict[Subject, list[AlarmSummary]] = {}
    for alarm in alarms:
        if alarm.finding is not None:
            by_subject.setdefault(alarm.subject, []).append(alarm_summary(alarm))
    return by_subject


def alarm_summary(alarm: Alarm) -> AlarmSummary:
    finding = alarm.finding
    assert finding is not None
    return AlarmSummary(
        id=alarm.id,
        rule=alarm.rule,
        state=alarm.state,
        priority=finding.priority,
        forecast=finding.forecast,
        headline=finding.headline,
        advice=finding.advice,
        eta_h=finding.eta_h,
        changed=alarm.changed_ms,
    )


def _bin(connection: Connection, bin_id: str) -> Bin:
    for bin_ in catalogue.bins(connection):
        if bin_.id == bin_id:
            return bin_
    raise not_found("bin", bin_id)


def _check_species(species: str) -> None:
    if species not in SPECIES:
        raise HTTPException(422, f"Species '{species}' is not known; known are {', '.join(SPECIES)}.")


def _begun_ms(ctx: Context, started: datetime) -> int:
    started_ms = milliseconds(started)
    if started_ms > ctx.clock() + CLOCK_AHEAD_MS:
        raise HTTPException(422, "'started' lies in the future; a bin is started now or was so earlier.")
    return started_ms


def as_assumed(thing: Bin | FeedStore, new: type[BinNew] | type[FeedStoreNew]) -> list[str]:
    """Sizes and masses that stand at what is assumed where none is given; whether they were given, nobody kept."""
    return [
        name
        for name, row in new.model_fields.items()
        if name.endswith(("_m", "_kg")) and getattr(thing, name) == row.default
    ]


def _place(places: list[Place], place_id: str) -> Place:
    for place in places:
        if place.id == place_id:
            return place
    raise not_found("place", place_id)


def check_place(places: list[Place], place_id: str) -> None:
    if all(place.id != place_id for place in places):
        known = ", ".join(place.id for place in places) or "none yet; add one first"
        raise HTTPException(422, f"There is no place '{place_id}'; known: {known}.")


def check_limits(connection: Connection) -> None:
    """Raises a 422, and so takes back the change before it, where limits can't be or contradict each other."""
    farm = catalogue.farm(connection)
    assert farm is not None
    places = {place.id: place for place in catalogue.places(connection)}
    things: list[Bin | FeedStore] = [*catalogue.bins(connection), *catalogue.feed_stores(connection)]
    where = "for the whole farm"
    try:
        effective_limits(None, farm.limits)
        for place in places.values():
            where = f"in {place.name}"
            effective_limits(None, farm.limits, place.limits)
        for thing in things:
            where = f"for {thing.name}"
            species = thing.species if isinstance(thing, Bin) else None
            effective_limits(species, farm.limits, places[thing.place_id].limits, thing.limits)
    except ValueError as error:
        raise HTTPException(422, f"Limits {where}: {error}.") from error


def limit_shapes(limits: Limits) -> list[LimitShape]:
    return [
        LimitShape(
            name=row.name,
            value=row.value,
            unit=row.unit,
            origin=row.origin,
            source=row.source,
            season=row.season,
        )
        for row in limits
    ]


def tell(ctx: Context, subject: Subject) -> None:
    ctx.subject_changed(subject)
    ctx.nudge(subject.kind.value, subject.id)
