"""Formats made of records that carry addresses, counts or sums of their own."""
