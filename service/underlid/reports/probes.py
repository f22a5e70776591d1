"""How the probes did: completeness, silences, faulty readings, battery and signal."""

import numpy as np

from underlid.model import Probe
from underlid.reports.held import HOUR_MS, hold, longest_ms, usual_spacing_ms
from underlid.reports.material import Material, Own
from underlid.reports.report import ProbeLine
from underlid.reports.tracks import Piece
from underlid.rules.limits import effective_limits
from underlid.rules.signals import theil_sen
from underlid.science.battery import hours_to_empty
from underlid.science.domain import FloatArray

_RECHARGE = {"V": 0.05}  # a rise of a day's mean by so much is a charge or a swap; of per cent, 5
_SIGNAL_DAYS = 7
_TOLD_DAYS = 60.0  # a battery that lasts longer is no matter yet


def probe_lines(material: Material) -> list[ProbeLine]:
    """Every probe that had a channel in place in the week."""
    pieces: dict[str, list[Piece]] = {}
    for tracks in material.tracks.values():
        for track in tracks:
            for piece in track.pieces:
                if piece.to_ms > material.week.from_ms:
                    pieces.setdefault(piece.channel.probe_id, []).append(piece)
    known = {probe.id: probe for probe in material.basis.probes}
    return [
        _line(material, known.get(id_) or Probe(id_, id_, 0), of_it) for id_, of_it in sorted(pieces.items())
    ]


def _line(material: Material, probe: Probe, pieces: list[Piece]) -> ProbeLine:
    from_ms, to_ms = material.week.from_ms, material.to_ms
    known_ms = span_ms = readings = faulty = 0
    for piece in pieces:
        begin, end = max(piece.from_ms, from_ms), min(piece.to_ms, to_ms)
        known_ms += hold(piece.meant, begin, end).known_ms
        span_ms += end - begin
        came = len(piece.series.since(from_ms))
        readings += came
        faulty += came - len(piece.meant.since(from_ms))
    heard = np.unique(np.concatenate([piece.series.since(from_ms).time_ms for piece in pieces]))
    begin = max(from_ms, min(piece.from_ms for piece in pieces))
    end = min(to_ms, max(piece.to_ms for piece in pieces))
    silences = np.diff(np.concatenate([[begin], heard, [end]]))
    spacing = usual_spacing_ms(heard)
    own = material.own.get(probe.id)
    return ProbeLine(
        id=probe.id,
        name=probe.name,
        known_pct=round(100.0 * known_ms / span_ms, 1) if span_ms else None,
        readings=readings,
        faulty=faulty,
        spacing_min=round(spacing / 60_000, 1) if len(heard) >= 3 else None,
        longest_silence_h=round(float(silences.max()) / HOUR_MS, 1),
        battery=round(float(own.battery.value[-1]), 2) if own and len(own.battery) else None,
        battery_unit=own.battery_unit if own else "",
        battery_left_days=_left_days(material, own) if own else None,
        signal_dbm=_signal(own) if own else None,
        silent_at_end=bool(silences[-1] > longest_ms(spacing)),
    )


def _left_days(material: Material, own: Own) -> float | None:
    if len(own.battery) < 3:
        return None
    limits = effective_limits(None, material.basis.farm.limits, month=material.week.days[3].month)
    empty = limits["battery_empty_v"] if own.battery_unit == "V" else 0.0
    time_h, value = own.battery.hours(int(own.battery.time_ms[-1])), own.battery.value
    if not any(_ends_soon(time_h[-days:], value[-days:], empty) for days in (len(value), 7, 3)):
        return None
    left_h = hours_to_empty(time_h, value, empty, _RECHARGE.get(own.battery_unit, 5.0))
    return None if left_h is None or left_h > _TOLD_DAYS * 24.0 else round(left_h / 24.0, 1)


def _ends_soon(time_h: FloatArray, value: FloatArray, empty: float) -> bool:
    """Whether a plain line ends within twice what is told; the judgement proper costs a hundred times this look."""
    if len(value) < 3:
        return False
    fall = -theil_sen(time_h, value)
    return fall > 0.0 and (value[-1] - empty) / fall < 2.0 * _TOLD_DAYS * 24.0


def _signal(own: Own) -> float | None:
    late = own.signal.value[-_SIGNAL_DAYS:]
    return round(float(np.median(late)), 0) if len(late) else None
