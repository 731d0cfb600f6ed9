"""Results turned into something to read."""
