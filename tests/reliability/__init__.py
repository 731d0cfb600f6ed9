"""The second round of reliability: each class of defect as a test, and the kit to provoke it."""
