"""Figures that several stages share; most decide on what stands off the fair surface."""

from __future__ import annotations

GUARD = 1.6449
"""One-sided 95 % quantile of the normal distribution: the guard band of ISO 14253-1 over u."""

FOOT_OF_TOLERANCE = 0.12
"""A mark reaches down to this share of the tolerance."""

FOOT_SIGMAS = 2.5
"""Or to this many sigmas of the noise, where that is more."""

FAMILY_RISK = 0.05
"""Chance that the highest of all places of a sound panel passes for a mark by noise alone."""

MM_PER_UM = 1e-3
"""Films of paint are told in micrometres."""

SEED = 20240607
"""Of what a fair surface draws by lot, so that the same scan has the same one; any would do."""
