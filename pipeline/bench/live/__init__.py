"""What a reader shows while it reads on and on: lines, pins, and the one thing to do next. Pure."""
