"""Whole projects with faults in them, packaged as a user would and held to the truth.

`python -m tests.accuracy`.
"""
