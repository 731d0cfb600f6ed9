"""The stages: values in, values out; no clock, no disk, no terminal, and none imports another."""
