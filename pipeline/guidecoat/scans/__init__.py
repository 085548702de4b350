"""Scans in memory and how they get there."""
