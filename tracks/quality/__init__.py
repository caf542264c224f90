"""How good a recording is, and whether two recordings are of the same walk.

Uses ``motion`` and ``compiled``.
"""
