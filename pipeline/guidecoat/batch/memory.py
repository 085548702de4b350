"""How much memory a scan needs, from its size, before anything of it is read."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import PurePosixPath

from .places import FoundFile, read_start

# Measured, all files written, in a worker that has done a few jobs before, 50 MB its own included:
# checks of 15 thousand, 1 and 4 million points 505, 600 and 765 MB, of a mesh of 1 million 730 MB;
# comparisons of twice 30 thousand and twice 0.9 million points 605 and 920 MB.
BASE_MB = 640.0
BYTES_PER_POINT = 160.0
# Triangles come along as three indices each, about two to a point, and are written again.
BYTES_PER_FILE_BYTE = 2.0
# Files written for one scan: its points again with colour and result, the mesh and the pages.
OUTPUT_BYTES_PER_POINT = 60.0
OUTPUT_BASE_BYTES = 16e6

_HEADER_BYTES = 1 << 14
# The fewest bytes a point takes in each kind of file; text takes more, which errs to safety.
_LEAST_BYTES = {".ply": 6, ".stl": 25, ".obj": 20, ".pcd": 12}
_LEAST_BYTES_OF_TEXT = 12


def points_in(file: FoundFile) -> int:
    """How many points a scan file holds: what a PLY header says, else at most what fits its size.

    A file that cannot be read counts as its size says; reading it will give the reason.
    """
    suffix = PurePosixPath(file.relative).suffix.lower()
    most = file.size // _LEAST_BYTES.get(suffix, _LEAST_BYTES_OF_TEXT)
    if suffix == ".ply":
        try:
            start = read_start(file.address, _HEADER_BYTES)
        except OSError:
            return most
        stated = re.search(rb"element\s+vertex\s+(\d{1,15})\s", start)
        if stated is not None:
            return min(int(stated[1]), most)
    return most


def memory_needed_mb(points: Sequence[int], sizes: Sequence[int]) -> float:
    """Memory in MB that a job needs at its peak, from the points and bytes of its scans."""
    of_points = sum(points) * BYTES_PER_POINT
    return BASE_MB + (of_points + sum(sizes) * BYTES_PER_FILE_BYTE) / 1e6


def output_bytes(points: int) -> int:
    """Room a job's result takes on the disk, at most."""
    return int(OUTPUT_BASE_BYTES + points * OUTPUT_BYTES_PER_POINT)
