"""The way from a folder of dumps to a bag, from a bag to a bundle; pipeline/README.md draws the house."""

__version__ = "0.1.0"
