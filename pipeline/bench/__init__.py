"""Wires and readers: the wiring sheet of a part, sockets and their differences, a reader's stream. Pure."""
