"""Formats that are text: hex listings and logs, and the tape formats of characters."""
