"""Two or more scans of one panel: what was put on, taken off, mended and made worse."""

from .change import Change
from .comparing import CompareOptions, Comparison, compare_files, compare_scans
from .passes import Pass
from .progress import Stand, Track

__all__ = [
    "Change",
    "CompareOptions",
    "Comparison",
    "Pass",
    "Stand",
    "Track",
    "compare_files",
    "compare_scans",
]
