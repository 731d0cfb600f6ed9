"""The same program in another specimen: what two images say, and when one bears the other out."""
