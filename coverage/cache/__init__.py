"""Results that took long, kept under a digest of everything they were computed from.

Uses ``tracks`` alone.
"""
