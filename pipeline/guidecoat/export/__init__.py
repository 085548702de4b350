"""What a check leaves behind: clouds, meshes, the map, tables, the page and the summary."""

from .summary import summary_of
from .write import write_check

__all__ = ["summary_of", "write_check"]
