"""At the bench: `bench` and `capture`."""
