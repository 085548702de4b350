"""Where a panel ends and parts: rims, openings, faces and their edges."""
