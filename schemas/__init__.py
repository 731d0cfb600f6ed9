"""Documents that people write or that stay on disk; nothing here reads or writes a file."""
