"""How often the right line is named, and how often a healthy image is accused: `python -m tests.accuracy`."""
