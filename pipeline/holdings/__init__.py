"""What a shelf of bags holds, in which state, and what to read next: pure, in rows and reasons."""
