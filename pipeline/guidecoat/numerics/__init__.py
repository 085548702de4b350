"""Numerical tools that know nothing of panels."""
