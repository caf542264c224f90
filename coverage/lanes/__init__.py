"""Numbered lanes: planned over the ground, set out with a tape, and told from a walk.

Uses ``tracks``.
"""
