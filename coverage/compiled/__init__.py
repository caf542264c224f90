"""Loops in C where numpy is slow: the same numbers to the last bit, several times as fast.

Whoever uses one keeps the way with numpy beside it, for machines without a compiler, and as what it is tested against.
One alone is only as near as 1e-10: ``likelihood.c``, beside which LAPACK sums in an order that hangs on the machine.

Uses ``tracks/compiled``, which borrows arrays and measures places from segments.
"""
