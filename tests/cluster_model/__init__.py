"""What a cluster costs, measured, and what limits it, worked out from what was measured."""
