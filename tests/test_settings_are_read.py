"""No setting lies: whatever a shop changes, changes what it is told."""

from __future__ import annotations
