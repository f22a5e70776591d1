"""Water: what was given, and what it did where a probe sees it."""

import numpy as np

from underlid.model import Bin, LogEntry, Position, Quantity, Subject, SubjectKind
from underlid.reports.held import HOUR_MS
from underlid.reports.material import Material
from underlid.reports.report import Water, Wetting
from underlid.rules.limits import Limits
from underlid.science.moisture import layer_mass_kg

_AROUND_H = 6  # medians over so long before and after
_HEAVIEST_KG_M3 = 1100.0  # waterlogged (common practice, no source)


def water(material: Material, bin_: Bin) -> Water | None:
    """Water of the week and of the one before; None without any."""
    week = material.week
    log = [e for e in material.log.get(Subject(SubjectKind.BIN, bin_.id), ()) if e.kind == "wetted"]
    this_week = [e for e in log if e.at_ms >= week.from_ms]
    before = [e for e in log if week.before.from_ms <= e.at_ms < week.from_ms]
    if not this_week and not before:
        return None
    return Water(
        litres=round(sum(e.amount_l or 0.0 for e in this_week), 2),
        litres_before=round(sum(e.amount_l or 0.0 for e in before), 2),
        wettings=[_wetting(material, bin_, e) for e in this_week],
    )


def _wetting(material: Material, bin_: Bin, wetted: LogEntry) -> Wetting:
    subject, limits = Subject(SubjectKind.BIN, bin_.id), material.limits(bin_)
    position = next(
        (p for p in (Position.TOP, Position.CORE) if material.track(subject, p, Quantity.MOISTURE)), None
    )
    before = after = expected = None
    if position is not None:
        track = material.track(subject, position, Quantity.MOISTURE)
        assert track is not None
        series = track.series()
        settled_ms = wetted.at_ms + round(limits["settle_h"] * HOUR_MS)
        around_ms = _AROUND_H * HOUR_MS
        dry = series.since(wetted.at_ms - around_ms).until(wetted.at_ms - 1).value
        wet = series.since(settled_ms).until(min(settled_ms + around_ms, material.to_ms)).value
        before = float(np.median(dry)) if len(dry) else None
        after = float(np.median(wet)) if len(wet) else None
        if before is not None and wetted.amount_l:
            expected = _gain_pct(bin_, limits, before, wetted.amount_l)
    gained = after - before if after is not None and before is not None else None
    return Wetting(
        at=wetted.at_ms,
        litres=wetted.amount_l,
        position=position,
        before_pct=None if before is None else round(before, 2),
        after_pct=None if after is None else round(after, 2),
        gained_pct=None if gained is None else round(gained, 2),
        expected_pct=None if expected is None else round(expected, 2),
    )


def _gain_pct(bin_: Bin, limits: Limits, pct_wb: float, litres: float) -> float:
    """By how much the water raises the moisture of the layer it is poured on, all of it kept there."""
    dry_kg_m3 = limits["bedding_dry_density_kg_m3"]
    wet_kg_m3 = min(dry_kg_m3 / max(1.0 - pct_wb / 100.0, 0.01), _HEAVIEST_KG_M3)
    depth_m = min(bin_.depth_m / 3.0, limits["top_layer_m"])
    mass_kg = float(layer_mass_kg(bin_.length_m * bin_.width_m, depth_m, wet_kg_m3))
    return 100.0 * (mass_kg * pct_wb / 100.0 + litres) / (mass_kg + litres) - pct_wb
