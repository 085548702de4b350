"""The panel in a scan: told from what lies about it, unrolled, parted, and how it was seen."""
