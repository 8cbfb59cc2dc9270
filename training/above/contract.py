"""What run time, renderers and trainer agree on; light to import."""

from __future__ import annotations

WORKING_MM_PER_PX = 3.0
"""Ground scale that every frame is brought to."""

MAP_STRIDE = 4
"""Working pixels per cell of the maps."""

OUTPUTS: dict[str, slice] = {
    "canopy": slice(0, 1),
    "plants": slice(1, 2),
    "tips": slice(2, 3),
    "other": slice(3, 4),
    "double": slice(4, 5),
    "to_plant": slice(5, 7),
    "tip_count": slice(7, 8),
}
"""Exported maps, in this order, and the network's channels that they are made from."""
CHANNELS = 8

SIGMA_CELLS = {"plants": 1.5, "tips": 1.0}
"""Spread of a peak in the heatmaps."""
