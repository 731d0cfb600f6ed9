"""Mutation testing: the program changed at one place at a time, and whether a test notices."""
