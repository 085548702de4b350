"""Results in plain words, the same in every picture, page, table and line printed."""
