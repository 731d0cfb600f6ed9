"""A bag as a thing: its tag files, its names, its record, its validation, its repair and its history.

Pure.
"""
