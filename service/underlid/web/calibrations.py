"""Calibrating a raw moisture channel: is it steady, what would the curve be, keep it."""

import math

import numpy as np
from fastapi import APIRouter, HTTPException

from underlid.calibrate import HOUR_MS, curve, recompute, steadiness
from underlid.model import CalibrationPoint, CalibrationRecord, Channel, Quantity
from underlid.science.calibration import oven_point
from underlid.store import calibrations, catalogue
from underlid.store.ledger import Connection
from underlid.survey import CLOCK_AHEAD_MS
from underlid.web.context import Context, Ctx
from underlid.web.edge import Id, milliseconds
from underlid.web.problems import not_found
from underlid.web.shapes import (
    CalibrationNew,
    CalibrationShape,
    CurveShape,
    Page,
    PointNew,
    PointShape,
    SteadinessShape,
)

router = APIRouter(prefix="/channels/{channel_id}", tags=["channels"])

GIVEN_SD_PCT = 2.0  # of a moisture the keeper gives by hand: common practice, no source
CURVE_POINTS = 60


@router.get("/steadiness")
def get_steadiness(ctx: Ctx, channel_id: Id) -> SteadinessShape:
    """Whether the raw readings stand still enough to take a point from them."""
    with ctx.ledger.reading() as connection:
        _raw_channel(connection, channel_id)
    now_ms = ctx.clock()
    raw, scatter, steady, words = steadiness(
        ctx.readings.window(channel_id, now_ms - HOUR_MS, now_ms), now_ms
    )
    return SteadinessShape(
        raw=None if math.isnan(raw) else raw,
        scatter=None if math.isnan(scatter) else scatter,
        steady=steady,
        words=words,
    )


@router.get("/calibrations")
def list_calibrations(ctx: Ctx, channel_id: Id) -> Page[CalibrationShape]:
    """Every version, newest first."""
    with ctx.ledger.reading() as connection:
        _raw_channel(connection, channel_id)
        records = calibrations.records(connection, channel_id)
    return Page(items=[_shape(record) for record in reversed(records)])


@router.post("/calibrations/preview")
def preview(ctx: Ctx, channel_id: Id, new: CalibrationNew) -> CalibrationShape:
    """The curve that points would give; nothing is kept."""
    with ctx.ledger.reading() as connection:
        _raw_channel(connection, channel_id)
    record = _record(ctx, channel_id, 0, None, new)
    return _shape(record)


@router.post("/calibrations", status_code=201)
def add_calibration(ctx: Ctx, channel_id: Id, new: CalibrationNew) -> CalibrationShape:
    """Keep a calibration as the next version; its moisture is a channel of the same probe in the same place."""
    _shape(_record(ctx, channel_id, 0, None, new))  # refuses what gives no curve before anything is kept
    with ctx.ledger.writing() as connection:
        raw = _raw_channel(connection, channel_id)
        moisture = catalogue.register_channel(connection, raw.probe_id, raw.name, "%", Quantity.MOISTURE)
        own = [c for c in catalogue.channels(connection) if c.probe_id == raw.probe_id]
        temps = [c.id for c in own if c.quantity is Quantity.TEMPERATURE]
        record = _record(ctx, channel_id, moisture.id, temps[0] if len(temps) == 1 else None, new)
        record = calibrations.add(connection, record)
        sits = {p.channel_id: p for p in catalogue.placements(connection, now_only=True)}
        if raw.id in sits and moisture.id not in sits:
            place = sits[raw.id]
            catalogue.place_channel(connection, moisture.id, place.subject, place.position, place.from_ms)
    ctx.calibrated()
    if record.from_ms < ctx.clock():
        recompute(record, ctx.readings, ctx.clock() + CLOCK_AHEAD_MS)
    ctx.everything_changed()
    ctx.nudge("probe", raw.probe_id)
    return _shape(record)


def _record(
    ctx: Context, channel_id: int, moisture_id: int, temp_id: int | None, new: CalibrationNew
) -> CalibrationRecord:
    now_ms = ctx.clock()
    from_ms = milliseconds(new.since) if new.since else now_ms
    if new.apply_to_past:
        first_ms = ctx.readings.first_ms([channel_id])
        from_ms = now_ms if first_ms is None else first_ms
    return CalibrationRecord(
        id=0,
        channel_id=channel_id,
        moisture_id=moisture_id,
        version=0,
        made_ms=now_ms,
        from_ms=from_ms,
        points=tuple(_point(point) for point in new.points),
        temp_coeff=new.temp_coeff,
        temp_id=temp_id,
    )


def _point(new: PointNew) -> CalibrationPoint:
    if new.oven is None:
        assert new.pct_wb is not None
        return CalibrationPoint(new.raw, new.pct_wb, GIVEN_SD_PCT, "given", new.temp_c)
    try:
        found = oven_point(new.oven.before_g, new.oven.after_g, new.oven.tare_g)
    except ValueError as error:
        raise HTTPException(422, f"{error}") from error
    return CalibrationPoint(new.raw, found.pct_wb, found.sd_pct, "oven", new.temp_c)


def _shape(record: CalibrationRecord) -> CalibrationShape:
    try:
        fitted = curve(record)
    except ValueError as error:
        raise HTTPException(422, f"{error}") from error
    margin = 0.1 * (fitted.raw[-1] - fitted.raw[0])
    raw = np.linspace(fitted.raw[0] - margin, fitted.raw[-1] + margin, CURVE_POINTS)
    values, _ = fitted.apply(raw)
    return CalibrationShape(
        version=record.version,
        made=record.made_ms,
        since=record.from_ms,
        points=[
            PointShape(raw=p.raw, pct_wb=p.pct_wb, sd_pct=p.sd_pct, how=p.how, temp_c=p.temp_c)
            for p in record.points
        ],
        temp_coeff=record.temp_coeff,
        moisture_channel=record.moisture_id or None,
        curve=CurveShape(raw=raw.tolist(), pct_wb=values.tolist(), sd_pct=fitted.uncertainty(raw).tolist()),
    )


def _raw_channel(connection: Connection, channel_id: int) -> Channel:
    for channel in catalogue.channels(connection):
        if channel.id == channel_id:
            if channel.quantity is not Quantity.MOISTURE_RAW:
                raise HTTPException(
                    422, f"Channel {channel_id} gives {channel.quantity}; only raw moisture is calibrated."
                )
            return channel
    raise not_found("channel", channel_id)
