"""What others get: `release`, `burn`, `changes`."""
