"""Loops in C for recordings: the same numbers to the last bit, several times as fast.

As in ``coverage/compiled``, which borrows arrays the same way, whoever uses one keeps the way without it beside it.

Uses no other room.
"""
