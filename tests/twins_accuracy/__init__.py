"""How well two specimens of one program are told apart: `python -m tests.twins_accuracy`."""
