"""Where the program meets disk, clock, serial port and terminal."""
