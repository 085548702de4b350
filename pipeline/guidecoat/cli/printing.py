"""What goes to standard output: lines fit for any terminal or pipe."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Iterable


def say(lines: Iterable[str]) -> None:
    """Print lines; characters that would steer or break the terminal are shown as `?`."""
    encoding = sys.stdout.encoding or "utf-8"
    text = "\n".join("".join(c if c.isprintable() else "?" for c in line) for line in lines)
    try:
        sys.stdout.write(text.encode(encoding, "replace").decode(encoding) + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader has seen enough (`| head`); Python would complain again on leaving.
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say_json(summary: object) -> None:
    """Print an object as JSON. ASCII, so that any terminal or pipe takes it; json escapes it."""
    for_people = json.dumps(summary, indent=2)
    say(for_people.splitlines())


def progress(line: str, *, quiet: bool) -> None:
    """A line for somebody who watches, on a terminal only."""
    if not quiet and sys.stderr.isatty():
        sys.stderr.write(line + "\n")
        sys.stderr.flush()
