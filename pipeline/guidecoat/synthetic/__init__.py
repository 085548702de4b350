"""Invented panels whose true form, highs and lows are known, and scans of them."""

from .defects import (
    Defect,
    Dimple,
    LongDent,
    Ripple,
    planted_volume_cm3,
    random_defects,
    total_displacement_mm,
)
from .panels import (
    Panel,
    TruthCrease,
    cylinder_panel,
    flat_panel,
    hull_panel,
    on_stand,
    sphere_panel,
    torus_panel,
)
from .pelham import bonnet, crowned_door, real_door, wing
from .sampling import ALONG_PANEL, Dropout, Lay, Part
from .scanning import SyntheticScan, scan_panel, to_scan
from .strays import DisplacedSkin
from .truth import distance_to_form_mm

__all__ = [
    "ALONG_PANEL",
    "Defect",
    "Dimple",
    "DisplacedSkin",
    "Dropout",
    "Lay",
    "LongDent",
    "Panel",
    "Part",
    "Ripple",
    "SyntheticScan",
    "TruthCrease",
    "bonnet",
    "crowned_door",
    "cylinder_panel",
    "distance_to_form_mm",
    "flat_panel",
    "hull_panel",
    "on_stand",
    "planted_volume_cm3",
    "random_defects",
    "real_door",
    "scan_panel",
    "sphere_panel",
    "to_scan",
    "torus_panel",
    "total_displacement_mm",
    "wing",
]
