"""Text made fit for any output, without loading what a check needs."""

from __future__ import annotations


def shown(text: str) -> str:
    """A name made fit for any output: one line, and valid Unicode whatever the file system held."""
    clean = text.encode("utf-8", "replace").decode("utf-8")
    return "".join(c if c.isprintable() else " " for c in clean)
