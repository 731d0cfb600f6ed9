"""The conductor: the only place that knows both the stages and the edges.

One module a task (`packaging`, `checking`, …); `cli` makes one call into one of them.
"""
