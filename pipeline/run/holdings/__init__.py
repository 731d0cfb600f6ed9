"""The shelf: its index brought up to date, and asked."""
