"""Bags on a disk: walked, digested, written, repaired, and judged by a second library."""
