"""How much bedding there is."""

from underlid.model import Bin
from underlid.rules.situation import Situation
from underlid.science.moisture import layer_mass_kg

_HEAVIEST_KG_M3 = 1100.0  # waterlogged (common practice, no source): no volume holds more


def mass_kg(situation: Situation, depth_m: float, pct_wb: float) -> float:
    """Wet mass of a layer of the bin at a moisture.

    Drying takes water, not volume: the mass is that of the layer's dry matter and the water it has now.
    """
    bin_ = situation.thing
    assert isinstance(bin_, Bin)
    dry_kg_m3 = situation.limits["bedding_dry_density_kg_m3"]
    wet_kg_m3 = min(dry_kg_m3 / max(1.0 - pct_wb / 100.0, 0.01), _HEAVIEST_KG_M3)
    return layer_mass_kg(bin_.length_m * bin_.width_m, depth_m, wet_kg_m3)
