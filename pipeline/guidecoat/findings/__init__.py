"""What stands off the fair surface, where, and what a scan cannot tell of it."""
