"""Heat balance of a feed pocket, the bedding around it and the room, with food that rots faster the warmer it is.

Two bodies: the pocket P (the feed and the bedding that warms with it) and the bin B around it.

    C_P dT_P/dt = W - U (T_P - T_B)            C_B dT_B/dt = U (T_P - T_B) - k C_B (T_B - T_room - q) + W_old
    dS/dt = -r f(T_P) a S w                    da/dt = g f(T_P) a (1 - a)               W = -E m dS/dt

S is the share of the feed (m kg) not yet rotted, a how far microbes have grown on it, f Haug's temperature factor. Food
of earlier feedings rots on: in the old pocket until the feeding, in the bin from then on (W_old). All of it shares the
air that gets in: w = 1 / (1 + heat wanted / heat that the air allows). Many sets of constants run side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from underlid.science.domain import FloatArray

_CP_WH_PER_KG_K = 0.93  # 3.35 kJ/kg/K: 75 % water (Earle, Unit Operations in Food Processing, app. 7)
_CONDUCTIVITY_W_PER_M_K = 0.5  # the same, 0.26 to 0.55 by water
_POCKET_KG_PER_M3 = 700.0  # moist bedding: common practice, no source
_FASTEST_PER_H = 1.0  # bodies that level out faster than an hour's step shows are one body

# Constants of a bin and its kind of feed: name, median, standard deviation of the logarithm. Wide on purpose.
BIN = (
    ("heat_wh_per_kg", 700.0, 0.6),  # wet feed with 0.1 to 0.4 degradable, 14 to 23 MJ/kg of it (Haug 1993)
    ("decay_per_h", 0.008, 0.6),  # 0.2 a day at 20 C: fresh food; 0.01 to 0.1 a day is the whole of a compost
    ("growth_per_h", 0.2, 0.4),  # of microbes at 20 C, doubling in 6 h: common practice, no source
    ("start", 0.05, 0.7),  # share of their final activity at the feeding: common practice, no source
    ("air_w", 15.0, 0.6),  # oxygen through 0.1 m of bedding at 1e-6 to 5e-6 m2/s, 14 kJ/g: some 10 to 50 W
    ("bedding_kg", 2.0, 0.5),  # that warms with the feed: common practice, no source
    ("contact", 2.0, 0.5),  # exchange over that of a sphere in an endless still body, 4 pi r conductivity
    ("bin_kg", 25.0, 0.6),  # bedding around that warms too: common practice, no source
    ("cooling_per_h", 0.06, 0.5),  # of the bin around; the median is the cooling constant that was measured
    ("left", 0.3, 1.0),  # of earlier feedings, as a share of this one: common practice, no source
    ("standing_c", 0.0, 2.0),  # bin without food over the room (evaporation, probes); not a logarithm
)
# What each feeding has of its own: standard deviation around the bin's (of the logarithm unless in C)
OWN = (
    ("heat", 0.0, 0.12),
    ("bedding", 0.0, 0.25),
    ("left", 0.0, 0.6),
    ("pocket_over_bin_c", 0.7, 1.0),  # at the first reading
    ("standing_c", 0.0, 0.8),
    ("fresh_c", 0.0, 0.4),  # feed not as warm as the room, the probe not in its middle
)
BINS, OWNS = len(BIN), len(OWN)
HEAT, START, COOLING, STANDING = 0, 3, 8, 10
LOGARITHMS: FloatArray = np.array(
    [not name.endswith("_c") for name, _, _ in BIN] + [not name.endswith("_c") for name, _, _ in OWN]
)
BIN_MEAN: FloatArray = np.array([m if name.endswith("_c") else np.log(m) for name, m, _ in BIN])
BIN_SD: FloatArray = np.array([sd for _, _, sd in BIN])
OWN_MEAN: FloatArray = np.array([m for _, m, _ in OWN])
OWN_SD: FloatArray = np.array([sd for _, _, sd in OWN])


def temperature_factor(temp_c: FloatArray) -> FloatArray:
    """How fast food rots against 20 C: 1.066^(T - 20) - 1.21^(T - 60), not below 0 (Haug 1993, from memory)."""
    t = np.minimum(temp_c, 80.0)
    return np.asarray(np.maximum(np.exp(_WARM * (t - 20.0)) - np.exp(_HOT * (t - 60.0)), 0.0))


_WARM, _HOT = float(np.log(1.066)), float(np.log(1.21))


@dataclass(frozen=True, slots=True)
class Course:
    """What happened at each hour and in each set of constants.

    pocket_c, bin_c: (hours + 2, sets): hourly from `lead_h` before the feeding until after it, the hour of the feeding
    twice, before and after it. heat_wh: (sets,) set free since the feeding by all food; pocket_kg, bin_kg: (sets,).
    """

    pocket_c: FloatArray
    bin_c: FloatArray
    heat_wh: FloatArray
    pocket_kg: FloatArray
    bin_kg: FloatArray


def run(
    constants: FloatArray,
    feed_kg: FloatArray,
    first_c: FloatArray,
    from_h: FloatArray,
    room_c: FloatArray,
    lead_h: int,
) -> Course:
    """Follow the balance hour by hour (Heun's method).

    constants: (BINS + OWNS, sets), those of the bin and then the feeding's own; feed_kg: (sets,); first_c, from_h:
    (sets,) the pocket's temperature at an hour at or before the feeding (-lead_h .. 0), where the course begins;
    room_c: (hours + 1, sets), hourly from -lead_h.
    """
    heat, decay, growth, start, air, bedding, contact, bin_kg, cooling, left = np.exp(constants[: BINS - 1])
    own = constants[BINS:]
    heat = heat * np.exp(own[0]) * feed_kg
    bedding = bedding * np.exp(own[1])
    around = room_c + (constants[STANDING] + own[4])
    mass = feed_kg + bedding
    radius = np.cbrt(3.0 * mass / _POCKET_KG_PER_M3 / (4.0 * np.pi))
    pocket_wh, bin_wh = _CP_WH_PER_KG_K * mass, _CP_WH_PER_KG_K * bin_kg
    exchange = contact * 4.0 * np.pi * radius * _CONDUCTIVITY_W_PER_M_K
    exchange = np.minimum(exchange, _FASTEST_PER_H / (1.0 / pocket_wh + 1.0 / bin_wh))
    warms_pocket, warms_bin, wants = heat / pocket_wh, heat / bin_wh, heat / air
    to_bin, from_pocket = exchange / bin_wh, exchange / pocket_wh

    def before(x: FloatArray, outside: FloatArray) -> FloatArray:
        rots = decay * temperature_factor(x[0]) * x[3]
        rots /= 1.0 + rots * wants
        over = x[0] - x[1]
        return np.array(
            [
                warms_pocket * rots - from_pocket * over,
                to_bin * over - cooling * (x[1] - outside),
                none,
                -rots,
                none,
            ]
        )

    def after(x: FloatArray, outside: FloatArray) -> FloatArray:
        factor = temperature_factor(x[:2])
        fresh = factor[0] * x[2]
        grows = growth * fresh * (1.0 - x[2])
        fresh *= decay * x[4]
        old = decay * factor[1] * x[3]
        breath = 1.0 / (1.0 + (fresh + old) * wants)
        fresh *= breath
        old *= breath
        over = x[0] - x[1]
        return np.array(
            [
                warms_pocket * fresh - from_pocket * over,
                warms_bin * old + to_bin * over - cooling * (x[1] - outside),
                grows,
                -old,
                -fresh,
            ]
        )

    none = np.zeros_like(mass)
    # pocket, bin, activity on the feed, old food, feed
    x = np.array([first_c + none, first_c - own[3], start / (1.0 + start), left * np.exp(own[2]), none + 1.0])
    shown = np.empty((len(room_c) + 1, 2, len(mass)))
    shown[0] = x[:2]
    for i in range(lead_h):
        slope = before(x, around[i])
        slope = 0.5 * (slope + before(x + slope, around[i + 1]))
        x = np.maximum(x + slope * (i - lead_h >= from_h), _LEAST)
        shown[i + 1] = x[:2]
    # the old pocket joins the bin; feed as warm as the room goes in with bedding from there
    x[1] += (x[0] - x[1]) * mass / (mass + bin_kg)
    x[0] = (bedding * x[1] + feed_kg * room_c[lead_h]) / mass + own[5]
    food = x[3] + x[4]
    shown[lead_h + 1] = x[:2]
    for i in range(lead_h, len(room_c) - 1):
        slope = after(x, around[i])
        x = np.maximum(x + 0.5 * (slope + after(x + slope, around[i + 1])), _LEAST)
        shown[i + 2] = x[:2]
    return Course(shown[:, 0], shown[:, 1], heat * (food - x[3] - x[4]), mass, bin_kg)


_LEAST: FloatArray = np.array([[-273.15], [-273.15], [0.0], [0.0], [0.0]])
