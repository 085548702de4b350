"""What keeps a finding from being certain, and what is said about that."""
