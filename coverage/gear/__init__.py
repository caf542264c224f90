"""What the searcher carried: coils, swings, receivers, target numbers, and the ground a coil can hear.

Uses ``tracks``.
"""
