"""What the keeper did in the weeks before "now", so that there is something to see.

Routine (feeding every third or fourth day, a can of water, a fork) comes from a seed; the scenes are told by
hand. A `Deed` is a log entry to be: what a keeper does by the state of the bin ("wet it to 74 %") gets its
litres when the past is played.
"""

from dataclasses import dataclass

import numpy as np

from underlid.demo.farm import DRY_BIN, DRYING_BIN, FREEZING_TUB, FROZEN_TUB, HEATING_BIN, LEAN_TO, DemoFarm
from underlid.demo.weather import HOUR_MS
from underlid.model import Bin, LogKind, Subject, SubjectKind

ROUTINE_ENDS_H = 20.0  # the last routine round lies at least this far back


@dataclass(frozen=True, slots=True)
class Deed:
    """`hours` before now. With `wet_to_pct_wb` the litres are those that bring the top there."""

    hours: float
    subject: Subject
    kind: LogKind
    amount_kg: float | None = None
    amount_l: float | None = None
    wet_to_pct_wb: float | None = None
    what: str = ""
    corner: str = ""
    note: str = ""

    def at_ms(self, now_ms: int) -> int:
        return now_ms - round(self.hours * HOUR_MS)


_CORNERS = ("north-west", "north-east", "south-east", "south-west")
_KEPT_AT_PCT_WB = {DRY_BIN: 70.0, DRYING_BIN: 73.0}
_DISHES = ("vegetable trimmings", "coffee grounds and trimmings", "trimmings and some pomace")


def the_story(farm: DemoFarm, days: float, seed: int) -> tuple[Deed, ...]:
    """All deeds of the last `days`, oldest first."""
    deeds = [*_scenes()]
    for index, bin_ in enumerate(farm.bins):
        deeds += _routine(bin_, days, [seed, 83, index])
    return tuple(sorted((d for d in deeds if d.hours <= days * 24.0), key=lambda d: -d.hours))


def _routine(bin_: Bin, days: float, seed: list[int]) -> list[Deed]:
    rng = np.random.default_rng(seed)
    subject = Subject(SubjectKind.BIN, bin_.id)
    appetite = bin_.worm_kg * (0.5 if bin_.place_id == LEAN_TO else 1.0)  # worms eat less in the cold
    last_h = {DRY_BIN: 120.0, DRYING_BIN: 118.0, HEATING_BIN: 90.0}.get(subject.id, ROUTINE_ENDS_H)
    deeds: list[Deed] = []
    hours = float(rng.uniform(24.0, 80.0))
    round_ = 0
    while hours < days * 24.0:
        if hours >= last_h:
            every = hours / 24.0
            ration = round(float(appetite * rng.uniform(1.6, 2.3)), 1)
            dish = _DISHES[int(rng.integers(len(_DISHES)))]
            deeds.append(
                Deed(
                    hours,
                    subject,
                    "fed",
                    amount_kg=ration,
                    what=dish,
                    corner=_CORNERS[round_ % len(_CORNERS)],
                )
            )
            if round_ % 3 == 1:
                deeds.append(
                    Deed(
                        hours - 0.1,
                        subject,
                        "wetted",
                        wet_to_pct_wb=_KEPT_AT_PCT_WB.get(bin_.id, 77.0),
                        what="rain water",
                    )
                )
            if round_ % 5 == 3:
                deeds.append(
                    Deed(hours - 0.2, subject, "turned", note=f"forked over, last time {every:.0f} days ago")
                )
            round_ += 1
        hours += float(rng.uniform(62.0, 98.0))
    return deeds


def _scenes() -> list[Deed]:
    def in_bin(bin_id: str) -> Subject:
        return Subject(SubjectKind.BIN, bin_id)

    def tub(tub_id: str) -> Subject:
        return Subject(SubjectKind.FEED_STORE, tub_id)

    return [
        # One top dries behind a lid left propped open, and nobody has looked since.
        Deed(122.0, in_bin(DRY_BIN), "wetted", wet_to_pct_wb=77.0, what="rain water"),
        Deed(121.5, in_bin(DRY_BIN), "lid", what="propped open", note="fruit flies under the lid"),
        # Another was wetter, opened half a day later, and is close behind.
        Deed(114.5, in_bin(DRYING_BIN), "wetted", wet_to_pct_wb=77.6, what="rain water"),
        Deed(114.0, in_bin(DRYING_BIN), "lid", what="propped open", note="mites on the rim, airing it"),
        # A large fresh feeding at the café's closing time.
        Deed(
            21.2,
            in_bin(HEATING_BIN),
            "fed",
            amount_kg=5.7,
            what="coffee grounds and apple pomace",
            corner="south-east",
            note="the whole bucket, no time to split it",
        ),
        Deed(21.5, in_bin(HEATING_BIN), "seen", what="last pocket gone, worms at the surface"),
        # Two tubs in the frost.
        Deed(124.0, tub(FROZEN_TUB), "seen", amount_kg=10.0, what="emptied, then filled with apple pomace"),
        Deed(
            34.0,
            tub(FREEZING_TUB),
            "seen",
            amount_kg=46.0,
            what="emptied, then filled with vegetable trimmings",
        ),
        # And calm husbandry.
        Deed(216.0, in_bin("mulberry"), "harvest", amount_kg=9.0, what="castings from the base"),
        Deed(214.0, in_bin("mulberry"), "bedding", amount_kg=2.0, what="shredded card, soaked"),
        Deed(190.0, in_bin("alder"), "seen", what="many cocoons under the mat"),
        Deed(
            95.0,
            in_bin("rowan"),
            "bedding",
            amount_kg=3.0,
            what="leaf mould, damp",
            note="a blanket against the frost",
        ),
        Deed(70.0, in_bin("elder"), "seen", what="all well", note="probe does not answer, battery?"),
        Deed(26.0, in_bin("walnut"), "seen", what="worms deep, feed half gone"),
    ]
